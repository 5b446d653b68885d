"""The check on any settings at all: it always answers, in text, as JSON and as a page, in words and finite numbers."""

import json
import re
from collections import Counter
from pathlib import Path

import pytest
from installations import KEYS, installations
from judged import settings
from surveyed import BARGE

from dumpload.check.document import CHECKS, check_document, is_wrong
from dumpload.check.page import check_page
from dumpload.check.text import check_text

FILE = Path("/barge/dumpload.toml")


def answers(seed: int, count: int) -> Counter[str]:
    seen: Counter[str] = Counter()
    for keys, drawn in installations(seed, count, BARGE):
        document = check_document(FILE, drawn)
        assert json.loads(json.dumps(document, allow_nan=False)) == document
        text, page = check_text(document), check_page(document)
        assert is_wrong(document) == (document["verdict"] in {"fail", "incomplete"})
        for words in (text, page):
            assert not re.search(r"\b(nan|inf|None|Traceback)\b", words), (keys, words)
        assert len({one["id"] for one in document["findings"]}) == len(document["findings"]), keys
        for one in document["findings"]:
            assert "{" not in one["figure"] + one["limit"] + one["change"], (keys, one)
            assert one["change"] or one["state"] in {"pass", "info"}, (keys, one)
            seen[f"{one['id']} {one['state']}"] += 1
            assert not one["figure"].startswith("cannot be right"), (keys, one)
    return seen


def test_the_draws_reach_every_key_of_the_installation() -> None:
    drawn = {key for keys, _settings in installations(2, 60, BARGE) for key in keys}
    assert set(KEYS) <= drawn


def test_any_settings_get_an_answer() -> None:
    seen = answers(1, 60)
    assert seen["fuse-load fail"]
    assert seen["relief-valve pass"]


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_five_thousand_settings_get_an_answer() -> None:
    seen = answers(3, 5000)
    found = {key.split()[0] for key in seen} & {one.id for one in CHECKS}
    assert found == {one.id for one in CHECKS}


def test_a_highest_voltage_close_to_nominal_is_judged_in_words() -> None:
    document = check_document(
        FILE, settings({**BARGE, "battery.highest_v": 25.8, "solar.absorption_v": 25.8, "solar.float_v": 25.8})
    )
    (cell,) = [one for one in document["findings"] if one["id"] == "cell-voltage"]
    # 25.8 / 8 = 3.225 V: such a bank would never be half full.
    assert (cell["state"], "3.22 V each" in cell["figure"]) == ("fail", True)
    asked = {one["id"]: one["needs"] for one in document["not_checked"]}
    assert asked["surplus"] == ["battery.throttle_percent"]
