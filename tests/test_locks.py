"""The lock files: one version each, hashes for all that a board installs, and nothing of where they were made."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
VERSIONS, BOARD = ROOT / "requirements.lock", ROOT / "config" / "board.lock"
PIN = re.compile(r"^([a-z0-9-]+)==(\S+)", re.MULTILINE)


def pins(path: Path) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for name, version in PIN.findall(path.read_text()):
        found.setdefault(name, set()).add(version)
    return found


def test_a_board_installs_the_versions_that_were_tested() -> None:
    tested = pins(VERSIONS)
    assert pins(BOARD)
    assert all(versions <= tested.get(name, set()) for name, versions in pins(BOARD).items())


def test_every_file_that_a_board_may_take_has_its_hash() -> None:
    parts = re.split(r"^(?=[a-z])", re.sub(r"^#.*\n", "", BOARD.read_text(), flags=re.MULTILINE), flags=re.MULTILINE)
    for part in filter(None, parts):
        pin, *hashes = part.replace("\\\n", "").split()
        assert PIN.match(pin), pin
        kept = [word for word in hashes if word.startswith("--hash")]
        assert kept, pin
        assert all(re.fullmatch(r"--hash=sha256:[0-9a-f]{64}", word) for word in kept)


def test_a_board_has_what_the_package_needs_and_what_builds_it() -> None:
    wanted = {"gpiozero", "lgpio", "paho-mqtt", "pydantic-settings", "structlog", "hatchling"}
    assert wanted <= set(pins(BOARD))


def test_no_lock_says_where_it_was_made() -> None:
    for path in (VERSIONS, BOARD):
        assert not re.search(r"https?:|file:|index|find-links|@|^/| /", path.read_text(), re.MULTILINE)
