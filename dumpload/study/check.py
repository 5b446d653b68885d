"""What the config says, in words a person can check before the first switch-on. Reads settings; opens nothing.

It does not look at the installation yet: cable, fuse, contact, bank and water are for a person to check.
"""

from pathlib import Path
from typing import Any

from dumpload.config import Settings

Document = dict[str, Any]

REACTION_S = 1.0
"""Evaluation and release after the data are lost: a supervision tick at most."""

CAUTIONS = (
    (
        "dumpload is an operating control, not a protective one: the heater needs its own thermostat, an independent "
        "manual-reset thermal cut-out, a relief valve and a fuse at the battery."
    ),
    "The contact must be rated for DC at the highest bus voltage, normally open, energised to run.",
    "Local codes and licensed practice come first.",
)


def _law(settings: Settings) -> list[str]:
    control, permissive = settings.control, settings.permissive
    confirm = f", held for {control.confirm_s:g} s" if control.confirm_s else ""
    spans = ", ".join(permissive.window)
    return [
        (
            f"on at or above {control.cut_in_percent:g} %{confirm}; off below {control.cut_out_percent:g} %; "
            f"never on below {control.floor_percent:g} %"
        ),
        f"at least {control.min_on_s:g} s on and {control.min_off_s:g} s off (a veto ends an on-time at once)",
        f"only within {spans}, {permissive.timezone} time" if spans else "at any time of day",
        *_further_permissives(settings),
    ]


def _further_permissives(settings: Settings) -> list[str]:
    one = settings.permissive
    lines = []
    if one.voltage_cut_out is not None:
        lines.append(f"only while the bus is not below {one.voltage_cut_out:g} V (again from {one.voltage_cut_in:g} V)")
    if one.tank_cut_out_c is not None:
        lines.append(f"only until the tank is at {one.tank_cut_out_c:g} degC (again from {one.tank_cut_in_c:g} degC)")
    if one.drain_limit_w is not None:
        drain = f"{one.drain_limit_w:g} W for {one.drain_limit_s:g} s"
        lines.append(f"a drain of more than {drain} takes it off for {one.drain_rest_s:g} s")
    if one.max_on_s is not None:
        lines.append(f"at most {one.max_on_s:g} s in one run")
    if one.max_on_per_day_s is not None:
        lines.append(f"at most {one.max_on_per_day_s:g} s in one local day")
    return lines


def _reaction(settings: Settings) -> str:
    age_s = settings.telemetry.state_of_charge.max_age_s
    reaction_s = age_s + REACTION_S
    words = f"the load is off at most {reaction_s:g} s after the last value"
    rated_w = settings.load.rated_w
    if rated_w is None:
        return f"{words} (not worked out what that can cost: needs load.rated_w)"
    energy_wh = rated_w * reaction_s / 3600
    capacity_ah, nominal_v = settings.battery.capacity_ah, settings.battery.nominal_v
    if capacity_ah is None or nominal_v is None:
        return f"{words}, which costs at most {energy_wh:.1f} Wh at the rating"
    percent = 100 * energy_wh / (capacity_ah * nominal_v)
    return f"{words}, which costs at most {energy_wh:.1f} Wh at the rating, {percent:.2f} % of the bank"


def check_document(path: Path, settings: Settings) -> Document:
    """Return what the settings mean; `cautions` are for a person."""
    relay = settings.relay
    cautions = list(CAUTIONS)
    if not relay.active_high:
        cautions.insert(0, "relay.active_high is false: a floating or reset pin may close the contact; fit a pull-up.")
    if settings.control.cut_in_percent < 97:  # noqa: PLR2004  (practice for LiFePO4, see the README)
        cautions.insert(0, "the cut-in is below 97 %: on LiFePO4 the charger is not throttled yet, so the heater "
                        "takes charge from the bank rather than what would be wasted.")  # fmt: skip
    driven = "no pin is driven (pin_factory is mock)" if relay.pin_factory == "mock" else f"GPIO{relay.pin}"
    return {
        "config": str(path),
        "valid": True,
        "name": settings.name,
        "relay": f"{driven}, {'high' if relay.active_high else 'low'} is on",
        "law": _law(settings),
        "data_lost": _reaction(settings),
        "not_checked": ["cable", "fuse", "contact", "bank", "water"],
        "cautions": cautions,
    }


def check_text(document: Document) -> str:
    """Return the document as text for a terminal."""
    lines = [f"{document['config']}: valid", f"  relay: {document['relay']}"]
    lines += [f"  law: {line}" for line in document["law"]]
    lines += [f"  lost data: {document['data_lost']}"]
    lines += [f"  not checked: {', '.join(document['not_checked'])}"]
    return "\n".join([*lines, *(f"  caution: {line}" for line in document["cautions"])])
