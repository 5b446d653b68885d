"""A charger that stops when full: how a forecast sees its stops, its rests, and what the sun then could have given."""

from collections.abc import Sequence

import pytest

np = pytest.importorskip("numpy")

from dumpload.forecast import charger  # noqa: E402
from dumpload.forecast.seen import Seen  # noqa: E402

DAYS, CELLS, HOUSE_W = 12, 8, 60.0
Points = Sequence[tuple[float, float]]

OFF_A, ON_A = -2.2, 30.0
# Three times a day the bus rises to 28.4 V within an hour, and is left alone until it has fallen to 26.6 V.
RISE_AND_FALL = [
    (0, 26.7), (8, 26.7), (8.01, 26.9), (9, 28.4), (9.03, 27.9), (10, 26.6), (10.01, 26.9), (11, 28.4), (11.03, 27.9),
    (12, 26.6), (12.01, 26.9), (13, 28.4), (13.03, 27.9), (15, 26.8), (24, 26.7),
]  # fmt: skip
GIVING = ((8, 9), (10, 11), (12, 13))


def record(volts_at: Points, giving: Sequence[tuple[float, float]], *, daily: bool = True, hours: float = 24.0) -> Seen:
    """Return a record of equal days (or of stretches of `hours`) in minutes: voltage, and when the charger gives 30 A.

    The sun is up from six to six.
    """
    hour = np.arange(round(60 * hours)) / 60.0
    volts = np.interp(hour, *zip(*volts_at, strict=True))
    amps = np.full(len(hour), OFF_A)
    for begin, end in giving:
        amps[(hour > begin) & (hour <= end)] = ON_A
    times = round(24 * DAYS / hours)
    volts, amps = np.tile(volts, times), np.tile(amps, times)
    height = np.sin((np.arange(len(volts)) / 60.0 % 24.0 - 6.0) / 12.0 * np.pi)
    return Seen(60.0, volts, amps, volts * amps, None, height, HOUSE_W, CELLS, 280.0, 28.4, np.nan, np.nan, daily)


def between(begin_h: float, end_h: float) -> slice:
    """Return the entries of a time of the third day."""
    return slice(round((48 + begin_h) * 60), round((48 + end_h) * 60))


def test_a_charger_that_never_stays_at_its_set_point_stops_there_at_once() -> None:
    seen = charger.find_charger(record(RISE_AND_FALL, GIVING))
    assert seen.absorption_s == 0.0
    assert seen.absorption_v == pytest.approx(28.4, abs=0.1)
    assert seen.restart_v == pytest.approx(26.6, abs=0.05)
    assert np.isnan(seen.float_v)
    assert len(seen.full) == 3 * DAYS


def test_it_throttles_from_each_stop_until_it_gives_power_again() -> None:
    boat = record(RISE_AND_FALL, GIVING)
    throttled = charger.find_charger(boat).throttled
    for begin_h, end_h in ((9.1, 9.9), (11.1, 11.9), (13.1, 17.9)):
        assert throttled[between(begin_h, end_h)].all()
    for begin_h, end_h in ((8.1, 8.9), (10.1, 10.9), (12.1, 12.9)):
        assert not throttled[between(begin_h, end_h)].any()


def test_measured_solar_power_shows_the_same_rests() -> None:
    boat = record(RISE_AND_FALL, GIVING)
    solar_w = np.where(boat.amps > 0.0, boat.net_w + HOUSE_W, 0.0)
    measured = charger.find_charger(boat._replace(solar_w=solar_w))
    assert (measured.throttled == charger.find_charger(boat).throttled).all()


def test_a_cloud_far_below_the_set_point_is_no_stop() -> None:
    cloudy = [(0, 26.7), (8, 26.7), (8.01, 26.9), (9, 27.0), (9.03, 26.7), (10, 26.7), (10.01, 26.9), (11, 28.4),
              (12, 28.4), (12.05, 26.7), (24, 26.7)]  # fmt: skip
    boat = record(cloudy, ((8, 9), (10, 12)))
    seen = charger.find_charger(boat)
    assert not seen.throttled[between(9.1, 9.9)].any()


def test_a_charger_that_holds_its_set_point_for_an_hour_has_an_absorption_of_an_hour() -> None:
    held = [(0, 26.7), (8, 26.7), (8.01, 26.9), (10, 28.4), (11, 28.4), (11.05, 27.2), (16, 26.8), (24, 26.7)]
    seen = charger.find_charger(record(held, ((8, 11),)))
    assert seen.absorption_s == pytest.approx(3600.0, abs=180.0)


# Full at eleven of the first day, and left alone until the bus is low: at noon of the second.
LONG_REST = [(0, 26.7), (8, 26.7), (8.01, 26.9), (10, 28.4), (11, 28.4), (11.05, 27.2), (20, 26.9), (35.98, 26.6),
             (36, 26.9), (38, 27.0), (39, 26.8), (48, 26.7)]  # fmt: skip
LONG_GIVING = ((8, 11), (36, 39))


@pytest.mark.parametrize("plate", [True, False])
def test_a_rest_that_goes_on_in_the_morning_shows_a_charger_that_does_not_begin_anew_daily(plate: bool) -> None:
    """Whatever its plate says: taken for one that does, a forecast was 61 % too high and only warned."""
    boat = record(LONG_REST, LONG_GIVING, daily=plate, hours=48.0)
    seen = charger.find_charger(boat)
    assert not seen.begins_daily
    assert seen.throttled[between(24 + 7.0, 24 + 11.5)].all()
    assert not seen.throttled[between(24 + 12.5, 24 + 14.5)].any()


@pytest.mark.parametrize("plate", [True, False])
def test_a_morning_that_ends_a_rest_shows_a_charger_that_begins_anew_daily(plate: bool) -> None:
    rested = [(0, 26.8), (6.5, 26.8), (6.51, 26.9), (10, 28.4), (11, 28.4), (11.05, 27.2), (16, 26.9), (24, 26.8)]
    boat = record(rested, ((6.5, 11),), daily=plate)
    assert charger.find_charger(boat).begins_daily


@pytest.mark.parametrize("plate", [True, False])
def test_a_charger_that_never_rested_overnight_begins_as_its_plate_says(plate: bool) -> None:
    low = [(0, 26.4), (8, 26.4), (8.01, 26.9), (10, 28.4), (11, 28.4), (11.05, 27.2), (13, 26.5), (13.01, 26.6),
           (17.9, 26.7), (18, 26.4), (24, 26.4)]  # fmt: skip
    boat = record(low, ((8, 11), (13, 17.9)), daily=plate)
    assert charger.find_charger(boat).begins_daily == plate


def test_a_dull_morning_is_no_rest() -> None:
    """The house takes all that a dark cloud lets through, but the bank gives less than by night."""
    rested = [(0, 26.8), (10, 26.8), (10.01, 26.9), (12, 28.4), (13, 28.4), (13.05, 27.2), (16, 26.9), (24, 26.8)]
    boat = record(rested, ((10, 13),), daily=False)
    dull = (boat.height > 0.1) & (boat.height < 0.6) & (np.arange(len(boat.volts)) % 1440 < 720)
    net_w = np.where(dull, boat.net_w + 0.6 * HOUSE_W, boat.net_w)
    assert charger.find_charger(boat._replace(net_w=net_w, amps=net_w / boat.volts)).begins_daily


@pytest.mark.filterwarnings("error")
def test_a_morning_of_which_nothing_is_known_is_not_taken_for_dark() -> None:
    boat = record(RISE_AND_FALL, GIVING)
    morning = (np.arange(len(boat.volts)) % 1440 > 360) & (np.arange(len(boat.volts)) % 1440 < 480)
    solar_w = np.where(morning, np.nan, np.where(boat.amps > 0.0, boat.net_w + HOUSE_W, 0.0))
    assert charger.find_charger(boat._replace(solar_w=solar_w)).begins_daily


def test_a_kettle_takes_the_bus_below_the_restart_voltage_without_a_restart() -> None:
    """The lowest voltage of each rest once came to 0.2 V too little."""
    fallen = [(0, 26.7), (8, 26.7), (8.01, 26.9), (10, 28.4), (11, 28.4), (11.05, 27.2), (14, 26.5), (14.01, 26.9),
              (17, 27.0), (17.1, 26.8), (24, 26.7)]  # fmt: skip
    boat = record(fallen, ((8, 11), (14, 17)))
    kettle = np.arange(len(boat.volts)) % 1440 // 2 == 390  # at one o'clock, for two minutes
    boiling = boat._replace(volts=np.where(kettle, 26.1, boat.volts))
    assert charger.find_charger(boiling).restart_v == pytest.approx(26.5, abs=0.05)


def test_a_restart_that_is_hardly_seen_is_taken_from_the_plate() -> None:
    once = record(RISE_AND_FALL, GIVING)._replace(plate_restart_v=26.3)
    assert charger.find_charger(once).restart_v == pytest.approx(26.6, abs=0.05)
    few = np.arange(len(once.volts)) < 1440  # one day of sun, then never again
    dark = once._replace(volts=np.where(few, once.volts, 26.7), net_w=np.where(few, once.net_w, once.net_w.min()))
    seen = charger.find_charger(dark)
    assert np.isnan(seen.restart_v) or seen.restart_v == 26.3


CLOUDS = ((9.2, 9.45), (9.3, 9.5), (9.25, 9.6), (9.15, 9.3))


@pytest.mark.parametrize("counts", [True, False])
def test_whether_clouds_count_as_absorption_is_seen_on_cloudy_days(counts: bool) -> None:
    """An hour of absorption from nine: with pauses it ends at ten, without them later."""
    days = []
    for day in range(DAYS):
        cloud = CLOUDS[day % 4] if day % 2 else (9.0, 9.0)
        end = 10.0 if counts else 10.0 + cloud[1] - cloud[0]
        hour = np.arange(1440) / 60.0
        volts = np.interp(
            hour, [0, 7.99, 8, 9, end, end + 0.05, 16, 24], [26.7, 26.7, 26.9, 28.4, 28.4, 27.2, 26.9, 26.7]
        )
        dark = (hour > cloud[0]) & (hour < cloud[1])
        giving = (hour > 8) & (hour <= end) & ~dark
        days.append((np.where(dark, 27.3, volts), np.where(giving, ON_A, OFF_A)))
    volts, amps = (np.concatenate(parts) for parts in zip(*days, strict=True))
    boat = record(RISE_AND_FALL, GIVING)._replace(volts=volts, amps=amps, net_w=volts * amps)
    seen = charger.find_charger(boat)
    assert seen.counts_pauses is counts
    assert seen.absorption_s == pytest.approx(3600.0, abs=180.0)


# Absorption from ten to eleven, then float until five, and overnight.
DAY_OF_FLOAT = [(0, 26.7), (8, 26.7), (8.01, 26.9), (10, 28.4), (11, 28.4), (11.1, 27.0), (17, 27.0), (17.5, 26.7),
                (24, 26.7)]  # fmt: skip
FLOATED_ON = [(24, 26.7), (31.9, 26.7), (32, 26.9), (33, 27.0), (41, 27.0), (41.5, 26.7), (48, 26.7)]


def floating(volts_at: Points, *, hours: float, daily: bool) -> Seen:
    """Return a record of a charger that gives 30 A while the bus rises, and what the house takes in float."""
    boat = record(volts_at, ((8, 11), (32, 33)), daily=daily, hours=hours)
    amps = np.where((boat.amps < 0.0) & (np.abs(boat.volts - 27.0) < 0.01), 0.0, boat.amps)
    return boat._replace(amps=amps, net_w=amps * boat.volts, plate_float_v=27.0, plate_restart_v=26.0)


@pytest.mark.parametrize("plate", [True, False])
def test_a_float_that_goes_on_the_next_day_shows_a_charger_that_does_not_begin_anew_daily(plate: bool) -> None:
    """Given its absorption every day, a forecast for a permissive on the voltage was half too high, and "good"."""
    seen = charger.find_charger(floating([*DAY_OF_FLOAT, *FLOATED_ON], hours=48.0, daily=plate))
    assert seen.float_v == pytest.approx(27.0, abs=0.02)
    assert not seen.begins_daily


@pytest.mark.parametrize("plate", [True, False])
def test_a_float_after_an_absorption_every_day_shows_one_that_does(plate: bool) -> None:
    assert charger.find_charger(floating(DAY_OF_FLOAT, hours=24.0, daily=plate)).begins_daily


@pytest.mark.parametrize("plate", [True, False])
def test_an_absorption_after_a_low_night_says_nothing_of_that(plate: bool) -> None:
    low = [(hour, 25.9 if hour in (0, 24) else volts) for hour, volts in DAY_OF_FLOAT]
    assert charger.find_charger(floating(low, hours=24.0, daily=plate)).begins_daily == plate


def test_a_rest_that_begins_at_dusk_is_seen_by_the_morning_without_power() -> None:
    late = [(0, 26.7), (12, 26.6), (12.01, 26.9), (16.9, 28.4), (17.6, 28.4), (17.65, 27.2), (24, 26.9), (35.98, 26.6),
            (36, 26.9), (41, 27.0), (41.01, 26.8), (48, 26.7)]  # fmt: skip
    boat = record(late, ((12, 17.6), (36, 41)), daily=False, hours=48.0)
    seen = charger.find_charger(boat)
    assert seen.throttled[between(24 + 7.0, 24 + 11.5)].all()
