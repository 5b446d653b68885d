"""The short circuit on paper: what the fuse must break, main against branch fuse, and a short at the far end."""

from collections.abc import Callable
from typing import NamedTuple

from dumpload.check import sources
from dumpload.check.facts import HIGHEST, SIZE, cable_ohm, highest_a, is_lifepo4
from dumpload.check.figures import NEVER, format_number, least
from dumpload.check.sources import Basis
from dumpload.check.table import CABLE, Check, Danger, Judgement, Known, judged
from dumpload.physics.protection import (
    CONTINUOUS,
    CURRENT_LIMITING_A,
    INTERRUPTS_LITHIUM_A,
    needed_breaking_a,
    short_circuit_a,
)

# Short-circuit current as a multiple of the fuse, below which it blows late, or perhaps never.
SURE_BLOW, HARDLY_BLOWS = 5.0, 2.0

# Main fuse as a multiple of a branch fuse, so that the branch fuse blows first (common practice, no source).
SELECTIVE = 1.6

# The table by cranking current is for 12 and 24 V; a 24 V bank of lead-acid cells is charged to no more than this.
CRANKING_TABLE_V = 32.0

# What a fuse made for 20 kA is made for, direct voltage.
LITHIUM_V = 125.0


class ShortCircuit(NamedTuple):
    """The current a fuse must break, what it comes from, and the source."""

    amperes: float
    cause: str
    source: Basis


def fault(known: Known, *, is_branch: bool) -> ShortCircuit:
    """Return what a fuse must break: by the bank's resistance, else its cranking current, else as a lithium bank."""
    if "battery.resistance_mohm" in known:
        amperes = short_circuit_a(known["battery.highest_v"], known["battery.resistance_mohm"] / 1000)
        return ShortCircuit(
            amperes, f"fault current of a battery of {known['battery.resistance_mohm']:g} mohm", sources.FAULT
        )
    if is_lifepo4(known):
        basis = f"for a lithium battery whose milliohms are not known, at up to {LITHIUM_V:g} V"
        return ShortCircuit(INTERRUPTS_LITHIUM_A, basis, sources.ABYC_FAULT)
    main_a, branch_a = needed_breaking_a(known["battery.cranking_a"])
    kind = "branch" if is_branch else "main"
    basis = f"for a {kind} fuse of a battery that cranks {known['battery.cranking_a']:g} A"
    return ShortCircuit(branch_a if is_branch else main_a, basis, sources.ABYC_FAULT)


def _breaking(known: Known, key: str, *, is_branch: bool) -> Judgement:
    needed = fault(known, is_branch=is_branch)
    breaks = least("breaking capacity", known[key], "A", needed.amperes, key=key)
    kind = ", of class T or another that limits the current" if needed.amperes >= CURRENT_LIMITING_A else ""
    volts = f"{known['battery.highest_v']:g} V DC"
    change = f"Fit a fuse that breaks this current at {volts}{kind}: one that cannot bursts."
    limit = f"{{}} at {volts}, {needed.cause}"
    return judged(breaks, needed.source, change, figure="breaks {}", limit=limit)


def _load_fuse(known: Known) -> Judgement:
    return _breaking(known, "wiring.fuse_interrupts_a", is_branch=_has_main(known))


def _main_fuse(known: Known) -> Judgement:
    return _breaking(known, "wiring.main_fuse_interrupts_a", is_branch=False)


def _has_main(known: Known) -> bool:
    return "wiring.main_fuse_a" in known


def _selective(known: Known) -> Judgement:
    branch_a, main_a = known["wiring.fuse_a"], known["wiring.main_fuse_a"]
    fuse = least("main fuse", main_a, "A", SELECTIVE * branch_a, fails=NEVER, key="wiring.main_fuse_a")
    change = "Fit a smaller branch fuse or a larger main fuse, or a fault of the heater takes the whole battery off."
    figure = f"main fuse {{}}, the heater's branch {branch_a:g} A"
    return judged(fuse, sources.SELECTIVITY, change, figure=figure, limit=f"{{}}, {SELECTIVE:g} times the branch")


def _main_load(known: Known) -> Judgement:
    whole_a = highest_a(known) + known["battery.other_loads_a"]
    fuse = least("main fuse", known["wiring.main_fuse_a"], "A", CONTINUOUS * whole_a, fails=whole_a)
    fuse = fuse._replace(key="wiring.main_fuse_a")
    change = "Run fewer loads at once, or fit a larger main fuse if its cable carries that."
    figure = f"main fuse {{}}; everything on takes {format_number(whole_a)} A"
    return judged(fuse, sources.CONTINUOUS_LOAD, change, figure=figure, limit="{}, 125 % of everything")


def _fuse_voltage(known: Known) -> Judgement:
    fuse = least("rating", known["wiring.fuse_v"], "V", known["battery.highest_v"], key="wiring.fuse_v")
    change = "Fit a fuse rated for DC at that voltage: a fuse rated lower may keep arcing."
    return judged(fuse, sources.FUSE_VOLTAGE, change, figure="rated for {} DC", limit="{} DC, the highest bus voltage")


def _far_short(known: Known) -> Judgement:
    bank_ohm = known["battery.resistance_mohm"] / 1000
    fault_a = short_circuit_a(known["battery.lowest_v"], bank_ohm, cable_ohm(known))
    times = least("fault current", fault_a / known["wiring.fuse_a"], "times", SURE_BLOW, fails=HARDLY_BLOWS)
    change = "Use a thicker or shorter cable, so that a short blows the fuse at once."
    figure = f"a short at the load draws {format_number(fault_a)} A, {{}} the fuse of {known['wiring.fuse_a']:g} A"
    limit = f"{{}}; below {HARDLY_BLOWS:g} it may never blow"
    return judged(times, sources.FAR_FAULT, change, figure=figure, limit=limit)


def _by_resistance(known: Known) -> bool:
    return "battery.resistance_mohm" in known or is_lifepo4(known)


def _by_cranking(known: Known) -> bool:
    """Return whether the battery's cranking current can be used: not lithium, and within the voltages of the table."""
    return not _by_resistance(known) and bool(known.get("battery.highest_v", 0) <= CRANKING_TABLE_V)


def _by_neither(known: Known) -> bool:
    return not _by_resistance(known) and not _by_cranking(known)


# Which further key tells the fault current, and when.
FAULT_NEEDS = (
    (_by_resistance, ()),
    (_by_cranking, ("battery.resistance_mohm or battery.cranking_a",)),
    (_by_neither, ("battery.resistance_mohm",)),
)


def _breaking_checks() -> tuple[Check, ...]:
    """Return the checks of either fuse, one for each way in which the fault current may be known."""
    fuses = (
        ("fuse-breaking", "the fuse", "wiring.fuse_interrupts_a", _load_fuse, lambda _known: True),
        ("main-fuse-breaking", "the main fuse", "wiring.main_fuse_interrupts_a", _main_fuse, _has_main),
    )
    return tuple(
        Check(
            CABLE, name, f"breaking capacity of {fuse}", Danger.FIRE, (key, "battery.highest_v", *further), work_out,
            _both(is_there, applies), keys=(key,), safety=True,
        )
        for name, fuse, key, work_out, is_there in fuses
        for applies, further in FAULT_NEEDS
    )  # fmt: skip


def _both(first: Callable[[Known], bool], other: Callable[[Known], bool]) -> Callable[[Known], bool]:
    return lambda known: first(known) and other(known)


CHECKS = (
    Check(
        CABLE,
        "fuse-voltage",
        "voltage of the fuse",
        Danger.FIRE,
        ("wiring.fuse_v", "battery.highest_v"),
        _fuse_voltage,
        keys=("wiring.fuse_v",),
        safety=True,
    ),
    *_breaking_checks(),
    Check(
        CABLE,
        "fuse-selectivity",
        "main and branch fuse",
        Danger.SERVICE,
        ("wiring.main_fuse_a", "wiring.fuse_a"),
        _selective,
        _has_main,
    ),
    Check(
        CABLE,
        "main-fuse-load",
        "main fuse against everything",
        Danger.SERVICE,
        ("wiring.main_fuse_a", "battery.other_loads_a", *HIGHEST),
        _main_load,
        _has_main,
    ),
    Check(
        CABLE,
        "fuse-far-short",
        "short circuit at the load",
        Danger.FIRE,
        ("wiring.fuse_a", "wiring.length_m", SIZE, "battery.resistance_mohm", "battery.lowest_v"),
        _far_short,
    ),
)
