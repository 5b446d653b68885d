"""The chip by its label, the library without traces, the record of the line, and what errors say."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from fake_lgpio import BUSY, FakeGpio, installed

from dumpload.gpio import line
from dumpload.gpio.line import Chip, LineBusyError, PinSpec, RelayError

SPEC = PinSpec(17, active_high=True, chip_label=None, pin_factory="lgpio", feedback_pin=None)
# Numbers as some kernel deals them out (from memory); the header's chip is neither the first nor the last.
BOARD = {0: "gpio-brcmstb@107d508500", 4: "pinctrl-rp1", 11: "raspberrypi-exp-gpio"}


@pytest.fixture
def gpio(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[FakeGpio]:
    with installed(FakeGpio(labels=dict(BOARD)), monkeypatch, tmp_path) as fake:
        yield fake


# The chip


@pytest.mark.parametrize(("label", "number"), [(None, 4), ("pinctrl-rp1", 4), ("raspberrypi-exp-gpio", 11)])
def test_the_chip_is_found_by_its_label_and_the_others_are_closed(
    gpio: FakeGpio, label: str | None, number: int
) -> None:
    chip = line.open_chip(gpio, SPEC._replace(chip_label=label))
    assert (chip.number, chip.label) == (number, BOARD[number])
    assert gpio.handles == {chip.handle: number}


def test_a_second_name_for_the_same_chip_is_no_second_chip(gpio: FakeGpio) -> None:
    (line.DEVICES / "gpiochip1").symlink_to(line.DEVICES / "gpiochip4")
    (line.DEVICES / "gpiochip2").symlink_to(line.DEVICES / "gone")
    gpio.labels[1] = BOARD[4]
    assert line.open_chip(gpio, SPEC).number == 4


@pytest.mark.parametrize(
    ("labels", "wanted", "says"),
    [
        (BOARD, "pinctrl-bcm2711", "expected one chip labelled pinctrl-bcm2711, found: gpio-brcmstb@107d508500, "),
        ({0: "gpio-a"}, None, "expected one chip labelled pinctrl-..., found: gpio-a; set relay.chip_label"),
        ({0: "pinctrl-a", 4: "pinctrl-b"}, None, "found: pinctrl-a, pinctrl-b; set relay.chip_label"),
        ({0: "same", 4: "same"}, "same", "expected one chip labelled same, found: same, same"),
    ],
    ids=["absent", "none of the header's", "two of the header's", "two alike"],
)
def test_anything_but_exactly_one_chip_is_an_error_with_the_labels_found(
    gpio: FakeGpio, labels: dict[int, str], wanted: str | None, says: str
) -> None:
    gpio.labels = labels
    for number in set(BOARD) - set(labels):
        (line.DEVICES / f"gpiochip{number}").unlink()
    with pytest.raises(RelayError, match=r"^GPIO17: ") as caught:
        line.open_chip(gpio, SPEC._replace(chip_label=wanted))
    assert says in str(caught.value)
    assert gpio.handles == {}


def test_no_chip_at_all_is_an_error(gpio: FakeGpio) -> None:
    for device in line.DEVICES.iterdir():
        device.unlink()
    with pytest.raises(RelayError, match=r"no GPIO chip \(.*/gpiochip\*\) here, expected one chip labelled pinctrl-"):
        line.open_chip(gpio, SPEC)


def test_chips_closed_to_this_user_are_an_error_that_names_the_group(
    gpio: FakeGpio, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpio.closed_to_user = set(BOARD)
    monkeypatch.setattr(os, "access", lambda _path, _mode: False)
    with pytest.raises(RelayError, match=r"gpiochip0, .*gpiochip4, .*may not be opened, .*group gpio"):
        line.open_chip(gpio, SPEC)


def test_a_chip_that_does_not_answer_is_counted(gpio: FakeGpio) -> None:
    gpio.failures["gpiochip_open"] = ["can not open gpiochip"]
    with pytest.raises(RelayError, match=r"found: pinctrl-rp1, raspberrypi-exp-gpio \(and 1 that would not open\)"):
        line.open_chip(gpio, SPEC._replace(chip_label="gpio-brcmstb@107d508500"))


# The line


@pytest.mark.parametrize(("active_high", "level"), [(True, 0), (False, 1)])
def test_the_line_is_claimed_at_its_off_level_in_one_call(gpio: FakeGpio, active_high: bool, level: int) -> None:
    spec = SPEC._replace(active_high=active_high)
    chip = line.open_chip(gpio, spec)
    gpio.line(17, chip.number).pull = level
    gpio.trace.clear()
    line.claim_off(gpio, chip, spec)
    assert gpio.trace == [("gpio_claim_output", 17, level), ("gpio_read", 17)]
    assert gpio.edges == []


@pytest.mark.parametrize(
    ("reason", "says"),
    [
        ("bad GPIO number", "bad GPIO number; expected a line that this chip has: see relay.pin, relay.chip_label"),
        ("unexpected error", "GPIO17 (pinctrl-rp1): unexpected error"),
    ],
)
def test_a_claim_that_fails_says_why(gpio: FakeGpio, reason: str, says: str) -> None:
    chip = line.open_chip(gpio, SPEC)
    gpio.failures["gpio_claim_output"] = [reason]
    with pytest.raises(RelayError) as caught:
        line.claim_off(gpio, chip, SPEC)
    assert says in str(caught.value)


def test_a_busy_line_names_its_holder(gpio: FakeGpio) -> None:
    chip = line.open_chip(gpio, SPEC)
    gpio.hold(17, "galley-lights", chip.number)
    with pytest.raises(LineBusyError, match='is in use, held by "galley-lights": stop that program'):
        line.claim_off(gpio, chip, SPEC)


def test_a_busy_line_whose_holder_cannot_be_asked_for_is_still_busy(gpio: FakeGpio) -> None:
    chip = line.open_chip(gpio, SPEC)
    gpio.failures["gpio_get_line_info"] = ["bad lineinfo IOCTL"]
    assert "in use, held by an unknown program" in str(line.explain(gpio, chip, 17, gpio.error(BUSY)))


def test_a_line_that_does_not_follow_is_an_error(gpio: FakeGpio) -> None:
    chip = line.open_chip(gpio, SPEC)
    gpio.line(17, chip.number).shorted = 1
    with pytest.raises(RelayError, match=r"GPIO17 \(pinctrl-rp1\) still reads on"):
        line.claim_off(gpio, chip, SPEC)


# The library

LIKE_LGPIO = "import os\nos.chdir(os.environ['LG_WD'])\nos.mkfifo('.lgd-nfy0')\nfolder = os.getcwd()\n"


@pytest.fixture
def no_lgpio(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Path]:
    """A folder in which to put a module of that name, and nothing imported yet."""
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    yield tmp_path
    sys.modules.pop("lgpio", None)


@pytest.mark.parametrize("before", [None, "/somewhere"])
def test_importing_the_library_leaves_no_file_no_variable_and_no_other_working_directory(
    no_lgpio: Path, monkeypatch: pytest.MonkeyPatch, before: str | None
) -> None:
    monkeypatch.delenv("LG_WD", raising=False)
    if before:
        monkeypatch.setenv("LG_WD", before)
    (no_lgpio / "lgpio.py").write_text(LIKE_LGPIO)
    (no_lgpio / "run").mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(no_lgpio / "run"))
    lgpio = line.load_lgpio()
    assert Path(lgpio.folder).parent == no_lgpio / "run"
    assert list((no_lgpio / "run").iterdir()) == []
    assert Path.cwd() == no_lgpio
    assert os.environ.get("LG_WD") == before
    assert line.load_lgpio() is lgpio


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("raise ImportError('no such thing')", "lgpio cannot be imported (no such thing); install dumpload[gpio]"),
        ("open('.lgd-nfy-3')", "lgpio cannot start in "),
    ],
)
def test_a_library_that_does_not_load_is_an_error(no_lgpio: Path, text: str, says: str) -> None:
    (no_lgpio / "lgpio.py").write_text(text)
    with pytest.raises(RelayError) as caught:
        line.load_lgpio()
    assert says in str(caught.value)
    assert Path.cwd() == no_lgpio


def test_a_folder_that_cannot_be_written_is_passed_over(no_lgpio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (no_lgpio / "lgpio.py").write_text(LIKE_LGPIO)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(no_lgpio / "gone"))
    monkeypatch.setenv("TMPDIR", str(no_lgpio))
    assert Path(line.load_lgpio().folder).parent == no_lgpio


def test_no_folder_to_write_is_an_error(no_lgpio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_self: Path, mode: int) -> None:
        raise PermissionError(mode)

    monkeypatch.setattr(Path, "mkdir", refuse)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(no_lgpio))
    with pytest.raises(RelayError, match="needs a folder it can write; none of "):
        line.load_lgpio()


def test_the_real_library_is_loaded_without_traces(tmp_path: Path) -> None:
    code = "from dumpload.gpio.line import load_lgpio; import os; load_lgpio().callback; print(os.getcwd())"
    environ = {"RUNTIME_DIRECTORY": str(tmp_path), "PYTHONPATH": str(Path(line.__file__).parents[2])}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd="/", env=environ, capture_output=True, text=True, check=False
    )
    if "cannot be imported" in done.stderr:
        pytest.skip("lgpio is not installed")
    assert (done.stdout, done.stderr) == ("/\n", "")
    assert list(tmp_path.iterdir()) == []


def test_chips_are_named_tuples_of_handle_number_and_label() -> None:
    assert Chip(1, 4, "pinctrl-rp1") == (1, 4, "pinctrl-rp1")
