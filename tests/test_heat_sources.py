"""Where the heat came from: the formulas of `heat_sources`, by hand, and that their parts add up."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.core.freshness import MISSING
from dumpload.core.signals import Signal
from dumpload.replay.heat_sources import HeatSources, Moment, SourcedEnergy, split
from dumpload.replay.totals import SOC, LoadRating

RATED_W = 300.0
HEATER = LoadRating(RATED_W)
HOUR_S = 3600.0
THROTTLE = 97.0
BATTERY, SOLAR = Signal.BATTERY_POWER, Signal.SOLAR_POWER
WATTS = st.one_of(st.just(MISSING), st.floats(-2000, 2000))


def now(battery_w: float, solar_w: float, charge: float = 98.0, at_on_w: float = 100.0) -> Moment:
    return Moment(battery_w, solar_w, charge, at_on_w)


# Where it came from, at one moment


@pytest.mark.parametrize(
    ("moment", "expected"),
    [
        # The panels give all of it, and the battery charges on as it did: all would have been throttled.
        (now(100, 800), HeatSources(throttled=300, throttled_least=300)),
        # The battery charges with 60 W less than before the switch-on: at least 240 would have been throttled.
        (now(40, 800), HeatSources(throttled=300, throttled_least=240)),
        # Below the charge from which the charger throttles the battery would have taken it.
        (now(40, 800, 95.0), HeatSources(still_taken=300)),
        # The battery gives 120 W, the panels the rest.
        (now(-120, 500, 95.0), HeatSources(battery=120, still_taken=180)),
        # The battery gives more than the load takes: other consumers are served before it.
        (now(-500, 0), HeatSources(battery=300)),
        # Neither battery nor panels: an alternator or a shore charger.
        (now(200, 0), HeatSources(other=300)),
        # A signal is missing.
        (now(MISSING, 800), HeatSources(not_known=300)),
        (now(-100, MISSING), HeatSources(battery=100, not_known=200)),
        (now(100, 800, MISSING), HeatSources(not_known=300)),
        (now(100, 800, 98.0, MISSING), HeatSources(throttled=300, throttled_least=0)),
    ],
)
def test_an_hour_of_300_w_is_split_by_what_is_measured(moment: Moment, expected: HeatSources) -> None:
    assert split(300.0, HOUR_S, moment, THROTTLE) == pytest.approx(expected)


@given(battery_w=WATTS, solar_w=WATTS, charge=st.floats(0, 100), at_on_w=WATTS, load_w=st.floats(0, 3000))
def test_the_parts_of_a_moment_add_up_and_none_is_negative(
    battery_w: float, solar_w: float, charge: float, at_on_w: float, load_w: float
) -> None:
    parts = split(load_w, HOUR_S, Moment(battery_w, solar_w, charge, at_on_w), THROTTLE)
    assert parts.total == pytest.approx(load_w)
    assert min(parts[:7]) >= 0
    assert parts.throttled_least <= parts.throttled + 1e-9


# Over time


def test_a_value_counts_only_while_it_is_live() -> None:
    energy = SourcedEnergy(HEATER, 0.0, THROTTLE)
    energy.note(BATTERY, -300.0, 0.0, HOUR_S)
    energy.switch(0.0, on=True)
    energy.advance(3 * HOUR_S)
    assert energy.sources[:6] == pytest.approx((300, 0, 0, 0, 0, 600))
    assert energy.sources.discharged == pytest.approx(300)
    assert (energy.sources.has_battery, energy.sources.has_solar) == (True, False)


def test_what_the_battery_gives_while_the_relay_is_off_is_no_heat() -> None:
    energy = SourcedEnergy(HEATER, 0.0, THROTTLE)
    energy.note(BATTERY, -200.0, 0.0, 10 * HOUR_S)
    energy.switch(HOUR_S, on=True)
    energy.switch(2 * HOUR_S, on=False)
    energy.advance(4 * HOUR_S)
    assert (energy.sources.battery, energy.sources.discharged) == pytest.approx((200, 800))


STEPS = st.lists(
    st.tuples(
        st.floats(1, 5000),
        st.sampled_from(["on", "off", BATTERY, SOLAR, SOC, Signal.LOAD_POWER, "extend", "advance"]),
        st.floats(-900, 900),
        st.floats(0, 4000),
    ),
    max_size=40,
)


@given(steps=STEPS)
def test_the_parts_close_to_the_energy_into_the_load_whatever_comes(
    steps: list[tuple[float, object, float, float]],
) -> None:
    energy, t, sums = SourcedEnergy(HEATER, 0.0, THROTTLE), 0.0, []
    for pause, what, value, hold_s in steps:
        t += pause
        if isinstance(what, Signal):
            energy.note(what, abs(value) if what == Signal.LOAD_POWER else value, t, t + hold_s)
        elif what == "extend":
            energy.extend(BATTERY, t + hold_s)
        elif what == "advance":
            energy.advance(t)
            sums.append(energy.sources)
        else:
            energy.switch(t, on=what == "on")
    energy.advance(t + 1000)
    sources = energy.sources
    assert sources.total == pytest.approx(energy.wh, abs=1e-6)
    assert min(sources[:7]) >= -1e-9
    for part in sums:
        assert all(more >= less - 1e-9 for more, less in zip(sources[:7], part[:7], strict=True))
