"""Worlds drawn at random from a seed: whoever chooses it after the forecaster is frozen has boats that nobody has read.

The ranges are common practice for a small boat with a used 24 V bank (no source). The household is drawn as a part of
what the panels give, because people live by their sun: from two fifths to two thirds, as in the fixed worlds, so that
sun is scarce but not absent. Nine worlds are each kind of charger at each place, in as many seasons as the place has.
"""

import math
from collections.abc import Mapping
from functools import cache
from random import Random
from typing import NamedTuple

from bench.proof import sky
from bench.proof.household import Household
from bench.proof.plant import Bank, Boat, Charger, Monitor, Tank, Telemetry
from bench.proof.sky import Floats, Panels
from bench.proof.worlds import DAYS, World

MOST_SEED, MOST_WORLDS = 999_999, 1_000
# A world's own seed is that of its sun, and the next three are those of its house, its draws and its noise. These begin
# above the fixed worlds' and end below 2**32, which is what numpy takes.
FIRST_SEED, SEEDS_A_WORLD = 10_000, 4

PEAK_W = 1_400.0
PLATE_AH = 280.0  # what settings and monitors have
# First days between which a season is entered (0 is the 1st of January). In Alaska there is no sun to spare in winter.
SEASONS: Mapping[str, Mapping[str, tuple[int, int]]] = {
    "greensboro": {"spring": (50, 85), "summer": (140, 180), "autumn": (240, 265)},
    "miami": {"winter": (0, 20), "spring": (50, 80), "summer": (150, 190), "autumn": (240, 275)},
    "sand-point": {"spring": (85, 105), "summer": (140, 170)},
}
COLD_C = {"greensboro": (8.0, 14.0), "miami": (10.0, 16.0), "sand-point": (4.0, 9.0)}


Plate = dict[str, float | bool]  # keys of the settings' table `solar`


class Power(NamedTuple):
    """A charger as it is, what its owner reads of it, and when a monitor that fits it takes the bank as full."""

    charger: Charger
    plate: Plate
    full_v: float
    full_a: float
    full_s: float


def drawn_worlds(seed: int, count: int) -> tuple[World, ...]:
    """Return worlds drawn from a seed, the first of them the same whatever the count.

    Raises:
        ValueError: seed or count is beyond what gives every world a seed of its own.
    """
    if not 0 <= seed <= MOST_SEED:
        msg = f"seed {seed}: expected 0 to {MOST_SEED}"
        raise ValueError(msg)
    if not 0 < count <= MOST_WORLDS:
        msg = f"count {count}: expected 1 to {MOST_WORLDS}"
        raise ValueError(msg)
    return tuple(_world(seed, index) for index in range(count))


def _world(seed: int, index: int) -> World:
    draw = Random(f"{seed} {index}")  # noqa: S311
    kind = tuple(KINDS)[index % len(KINDS)]
    place = tuple(SEASONS)[(index // 3 + index) % len(SEASONS)]  # nine in a row: each kind at each place
    season = _season(seed, index, place)
    bank, power = _bank(draw), KINDS[kind](draw)
    panels = _panels(draw)
    first_day = draw.randint(*SEASONS[place][season])
    monitor = _monitor(draw, bank, power)
    boat = Boat(bank, power.charger, _tank(draw, place), monitor, _telemetry(draw))
    full = {"counter_full_v": power.full_v, "counter_full_a": power.full_a, "counter_full_s": power.full_s}
    return World(
        name=f"drawn {seed}-{index + 1}, {kind}, {place} {season}",
        year=place,
        first_day=first_day,
        seed=FIRST_SEED + SEEDS_A_WORLD * (seed * MOST_WORLDS + index),
        boat=boat,
        solar=power.plate,
        panels=panels,
        house=_household(draw, place, first_day, panels),
        cloud_s=float(draw.randint(120, 420)),
        monitor=full if monitor.resyncs and draw.random() < 0.5 else None,
    )


def _season(seed: int, index: int, place: str) -> str:
    """Return a season: of nine worlds, the three at a place are in different ones, as far as it has so many."""
    seasons = list(SEASONS[place])
    Random(f"{seed} {index // 9} {place}").shuffle(seasons)  # noqa: S311
    return seasons[index % len(KINDS) % len(seasons)]


def _between(draw: Random, low: float, high: float, digits: int = 3) -> float:
    return round(draw.uniform(low, high), digits)


def _bank(draw: Random) -> Bank:
    return Bank(
        capacity_ah=_between(draw, 255.0, 285.0, 1),
        series_ohm=_between(draw, 0.006, 0.011, 4),
        quick_ohm=_between(draw, 0.003, 0.005, 4),
        quick_s=_between(draw, 30.0, 70.0, 0),
        slow_ohm=_between(draw, 0.005, 0.010, 4),
        slow_s=_between(draw, 1_000.0, 2_200.0, 0),
        hysteresis_v=_between(draw, 0.06, 0.12),
        hysteresis_rate=_between(draw, 30.0, 50.0, 0),
        efficiency=_between(draw, 0.994, 0.998, 4),
        leak_a=_between(draw, 0.01, 0.03),
        starts_at=_between(draw, 0.45, 0.75),
    )


def _near(draw: Random, plate: float) -> float:
    """Return what a charger does that was set to `plate` (V): it reads its own volts."""
    return round(plate + draw.uniform(-0.045, 0.045), 2)


def _set_points(draw: Random) -> tuple[Charger, Plate]:
    absorption_v = draw.randint(282, 287) / 10
    plate_a = draw.choice((50.0, 60.0, 60.0))
    charger = Charger(
        absorption_v=_near(draw, absorption_v),
        most_a=_between(draw, 0.94 * plate_a, plate_a, 1),
        efficiency=_between(draw, 0.96, 0.98),
        rebulk_s=float(draw.choice((30, 60, 60, 120, 300))),
    )
    return charger, {"absorption_v": absorption_v, "charger_a": plate_a}


def _floating(draw: Random, charger: Charger, tenths: tuple[int, int]) -> tuple[Charger, Plate]:
    """Return a charger that floats (at so many `tenths` of a V). Its owner knows of the rebulk where it matters."""
    float_v, rebulk_v = draw.randint(*tenths) / 10, draw.randint(260, 264) / 10
    daily = draw.random() < 0.8
    charger = charger._replace(float_v=_near(draw, float_v), rebulk_v=_near(draw, rebulk_v), daily=daily)
    plate: Plate = {"float_v": float_v}
    return charger, plate if daily else plate | {"begins_daily": False, "rebulk_v": rebulk_v}


def _stopping(draw: Random, charger: Charger, tenths: tuple[int, int], daily_part: float) -> tuple[Charger, Plate]:
    """Return a charger that gives nothing once the bank is full, until the bus is low (`tenths` of a V) or, daily."""
    rebulk_v = draw.randint(*tenths) / 10
    daily = draw.random() < daily_part
    charger = charger._replace(stops=True, rebulk_v=_near(draw, rebulk_v), daily=daily)
    plate: Plate = {"stops_when_full": True, "rebulk_v": rebulk_v}
    if draw.random() < 0.5:
        plate["rebulk_s"] = charger.rebulk_s
    return charger, plate if daily else plate | {"begins_daily": False}


def _absorbing(draw: Random, charger: Charger) -> tuple[Charger, Plate]:
    """Return a charger with an absorption by time, in every third ended by a tail current before that."""
    if draw.random() < 1 / 3:
        tail_a = float(draw.randint(4, 10))
        charger = charger._replace(absorption_s=7_200.0, tail_a=tail_a)
        return charger, {"absorption_s": 7_200.0, "tail_a": tail_a}
    absorption_s = float(draw.choice((1_800, 3_600, 3_600, 5_400, 7_200)))
    charger = charger._replace(absorption_s=absorption_s)
    return charger, {"absorption_s": absorption_s} if draw.random() < 2 / 3 else {}


def _tapered(draw: Random, charger: Charger, plate: Plate) -> Power:
    """Return a charger whose current tapers, with a monitor set as manuals advise: 2 to 5 % of the bank, a little low.

    A tail ends absorption 90 s after it is reached: a monitor must have seen it by then.
    """
    full_v = _floor(charger.absorption_v - draw.uniform(0.1, 0.3))
    full_a = max(_between(draw, 0.02, 0.05) * PLATE_AH, charger.tail_a + 1.0)
    full_s = draw.choice((60.0,) if charger.tail_a else (60.0, 120.0, 180.0))
    return Power(charger, plate, full_v, round(full_a, 1), full_s)


def _floats(draw: Random) -> Power:
    charger, plate = _set_points(draw)
    charger, absorption = _absorbing(draw, charger)
    charger, after = _floating(draw, charger, (269, 273))
    return _tapered(draw, charger, plate | after | absorption)


def _stops(draw: Random) -> Power:
    charger, plate = _set_points(draw)
    charger, absorption = _absorbing(draw, charger)
    charger, after = _stopping(draw, charger, (263, 267), 0.6)
    return _tapered(draw, charger, plate | after | absorption)


def _without_taper(draw: Random) -> Power:
    """Return a charger that leaves its set point as soon as it is reached: to float, to nothing, or as a bare switch.

    What floats is seen as full at the float voltage. What stops is near its set point for a minute at most, with all
    the current there is.
    """
    charger, plate = _set_points(draw)
    charger = charger._replace(absorption_s=0.0)
    plate |= {"absorption_s": 0.0}
    if draw.random() < 1 / 3:
        # At 26.9 V a monitor would take a bank of two thirds for a full one on any dull morning.
        charger, after = _floating(draw, charger, (271, 273))
        full_v, full_a = max(_floor(charger.float_v - 0.1), 27.0), _between(draw, 0.02, 0.03) * PLATE_AH
        return Power(charger, plate | after, full_v, round(full_a, 1), draw.choice((120.0, 180.0)))
    charger = charger._replace(absorbs=draw.random() < 0.5)
    charger, after = _stopping(draw, charger, (265, 269), 0.8)
    full_v = _floor(charger.absorption_v - draw.uniform(0.15, 0.3))
    return Power(charger, plate | after, full_v, float(plate["charger_a"]), draw.choice((10.0, 20.0)))


KINDS = {"floats": _floats, "stops": _stops, "no taper": _without_taper}


def _floor(volts: float) -> float:
    return math.floor(volts * 10) / 10


def _monitor(draw: Random, bank: Bank, power: Power) -> Monitor:
    """Return a monitor. Of eight, one never resyncs: its owner has set it so that it holds, more or less."""
    monitor = Monitor(
        gain=_between(draw, -0.004, 0.004, 4),
        offset_a=_between(draw, -0.012, 0.008),
        efficiency=draw.choice((0.985, 0.99, 0.99, 0.995, 1.0)),
        capacity_ah=PLATE_AH,
        full_v=power.full_v,
        full_a=power.full_a,
        full_s=power.full_s,
    )
    if draw.random() >= 1 / 8:
        return monitor
    return monitor._replace(
        resyncs=False,
        offset_a=_between(draw, -0.015, 0.0),
        efficiency=round(bank.efficiency - draw.uniform(0.0, 0.003), 4),
    )


def _panels(draw: Random) -> Panels:
    """Return the panels, a third of them tilted, a sixth behind trees in the afternoon."""
    panels = Panels(PEAK_W, derate=_between(draw, 0.68, 0.80, 2))
    if draw.random() < 1 / 3:
        panels = panels._replace(
            tilt_deg=draw.choice((10.0, 15.0, 20.0, 30.0)), azimuth_deg=draw.randint(16, 20) * 10.0
        )
    if draw.random() < 1 / 6:
        panels = panels._replace(shaded_from_deg=_between(draw, 225.0, 250.0, 0), shaded_to=_between(draw, 0.2, 0.4, 2))
    return panels


@cache
def _level(place: str) -> Floats:
    """Return the sun on a level square metre, hour by hour of the place's year (W)."""
    return sky.read_year(place).level


def _household(draw: Random, place: str, first_day: int, panels: Panels) -> Household:
    """Return a household that takes a part of the sun, what always runs being what the rest leaves of that part."""
    house = Household(
        fridge_w=_between(draw, 45.0, 75.0, 0),
        fridge_on_s=_between(draw, 700.0, 1_100.0, 0),
        fridge_off_s=_between(draw, 1_300.0, 2_300.0, 0),
        lamps_w=_between(draw, 40.0, 100.0, 0),
        sociable=_between(draw, 1.0, 4.0, 1),
        large_w=_between(draw, 500.0, 1_000.0, 0),
        litres_a_day=round(draw.triangular(15.0, 60.0, 50.0), 0),
    )
    fridge_w = house.fridge_w * house.fridge_on_s / (house.fridge_on_s + house.fridge_off_s)
    others_w = fridge_w + 0.21 * house.lamps_w + 0.0035 * house.sociable * house.large_w + 6.0
    # Heat and reflection take a tenth; an afternoon in the shade a fifth.
    kept = 0.9 * panels.derate * (0.8 if panels.shaded_to < 1.0 else 1.0)
    level = _level(place)[first_day * 24 : (first_day + DAYS) * 24]
    given_w = float(level.mean()) / 1_000.0 * panels.peak_w * kept
    return house._replace(base_w=round(max(draw.uniform(0.46, 0.70) * given_w - others_w, 15.0), 0))


def _tank(draw: Random, place: str) -> Tank:
    lower_l = _between(draw, 18.0, 24.0, 0)
    opens_c = float(draw.randint(55, 72))
    return Tank(
        element_ohm=_between(draw, 1.87, 1.99),
        cable_ohm=_between(draw, 0.02, 0.05),
        lower_l=lower_l,
        upper_l=40.0 - lower_l,
        loss_w_k=_between(draw, 0.8, 1.4, 2),
        between_w_k=_between(draw, 2.0, 4.0, 1),
        opens_c=opens_c,
        closes_c=opens_c - draw.randint(4, 8),
        around_c=_between(draw, 11.0, 20.0, 0),
        cold_c=_between(draw, *COLD_C[place], 0),
        gauge_upper=_between(draw, 0.3, 0.9, 1),
    )


def _telemetry(draw: Random) -> Telemetry:
    return Telemetry(
        every_s=draw.choice((5, 5, 10)),
        keeps_s=draw.choice((30, 60)),
        keeps_changes=draw.random() < 0.5,
        soc_step=draw.choice((0.1, 0.1, 0.5, 1.0)),
        volts_noise=_between(draw, 0.004, 0.012),
        watts_noise=_between(draw, 1.5, 5.0, 1),
        solar_gain=_between(draw, 0.992, 1.008, 4),
        load_gain=_between(draw, 0.992, 1.008, 4),
    )
