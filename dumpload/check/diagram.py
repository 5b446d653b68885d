"""The one-line diagram of the installation, drawn from the settings: from the panels down to the element and back.

Symbols after IEC 60617 (from memory). What is not fitted is red and says so, what nobody stated is dashed and says so;
nothing is drawn as if it were known.
"""

from collections.abc import Callable, Iterable, Iterator
from html import escape
from typing import NamedTuple

from dumpload.check.facts import cable_name, has
from dumpload.check.table import Known
from dumpload.html import typeset

WIDTH, STEP = 400, 46

# Where the line runs down, where it comes back, and where words begin and end.
SPINE, BACK, WORDS = 88, 26, 122

STYLE = """
.diagram { max-width: 30rem; margin: 1rem 0 } .diagram svg { display: block; width: 100%; height: auto }
.diagram text { font: 13px system-ui, sans-serif; fill: var(--ink) } .diagram .n { font-weight: 600 }
.diagram .q { fill: var(--quiet); font-size: 12px } .diagram .a { fill: var(--fail); font-weight: 600 }
.diagram path { fill: none; stroke: var(--ink); stroke-width: 1.5 } .diagram .w { stroke-width: 2 }
.diagram .u { stroke-dasharray: 3 3 } .diagram .x { stroke: var(--fail) } .diagram .t { stroke-width: 1 }
"""

UNSAID = "not stated"
ABSENT = "NOT FITTED"


class Station(NamedTuple):
    """One thing on the line: its symbol, its name, and what is known of it.

    `fitted` is None where nobody stated whether it is there.
    """

    symbol: str
    name: str
    detail: str
    fitted: bool | None = True


def stations(known: Known) -> list[Station]:
    """Return what the line passes, from the panels to the element."""
    return [
        Station("panels", "Panels", _said(known, "solar.peak_w", "{:g} W"), _stated(known, "solar.peak_w")),
        Station(
            "charger", "Charger", *_listed(known, ("solar.charger_a", "{:g} A"), ("battery.highest_v", "to {:g} V"))
        ),
        Station("bank", "Battery", _bank(known)),
        Station("fuse", "Fuse at the battery", _fuse(known), _stated(known, "wiring.fuse_a")),
        Station("cable", "Cable", _cable(known), _cable(known) != UNSAID or None),
        Station("isolator", "Isolator", *_rating(known, "wiring.isolator")),
        Station("contact", "Contact of the relay", _contact(known), _stated(known, "contact.dc_v")),
        Station("thermostat", "Thermostat of the heater", *_thermostat(known)),
        Station("cut_out", "Thermal cut-out, reset by hand", *_cut_out(known)),
    ]


def tank_words(known: Known) -> list[Station]:
    """Return what belongs to the tank: element, valves, vessel and any other heater."""
    load = UNSAID
    if has(known, ("load.rated_w", "load.rated_v")):
        load = f"{known['load.rated_w']:g} W at {known['load.rated_v']:g} V"
    return [
        Station("", "Element", load, None if load == UNSAID else True),
        Station("", "Tank", _said(known, "tank.volume_l", "{:g} litres"), _stated(known, "tank.volume_l")),
        _fitting(known, "Relief valve", "tank.relief_valve", "tank.relief_bar", "opens at {:g} bar"),
        _fitting(known, "Mixing valve", "tank.mixing_valve"),
        _fitting(known, "Dry-heating guard", "tank.dry_fire_guard"),
        Station("", "Expansion", *_expansion(known)),
        Station("", "Second heater", *_second(known)),
    ]


def _stated(known: Known, key: str) -> bool | None:
    return True if key in known else None


def _said(known: Known, key: str, form: str) -> str:
    return form.format(known[key]) if key in known else UNSAID


def _bank(known: Known) -> str:
    parts = [
        _said(known, "battery.nominal_v", "{:g} V"),
        _said(known, "battery.capacity_ah", "{:g} Ah"),
        {"lifepo4": "LiFePO4", "lead_acid": "lead-acid"}.get(known.get("battery.chemistry", ""), ""),
    ]
    stated = [part for part in parts if part and part != UNSAID]
    return ", ".join(stated) if stated else UNSAID


def _fuse(known: Known) -> str:
    rated = _said(known, "wiring.fuse_a", "{:g} A")
    return f"{rated}, {known['wiring.fuse_v']:g} V DC" if "wiring.fuse_v" in known else rated


def _cable(known: Known) -> str:
    if not has(known, ("wiring.area_mm2 or wiring.gauge",)):
        return UNSAID
    length = f", {known['wiring.length_m']:g} m one way" if "wiring.length_m" in known else ""
    return f"{cable_name(known)}{length}"


def _contact(known: Known) -> str:
    rated = f"{known['contact.dc_v']:g} V DC" if "contact.dc_v" in known else "no DC rating stated"
    amperes = f", {known['contact.dc_a']:g} A" if "contact.dc_a" in known else ""
    rest = {True: ", normally open", False: ", normally CLOSED"}.get(known.get("contact.normally_open", ""), "")
    return f"{rated}{amperes}{rest}"


def _listed(known: Known, *forms: tuple[str, str]) -> tuple[str, bool | None]:
    """Return what is known of several settings, and whether anything is."""
    ratings = [form.format(known[key]) for key, form in forms if key in known]
    return (", ".join(ratings), True) if ratings else (UNSAID, None)


def _rating(known: Known, name: str, *before: tuple[str, str]) -> tuple[str, bool | None]:
    return _listed(known, *before, (f"{name}_v", "{:g} V DC"), (f"{name}_a", "{:g} A"))


def _thermostat(known: Known) -> tuple[str, bool | None]:
    rating, fitted = _rating(known, "tank.thermostat", ("tank.target_c", "{:g} degC"))
    if "tank.thermostat_v" not in known and "tank.thermostat_dc" in known:
        rating, fitted = f"{rating}, {'' if known['tank.thermostat_dc'] else 'NOT '}rated for DC", True
    return (f"{rating}, breaks the coil" if known.get("tank.thermostat_breaks") == "coil" else rating), fitted


def _cut_out(known: Known) -> tuple[str, bool | None]:
    return _rating(known, "tank.cut_out", ("tank.cut_out_c", "{:g} degC"))[0], known.get("tank.cut_out")


def _fitting(known: Known, name: str, key: str, figure: str = "", form: str = "") -> Station:
    fitted = known.get(key)
    rating = UNSAID
    if fitted:
        rating = form.format(known[figure]) if figure in known else "fitted"
    return Station("", name, rating, fitted)


def _expansion(known: Known) -> tuple[str, bool | None]:
    sealed, vessel = known.get("tank.sealed"), known.get("tank.vessel_l")
    if sealed is None:
        return UNSAID, None
    if not sealed:
        return "back into the supply", True
    return (f"vessel of {vessel:g} litres", True) if vessel else ("vessel " + UNSAID, None)


def _second(known: Known) -> tuple[str, bool | None]:
    other = known.get("tank.other_heat")
    if other is None:
        return UNSAID, None
    power = f", {known['tank.other_w']:g} W" if other != "none" and "tank.other_w" in known else ""
    return {"none": "none", "mains": "mains", "engine": "engine's coil"}[other] + power, True


# ---- drawing ----


def diagram(known: Known) -> str:
    """Return the figure with a text alternative for screen readers."""
    line, tank = stations(known), tank_words(known)
    box_top = len(line) * STEP + 4
    height = box_top + len(tank) * 20 + 24
    parts = [*_line(line), *_controller(line, known), *_tank(tank, box_top, height), *_return(line, height)]
    summary = "; ".join(f"{station.name}: {_words(station)}" for station in (*line, *tank))
    return (
        f'<figure class="diagram"><svg viewBox="0 0 {WIDTH} {height + 6}" role="img" aria-labelledby="one-t one-d">'
        '<title id="one-t">One-line diagram</title>'
        f'<desc id="one-d">{escape(typeset(summary))}</desc>{"".join(parts)}</svg></figure>'
    )


def _words(station: Station) -> str:
    return ABSENT if station.fitted is False else station.detail


def _line(line: Iterable[Station]) -> Iterator[str]:
    for row, station in enumerate(line):
        top = row * STEP + 4
        middle = top + STEP // 2
        gap = "" if station.symbol == "bank" else f"V{middle - 11}M{SPINE} {middle + 11}"
        yield f'<path class="w" d="M{SPINE} {top}{gap}V{top + STEP}"/>'
        mark = {False: ' class="u x"', None: ' class="u"'}.get(station.fitted, "")
        yield f'<path{mark} d="{SYMBOLS[station.symbol](SPINE, middle)}"/>'
        yield from _label(station, middle)


def _label(station: Station, middle: int) -> Iterator[str]:
    yield f'<text class="n" x="{WORDS}" y="{middle - 2}">{escape(station.name)}</text>'
    mark = "a" if station.fitted is False else "q"
    yield f'<text class="{mark}" x="{WORDS}" y="{middle + 13}">{escape(typeset(_words(station)))}</text>'


def _controller(line: list[Station], known: Known) -> Iterator[str]:
    """Yield what moves the contact: the board's pin."""
    row = next(index for index, station in enumerate(line) if station.symbol == "contact")
    middle = row * STEP + 4 + STEP // 2
    yield f'<path class="t u" d="M{BACK + 30} {middle}H{SPINE - 6}"/>'
    yield f'<path class="t" d="M{BACK + 10} {middle - 7}h20v14h-20z"/>'
    pin = f"GPIO{known['relay.pin']}" if "relay.pin" in known else "pin"
    yield f'<text class="q" x="{BACK + 5}" y="{middle + 20}">{escape(pin)}</text>'


def _tank(tank: list[Station], top: int, bottom: int) -> Iterator[str]:
    element = top + 34
    yield f'<path d="M{SPINE - 26} {top + 4}H{WIDTH - 4}V{bottom}H{SPINE - 26}z"/>'
    yield f'<path class="w" d="M{SPINE} {top - 2}V{element - 18}"/><path d="M{SPINE - 7} {element - 18}h14v36h-14z"/>'
    for row, station in enumerate(tank):
        y = top + 24 + 20 * row
        mark = "a" if station.fitted is False else "q"
        yield f'<text class="n" x="{WORDS}" y="{y}">{escape(station.name)}</text>'
        yield f'<text class="{mark}" x="{WORDS + 146}" y="{y}">{escape(typeset(_words(station)))}</text>'


def _return(line: list[Station], height: int) -> Iterator[str]:
    """Yield the line from the element back to the bank's negative pole."""
    row = next(index for index, station in enumerate(line) if station.symbol == "bank")
    bank = row * STEP + 4 + STEP // 2
    element = len(line) * STEP + 8 + 48
    yield f'<path class="w" d="M{SPINE} {element}V{min(element + 16, height - 6)}H{BACK}V{bank + 6}"/>'
    yield f'<text class="q" x="{BACK - 20}" y="{bank - 8}">+</text>'
    yield f'<text class="q" x="{BACK - 20}" y="{bank + 18}">-</text>'


def _box(x: int, y: int) -> str:
    return f"M{x - 11} {y - 11}h22v22h-22z"


def _contact_open(x: int, y: int) -> str:
    return f"M{x} {y + 11}V{y + 8}L{x - 9} {y - 7}M{x} {y - 11}V{y - 8}"


def _contact_closed(x: int, y: int) -> str:
    return f"M{x} {y + 11}V{y + 8}L{x + 5} {y - 9}M{x} {y - 11}V{y - 7}H{x + 7}"


SYMBOLS: dict[str, Callable[[int, int], str]] = {
    "panels": lambda x, y: f"{_box(x, y)}M{x - 11} {y - 11}L{x} {y}L{x + 11} {y - 11}",
    "charger": lambda x, y: f"{_box(x, y)}M{x - 11} {y + 11}L{x + 11} {y - 11}",
    "bank": lambda x, y: (
        f"M{x} {y - 12}H{BACK}V{y - 6}M{BACK - 12} {y - 6}h24M{BACK - 6} {y - 2}h12"
        f"M{BACK - 12} {y + 2}h24M{BACK - 6} {y + 6}h12"
    ),
    "fuse": lambda x, y: f"M{x - 5} {y - 11}h10v22h-10zM{x} {y - 11}v22",
    "cable": lambda x, y: f"M{x} {y - 11}v22M{x - 5} {y + 4}l10 -8",
    "isolator": lambda x, y: f"{_contact_open(x, y)}M{x - 5} {y - 8}h10",
    "contact": _contact_open,
    "thermostat": lambda x, y: f"{_contact_closed(x, y)}M{x - 18} {y - 5}h10v10h-10zM{x - 8} {y}H{x + 2}",
    "cut_out": lambda x, y: (
        f"{_contact_closed(x, y)}M{x - 18} {y - 5}h10v10h-10zM{x - 13} {y - 5}v10M{x - 8} {y}H{x + 2}"
    ),
}
