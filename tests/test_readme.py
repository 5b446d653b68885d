"""The README says what the code does: its table of causes, its state diagram, its first blocks, its file names."""

import re
from pathlib import Path

import pytest

from dumpload.cli.commands import build_parser
from dumpload.core.explain import MEANINGS, cause_name
from dumpload.core.law import RULES, Cause, Position, Situation

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text()
ON = {Cause.SURPLUS, Cause.HAND, Cause.MIN_ON_DWELL}


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)


def test_it_opens_with_the_job_in_one_paragraph() -> None:
    title, paragraph, *_ = TEXT.split("\n\n")
    assert title == "# dumpload"
    assert "hot water" in paragraph
    assert "state of charge" in paragraph
    assert not paragraph.startswith(("#", "-", "|", "`"))


def test_the_first_two_blocks_run_the_demo_and_the_tests() -> None:
    fences = re.findall(r"^```(\w+)\n", TEXT, re.MULTILINE)
    assert fences[:2] == ["sh", "sh"]
    assert fences.count("sh") == 2
    demo, tests = blocks("sh")
    assert demo.split() == ["sh", "dumpload/demo/run.sh"]
    assert (ROOT / "dumpload/demo/run.sh").read_text().rstrip().endswith('dumpload" demo')
    assert tests.strip() in (ROOT / ".ci/run").read_text()
    assert (ROOT / "tests/run.sh").exists()


def test_the_table_of_causes_is_the_codes_own() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (on|off) \| (.+) \|$", TEXT, re.MULTILINE)
    expected = [(cause_name(cause), "on" if cause in ON else "off", words) for cause, words in MEANINGS.items()]
    assert rows == expected
    assert set(MEANINGS) == set(Cause) - {Cause.NONE}


def edges_of_the_law() -> set[tuple[str, str, str]]:
    edges = set()
    for now in Position:
        for situation in Situation:
            running, over = RULES[now, situation]
            name = situation.name.lower()
            if running.position == over.position:
                edges.add((now.name, over.position.name, name))
            else:
                edges.add((now.name, running.position.name, f"{name}, dwell running"))
                edges.add((now.name, over.position.name, f"{name}, dwell over"))
    return edges


def test_the_state_diagram_is_the_codes_own() -> None:
    (diagram,) = blocks("mermaid")
    drawn = re.findall(r"^    (\w+) --> (\w+): (.+)$", diagram, re.MULTILINE)
    assert len(drawn) == len(set(drawn))
    assert set(drawn) == edges_of_the_law()
    assert "[*] --> OFF" in diagram


def test_every_command_it_shows_exists() -> None:
    shown = set(re.findall(r"`dumpload (\w+)", TEXT))
    known = set(re.findall(r"^    (\w+) ", build_parser().format_help(), re.MULTILINE))
    assert {"run", "status", "select", "off", "check", "demo"} <= known
    assert shown <= known


@pytest.mark.parametrize("path", sorted(set(re.findall(r"\]\(([\w./-]+)\)", TEXT))))
def test_every_file_it_links_to_exists(path: str) -> None:
    assert (ROOT / path).exists()


def test_every_anchor_it_links_to_exists() -> None:
    headings = re.findall(r"^## (.+)$", TEXT, re.MULTILINE)
    anchors = {heading.lower().replace(" ", "-") for heading in headings}
    assert set(re.findall(r"\]\(#([\w-]+)\)", TEXT)) <= anchors
