"""What is doubtful about a pin."""

from pathlib import Path

import pytest

from dumpload.gpio import boot_warnings as doubts
from dumpload.gpio.boot_warnings import warnings_about
from dumpload.gpio.line import PinSpec

SPEC = PinSpec(17, active_high=True, chip_label=None, pin_factory="lgpio", feedback_pin=None)


@pytest.fixture(autouse=True)
def modules(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setattr(doubts, "KERNEL_MODULES", tmp_path)
    return tmp_path


@pytest.mark.parametrize("pin", [9, 13, 16, 17, 27])
def test_an_ordinary_pin_raises_no_doubt(pin: int) -> None:
    assert warnings_about(SPEC._replace(pin=pin)) == []


@pytest.mark.parametrize("pin", [0, 8])
def test_a_pin_pulled_up_at_boot_is_doubtful(pin: int) -> None:
    assert warnings_about(SPEC._replace(pin=pin)) == [
        f"GPIO{pin} is pulled up while the board starts; prefer GPIO 16 to 27"
    ]


@pytest.mark.parametrize("pin", [14, 15])
def test_a_pin_of_the_console_is_doubtful(pin: int) -> None:
    assert "serial console" in warnings_about(SPEC._replace(pin=pin))[0]


def test_an_active_low_relay_is_doubtful() -> None:
    assert "a floating or reset pin may close the relay" in warnings_about(SPEC._replace(active_high=False))[0]


@pytest.mark.parametrize(("value", "count"), [("Y\n", 1), ("1\n", 1), ("N\n", 0), ("0\n", 0), ("", 0)])
@pytest.mark.parametrize("parameter", doubts.KEEPING_PARAMETERS)
def test_a_kernel_that_keeps_released_outputs_is_doubtful(
    modules: Path, parameter: str, value: str, count: int
) -> None:
    (modules / parameter).parent.mkdir(parents=True)
    (modules / parameter).write_text(value)
    found = warnings_about(SPEC)
    assert len(found) == count
    assert all("after a crash the line keeps its level" in doubt for doubt in found)
    assert warnings_about(SPEC._replace(pin_factory="mock")) == []
