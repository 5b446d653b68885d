"""The coil and what drives it on paper: pull-in, transistor ratings, release."""

import math

from dumpload.check import sources
from dumpload.check.figures import NEVER, Grade, at_least, at_most, format_number, least, most, worst
from dumpload.check.pull import PULL
from dumpload.check.table import CONTACT, Check, Danger, Judgement, Known, judged, yes_no
from dumpload.physics.contacts import (
    BASE_V,
    HOT_COIL,
    OVERDRIVE,
    base_current_a,
    coil_current_a,
    divided_v,
    largest_base_ohm,
    pin_current_a,
    release_time_s,
)

SUPPLY_LOW = "driver.supply_v or battery.lowest_v"
SUPPLY_HIGH = "driver.supply_v or battery.highest_v"

SLOW_RELEASE_S = 0.05

KINDS = {"none": "none: the coil's current has nowhere to go", "diode": "a diode", "zener": "a Zener diode or clamp"}


def _lowest_v(known: Known) -> float:
    return float(known.get("driver.supply_v", known.get("battery.lowest_v")))


def _highest_v(known: Known) -> float:
    return float(known.get("driver.supply_v", known.get("battery.highest_v")))


def _coil_a(known: Known) -> float:
    return coil_current_a(_highest_v(known), known["driver.coil_ohm"])


def _pull_in(known: Known) -> Judgement:
    pull_in_v, lost_v = known["driver.pull_in_v"], known["driver.saturation_v"]
    coil_v = max(0.0, _lowest_v(known) - lost_v)
    coil = least("coil voltage", coil_v, "V", HOT_COIL * pull_in_v, fails=pull_in_v)
    figure = f"pulls in at {pull_in_v:g} V cold; the coil gets {{}} at worst, {_lowest_v(known):g} V less {lost_v:g} V"
    limit = f"{{}}, {HOT_COIL:g} times as much for a coil 60 K warmer; below {at_least(pull_in_v)} V it fails"
    change = "Choose a coil for the lowest voltage, or feed it from a regulated supply: a half-closed contact burns."
    return judged(coil, sources.PULL_IN, change, figure=figure, limit=limit)


def _coil_voltage(known: Known) -> Judgement:
    coil = least("rating", known["driver.coil_most_v"], "V", _highest_v(known), key="driver.coil_most_v")
    change = "Choose a coil for the highest voltage, or feed it from a regulated supply."
    return judged(coil, sources.COIL_MOST, change, figure="coil rated for {}", limit="{}, the most it gets")


def _bipolar(known: Known) -> Judgement:
    pin_v, base_ohm, gain = known["driver.pin_v"], known["driver.base_ohm"], known["driver.least_gain"]
    pull_ohm, coil_a = known.get("driver.pull_down_ohm", math.inf), _coil_a(known)
    base_ma = 1000 * base_current_a(pin_v, base_ohm, pull_ohm)
    base = least("base current", base_ma, "mA", 1000 * OVERDRIVE * coil_a / gain)
    pin_ma = 1000 * pin_current_a(pin_v, base_ohm, min(BASE_V, pin_v))
    pin = most("pin current", pin_ma, "mA", known["driver.pin_ma"], fails=NEVER)
    state = worst(base.state, pin.state)
    return Judgement(
        state,
        f"base current {base.text}, pin current {pin.text}; the coil takes {at_least(1000 * coil_a)} mA",
        f"base {base.limit_text}, pin {pin.limit_text}",
        sources.BASE,
        "" if state is Grade.PASS else _fitting_base(known, coil_a, pull_ohm),
        (base, pin),
    )


def _fitting_base(known: Known, coil_a: float, pull_ohm: float) -> str:
    pin_v = known["driver.pin_v"]
    least_ohm = 1000 * max(0.0, pin_v - BASE_V) / known["driver.pin_ma"]
    most_ohm = largest_base_ohm(pin_v, coil_a, known["driver.least_gain"], pull_ohm) if pin_v > BASE_V else 0.0
    if most_ohm < least_ohm or not least_ohm:
        return "No base resistor fits: use a transistor of more gain, or a MOSFET."
    return f"Use a base resistor of {at_least(least_ohm)} to {at_most(most_ohm)} ohm."


def _mosfet(known: Known) -> Judgement:
    pin_v, gate_ohm = known["driver.pin_v"], known["driver.gate_ohm"]
    pull_ohm = known.get("driver.pull_down_ohm", math.inf)
    gate_v = divided_v(pin_v, gate_ohm, pull_ohm)
    gate = most("gate", known["driver.gate_full_v"], "V", gate_v, key="driver.gate_full_v")
    surge_ma = 1000 * pin_current_a(pin_v, gate_ohm, 0)
    pin = most("pin current", surge_ma, "mA", known["driver.pin_ma"], fails=NEVER)
    change = ""
    if gate.state is not Grade.PASS:
        change = f"Use a logic-level MOSFET specified {gate.limit_text}: a half-open one burns."
        if known["driver.gate_full_v"] <= pin_v:
            change = "Use a smaller gate resistor or a larger pull-down: the two divide what the gate gets."
    elif pin.state is not Grade.PASS:
        change = f"Use a gate resistor of at least {at_least(1000 * pin_v / known['driver.pin_ma'])} ohm."
    return Judgement(
        worst(gate.state, pin.state),
        f"gate specified at {gate.text} and gets {at_most(gate_v)} V of {pin_v:g} V; the pin gives {pin.text} at first",
        f"gate specified {gate.limit_text}, pin {pin.limit_text}",
        sources.GATE,
        change,
        (gate, pin),
    )


def _clamp_v(known: Known) -> float:
    return BASE_V + float(known["driver.clamp_v"] if known["driver.flyback"] == "zener" else 0.0)


def _transistor(known: Known) -> Judgement:
    needed_v = _highest_v(known) + _clamp_v(known)
    volts = least("voltage", known["driver.transistor_v"], "V", needed_v, key="driver.transistor_v")
    amperes = least("current", known["driver.transistor_a"], "A", _coil_a(known), key="driver.transistor_a")
    state = worst(volts.state, amperes.state)
    return Judgement(
        state,
        f"rated for {volts.text} and {amperes.text}",
        f"{volts.limit_text}, supply and clamp together, and {amperes.limit_text}, the coil's",
        sources.CLAMP,
        "" if state is Grade.PASS else "Use a transistor rated for both, or a clamp of lower voltage.",
        (volts, amperes),
    )


def _suppression(known: Known) -> Judgement:
    kind = known["driver.flyback"]
    return yes_no(
        good=kind != "none",
        figure=KINDS[kind],
        limit="a diode, or a clamp below the transistor's rating, across the coil",
        source=sources.FLYBACK,
        change="Fit a diode: without one the transistor breaks down, and may fail closed.",
    )


def _is_clamped(known: Known) -> bool:
    return known.get("driver.flyback") in {"diode", "zener"}


def _release(known: Known) -> Judgement:
    clamp_v = _clamp_v(known)
    coil_v, coil_ohm, henry = _highest_v(known), known["driver.coil_ohm"], known["driver.coil_h"]
    limit_s = min(SLOW_RELEASE_S, known["relay.feedback_s"] if "relay.feedback_pin" in known else math.inf)
    release_s = release_time_s(henry, coil_ohm, coil_v, clamp_v)
    release = most("release time", 1000 * release_s, "ms", 1000 * limit_s, fails=NEVER)
    figure = f"{{}} to a tenth of the current, against {format_number(clamp_v)} V"
    return judged(release, sources.RELEASE, _faster(known), figure=figure)


def _faster(known: Known) -> str:
    """Return the advice on a slow coil: a clamp only where the transistor is known to be rated for it."""
    coil_v, coil_ohm, henry = _highest_v(known), known["driver.coil_ohm"], known["driver.coil_h"]
    clamp_v = min(coil_v, known.get("driver.transistor_v", 0.0) - coil_v - BASE_V)
    if BASE_V + clamp_v <= _clamp_v(known):
        return "Slow contacts burn. A faster clamp needs a transistor rated for it: see driver.transistor_v."
    faster_s = release_time_s(henry, coil_ohm, coil_v, BASE_V + clamp_v)
    return (
        f"Slow contacts burn: a clamp of {at_most(clamp_v)} V, which this transistor is rated for, would make it "
        f"{at_least(1000 * faster_s)} ms."
    )


def is_bipolar(known: Known) -> bool:
    """Return whether a bipolar transistor drives the coil."""
    return bool(known.get("driver.transistor") == "bipolar")


def is_mosfet(known: Known) -> bool:
    """Return whether a MOSFET drives the coil."""
    return bool(known.get("driver.transistor") == "mosfet")


def _has_rating(known: Known) -> bool:
    return (is_bipolar(known) or is_mosfet(known)) and _is_clamped(known)


def _lacks_clamp(known: Known) -> bool:
    return known.get("driver.flyback") == "zener" and "driver.clamp_v" not in known


RATING_NEEDS = ("driver.transistor_v", "driver.transistor_a", "driver.coil_ohm", SUPPLY_HIGH)
RELEASE_NEEDS = ("driver.coil_h", "driver.coil_ohm", SUPPLY_HIGH)

CHECKS = (
    Check(
        CONTACT,
        "coil-pull-in",
        "coil at the lowest voltage",
        Danger.ARC,
        ("driver.pull_in_v", SUPPLY_LOW),
        _pull_in,
    ),
    Check(
        CONTACT,
        "coil-voltage",
        "coil at the highest voltage",
        Danger.FIRE,
        ("driver.coil_most_v", SUPPLY_HIGH),
        _coil_voltage,
        keys=("driver.coil_most_v", "driver.supply_v"),
    ),
    Check(
        CONTACT,
        "driver-base",
        "transistor and base resistor",
        Danger.ARC,
        ("driver.coil_ohm", "driver.base_ohm", "driver.least_gain", PULL, SUPPLY_HIGH),
        _bipolar,
        is_bipolar,
        keys=("driver.base_ohm", "driver.least_gain", "driver.pull_down_ohm"),
    ),
    Check(
        CONTACT,
        "driver-gate",
        "transistor and gate resistor",
        Danger.ARC,
        ("driver.gate_ohm", "driver.gate_full_v", PULL),
        _mosfet,
        is_mosfet,
    ),
    Check(
        CONTACT,
        "transistor-rating",
        "rating of the transistor",
        Danger.ARC,
        RATING_NEEDS,
        _transistor,
        lambda known: _has_rating(known) and not _lacks_clamp(known),
    ),
    Check(
        CONTACT,
        "transistor-rating",
        "rating of the transistor",
        Danger.ARC,
        (*RATING_NEEDS, "driver.clamp_v"),
        _transistor,
        lambda known: _has_rating(known) and _lacks_clamp(known),
    ),
    Check(CONTACT, "coil-suppression", "coil suppression", Danger.ARC, ("driver.flyback",), _suppression),
    Check(
        CONTACT,
        "coil-release",
        "release time of the coil",
        Danger.SERVICE,
        RELEASE_NEEDS,
        _release,
        lambda known: _is_clamped(known) and not _lacks_clamp(known),
    ),
    Check(
        CONTACT,
        "coil-release",
        "release time of the coil",
        Danger.SERVICE,
        (*RELEASE_NEEDS, "driver.clamp_v"),
        _release,
        _lacks_clamp,
    ),
)
