"""The installation check: what a careful electrician and a plumber would work out on paper before the first switch-on.

Reads settings and judges them; opens nothing, drives nothing, and guesses nothing: what is not known is listed as not
checked. It does not replace local codes, nor a person who looks.
"""

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from functools import reduce
from pathlib import Path
from typing import Any

from dumpload.cautions import CAUTIONS
from dumpload.check import bank, breaking, bus, cable, cells, contact, driver, fault, load, pull, water
from dumpload.check.facts import ENERGY, HIGHEST, bank_wh, has, highest_w
from dumpload.check.figures import Grade, Number, format_number
from dumpload.check.instances import instance_checks
from dumpload.check.sign import sign_checks
from dumpload.check.table import Finding, Known, Missing, run_checks
from dumpload.config.model import Settings, flat, key_schemas
from dumpload.core.window import HOUR_S

Document = dict[str, Any]

# What an installation is made of and when its load runs. No topic, no file and no user: the paper goes to a customer.
TABLES = (
    "installation",
    "battery",
    "solar",
    "load",
    "tank",
    "wiring",
    "contact",
    "driver",
    "relay",
    "control",
    "permissive",
)
# What only `dumpload simulate` asks for: on the paper it would be a list of gaps that no check has.
SIMULATED = {
    "battery.counter_full_v",
    "battery.counter_full_a",
    "battery.counter_full_s",
    "battery.counter_efficiency",
    "battery.counter_step_percent",
    "solar.latitude",
    "solar.longitude",
    "solar.altitude_m",
    "solar.strings",
    "solar.stops_when_full",
    "solar.begins_daily",
    "solar.absorption_s",
    "solar.tail_a",
    "solar.rebulk_v",
    "solar.rebulk_s",
    "tank.draws",
}
ALSO = ("telemetry.state_of_charge.max_age_s",)


CHECKS = (
    *load.CHECKS,
    *cable.CHECKS,
    *fault.CHECKS,
    *contact.CHECKS,
    *pull.CHECKS,
    *driver.CHECKS,
    *breaking.CHECKS,
    *cells.CHECKS,
    *bank.CHECKS,
    *bus.CHECKS,
    *water.CHECKS,
)

NO_OTHERS: Mapping[Path, Settings | None] = {}


def _law(settings: Settings) -> list[str]:
    control, permissive = settings.control, settings.permissive
    confirm = f", held for {control.confirm_s:g} s" if control.confirm_s else ""
    spans = ", ".join(permissive.window)
    return [
        (
            f"on at or above {control.cut_in_percent:g} %{confirm}; off below {control.cut_out_percent:g} %; "
            f"never on below {control.floor_percent:g} %"
        ),
        f"at least {control.min_on_s:g} s on and {control.min_off_s:g} s off (other limits still switch off at once)",
        f"only within {spans}, {permissive.timezone} time" if spans else "at any time of day",
        *_further_permissives(settings),
    ]


def _further_permissives(settings: Settings) -> list[str]:
    permissive = settings.permissive
    lines = []
    if permissive.voltage_cut_out is not None:
        lines.append(
            f"only while the bus is at or above {permissive.voltage_cut_out:g} V "
            f"(again from {permissive.voltage_cut_in:g} V)"
        )
    if permissive.tank_cut_out_c is not None:
        lines.append(
            f"only until the tank reaches {permissive.tank_cut_out_c:g} degC "
            f"(again from {permissive.tank_cut_in_c:g} degC)"
        )
    if permissive.drain_limit_w is not None:
        drain = f"{permissive.drain_limit_w:g} W for {permissive.drain_limit_s:g} s"
        lines.append(f"a drain above {drain} switches it off for {permissive.drain_rest_s:g} s")
    if permissive.max_on_s is not None:
        lines.append(f"at most {permissive.max_on_s:g} s in one run")
    if permissive.max_on_per_day_s is not None:
        lines.append(f"at most {permissive.max_on_per_day_s:g} s in one local day")
    return lines


def _data_lost(known: Known) -> str:
    reaction_s = bank.reaction_s(known)
    sentence = f"the heater is off at most {format_number(reaction_s)} s after the last value"
    if not has(known, HIGHEST):
        needs = ", ".join(key for key in HIGHEST if key not in known)
        return f"{sentence} (cost not calculated: needs {needs})"
    energy_wh = highest_w(known) * reaction_s / HOUR_S
    sentence = f"{sentence}, which costs at most {format_number(energy_wh)} Wh"
    return (
        f"{sentence}, {format_number(100 * energy_wh / bank_wh(known))} % of the battery"
        if has(known, ENERGY)
        else sentence
    )


def check_document(
    path: Path,
    settings: Settings,
    others: Mapping[Path, Settings | None] = NO_OTHERS,
    *,
    wrong_sign: bool = False,
) -> Document:
    """Return what the settings mean and what was found; the findings come most dangerous first.

    `others`: the settings of other instances on this computer; None for those that cannot be read.
    `wrong_sign`: the history shows that the battery power is reported with the wrong sign.

    `verdict` is "fail", "incomplete" (nothing failed, but a question of safety is not answered), "caution" (something
    to think about, or not everything could be checked) or "pass".
    """
    known = flat(settings)
    of_this_boat = (*instance_checks(path, settings, others), *sign_checks(settings, is_wrong=wrong_sign))
    findings, missing = run_checks((*CHECKS, *of_this_boat), known)
    relay = settings.relay
    driven = "no pin is driven (pin_factory is mock)" if relay.pin_factory == "mock" else f"GPIO{relay.pin}"
    states = Counter(finding.verdict.state.value for finding in findings)
    unanswered = sum(unrun.check.safety for unrun in missing)
    counts = {**{state.value: states[state.value] for state in Grade}, "not_checked": len(missing)}
    return {
        "config": str(path),
        "valid": True,
        "name": settings.name,
        "verdict": _overall(counts, unanswered),
        "counts": {**counts, "unanswered": unanswered},
        "findings": [_finding(finding) for finding in findings],
        "not_checked": [_missing(unrun) for unrun in missing],
        "entered": entered(settings),
        "relay": f"{driven}, {'high' if relay.active_high else 'low'} is on",
        "law": _law(settings),
        "data_lost": _data_lost(known),
        "cautions": list(CAUTIONS),
    }


def entered(settings: Settings) -> list[Document]:
    """Return every figure that a check may start from, and whether it was given, is a default or is missing."""
    return list(_entered(settings))


def _entered(settings: Settings) -> Iterator[Document]:
    for name, schema in key_schemas().items():
        table, _, last = name.rpartition(".")
        if name in SIMULATED or (table not in TABLES and name not in ALSO):
            continue
        above = reduce(getattr, table.split("."), settings)
        value = getattr(above, last)
        is_set = last in above.model_fields_set
        yield {
            "key": name,
            "value": list(value) if isinstance(value, tuple) else value,
            "unit": schema.get("x-unit", ""),
            "state": "given" if is_set else "missing" if value is None else "default",
            "meaning": schema["description"],
        }


def is_wrong(document: Document) -> bool:
    """Return whether the check ends with exit code 1: something failed, or a question of safety is not answered."""
    return document["verdict"] in {"fail", "incomplete"}


def _overall(counts: Mapping[str, int], unanswered: int) -> str:
    if counts["fail"]:
        return "fail"
    if unanswered:
        return "incomplete"
    return "caution" if counts["caution"] or counts["not_checked"] else "pass"


def _finding(finding: Finding) -> Document:
    check, verdict = finding
    return {
        "id": check.id,
        "part": check.part.name,
        "name": check.name,
        "state": verdict.state.value,
        "danger": check.danger.name.lower(),
        "figure": verdict.figure,
        "limit": verdict.limit,
        "source": verdict.source.text,
        "source_id": verdict.source.id,
        "common_practice": verdict.source.practice,
        "change": verdict.change,
        "keys": list(check.to_change()),
        "numbers": [_number(number) for number in verdict.numbers],
        "stated": check.stated,
        "trade": check.part.trade,
    }


def _number(number: Number) -> Document:
    return {
        "name": number.name,
        "value": _finite(number.value),
        "unit": number.unit,
        "sense": number.sense.name.lower() if number.sense else None,
        "limit": _finite(number.limit),
        "fails": _finite(number.fails),
        "margin": _finite(number.margin),
        "key": number.key or None,
    }


def _finite(value: float | None) -> float | None:
    """Return a number that JSON has, or None."""
    return value if value is not None and math.isfinite(value) else None


def _missing(missing: Missing) -> Document:
    check = missing.check
    return {
        "id": check.id,
        "part": check.part.name,
        "name": check.name,
        "danger": check.danger.name.lower(),
        "needs": list(missing.needs),
        "safety": check.safety,
    }
