"""Settings far from anything that a record shows, and heat from sun that was not measured: never a confident number."""

from collections.abc import Callable, Sequence
from typing import Any

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from judged import settings  # noqa: E402
from surveyed import BARGE  # noqa: E402
from voyages import COLUMNS, SIGNALS, World, sail_on, write_csv  # noqa: E402

from dumpload.config.to_core import controller_setup  # noqa: E402
from dumpload.core.controller import Event, Kind  # noqa: E402
from dumpload.core.signals import Signal  # noqa: E402
from dumpload.forecast import charger, gates, hidden_sun, interval  # noqa: E402
from dumpload.forecast.evidence import gather  # noqa: E402
from dumpload.forecast.far import Doubt, far_from  # noqa: E402
from dumpload.forecast.model import Model, build  # noqa: E402
from dumpload.forecast.seen import Seen  # noqa: E402
from dumpload.forecast.step import compiled_sail  # noqa: E402
from dumpload.forecast.sun import clear_sky, sun_at  # noqa: E402
from dumpload.records.csv import CsvRecord  # noqa: E402
from dumpload.records.items import Instant, Moved  # noqa: E402
from dumpload.records.record import ReadLog  # noqa: E402

DAYS = 10
WORLD = World({}, weather="made up", days=DAYS, litres=60.0, panels=0.9)
# The recorded boat ran its heater from ten to three.
WINDOW = {"permissive.window": ("10:00-15:00",)}


def law(changes: dict[str, Any] | None = None) -> Any:
    return controller_setup(chosen(changes))


def chosen(changes: dict[str, Any] | None = None) -> Any:
    fixed = {key: value for key, value in BARGE.items() if not key.startswith(("driver.", "contact."))}
    place = {"solar.latitude": 40.0, "solar.longitude": 0.0}
    return settings({**fixed, **SIGNALS, **place, **WINDOW, **(changes or {})})


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Model:
    rows, _truth, began = sail_on(WORLD, WINDOW)
    path = tmp_path_factory.mktemp("record") / "a.csv"
    write_csv(path, rows, began, WORLD.row_s, COLUMNS[:4])
    return build(gather(CsvRecord(path).read(ReadLog())), chosen(), chosen(), members=2)


def doubts(model: Model, changes: dict[str, Any] | None = None, lowest: float = 90.0) -> tuple[Doubt, ...]:
    return far_from(model, law(changes), lowest)


def only(doubts_given: tuple[Doubt, ...]) -> Doubt:
    (doubt,) = doubts_given
    return doubt


def judged(model: Model, changes: dict[str, Any]) -> tuple[gates.GateResult, interval.ForecastOutcome]:
    sums = interval.sums_of(model, law(changes), compiled_sail(), lambda _part: None)
    outcome = interval.outcome_of(model, law(changes), sums, least_part=0.0)
    return gates.verdict(model, law(changes), outcome), outcome


# ---- far from the record ----


def test_the_recorded_settings_are_not_far_from_the_record(model: Model) -> None:
    assert doubts(model) == ()


def test_a_charge_below_the_lowest_recorded_one_is_warned_of_and_far_below_it_refused(model: Model) -> None:
    lowest = float(model.course.charge.min())
    assert doubts(model, lowest=lowest - 1.0) == ()
    near, far = (only(doubts(model, lowest=lowest - below)) for below in (5.0, 30.0))
    assert (near.refused, far.refused) == (False, True)
    assert near.part > 0.0
    assert f"in this record it is never below {lowest:.0f} %. Record days on which it is that low" in near.text


def test_a_cut_in_that_the_charge_never_reached_is_refused_and_a_seldom_reached_one_warned_of(model: Model) -> None:
    shown_charge = np.minimum(model.course.shown_charge, 97.0)
    never = model._replace(course=model.course._replace(shown_charge=shown_charge))
    doubt = only(doubts(never, {"control.cut_in_percent": 98, "control.cut_out_percent": 93}))
    assert doubt.refused
    assert "The cut-in of 98 % was reached on only 0 of 10 days." in doubt.text
    shown_charge = np.where((model.course.day >= 2) & (model.course.day <= 4), model.course.shown_charge, shown_charge)
    seldom = model._replace(
        course=model.course._replace(shown_charge=shown_charge), evidence=model.evidence._replace(step_s=120.0)
    )
    doubt = only(doubts(seldom, {"control.cut_in_percent": 98, "control.cut_out_percent": 93}))
    assert not doubt.refused
    assert "was reached on only 3 of 20 days. Record days on which the charge gets that high" in doubt.text


def test_a_voltage_permissive_that_the_bus_never_reached_is_refused(model: Model) -> None:
    never = {"permissive.voltage_cut_in": 28.7, "permissive.voltage_cut_out": 26.0}
    doubt = only(doubts(model, never))
    assert doubt.refused
    assert "The permissive's cut-in of 28.7 V was reached on only 0 of 10 days." in doubt.text


def test_hours_in_which_the_heater_never_ran_are_warned_of_and_refused_where_they_are_most(model: Model) -> None:
    assert doubts(model, {"permissive.window": ("11:00-14:00",)}) == ()
    wider = only(doubts(model, {"permissive.window": ("08:00-15:00",)}))
    assert not wider.refused
    assert "never ran in the hours 8, 9 (local time), which these settings allow" in wider.text
    assert only(doubts(model, {"permissive.window": ("06:00-09:00",)})).refused


def test_a_longer_least_on_time_than_any_run_is_warned_of(model: Model) -> None:
    doubt = only(doubts(model, {"control.min_on_s": 40_000}))
    assert not doubt.refused
    assert "control.min_on_s is 40000. Record days with longer runs" in doubt.text


def test_a_drain_limit_that_was_never_approached_is_warned_of(model: Model) -> None:
    doubt = only(doubts(model, {"permissive.drain_limit_w": 2000}))
    assert "so a limit of 2000 W is untested" in doubt.text
    assert doubts(model, {"permissive.drain_limit_w": 100}) == ()


def test_a_record_with_a_drain_limit_does_not_show_what_is_beyond_it(model: Model) -> None:
    limited = model._replace(setup=law({"permissive.drain_limit_w": 50}))
    doubt = only(doubts(limited))
    assert "The recorded drain limit of 50 W switched the heater off under clouds" in doubt.text
    assert doubts(limited, {"permissive.drain_limit_w": 50}) == ()


def test_what_is_far_widens_the_interval(model: Model) -> None:
    wider = {"permissive.window": ("08:00-15:00",)}
    verdict, outcome = judged(model, wider)
    sums = interval.sums_of(model, law(wider), compiled_sail(), lambda _part: None)
    ran = model._replace(ran=np.ones(24))
    narrow = interval.outcome_of(ran, law(wider), sums, least_part=0.0)
    assert verdict.trust != "good"
    assert outcome.figures["energy_wh"].half > narrow.figures["energy_wh"].half


# ---- a voltage permissive, a drain limit, and rows ----


def test_dips_between_rows_widen_the_interval_of_a_new_voltage_permissive(model: Model) -> None:
    """The mean of a minute hides a kettle, which ended the heat of an afternoon: 4 % less than forecast, and "good"."""
    new = {"permissive.voltage_cut_in": 27.0, "permissive.voltage_cut_out": 26.75}
    sums = interval.sums_of(model, law(new), compiled_sail(), lambda _part: None)
    assert sums.dips_wh > 0.0
    halves = [
        interval.outcome_of(model, law(new), sums._replace(dips_wh=wh), least_part=0.0).figures["energy_wh"].half
        for wh in (0.0, sums.dips_wh, np.nan)
    ]
    assert halves[0] < min(halves[1:])


def test_the_charge_at_which_a_new_cut_in_acts_widens_the_interval(model: Model) -> None:
    """At the charge that float holds, a few tenths of a percent decide over whole days: a forecast was 24 % too low."""
    new = {"control.cut_in_percent": 99.5, "control.cut_out_percent": 93}
    sums = interval.sums_of(model, law(new), compiled_sail(), lambda _part: None)
    assert sums.edge_wh > 0.0
    wide, narrow = (
        interval.outcome_of(model, law(new), sums._replace(edge_wh=wh), least_part=0.0).figures["energy_wh"].half
        for wh in (sums.edge_wh, 0.0)
    )
    assert wide > narrow
    assert interval.sums_of(model, law(), compiled_sail(), lambda _part: None).edge_wh == 0.0


def test_a_permissive_that_the_record_was_made_with_adds_no_dips(model: Model) -> None:
    kept = {"permissive.voltage_cut_in": 27.0, "permissive.voltage_cut_out": 26.5}
    made_with = model._replace(setup=law(kept))
    assert np.isnan(interval.sums_of(made_with, law(kept), compiled_sail(), lambda _part: None).dips_wh)


def test_a_drain_limit_that_decides_over_much_of_the_heat_needs_rows_closer_than_its_timer(model: Model) -> None:
    verdict, outcome = judged(model, {"permissive.drain_limit_w": 50})
    assert verdict.trust == "refused"
    assert any("rows 60 s apart" in reason and "at most 10 s apart" in reason for reason in verdict.reasons)
    slow = {"permissive.drain_limit_w": 50, "permissive.drain_limit_s": 3600}
    assert judged(model, slow)[1].drain < outcome.drain


def test_a_cloud_of_two_rows_is_as_deep_and_as_long_on_the_grid_as_it_was() -> None:
    items: list[Any] = [Instant(1.75e9, (Moved(False),))]
    for minute in range(8 * 1440):
        t = 1.75e9 + 60.0 * minute
        watts = -400.0 if minute in {700, 701} else 300.0
        values = ((Signal.STATE_OF_CHARGE, 90.0 + minute % 4), (Signal.BATTERY_POWER, watts))
        items.append(Instant(t, tuple(Event(t, t, Kind.SAMPLE, signal, value, t) for signal, value in values)))
    power_w = gather(items).signals[Signal.BATTERY_POWER]
    # Rows a minute apart on a grid of minutes: on its edges each entry would be the mean of two.
    assert np.flatnonzero(power_w < 300.0).tolist() == [700, 701]
    assert power_w[700:702] == pytest.approx([-400.0, -400.0])


# ---- hidden sun ----


def hiding(model: Model, is_hidden: Callable[[Any], Any]) -> Model:
    throttled = model.course.throttled | is_hidden(model.hour)
    return model._replace(course=model.course._replace(throttled=throttled))


def test_hours_whose_sun_was_nearly_always_held_back_are_named(model: Model) -> None:
    assert gates.hidden_hours(hiding(model, lambda hour: hour == 13), law()) == sorted(
        {13, *gates.hidden_hours(model, law())}
    )


def test_heat_that_rests_on_hidden_sun_is_warned_of_and_refused_where_an_hour_was_never_seen(model: Model) -> None:
    _verdict, outcome = judged(model, {})
    for unseen, hidden, trust in ((0.1, False, None), (0.5, False, False), (0.7, False, True), (0.5, True, True)):
        boat = hiding(model, lambda hour: hour == 13) if hidden else model
        reasons = gates.verdict(boat, law(), outcome._replace(unseen=unseen)).reasons
        hidden_reasons = [reason for reason in reasons if "comes from sun that was not measured" in reason]
        assert bool(hidden_reasons) is (trust is not None)
        if trust is not None:
            refused = gates.verdict(boat, law(), outcome._replace(unseen=unseen)).trust == "refused"
            assert refused is trust
            assert "Record days with the heater in use then" in hidden_reasons[0]
        if hidden:
            assert "13" in hidden_reasons[0]


def test_a_shaded_afternoon_does_not_darken_a_noon_that_was_held_back() -> None:
    t = np.arange(30 * 1440) * 60.0
    sun = sun_at(t, 40.0, 0.0)
    full = 1.2 * clear_sky(sun.height) * np.where(sun.hours > 2.0, 0.2, 1.0)
    net = full * np.random.default_rng(3).choice([0.3, 1.0], len(t)) - 40.0
    throttled = (np.abs(sun.hours - 0.5) < 1.0) & (net > 300.0)
    sky = hidden_sun.sky_of(60.0, np.where(throttled, 300.0, net), throttled, sun, 40.0)
    noon, shade = np.abs(sun.hours) < 0.2, (sun.hours > 2.9) & (sun.height > 0.2)
    assert sky.full_w[noon].mean() == pytest.approx(full[noon].mean(), rel=0.15)
    assert sky.full_w[shade].mean() == pytest.approx(full[shade].mean(), rel=0.15)
    assert (sky.most_w >= sky.full_w).all()


# ---- when the charger holds the sun back ----


def one_day(volts_at: Sequence[tuple[float, float]], amps_at: Sequence[tuple[float, float]]) -> Seen:
    """Return a record of twelve equal days in minutes; voltage and current on straight lines between the hours."""
    hour = np.arange(1440) / 60.0
    volts, amps = (np.tile(np.interp(hour, *zip(*points, strict=True)), 12) for points in (volts_at, amps_at))
    height = np.tile(np.sin((hour - 6.0) / 12.0 * np.pi), 12)
    return Seen(60.0, volts, amps, volts * amps, None, height, 60.0, 8, 280.0, 28.4, 27.0)


# Up to 28.4 V at eleven, held there for an hour, down to 27.0 V within ten minutes, held there until five.
AMPS = [(0, -2), (7, -2), (7.1, 30), (12, 2), (12.01, -18), (12.16, -18), (12.18, 0), (17, 0), (17.1, -2), (24, -2)]
VOLTS = [(0, 26.4), (7, 26.4), (11, 28.4), (12, 28.4), (12.17, 27.0), (17, 27.0), (17.2, 26.4), (24, 26.4)]


def test_the_charger_gives_nothing_while_the_bus_falls_from_absorption_to_float() -> None:
    seen = one_day(VOLTS, AMPS)
    result = charger.find_charger(seen)
    assert result.float_v == pytest.approx(27.0, abs=0.02)
    fall = slice(12 * 60 + 2, 12 * 60 + 9)
    assert result.throttled[fall].all()
    assert not result.throttled[8 * 60 : 10 * 60].any()


def test_a_float_that_was_held_too_seldom_to_be_found_is_taken_from_its_plate() -> None:
    seen = one_day(VOLTS, AMPS)
    dark = np.arange(len(seen.volts)) >= 1440  # one bright day, then never again
    once = seen._replace(volts=np.where(dark, 26.4, seen.volts), amps=np.where(dark, -2.0, seen.amps))
    once = once._replace(net_w=once.volts * once.amps)
    assert charger.find_charger(once).float_v == pytest.approx(27.0, abs=0.02)
    never = once._replace(volts=np.minimum(once.volts, 26.4))
    assert np.isnan(charger.find_charger(never).float_v)
