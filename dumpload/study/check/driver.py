"""The coil and its driver on paper: does the relay pull in, does the pin drive it, and how does it let go."""

import math

from dumpload.physics.contacts import (
    BASE_V,
    OVERDRIVE,
    base_current_a,
    coil_current_a,
    largest_base_ohm,
    pin_current_a,
    release_time_s,
)
from dumpload.study.check import sources
from dumpload.study.check.figures import State, at_least, at_most, num, over
from dumpload.study.check.lines import CONTACT, Check, Danger, Known, Verdict, asked, graded

SUPPLY_LOW = "driver.supply_v or battery.lowest_v"
SUPPLY_HIGH = "driver.supply_v or battery.highest_v"

LEAST_PULL_OHM, MOST_PULL_OHM = 1_000.0, 100_000.0

SLOW_RELEASE_S = 0.05


def _lowest_v(known: Known) -> float:
    return float(known.get("driver.supply_v", known.get("battery.lowest_v")))


def _highest_v(known: Known) -> float:
    return float(known.get("driver.supply_v", known.get("battery.highest_v")))


def _pull_in(known: Known) -> Verdict:
    return asked(
        good=known["driver.pull_in_v"] <= _lowest_v(known),
        figure=f"pulls in at {known['driver.pull_in_v']:g} V; the coil gets {_lowest_v(known):g} V at worst",
        limit=f"at most {_lowest_v(known):g} V",
        source=sources.PULL_IN,
        change="Choose a coil for the lowest voltage, or feed it from a regulated supply: a half-closed contact burns.",
    )


def _coil_voltage(known: Known) -> Verdict:
    return asked(
        good=known["driver.coil_most_v"] >= _highest_v(known),
        figure=f"the coil stands {known['driver.coil_most_v']:g} V; it gets {_highest_v(known):g} V at most",
        limit=f"at least {_highest_v(known):g} V",
        source=sources.COIL_MOST,
        change="Choose a coil for the highest voltage, or feed it from a regulated supply.",
    )


def _bipolar(known: Known) -> Verdict:
    pin_v, base_ohm = known["driver.pin_v"], known["driver.base_ohm"]
    pull_ohm = known["driver.pull_down_ohm"]
    coil_a = coil_current_a(_highest_v(known), known["driver.coil_ohm"])
    base_a, pin_a = base_current_a(pin_v, base_ohm, pull_ohm), pin_current_a(pin_v, base_ohm, BASE_V)
    wanted_a = OVERDRIVE * coil_a / known["driver.least_gain"]
    too_little = over(wanted_a, base_a)
    too_much = over(1000 * pin_a, known["driver.pin_ma"])
    most_ohm = largest_base_ohm(pin_v, coil_a, known["driver.least_gain"], pull_ohm)
    least_ohm = 1000 * (pin_v - BASE_V) / known["driver.pin_ma"]
    fits = f"Use a base resistor of {at_least(least_ohm)} to {at_most(most_ohm)} ohm."
    if most_ohm < least_ohm:
        fits = "No base resistor fits: use a transistor of more gain, or a MOSFET."
    return Verdict(
        graded(fails=too_little, cautions=too_much),
        f"base gets {num(1000 * base_a)} mA of the pin's {num(1000 * pin_a)} mA; coil takes {num(1000 * coil_a)} mA",
        f"base at least {num(1000 * wanted_a)} mA, pin at most {known['driver.pin_ma']:g} mA",
        sources.BASE,
        fits if too_little or too_much else "",
    )


def _mosfet(known: Known) -> Verdict:
    pin_v, full_v = known["driver.pin_v"], known["driver.gate_full_v"]
    surge_a = pin_current_a(pin_v, known["driver.gate_ohm"], 0)
    half_on, too_much = full_v > pin_v, over(1000 * surge_a, known["driver.pin_ma"])
    change = ""
    if half_on:
        change = f"Use a logic-level MOSFET specified at {pin_v:g} V or less: a half-open one burns."
    elif too_much:
        change = f"Use a gate resistor of at least {at_least(1000 * pin_v / known['driver.pin_ma'])} ohm."
    return Verdict(
        graded(fails=half_on, cautions=too_much),
        f"gate specified at {full_v:g} V, the pin gives {pin_v:g} V and at first {num(1000 * surge_a)} mA",
        f"gate at most {pin_v:g} V, pin at most {known['driver.pin_ma']:g} mA",
        sources.GATE,
        change,
    )


def _pull_down(known: Known) -> Verdict:
    ohm = known["driver.pull_down_ohm"]
    state = graded(fails=False, cautions=not LEAST_PULL_OHM <= ohm <= MOST_PULL_OHM)
    return Verdict(
        state,
        f"{ohm:g} ohm holds the input at off",
        f"{LEAST_PULL_OHM:g} to {MOST_PULL_OHM:g} ohm",
        sources.PRACTICE,
        "" if state == State.PASS else "Use about 10000 ohm: a floating line must read off.",
    )


def _flyback(known: Known) -> Verdict:
    kind = known["driver.flyback"]
    return asked(
        good=kind != "none",
        figure="none: the coil's current has nowhere to go" if kind == "none" else f"{kind}",
        limit="a diode, or a diode and a Zener diode, at the coil",
        source=sources.FLYBACK,
        change="Fit one: without it the transistor breaks down, and may stay closed.",
    )


def _clamped(known: Known) -> bool:
    return known.get("driver.flyback") in ("diode", "zener")


def _release(known: Known) -> Verdict:
    zener = known["driver.flyback"] == "zener"
    clamp_v = BASE_V + (known["driver.clamp_v"] if zener else 0.0)
    coil_v, coil_ohm, henry = _highest_v(known), known["driver.coil_ohm"], known["driver.coil_h"]
    release_s = release_time_s(henry, coil_ohm, coil_v, clamp_v)
    limit_s = min(SLOW_RELEASE_S, known["relay.feedback_s"] if "relay.feedback_pin" in known else math.inf)
    state = graded(fails=False, cautions=release_s > limit_s)
    change = ""
    if state == State.CAUTION:
        faster_s = release_time_s(henry, coil_ohm, coil_v, BASE_V + coil_v)
        change = f"A Zener diode of {num(coil_v)} V would make it {num(1000 * faster_s)} ms: slow contacts burn."
    figure = f"{num(1000 * release_s)} ms to a tenth of the current, against {num(clamp_v)} V"
    return Verdict(state, figure, f"at most {num(1000 * limit_s)} ms", sources.RELEASE, change)


def _is(kind: str, known: Known) -> bool:
    return bool(known.get("driver.transistor") == kind)


def _coil_is_ours(known: Known) -> bool:
    return not _is("module", known)


def _module(known: Known) -> Verdict:
    return Verdict(
        State.PASS,
        "a ready-made board drives the coil",
        f"its input must be made for {known['driver.pin_v']:g} V and {known['driver.pin_ma']:g} mA",
        sources.BOARD,
        "Look that up: it is not checked here.",
    )


CHECKS = (
    Check(
        CONTACT, "coil-pull-in", "coil at the lowest voltage", Danger.ARC, ("driver.pull_in_v", SUPPLY_LOW), _pull_in
    ),
    Check(
        CONTACT,
        "coil-voltage",
        "coil at the highest voltage",
        Danger.FIRE,
        ("driver.coil_most_v", SUPPLY_HIGH),
        _coil_voltage,
    ),
    Check(
        CONTACT,
        "driver-kind",
        "driver of the coil",
        Danger.SERVICE,
        ("driver.transistor",),
        _module,
        applies=lambda known: "driver.transistor" not in known or _is("module", known),
    ),
    Check(
        CONTACT,
        "driver-base",
        "transistor and base resistor",
        Danger.ARC,
        ("driver.coil_ohm", "driver.base_ohm", "driver.least_gain", "driver.pull_down_ohm", SUPPLY_HIGH),
        _bipolar,
        applies=lambda known: _is("bipolar", known),
    ),
    Check(
        CONTACT,
        "driver-gate",
        "transistor and gate resistor",
        Danger.ARC,
        ("driver.gate_ohm", "driver.gate_full_v"),
        _mosfet,
        applies=lambda known: _is("mosfet", known),
    ),
    Check(
        CONTACT, "driver-input", "pull-down at the driver's input", Danger.ARC, ("driver.pull_down_ohm",), _pull_down
    ),
    Check(
        CONTACT,
        "coil-suppression",
        "flyback path of the coil",
        Danger.ARC,
        ("driver.flyback",),
        _flyback,
        _coil_is_ours,
    ),
    Check(
        CONTACT,
        "coil-release",
        "release time of the coil",
        Danger.SERVICE,
        ("driver.coil_h", "driver.coil_ohm", SUPPLY_HIGH),
        _release,
        applies=lambda known: _clamped(known) and (known["driver.flyback"] == "diode" or "driver.clamp_v" in known),
    ),
    Check(
        CONTACT,
        "coil-release",
        "release time of the coil",
        Danger.SERVICE,
        ("driver.clamp_v",),
        _release,
        applies=lambda known: known.get("driver.flyback") == "zener" and "driver.clamp_v" not in known,
    ),
)
