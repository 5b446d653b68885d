"""A pin library and a kernel behind it, made of Python: what was called, in order, and what the relay saw of it."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

HEADER = "pinctrl-bcm2711"
# Revision code of a board with this chip (from memory).
PI_4B = 0xC03114

NO_CHIP, NO_OUTPUT, NO_LINE = "can not open gpiochip", "GPIO not set as an output", "bad GPIO number"
# The real library's own words.
BUSY, WRITE_FAILED = "GPIO busy", "bad GPIO write"


class LgpioError(Exception):
    def __init__(self, value: str) -> None:
        self.value = value

    def __str__(self) -> str:
        return repr(self.value)


class Line:
    """One line: what holds it, whether it is driven, and the pull that decides when it is not."""

    def __init__(self) -> None:
        self.handle: int | None = None
        self.holder = ""
        self.is_output = False
        self.driven = 0
        self.pull = 0
        self.shorted: int | None = None

    @property
    def level(self) -> int:
        if self.shorted is not None:
            return self.shorted
        return self.driven if self.is_output else self.pull


class Callback:
    def __init__(self, callbacks: list["Callback"], key: tuple[int, int], function: Callable[..., None]) -> None:
        self.callbacks, self.key, self.function = callbacks, key, function
        callbacks.append(self)

    def cancel(self) -> None:
        self.callbacks.remove(self)


class FakeGpio:
    """Stands for the module `lgpio`; its lines outlive a crash, as the kernel's do.

    `trace`: every call. `edges`: every change of level as (pin, level), on any chip. `keeps_outputs`: a freed output
    keeps its level, as on a board's own kernel; else it falls to its pull. `before_write`: called with (pin, level)
    before a write takes effect. `failures`: for a call's name, the errors that its next calls raise.
    """

    error = LgpioError
    BOTH_EDGES, RISING_EDGE, FALLING_EDGE = 3, 1, 2
    SET_PULL_NONE, SET_PULL_UP, SET_PULL_DOWN = 128, 32, 64

    def __init__(self, *, keeps_outputs: bool = False, labels: dict[int, str] | None = None) -> None:
        self.labels = labels or {0: HEADER}
        self.keeps_outputs = keeps_outputs
        self.lines = {(chip, pin): Line() for chip in self.labels for pin in range(28)}
        self.handles: dict[int, int] = {}
        self.trace: list[tuple[object, ...]] = []
        self.edges: list[tuple[int, int]] = []
        self.callbacks: list[Callback] = []
        self.failures: dict[str, list[str]] = {}
        self.closed_to_user: set[int] = set()
        self.before_write: Callable[[int, int], None] = lambda _pin, _level: None
        self._next_handle = 0

    # What a test does

    def line(self, pin: int, chip: int = 0) -> Line:
        return self.lines[chip, pin]

    def hold(self, pin: int, holder: str, chip: int = 0) -> None:
        self.line(pin, chip).handle, self.line(pin, chip).holder = -1, holder

    def crash(self) -> None:
        """End the process: the kernel closes what it held, and nobody calls anything."""
        for handle in list(self.handles):
            self._drop(handle)
        self.callbacks.clear()

    def drive(self, pin: int, level: int, chip: int = 0) -> None:
        """Put a level on an input from outside."""
        with self._watched(chip, pin):
            self.line(pin, chip).pull = level
        for callback in list(self.callbacks):
            if callback.key == (chip, pin):
                callback.function(chip, pin, level, 0)

    # What the library offers

    def gpiochip_open(self, number: int) -> int:
        self._called("gpiochip_open", number)
        if number not in self.labels or number in self.closed_to_user:
            raise LgpioError(NO_CHIP)
        self._next_handle += 1
        self.handles[self._next_handle] = number
        return self._next_handle

    def gpiochip_close(self, handle: int) -> int:
        self._called("gpiochip_close", self.handles[handle])
        self._drop(handle)
        return 0

    def gpio_get_chip_info(self, handle: int) -> list[object]:
        self._called("gpio_get_chip_info", self.handles[handle])
        number = self.handles[handle]
        return [0, 28, f"gpiochip{number}", self.labels[number]]

    def gpio_get_line_info(self, handle: int, pin: int) -> list[object]:
        self._called("gpio_get_line_info", pin)
        return [0, pin, 0, "", self.lines[self.handles[handle], pin].holder]

    def gpio_get_mode(self, handle: int, pin: int) -> int:
        return 2 if self.lines[self.handles[handle], pin].is_output else 0

    def gpio_claim_output(self, handle: int, pin: int, level: int = 0, flags: int = 0) -> int:
        self._called("gpio_claim_output", pin, level)
        line = self._claim(handle, pin)
        with self._watched(self.handles[handle], pin):
            line.is_output, line.driven = True, level
        return flags

    def gpio_claim_input(self, handle: int, pin: int, flags: int = 0) -> int:
        self._called("gpio_claim_input", pin)
        line = self._claim(handle, pin)
        with self._watched(self.handles[handle], pin):
            line.is_output = False
        return flags

    def gpio_claim_alert(self, handle: int, pin: int, _edges: int, _flags: int = 0) -> int:
        self._called("gpio_claim_alert", pin)
        self._claim(handle, pin)
        return 0

    def gpio_free(self, handle: int, pin: int) -> int:
        self._called("gpio_free", pin)
        self._free(self.handles[handle], pin)
        return 0

    def gpio_read(self, handle: int, pin: int) -> int:
        self._called("gpio_read", pin)
        return self.lines[self.handles[handle], pin].level

    def gpio_write(self, handle: int, pin: int, level: int) -> int:
        self._called("gpio_write", pin, level)
        self.before_write(pin, level)
        line = self.lines[self.handles[handle], pin]
        if not line.is_output:
            raise LgpioError(NO_OUTPUT)
        with self._watched(self.handles[handle], pin):
            line.driven = level
        return 0

    def gpio_set_debounce_micros(self, _handle: int, _pin: int, _micros: int) -> int:
        return 0

    def callback(self, handle: int, pin: int, _edges: int, function: Callable[..., None]) -> Callback:
        return Callback(self.callbacks, (self.handles[handle], pin), function)

    # The kernel

    def _called(self, name: str, *arguments: object) -> None:
        self.trace.append((name, *arguments))
        if self.failures.get(name):
            raise LgpioError(self.failures[name].pop(0))

    def _claim(self, handle: int, pin: int) -> Line:
        if (self.handles[handle], pin) not in self.lines:
            raise LgpioError(NO_LINE)
        line = self.lines[self.handles[handle], pin]
        if line.handle not in (None, handle):
            raise LgpioError(BUSY)
        line.handle, line.holder = handle, "lg"
        return line

    def _free(self, chip: int, pin: int) -> None:
        line = self.lines[chip, pin]
        with self._watched(chip, pin):
            line.handle, line.holder = None, ""
            line.is_output = line.is_output and self.keeps_outputs

    def _drop(self, handle: int) -> None:
        chip = self.handles.pop(handle)
        for (number, pin), line in self.lines.items():
            if number == chip and line.handle == handle:
                self._free(chip, pin)

    @contextmanager
    def _watched(self, chip: int, pin: int) -> Iterator[None]:
        before = self.lines[chip, pin].level
        yield
        after = self.lines[chip, pin].level
        if after != before:
            self.edges.append((pin, after))


@contextmanager
def installed(gpio: FakeGpio, monkeypatch: pytest.MonkeyPatch, folder: Path) -> Iterator[FakeGpio]:
    """Put the fake in the place of lgpio, its chips under `folder`/dev, and a board around it."""
    from dumpload.gpio import line

    devices = folder / "dev"
    devices.mkdir()
    for number in gpio.labels:
        (devices / f"gpiochip{number}").touch()
    monkeypatch.setattr(line, "DEVICES", devices)
    monkeypatch.setitem(sys.modules, "lgpio", gpio)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: PI_4B)
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    bound = ("gpiozero.pins.lgpio", "dumpload.gpio.pin")  # modules that keep hold of the lgpio they were imported with
    modules = {name: sys.modules.pop(name) for name in bound if name in sys.modules}
    yield gpio
    for name in bound:
        sys.modules.pop(name, None)
    sys.modules.update(modules)
