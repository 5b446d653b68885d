"""Distance of settings from the recorded conditions, and what to record to close the gap.

A forecast interpolates well between recorded states. Beyond them it extrapolates, so its interval is widened there, and
far beyond it is refused.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from dumpload.core.controller import Setup
from dumpload.core.freshness import is_missing
from dumpload.forecast.evidence import Flags
from dumpload.forecast.model import Model, hours_of
from dumpload.forecast.runs import runs_of

# Charge below the lowest recorded one (percent): warned, refused.
BELOW_WARNED, BELOW_REFUSED = 2.0, 15.0
# A threshold reached on fewer days than this is refused (days), or warned of (part of the days).
LEAST_REACHED, SELDOM_REACHED = 3, 0.25
# Part of the window's sunlit hours without a run (warned, refused); an hour has none if on for less than the last part.
NEW_HOURS_WARNED, NEW_HOURS_REFUSED, RAN = 0.2, 0.75, 0.01
# A minimum on-time this many times the longest run.
LONGER_RUN = 1.5
# Uncertainty that each adds to the difference between A and B (part; on the tests' boats it missed a fifth to a half).
OF_FAR = 0.25
SUNLIT = 0.1


class Doubt(NamedTuple):
    """A reason against a forecast; `refused`: it forbids one. `part`: uncertainty of the difference (part of it)."""

    refused: bool
    text: str
    part: float = 0.0


def far_from(model: Model, law: Setup, lowest: float) -> tuple[Doubt, ...]:
    """Return where the settings leave the recorded conditions; `lowest`: the lowest charge they lead to (percent)."""
    return (*_low(model, lowest), *_charge(model, law), *_volts(model, law), *_hours(model, law), *_dwell(model, law),
            *_drain(model, law))  # fmt: skip


def _low(model: Model, lowest: float) -> Iterator[Doubt]:
    known = model.course.charge[model.course.known]
    below = float(known.min()) - lowest if len(known) else 0.0
    if below > BELOW_WARNED:
        yield Doubt(
            below > BELOW_REFUSED,
            f"These settings would take the battery down to {lowest:.0f} %, but in this record it is never below "
            f"{float(known.min()):.0f} %. Record days on which it is that low.",
            OF_FAR,
        )


def _charge(model: Model, law: Setup) -> Iterator[Doubt]:
    cut_in, before = law.settings.limits.cut_in_percent, model.setup.settings.limits.cut_in_percent
    if cut_in > before:
        name = f"The cut-in of {cut_in:g} %"
        yield from _reached(model, name, "the charge", model.course.shown_charge >= cut_in)


def _volts(model: Model, law: Setup) -> Iterator[Doubt]:
    cut_in, before = (setup.settings.permissives.voltage_cut_in_v for setup in (law, model.setup))
    if not is_missing(cut_in) and (is_missing(before) or cut_in > before):
        name = f"The permissive's cut-in of {cut_in:g} V"
        yield from _reached(model, name, "the voltage", model.course.volts >= cut_in)


def _reached(model: Model, name: str, what: str, reached: Flags) -> Iterator[Doubt]:
    """Yield a doubt if a threshold was reached on few days, so that the bank is hardly known there."""
    known = model.course.known
    days = len(np.unique(model.course.day[reached & known]))
    if days >= max(LEAST_REACHED, SELDOM_REACHED * model.evidence.days):
        return
    yield Doubt(
        days < LEAST_REACHED,
        f"{name} was reached on only {days} of {model.evidence.days:.0f} days. Record days on which {what} gets that "
        "high.",
        OF_FAR,
    )


def _hours(model: Model, law: Setup) -> Iterator[Doubt]:
    mine, theirs = (hours_of(model.evidence, setup).inside for setup in (law, model.setup))
    lit = mine & (model.sight.sun.height > SUNLIT)
    strange = lit & ~theirs & (model.ran[model.hour] < RAN)
    part = float(strange.sum() / max(1, lit.sum()))
    if part <= NEW_HOURS_WARNED or not model.ran.any():
        return
    names = ", ".join(str(hour) for hour in np.unique(model.hour[strange]))
    yield Doubt(
        part > NEW_HOURS_REFUSED,
        f"In this record the heater never ran in the hours {names} (local time), which these settings allow. Record "
        "days with as wide a window.",
        OF_FAR,
    )


def _dwell(model: Model, law: Setup) -> Iterator[Doubt]:
    limits = law.settings.limits
    runs = runs_of(model.evidence.relay > 0.5)
    longest_s = max((run.entries for run in runs), default=0) * model.evidence.step_s
    if limits.min_on_s > max(LONGER_RUN * longest_s, model.setup.settings.limits.min_on_s):
        yield Doubt(
            False,
            f"The longest run in this record is {longest_s / 60:.0f} minutes, but control.min_on_s is "
            f"{limits.min_on_s:g}. Record days with longer runs.",
            OF_FAR,
        )


def trips_anew(model: Model, law: Setup) -> bool:
    """Return whether a law has another drain limit than the recorded one."""
    before, now = model.setup.settings.permissives, law.settings.permissives
    return not is_missing(now.drain_limit_w) and before[4:7] != now[4:7]


def _drain(model: Model, law: Setup) -> Iterator[Doubt]:
    before, now = model.setup.settings.permissives, law.settings.permissives
    if not is_missing(before.drain_limit_w) and not now.drain_limit_w <= before.drain_limit_w:
        yield Doubt(
            False,
            f"The recorded drain limit of {before.drain_limit_w:g} W switched the heater off under clouds, so the "
            "record hardly shows how far they drain the battery. Record days without it.",
            OF_FAR,
        )
    if not trips_anew(model, law):
        return
    limit_s = now.drain_limit_s
    deepest_w = _deepest(model, limit_s)
    if deepest_w < now.drain_limit_w:
        yield Doubt(False, f"With the heater on, the battery never supplied more than {deepest_w:.0f} W for "
                           f"{limit_s:g} s in this record, so a limit of {now.drain_limit_w:g} W is untested. Record "
                           "days with more cloud, or set a lower limit.")  # fmt: skip


def _deepest(model: Model, limit_s: float) -> float:
    """Return the highest power (W) that the bank supplied for that long with the load on."""
    length = max(1, round(limit_s / model.evidence.step_s))
    drained = np.where(model.evidence.relay > 0.5, -model.course.power_w, -np.inf)
    if len(drained) < length:
        return 0.0
    return max(0.0, float(np.lib.stride_tricks.sliding_window_view(drained, length).min(axis=1).max()))
