"""How far settings are from all that a record shows: each distance in words, with what to record to close it.

A forecast interpolates well between states that the recorded boat has been in. Beyond them it follows a curve that
nothing in the record holds down, so there it is widened, and a good way beyond it is refused.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from dumpload.core.controller import Setup
from dumpload.core.freshness import is_missing
from dumpload.forecast.evidence import Flags
from dumpload.forecast.model import Model, hours_of
from dumpload.forecast.runs import runs_of

# A charge this far below the lowest recorded one (percent).
BELOW_WARNED, BELOW_REFUSED = 2.0, 15.0
# On so few of the days a threshold was reached: next to nothing is known (days), or little (part of the days).
LEAST_REACHED, SELDOM_REACHED = 3, 0.25
# Part of the window's sunlit hours in which the load never ran, being on for less than this part of them.
NEW_HOURS_WARNED, NEW_HOURS_REFUSED, RAN = 0.2, 0.75, 0.01
# A least on-time so many times longer than the longest run.
LONGER_RUN = 1.5
# How unsure that makes the difference between A and B (part of it; on the tests' boats it missed a fifth to a half).
OF_FAR = 0.25
SUNLIT = 0.1


class Doubt(NamedTuple):
    """One reason against a forecast; `refused`: it forbids one. `part`: how unsure it makes the difference (part)."""

    refused: bool
    text: str
    part: float = 0.0


def far_from(model: Model, law: Setup, lowest: float) -> tuple[Doubt, ...]:
    """Return what the settings ask about that the record never showed; `lowest`: the charge they lead to (percent)."""
    return (*_low(model, lowest), *_charge(model, law), *_volts(model, law), *_hours(model, law), *_dwell(model, law),
            *_drain(model, law))  # fmt: skip


def _low(model: Model, lowest: float) -> Iterator[Doubt]:
    known = model.course.charge[model.course.known]
    below = float(known.min()) - lowest if len(known) else 0.0
    if below > BELOW_WARNED:
        yield Doubt(
            below > BELOW_REFUSED,
            f"These settings would take the battery down to {lowest:.0f} %, and this record never shows it below "
            f"{float(known.min()):.0f} %: record days on which it is that low.",
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
    """Yield that a threshold was reached on few days, so that what the bank does up there is hardly known."""
    known = model.course.known
    days = len(np.unique(model.course.day[reached & known]))
    if days >= max(LEAST_REACHED, SELDOM_REACHED * model.evidence.days):
        return
    yield Doubt(
        days < LEAST_REACHED,
        f"{name} was reached on {days} of {model.evidence.days:.0f} days only: record days on which {what} gets that "
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
        f"In this record the heater never ran in the hours {names} (local time), which these settings allow: record "
        "days with a window as wide.",
        OF_FAR,
    )


def _dwell(model: Model, law: Setup) -> Iterator[Doubt]:
    limits = law.settings.limits
    runs = runs_of(model.evidence.relay > 0.5)
    longest_s = max((run.entries for run in runs), default=0) * model.evidence.step_s
    if limits.min_on_s > max(LONGER_RUN * longest_s, model.setup.settings.limits.min_on_s):
        yield Doubt(
            False,
            f"The heater never ran for longer than {longest_s / 60:.0f} minutes in this record, and control.min_on_s "
            f"is {limits.min_on_s:g}: record days with a longer one.",
            OF_FAR,
        )


def trips_anew(model: Model, law: Setup) -> bool:
    """Return whether a law has a drain limit that is not the one of the record."""
    before, now = model.setup.settings.permissives, law.settings.permissives
    return not is_missing(now.drain_limit_w) and before[4:7] != now[4:7]


def _drain(model: Model, law: Setup) -> Iterator[Doubt]:
    before, now = model.setup.settings.permissives, law.settings.permissives
    if not is_missing(before.drain_limit_w) and not now.drain_limit_w <= before.drain_limit_w:
        yield Doubt(
            False,
            f"The recorded drain limit of {before.drain_limit_w:g} W switched the heater off as clouds came, so what "
            "they do to the battery was hardly seen: record days without it.",
            OF_FAR,
        )
    if not trips_anew(model, law):
        return
    limit_s = now.drain_limit_s
    deepest_w = _deepest(model, limit_s)
    if deepest_w < now.drain_limit_w:
        yield Doubt(False, f"With the heater on the battery never gave more than {deepest_w:.0f} W for {limit_s:g} s "
                           f"in this record, so a limit of {now.drain_limit_w:g} W was not put to the test: record "
                           "days with more cloud, or a lower limit.")  # fmt: skip


def _deepest(model: Model, limit_s: float) -> float:
    """Return the power (W) that the bank gave for that long with the load on, at its highest."""
    length = max(1, round(limit_s / model.evidence.step_s))
    drained = np.where(model.evidence.relay > 0.5, -model.course.power_w, -np.inf)
    if len(drained) < length:
        return 0.0
    return max(0.0, float(np.lib.stride_tricks.sliding_window_view(drained, length).min(axis=1).max()))
