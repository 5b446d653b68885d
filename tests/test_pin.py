"""The line never goes the wrong way: whole traces of calls and of levels, their length included."""

import gc
from collections.abc import Iterator
from pathlib import Path

import pytest
from fake_lgpio import FakeGpio, installed

from dumpload.gpio.relay import PinSpec, Relay

PIN = 17
TIMES = 100
POLARITIES = pytest.mark.parametrize("active_high", [True, False], ids=["active high", "active low"])
KERNELS = pytest.mark.parametrize("keeps_outputs", [True, False], ids=["keeps outputs", "frees outputs"])


@pytest.fixture
def gpio(keeps_outputs: bool, active_high: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[FakeGpio]:
    with installed(FakeGpio(keeps_outputs=keeps_outputs), monkeypatch, tmp_path) as fake:
        fake.line(PIN).pull = 0 if active_high else 1  # the resistor that an installer fits: towards off
        yield fake


def spec(active_high: bool) -> PinSpec:
    return PinSpec(PIN, active_high, None, "lgpio", None)


def start(off: int) -> list[tuple[object, ...]]:
    """The calls of a start: find the chip, claim at the off level, read back. Nothing else touches the line."""
    return [("gpiochip_open", 0), ("gpio_get_chip_info", 0), ("gpio_claim_output", PIN, off), ("gpio_read", PIN)]


def write(level: int) -> list[tuple[object, ...]]:
    return [("gpio_write", PIN, level), ("gpio_read", PIN)]


@POLARITIES
@KERNELS
def test_start_on_off_and_close_a_hundred_times_make_exactly_one_pulse_each(gpio: FakeGpio, active_high: bool) -> None:
    on, off = int(active_high), int(not active_high)
    for _ in range(TIMES):
        relay = Relay(spec(active_high), lambda: 0.0)
        relay.on(permit_until=60.0)
        relay.off()
        relay.close()
    once = [
        *start(off),
        *write(on),
        *write(off),
        ("gpio_read", PIN),  # before the permit is let go
        *write(off),
        ("gpio_read", PIN),
        ("gpiochip_close", 0),
    ]
    assert gpio.trace == once * TIMES
    assert gpio.edges == [(PIN, on), (PIN, off)] * TIMES


@POLARITIES
@KERNELS
def test_a_crash_while_off_a_hundred_times_never_moves_the_line(gpio: FakeGpio, active_high: bool) -> None:
    off = int(not active_high)
    for _ in range(TIMES):
        relay = Relay(spec(active_high), lambda: 0.0)
        gpio.crash()
        relay.deadman.stop()
    assert gpio.trace == start(off) * TIMES
    assert gpio.edges == []


@POLARITIES
@KERNELS
def test_a_crash_while_on_a_hundred_times_is_ended_by_the_next_start_at_the_latest(
    gpio: FakeGpio, active_high: bool
) -> None:
    on, off = int(active_high), int(not active_high)
    for _ in range(TIMES):
        relay = Relay(spec(active_high), lambda: 0.0)
        relay.on(permit_until=60.0)
        gpio.crash()
        relay.deadman.stop()
    Relay(spec(active_high), lambda: 0.0).close()
    closing = [*write(off), ("gpio_read", PIN), ("gpiochip_close", 0)]
    assert gpio.trace == [*start(off), *write(on)] * TIMES + start(off) + closing
    assert gpio.edges == [(PIN, on), (PIN, off)] * TIMES


@pytest.mark.parametrize(("active_high", "keeps_outputs"), [(False, True)])
def test_the_librarys_own_pin_pulses_an_active_low_relay_so_the_trace_can_see_a_pulse(
    gpio: FakeGpio, active_high: bool
) -> None:
    from gpiozero import OutputDevice
    from gpiozero.pins.lgpio import LGPIOFactory

    factory = LGPIOFactory(chip=0)
    device = OutputDevice(PIN, active_high=active_high, pin_factory=factory)
    assert gpio.edges == [(PIN, 0), (PIN, 1)]
    device.close()
    factory.close()


@POLARITIES
@pytest.mark.parametrize("keeps_outputs", [True])
def test_close_leaves_a_driven_off_level_and_no_floating_input(gpio: FakeGpio, active_high: bool) -> None:
    relay = Relay(spec(active_high), lambda: 0.0)
    relay.on(permit_until=60.0)
    relay.close()
    del relay
    gc.collect()
    line = gpio.line(PIN)
    assert (line.is_output, line.driven, line.handle) == (True, int(not active_high), None)
