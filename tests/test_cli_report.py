"""The command `report`, and `replay --report`: what they print where, what they write, and their exit codes."""

import json
import os
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from half_hour import ROWS, SETTINGS
from histories import fill
from interrupting import interrupted
from jsonschema import Draft202012Validator

from dumpload.cli.commands import main
from dumpload.cli.console import OK, USAGE
from dumpload.history.schema import Entry, RowKind

# 2025-06-16 12:00:00 UTC.
NOON = 1_750_075_200.0

LOAD = "\n[load]\nrated_w = 300\nrated_v = 24\n"

NUMBER_OR_NULL = {"type": ["number", "null"]}
MOMENT = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$"}


def exactly(**properties: Any) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": [*properties], "additionalProperties": False}


def listed(items: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items}


COUNT = {"type": "integer", "minimum": 0}
SECONDS_BY_CAUSE = {"type": "object", "additionalProperties": {"type": "number", "exclusiveMinimum": 0}}
SCHEMA = exactly(
    name={"type": "string"},
    record={"type": "string"},
    kind={"const": "history"},
    samples=COUNT,
    accepted=COUNT,
    rejected=COUNT,
    rows=COUNT,
    dropped=COUNT,
    bad_rows=listed({"type": "string"}),
    torn={"type": "null"},
    notes=listed({"type": "string"}),
    first=MOMENT,
    last=MOMENT,
    changes=listed(
        exactly(at=MOMENT, relay={"enum": ["on", "off"]}, cause={"type": "string"}, state_of_charge=NUMBER_OR_NULL)
    ),
    summary={"type": "object", "required": ["switch_ons", "on_time_s", "energy_wh", "data_lost_s"]},
    days=listed(
        exactly(
            date={"type": "string", "format": "date"},
            on_time_s={"type": "number"},
            switch_ons=COUNT,
            energy_wh=NUMBER_OR_NULL,
            data_lost_s={"type": "number"},
            lowest_state_of_charge=NUMBER_OR_NULL,
            highest_state_of_charge=NUMBER_OR_NULL,
            hot_water={"type": "boolean"},
            in_short={"type": "string", "minLength": 5},
            off_time_s_by_cause=SECONDS_BY_CAUSE,
        )
    ),
    hot_water_days=COUNT,
    litres_at_40_c=NUMBER_OR_NULL,
    days_battery_missed_full=COUNT,
    off_time_s_by_cause=SECONDS_BY_CAUSE,
    heat_sources=exactly(
        from_battery_wh=NUMBER_OR_NULL,
        from_panels_throttled_wh=NUMBER_OR_NULL,
        from_panels_throttled_at_least_wh=NUMBER_OR_NULL,
        from_panels_battery_would_have_taken_wh=NUMBER_OR_NULL,
        from_other_wh=NUMBER_OR_NULL,
        not_known_wh=NUMBER_OR_NULL,
        throttle_percent={"type": "number"},
        equivalent_full_cycles=NUMBER_OR_NULL,
    ),
    causes_of_off={"type": "object", "additionalProperties": COUNT},
    without_data=listed({"type": "object", "properties": {"from": MOMENT, "to": MOMENT}, "required": ["from", "to"]}),
    events=listed(exactly(at=MOMENT, what={"type": "string"})),
)


def row(sequence: int, kind: RowKind, t: float, *, value: float = 0.0, until: float | None = None, cause: int = 15,
        text: str = "{}") -> Entry:  # fmt: skip
    return Entry(sequence, NOON + t, kind, t, t, t if until is None else until, 0, value, cause, text)


def rows(days: int = 3) -> list[Entry]:
    """Every day a run from 12:00 to 14:00, and one over midnight; a charge that goes on arriving."""
    found, sequence = [], 0
    for day in range(days):
        begin = 86_400.0 * day
        for kind, after_s, fields in (
            (RowKind.SAMPLE, 1, {"value": 98.0, "until": begin + 7000}),
            (RowKind.CHANGE, 10, {"value": 1.0, "text": '{"state_of_charge": 98.0}'}),
            (RowKind.SAMPLE, 7200, {"value": 92.0, "until": begin + 40_000}),
            (RowKind.CHANGE, 7200, {"value": 0.0, "cause": 14, "text": '{"state_of_charge": 92.0}'}),
            (RowKind.SELECT, 39_000, {"value": 1.0, "until": begin + 48_000}),
            (RowKind.CHANGE, 39_600, {"value": 1.0, "cause": 16}),
            (RowKind.SAMPLE, 40_100, {"value": 91.0, "until": begin + 86_000}),
            (RowKind.CHANGE, 46_800, {"value": 0.0, "cause": 14}),
        ):
            sequence += 1
            found.append(row(sequence, kind, begin + after_s, **fields))  # type: ignore[arg-type]
    return found


@pytest.fixture
def barge(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with settings that are found, a history they name, and a table."""
    for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
        monkeypatch.delenv(name)
    kept = f'[history]\npath = "{tmp_path / "history.db"}"\n'
    (tmp_path / "dumpload.toml").write_text(SETTINGS + LOAD + kept)
    (tmp_path / "log.csv").write_text(ROWS)
    fill(tmp_path / "history.db", rows())
    monkeypatch.setenv("DUMPLOAD_CONFIG", str(tmp_path / "dumpload.toml"))
    return tmp_path


Capture = pytest.CaptureFixture[str]


def refused(capsys: Capture, *arguments: object) -> str:
    """Return what is said when the command is refused, in JSON the same."""
    assert main(["report", *map(str, arguments)]) == USAGE
    out, err = capsys.readouterr()
    assert out == ""
    assert main(["report", *map(str, arguments), "--json"]) == USAGE
    assert json.loads(capsys.readouterr().out) == {"error": err.strip()}
    assert err.count("\n") == 1
    return err


def files(folder: Path) -> list[str]:
    """Return which files are in a folder, except what the database library leaves beside a history that is read."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*")
                  if path.is_file() and not path.name.endswith(("-shm", "-wal")))  # fmt: skip


# What is printed


def test_text_goes_to_standard_output_and_nothing_elsewhere(barge: Path, capsys: Capture) -> None:
    before = files(barge)
    assert main(["report"]) == OK
    out, err = capsys.readouterr()
    assert out.startswith("The relay came on 6 times in ")
    assert f"{barge / 'history.db'}" in out.replace("\n              ", "")
    assert "2025-06-16 12:00:10  ON   surplus          98.0 %" in out
    assert err == ""
    assert files(barge) == before


def test_json_is_one_document_that_keeps_to_its_schema(barge: Path, capsys: Capture) -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert main(["report", "--json"]) == OK
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(SCHEMA).validate(document)
    assert document["record"] == str(barge / "history.db")
    assert [(day["date"], day["switch_ons"]) for day in document["days"]] == [
        ("2025-06-16", 2), ("2025-06-17", 2), ("2025-06-18", 2), ("2025-06-19", 0),
    ]  # fmt: skip
    assert document["causes_of_off"] == {"below_cut_out": 6}
    assert sum(day["on_time_s"] for day in document["days"]) == document["summary"]["on_time_s"] == 3 * 14_390
    assert document["events"][1] == {"at": "2025-06-16T22:50:00.000Z", "what": "selector moved to hand for 150 min"}


@pytest.mark.parametrize("arguments", [["--history"], ["--set"]])
def test_another_history_can_be_named(barge: Path, capsys: Capture, arguments: list[str]) -> None:
    fill(barge / "other.db", rows(1))
    name = str(barge / "other.db") if arguments == ["--history"] else f"history.path={barge / 'other.db'}"
    assert main(["report", *arguments, name]) == OK
    assert "came on 2 times" in capsys.readouterr().out


def test_a_period_is_of_whole_local_days(barge: Path, capsys: Capture) -> None:
    assert barge.is_dir()
    assert main(["report", "--since", "2025-06-17", "--until", "2025-06-17", "--json"]) == OK
    document = json.loads(capsys.readouterr().out)
    assert (document["first"], document["last"]) == ("2025-06-17T00:00:00.000Z", "2025-06-18T00:00:00.000Z")
    (day,) = document["days"]
    assert (day["date"], day["on_time_s"], day["switch_ons"]) == ("2025-06-17", 3600 + 7190 + 3600, 3)
    changes = [(change["at"][11:16], change["relay"], change["cause"]) for change in document["changes"]]
    assert changes[0] == ("00:00", "on", "hand")
    assert changes[-1] == ("23:00", "on", "hand")


# What is written


def test_page_and_pictures_are_written_and_the_text_is_printed(barge: Path, capsys: Capture) -> None:
    arguments = [
        "--report",
        str(barge / "new" / "report.html"),
        "--svg",
        str(barge / "svg"),
        "--png",
        str(barge / "png"),
    ]
    assert main(["report", *arguments]) == OK
    assert capsys.readouterr().out.startswith("The relay came on 6 times")
    assert "What the relay did: dumpload" in (barge / "new" / "report.html").read_text()
    for kind, begin in (("svg", b"<svg "), ("png", b"\x89PNG\r\n")):
        written = sorted((barge / kind).iterdir())
        assert [file.stem for file in written] == ["charge", "energy", "hours"]
        assert all(file.suffix == f".{kind}" and file.read_bytes().startswith(begin) for file in written)


def test_a_replay_has_the_same_page_and_says_that_it_is_one(barge: Path, capsys: Capture) -> None:
    plain = ["replay", str(barge / "log.csv"), "--json"]
    assert main(plain) == OK
    without = capsys.readouterr().out
    assert main([*plain, "--report", str(barge / "report.html"), "--svg", str(barge / "svg")]) == OK
    assert capsys.readouterr().out == without
    assert "What the relay would have done: dumpload" in (barge / "report.html").read_text()
    assert len([*(barge / "svg").iterdir()]) == 3


def test_a_page_that_is_there_is_replaced_and_a_link_is_not_followed(barge: Path, capsys: Capture) -> None:
    (barge / "there.html").write_text("old")
    (barge / "link.html").symlink_to(barge / "there.html")
    assert "it is a link" in refused(capsys, "--report", barge / "link.html")
    assert (barge / "there.html").read_text() == "old"
    assert main(["report", "--report", str(barge / "there.html")]) == OK
    assert (barge / "there.html").read_text().startswith("<!doctype html>")


NAMED = [
    ("replay log.csv", "log.csv"),
    ("replay log.csv", "dumpload.toml"),
    ("replay log.csv", "history.db"),
    ("replay log.csv --compare other.toml", "other.toml"),
    ("replay history.db", "history.db-wal"),
    ("report", "history.db"),
    ("report", "dumpload.toml"),
    ("report", "kept.json"),
    ("report --history copy.db", "copy.db"),
    ("check", "dumpload.toml"),
    ("check", "history.db"),
    ("check", "history.db-shm"),
    ("check", "usual.toml"),
    ("check --set mqtt.username=a --set mqtt.password_file=password", "password"),
]


@pytest.mark.parametrize(("words", "target"), NAMED)
def test_no_output_replaces_a_file_that_the_call_or_the_settings_name(
    barge: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch, words: str, target: str
) -> None:
    monkeypatch.chdir(barge)
    (barge / "other.toml").write_text((barge / "dumpload.toml").read_text())
    (barge / "copy.db").write_bytes((barge / "history.db").read_bytes())
    kept = barge / target
    kept.touch(mode=0o600)
    (barge / "link").symlink_to(kept)
    (barge / "hard link").hardlink_to(kept)
    (barge / "folder").symlink_to(".")
    before = kept.read_bytes()
    for path in (kept, barge / "link", barge / "hard link", barge / "folder" / target):
        assert main([*words.split(), "--report", str(path)], [str(barge / "usual.toml")]) == USAGE
        told = capsys.readouterr()
        assert told.out == ""
        assert told.err.startswith(f"--report {path}: expected a file that can be written (it is the same file as ")
        assert kept.read_bytes() == before


@pytest.mark.parametrize(
    ("option", "name"),
    [("--report", "folder"), ("--report", "log.csv/report.html"), ("--svg", "log.csv"), ("--png", "log.csv/png")],
)
@pytest.mark.parametrize("command", ["report", "replay"])
def test_what_cannot_be_written_is_named_and_nothing_else_is_written(
    barge: Path, capsys: Capture, command: str, option: str, name: str
) -> None:
    """The page, which could be written, is not there either; nor is anything printed but the error."""
    (barge / "folder").mkdir()
    before = files(barge)
    others = [one for one in ("--report", "--svg") if one != option]
    arguments = [option, str(barge / name), *(part for one in others for part in (one, str(barge / f"new{one}")))]
    words = ["report"] if command == "report" else ["replay", str(barge / "log.csv")]
    assert main([*words, *arguments]) == USAGE
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"{option} {barge / name}")
    assert "expected a file that can be written" in err
    assert files(barge) == before


@pytest.mark.parametrize("target", ["/dev/null", "/dev/full"])
def test_what_is_no_plain_file_is_left_alone(barge: Path, capsys: Capture, target: str) -> None:
    assert barge.is_dir()
    assert "it is not a regular file" in refused(capsys, "--report", target)
    assert Path(target).is_char_device()


def test_png_without_what_draws_it_says_how_to_get_it(
    barge: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    said = refused(capsys, "--report", barge / "report.html", "--png", barge / "png")
    assert said == f"--png {barge / 'png'}: expected the extra that draws them: pip install 'dumpload[picture]'\n"
    assert not (barge / "report.html").exists()
    assert not (barge / "png").exists()


# What is refused


def test_without_a_history_there_is_nothing_to_tell(barge: Path, capsys: Capture) -> None:
    (barge / "dumpload.toml").write_text(SETTINGS)
    assert refused(capsys).startswith("history.path: expected a history file, in the config or as --history")


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("nowhere.db", "nowhere.db: expected "),
        ("log.csv", "log.csv: expected a history database of the daemon (for any other record use replay --report)"),
        ("folder", "folder: expected a regular file, not a folder"),
    ],
)
def test_what_is_no_history_is_refused_by_name(barge: Path, capsys: Capture, name: str, words: str) -> None:
    (barge / "folder").mkdir()
    assert words in refused(capsys, "--history", barge / name)


def test_a_damaged_history_is_refused_by_name(barge: Path, capsys: Capture) -> None:
    content = bytearray((barge / "history.db").read_bytes())
    content[4096:] = bytes(byte ^ 0x5A for byte in content[4096:])
    (barge / "bad.db").write_bytes(content)
    assert "bad.db: expected a history database that can be read" in refused(capsys, "--history", barge / "bad.db")
    (barge / "short.db").write_bytes((barge / "history.db").read_bytes()[:5000])
    assert "short.db: expected a history database that can be read" in refused(
        capsys, "--history", barge / "short.db", "--report", barge / "report.html"
    )
    assert not (barge / "report.html").exists()


def test_a_period_without_rows_is_refused(barge: Path, capsys: Capture) -> None:
    said = refused(capsys, "--since", "2026-01-01")
    assert said == (
        f"{barge / 'history.db'}: expected a period with data; there are data from 2025-06-16 to 2025-06-19\n"
    )


def test_a_period_that_ends_before_it_begins_is_refused(barge: Path, capsys: Capture) -> None:
    assert barge.is_dir()
    said = refused(capsys, "--since", "2025-06-18", "--until", "2025-06-17")
    assert said == "--since 2025-06-18: expected a day not after --until 2025-06-17\n"


@pytest.mark.parametrize("text", ["tomorrow", "2025-02-30", "16.6.2025", "", "0001-01-01", "9999-12-31"])
@pytest.mark.parametrize("option", ["--since", "--until"])
def test_what_is_no_day_is_a_usage_error(barge: Path, capsys: Capture, option: str, text: str) -> None:
    assert barge.is_dir()
    with pytest.raises(SystemExit) as ended:
        main(["report", option, text])
    assert ended.value.code == USAGE
    assert f"{text!r}: expected a day such as 2025-06-16" in capsys.readouterr().err


# Interrupted


@pytest.mark.parametrize("flags", [[], ["--json"]])
def test_an_interrupted_report_shows_and_writes_nothing(barge: Path, flags: list[str]) -> None:
    path = (barge / "long.db").resolve()
    fill(path, [row(number, RowKind.SAMPLE, 15.0 * number, value=98.0) for number in range(1, 250_000)])
    command = [sys.executable, "-m", "dumpload", "report", "--history", str(path), *flags]
    page = barge / "report.html"
    code, out, err = interrupted([*command, "--report", str(page)], path, 0.1)
    assert (code, out) == (130, "")
    assert re.fullmatch(r"interrupted( at 2025-\S+ of the record)?; an incomplete run gives no result\n", err)
    assert not page.exists()
