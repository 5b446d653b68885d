"""Within which values a live sample changes nothing but its own age: so a long record can be passed over quickly.

Says nothing new: it is read off the law and the permissives, and only an evaluation decides. Where in doubt, the band
is empty and every sample must be evaluated.
"""

import math
from typing import NamedTuple

from dumpload.core.controller import Controller
from dumpload.core.freshness import NEVER, is_missing, live_value
from dumpload.core.law import Limits, Memory, Position
from dumpload.core.permissive import PermissiveLimits, PermissiveMemory
from dumpload.core.signals import Signal
from dumpload.study.records.bounds import ALL, NONE, Band


class Quiet(NamedTuple):
    """A band per signal, good for samples before `until` (s, exclusive) that come before the last one is lost."""

    until: float
    bands: tuple[Band, ...]


NEVER_QUIET = Quiet(-NEVER, (NONE,) * len(Signal))
"""Every sample must be evaluated."""


class Known(NamedTuple):
    """All that the last evaluation left behind. `values`: of each signal, NaN unless live."""

    limits: Limits
    permissives: PermissiveLimits
    law: Memory
    permissive: PermissiveMemory
    values: tuple[float, ...]


def find_quiet(controller: Controller, t: float) -> Quiet:
    """Return which samples change nothing but their age, after the evaluation at `t` (s).

    None, if that evaluation moved the relay: with the new position the next one may come to something else.
    """
    setup, law = controller.setup, controller.law_memory
    values = tuple(live_value(datum, t) for datum in controller.data)
    known = Known(setup.limits, setup.permissives, law, controller.permissive_memory, values)
    bands = (
        _charge(known),
        _voltage(known),
        _power(known),
        NONE,  # load power is evidence of the contact, and when it counts depends on the moment
        ALL,
        _tank(known),
    )
    until = controller.changes_at if law.relay_since < t else -NEVER
    if not law.surplus and values[Signal.STATE_OF_CHARGE] >= setup.limits.cut_in_percent:
        until = -NEVER if is_missing(law.above_since) else min(until, law.above_since + setup.limits.confirm_s)
    return Quiet(until, bands)


def _around(value: float, *edges: float) -> Band:
    """Return the band between the edges that the value lies in; each edge belongs to the band above it."""
    if is_missing(value):
        return NONE
    low = max((edge for edge in edges if edge <= value), default=-math.inf)
    return Band(low, min((edge for edge in edges if edge > value), default=math.inf))


def _charge(known: Known) -> Band:
    limits = known.limits
    value = known.values[Signal.STATE_OF_CHARGE]
    if known.law.surplus:  # the latch ends at the cut-out; the cut-in only matters for setting it
        return _around(value, limits.floor_percent, limits.cut_out_percent)
    if known.law.position == Position.OFF:
        return _around(value, limits.floor_percent, limits.cut_in_percent)
    return _around(value, limits.floor_percent, limits.cut_out_percent, limits.cut_in_percent)


def _voltage(known: Known) -> Band:
    limits = known.permissives
    if is_missing(limits.voltage_cut_out_v):
        return ALL
    edge = limits.voltage_cut_out_v if known.permissive.voltage_held else limits.voltage_cut_in_v
    return _around(known.values[Signal.BATTERY_VOLTAGE], edge)


def _power(known: Known) -> Band:
    limit = known.permissives.drain_limit_w
    return ALL if is_missing(limit) else _around(known.values[Signal.BATTERY_POWER], -limit)


def _tank(known: Known) -> Band:
    limits = known.permissives
    if is_missing(limits.tank_cut_out_c):
        return ALL
    above_cut_in = math.nextafter(limits.tank_cut_in_c, math.inf)  # at the cut-in it already holds again
    edge = limits.tank_cut_out_c if known.permissive.tank_held else above_cut_in
    return _around(known.values[Signal.TANK_TEMPERATURE], edge)
