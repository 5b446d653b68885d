"""The closed-loop replay: what a record tells, what it does not, and that no figure comes without its interval.

Its accuracy is proved elsewhere, on boats that it was not tuned on (tests/bench); these are its rules.
"""

import json
import math
from pathlib import Path
from typing import Any

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from judged import LEAVE_OUT, settings  # noqa: E402
from voyages import BARGE, COLUMNS, SIGNALS, World, sail_on, write_csv  # noqa: E402

from dumpload.cli.commands import main  # noqa: E402
from dumpload.config.to_core import controller_setup  # noqa: E402
from dumpload.core.controller import Event, Kind  # noqa: E402
from dumpload.core.signals import Signal  # noqa: E402
from dumpload.forecast import bank, heater, hidden_sun  # noqa: E402
from dumpload.forecast.closed_loop import Forecast, forecast  # noqa: E402
from dumpload.forecast.document import forecast_document, forecast_text  # noqa: E402
from dumpload.forecast.evidence import EvidenceError, RecordEvidence, gather, held, means  # noqa: E402
from dumpload.forecast.model import Model, build  # noqa: E402
from dumpload.forecast.play import play  # noqa: E402
from dumpload.forecast.runs import Run, closed_up, runs_of, smeared  # noqa: E402
from dumpload.forecast.step import compiled_sail, sail  # noqa: E402
from dumpload.forecast.sun import clear_sky, sun_at  # noqa: E402
from dumpload.records.csv import CsvRecord  # noqa: E402
from dumpload.records.items import Hold, Instant, Moved, Restart  # noqa: E402
from dumpload.records.record import ReadLog  # noqa: E402

FOUR = COLUMNS[:4]
DAYS = 12
WORLD = World({}, weather="made up", days=DAYS, litres=60.0, panels=0.9)
LOWER = {"control.cut_in_percent": 90, "control.cut_out_percent": 84}


def keys(changes: dict[str, Any] | None = None) -> dict[str, Any]:
    fixed = {key: value for key, value in BARGE.items() if not key.startswith(("driver.", "contact."))}
    return {**fixed, **SIGNALS, "solar.latitude": 40.0, "solar.longitude": 0.0, **(changes or {})}


@pytest.fixture(scope="module")
def rows() -> Any:
    return sail_on(WORLD, {})


@pytest.fixture(scope="module")
def record(rows: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "a.csv"
    write_csv(path, rows[0], rows[2], WORLD.row_s, FOUR)
    return path


def forecast_of(
    path: Path, changes: dict[str, Any] | None = None, recorded_with: dict[str, Any] | None = None
) -> Forecast:
    return forecast(CsvRecord(path), settings(keys(changes)), settings(keys(recorded_with)), ReadLog())


def only_reason(outcome: Forecast) -> str:
    """Return the reason for a refusal; its document has no figure."""
    assert outcome.verdict.trust == "refused"
    document = forecast_document(outcome)
    assert document["energy_wh"] is document["switch_ons"] is None
    assert "!" in forecast_text(outcome)
    return outcome.verdict.reasons[0]


def changed(path: Path, folder: Path, change: Any) -> Path:
    """Return a record with its rows (as lists of texts, after the header) changed."""
    header, *lines = path.read_text().splitlines()
    rows = change(header.split(","), [line.split(",") for line in lines])
    new = folder / "changed.csv"
    new.write_text("\n".join(",".join(row) for row in rows) + "\n")
    return new


# ---- what a record tells ----


def test_a_mean_is_taken_on_straight_lines_between_samples_and_a_gap_is_not_known() -> None:
    t = np.array([0.0, 60.0, 120.0, 1000.0, 1060.0])
    mean = means(t, np.array([0.0, 60.0, 60.0, 0.0, 0.0]), np.array([0.0, 60.0, 120.0, 600.0, 1060.0]))
    assert mean[:2].tolist() == [30.0, 60.0]
    assert np.isnan(mean[2:]).all()


def test_a_relay_keeps_its_position_until_the_next_row_and_is_off_before_the_first() -> None:
    on = held(np.array([30.0, 90.0]), np.array([1.0, 0.0]), np.array([0.0, 60.0, 120.0, 180.0]))
    assert on.tolist() == [0.5, 0.5, 0.0]


def test_runs_are_found_closed_and_widened() -> None:
    flags = np.array([0, 1, 1, 0, 1, 0, 0, 0, 1], bool)
    assert runs_of(flags) == [Run(1, 3), Run(4, 5), Run(8, 9)]
    assert runs_of(closed_up(flags, 1)) == [Run(1, 5), Run(8, 9)]
    assert runs_of(smeared(flags, 1)) == [Run(0, 6), Run(7, 9)]


def test_the_sun_stands_where_pvlib_says_and_a_clear_sky_gives_what_it_says() -> None:
    pvlib, pandas = pytest.importorskip("pvlib"), pytest.importorskip("pandas")
    t = np.arange(1.735e9, 1.735e9 + 366 * 86_400, 7200.0)
    ours = sun_at(t, 51.5, -0.1)
    theirs = pvlib.solarposition.get_solarposition(pandas.to_datetime(t, unit="s", utc=True), 51.5, -0.1)
    assert np.abs(np.degrees(np.arcsin(ours.height)) - theirs.elevation.to_numpy()).max() < 0.3
    haurwitz = pvlib.clearsky.haurwitz(theirs.zenith).ghi.to_numpy()
    assert np.abs(clear_sky(ours.height) - haurwitz).max() < 8.0


def test_bounds_count_as_such_in_the_distribution_of_the_sun() -> None:
    # Worked by hand after Kaplan and Meier: of 1, 2+, 3, 4 (+: at least) the parts below are 1/4, and then 5/8 and 1.
    value, below = hidden_sun.survival(np.array([3.0, 1.0, 2.0, 4.0]), np.array([True, True, False, True]))
    assert value.tolist() == [1.0, 3.0, 4.0]
    assert below == pytest.approx([0.25, 0.625, 1.0])


def test_what_was_seen_of_the_sun_stays_and_what_was_hidden_is_at_least_what_was_used() -> None:
    t = np.arange(20 * 1440) * 60.0
    sun = sun_at(t, 40.0, 0.0)
    net = clear_sky(sun.height) * np.random.default_rng(3).uniform(0.3, 1.0, len(t)) - 40.0
    throttled = (np.abs(sun.hours) < 2.0) & (t // 86_400 % 2 == 0)
    seen = np.where(throttled, net * 0.3, net)
    sky = hidden_sun.sky_of(60.0, seen, throttled, sun, 40.0)
    drawn = hidden_sun.paths(60.0, 0.0, seen, throttled, sky, 40.0, 3, seed=1)
    assert (drawn[:, ~throttled] == seen[~throttled]).all()
    assert (drawn[:, throttled] >= seen[throttled]).all()
    assert drawn[:, throttled].mean() == pytest.approx(net[throttled].mean(), rel=0.15)


def test_the_monitor_is_told_apart_from_the_bank() -> None:
    step_s, entries = 60.0, 10 * 1440
    hour = np.arange(entries) / 60 % 24
    amps = np.where((hour >= 8) & (hour < 14), 30.0, -10.0)  # full every day at 14:00
    charge = 100.0 + np.cumsum(amps) * step_s / 3600 * 100 / 280
    charge -= charge[14 * 60 - 1] - 100.0
    wrong = (np.arange(entries) / 1440 * 0.5) % 1.0  # half a percent a day too much, synchronised every second day
    full = tuple(range(14 * 60 - 1, entries, 1440))
    shown = np.round(np.minimum(100.0, charge + wrong), 1)
    counting = bank.counting_of(step_s, shown, amps, 250.0)  # the plate is wrong
    assert 100 / counting.out_per_ah == pytest.approx(280, rel=0.03)
    monitor = bank.monitor_of(step_s, shown, amps, counting, full, 0.1)
    assert np.abs(monitor.charge[1440:-1440] - charge[1440:-1440]).max() < 0.3


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_a_charge_in_whole_percent_tells_the_capacity_as_well_as_one_in_tenths(step: float) -> None:
    """Its steps were taken for synchronisations: a bank of 280 Ah seemed to have 377."""
    hour = np.arange(20 * 1440) / 60 % 24
    cloud = np.repeat(np.random.default_rng(4).choice([0.3, 1.0], len(hour) // 15), 15)
    amps = np.where((hour >= 8) & (hour < 16), 18.0 * cloud - 4.0, -4.0)
    charge = 60.0 + np.cumsum(amps - amps.mean()) / 60 * 100 / 280
    shown = np.round(charge / step) * step
    counting = bank.counting_of(60.0, shown, amps - amps.mean(), 280.0, step)
    assert 100 / counting.out_per_ah == pytest.approx(280, rel=0.03)
    assert 100 / counting.in_per_ah == pytest.approx(280, rel=0.03)


def test_the_heat_drawn_is_what_makes_the_openings_of_the_thermostat_fit() -> None:
    plates = heater.TankPlates(46.5, 1.2, 65.0, 16.0, 10.0)
    step_s, entries, drawn = 60.0, 20 * 1440, 380.0
    hour = np.arange(entries) / 60 % 24
    relay = ((hour > 9) & (hour < 17)).astype(float)
    missing, closed, load = 500.0, True, np.zeros(entries)
    for at in range(entries):  # the tank itself
        load[at] = 500.0 * relay[at] if closed else 0.0
        wanted_w = float(heater.heat_demand_w(plates, np.array([missing]), np.array([150.0]))[0])
        missing += (wanted_w - load[at]) / 60.0
        closed = missing > 0.0 if closed else missing >= drawn
    tank = heater.tank_of(step_s, relay, load, np.full(entries, 500.0), None, np.ones(entries), plates)
    assert tank.is_known
    assert tank.draw_w[5 * 1440 : 15 * 1440].mean() == pytest.approx(150.0, rel=0.05)
    assert tank.band_wh == pytest.approx(drawn, rel=0.1)


def test_a_history_says_what_its_relay_did_and_how_long_its_values_went_on() -> None:
    soc, items = Signal.STATE_OF_CHARGE, []
    for minute in range(0, 8 * 1440, 2):
        t = 1.75e9 + 60.0 * minute
        sample = Event(t, t, Kind.SAMPLE, soc, 90.0 + minute % 4, t)
        items.append(Instant(t, (sample, Hold(soc, t + 90.0))))
        if minute % 1440 == 600:
            items += [Instant(t + 30.0, (Moved(True),)), Restart(t + 90.0)]
    evidence = gather(items)
    assert evidence.step_s == 60.0
    assert evidence.relay[600:603].tolist() == [0.5, 0.5, 0.0]  # on for a minute, then the program ended
    assert evidence.known.all()


# ---- the forecast ----


def built(path: Path, changes: dict[str, Any] | None = None, members: int = 2) -> Model:
    evidence: RecordEvidence = gather(CsvRecord(path).read(ReadLog()))
    return build(evidence, settings(keys(changes)), settings(keys()), members=members)


def test_compiled_and_plain_come_to_the_same_bit(record: Path) -> None:
    model = built(record)
    short = {name: value[:1440] for name, value in model.course._asdict().items() if isinstance(value, np.ndarray)}
    short_evidence = model.evidence._replace(relay=model.evidence.relay[:1440])
    model = model._replace(course=model.course._replace(**short), evidence=short_evidence, nets=model.nets[:, :1440])
    model = model._replace(draws=tuple(draw[:1440] for draw in model.draws))
    laws = [controller_setup(settings(keys(changes))) for changes in ({}, LOWER, {"permissive.drain_limit_w": 50})]
    plain, compiled = (play(model, laws, run=run, anchored=False) for run in (sail, compiled_sail()))
    assert plain.tobytes() == compiled.tobytes()
    assert plain[..., 0].sum() > 0.0


@pytest.mark.slow
def test_a_forecast_of_the_record_itself_is_the_record(record: Path, rows: Any) -> None:
    outcome = forecast_of(record)
    assert outcome.outcome is not None
    figures, truth = outcome.outcome.figures, rows[1]
    assert outcome.outcome.hindcast == pytest.approx(1.0, abs=0.04)
    assert figures["energy_wh"].value == pytest.approx(truth.energy_wh.sum(), rel=0.01)
    assert figures["difference_wh_per_day"].low <= 0.0 <= figures["difference_wh_per_day"].high
    assert figures["switch_ons"].low <= truth.switch_ons.sum() <= figures["switch_ons"].high


@pytest.mark.slow
def test_other_settings_come_to_what_the_same_boat_does_with_them(record: Path) -> None:
    outcome = forecast_of(record, LOWER)
    assert outcome.outcome is not None
    truth = sail_on(WORLD, LOWER)[1]
    figure = outcome.outcome.figures["energy_wh"]
    assert figure.value == pytest.approx(truth.energy_wh.sum(), rel=0.04)
    assert figure.low <= truth.energy_wh.sum() <= figure.high


@pytest.mark.slow
def test_the_document_has_every_figure_with_its_interval_and_the_text_fits(record: Path) -> None:
    outcome = forecast_of(record, LOWER)
    document = json.loads(json.dumps(forecast_document(outcome), allow_nan=False))
    assert document["trust"] in {"good", "warned"}
    for name in ("energy_wh", "difference_wh_per_day", "switch_ons", "on_time_s", "caught_wh"):
        figure = document[name]
        assert set(figure) == {"value", "low", "high"}
        assert figure["low"] <= figure["value"] <= figure["high"]
    text = forecast_text(outcome)
    assert max(map(len, text.splitlines())) <= 80
    assert text.index("Difference") < text.index("Sun caught") < text.index("Switch-ons")


@pytest.mark.slow
def test_with_fewer_signals_energy_is_never_surer_than_a_quarter_and_always_warned(rows: Any, tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    write_csv(path, rows[0], rows[2], WORLD.row_s, COLUMNS[:2])
    outcome = forecast_of(path, LOWER)
    assert outcome.verdict.trust != "good"
    assert outcome.outcome is not None
    figure = outcome.outcome.figures["energy_wh"]
    assert min(figure.high - figure.value, figure.value - figure.low) >= 0.249 * figure.value


@pytest.mark.slow
def test_the_command_takes_both_settings_and_ends_with_1_where_it_refuses(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = {}
    for name, changes in (("a", {}), ("b", LOWER)):
        files[name] = tmp_path / f"{name}.toml"
        lines = [f"{key} = {json.dumps(list(v) if isinstance(v, tuple) else v)}" for key, v in keys(changes).items()]
        fixed = ['telemetry.state_of_charge.topic = "barge/charge"', "relay.pin = 17"]
        files[name].write_text("\n".join((*fixed, *lines)) + "\n")
    options = ["--closed-loop", "--recorded-with", str(files["a"]), "--config", str(files["b"]), "--json"]
    assert main(["replay", str(record), *options]) == 0
    assert json.loads(capsys.readouterr().out)["trust"] in {"good", "warned"}
    short = changed(record, tmp_path, lambda header, lines: [header, *lines[:2000]])
    assert main(["replay", str(short), *options]) == 1
    assert json.loads(capsys.readouterr().out)["reasons"][0].startswith("expected a record of at least 7 days")


# ---- what it refuses ----


def without_column(name: str) -> Any:
    def change(header: list[str], lines: list[list[str]]) -> list[list[str]]:
        place = header.index(name)
        return [[cell for at, cell in enumerate(row) if at != place] for row in (header, *lines)]

    return change


def with_column(name: str, worked: Any) -> Any:
    def change(header: list[str], lines: list[list[str]]) -> list[list[str]]:
        place = header.index(name)
        return [header, *([*row[:place], f"{worked(float(row[place])):g}", *row[place + 1 :]] for row in lines)]

    return change


def test_a_record_without_its_relay_is_refused(record: Path, tmp_path: Path) -> None:
    assert "a column relay" in only_reason(forecast_of(changed(record, tmp_path, without_column("relay"))))


def test_a_record_too_short_is_refused(record: Path, tmp_path: Path) -> None:
    short = changed(record, tmp_path, lambda header, lines: [header, *lines[: 3 * 1440]])
    assert "at least 7 days; this one has 3.0: record for longer" in only_reason(forecast_of(short))


def test_rows_five_minutes_apart_are_refused(record: Path, tmp_path: Path) -> None:
    sparse = changed(record, tmp_path, lambda header, lines: [header, *lines[::5]])
    assert "at most 60 s apart; these are 300 s apart" in only_reason(forecast_of(sparse))


def test_a_place_that_is_not_known_is_refused(record: Path) -> None:
    assert "solar.latitude: expected to be set" in only_reason(
        forecast_of(record, {"solar.latitude": LEAVE_OUT, "solar.longitude": LEAVE_OUT})
    )


def test_a_power_of_the_wrong_sign_is_refused(record: Path, tmp_path: Path) -> None:
    wrong = changed(record, tmp_path, with_column("battery_power", lambda watts: -watts))
    assert "--unit battery_power=W*-1" in only_reason(forecast_of(wrong))


@pytest.mark.slow
def test_a_record_full_of_gaps_is_refused(record: Path, tmp_path: Path) -> None:
    holes = changed(
        record, tmp_path, lambda header, lines: [header, *(row for at, row in enumerate(lines) if at // 300 % 4)]
    )
    assert "% of the record. Record without interruption" in " ".join(only_reason(forecast_of(holes)).splitlines())


@pytest.mark.slow
def test_a_record_that_never_ran_the_load_is_refused(tmp_path: Path) -> None:
    never, _, began = sail_on(WORLD, {}, heated=False)
    never[:, 6] = 0.0
    path = tmp_path / "never.csv"
    write_csv(path, never, began, WORLD.row_s, FOUR)
    outcome = forecast_of(path, LOWER)
    only_reason(outcome)
    assert any("The heater ran for only 0.0 h" in reason for reason in outcome.verdict.reasons)


@pytest.mark.slow
def test_a_monitor_that_does_not_synchronise_is_refused(tmp_path: Path) -> None:
    deaf = {"battery.counter_full_v": 29.5, "battery.counter_efficiency": 0.95, "battery.counter_step_percent": 0.1}
    shown, _, began = sail_on(WORLD, deaf)
    path = tmp_path / "deaf.csv"
    write_csv(path, shown, began, WORLD.row_s, FOUR)
    outcome = forecast_of(path, LOWER)
    only_reason(outcome)
    assert any("The monitor reached 100 %" in reason for reason in outcome.verdict.reasons)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("plate", "expected"),
    [
        ({"load.rated_w": 600}, "% less than load.rated_w"),
        ({"battery.capacity_ah": 560}, "but battery.capacity_ah is 560"),
        ({"battery.capacity_ah": 180}, "but battery.capacity_ah is 180"),
    ],
)
def test_a_wrong_plate_is_never_a_confident_answer(record: Path, plate: dict[str, Any], expected: str) -> None:
    outcome = forecast_of(record, {**LOWER, **plate}, plate)
    assert outcome.verdict.trust != "good"
    assert any(expected in reason for reason in outcome.verdict.reasons), outcome.verdict.reasons


@pytest.mark.slow
@pytest.mark.parametrize("longitude", [-60.0, 60.0])
def test_a_wrong_longitude_is_never_a_confident_answer(record: Path, longitude: float) -> None:
    outcome = forecast_of(record, {**LOWER, "solar.longitude": longitude}, {"solar.longitude": longitude})
    only_reason(outcome)
    assert any("while the sun was down at solar.latitude" in reason for reason in outcome.verdict.reasons)


@pytest.mark.slow
def test_a_tank_that_was_never_hot_makes_more_heat_a_guess(tmp_path: Path) -> None:
    world = WORLD._replace(litres=300.0)
    seldom = {"permissive.max_on_per_day_s": 3600.0}
    shown, _, began = sail_on(world, seldom)
    path = tmp_path / "seldom.csv"
    write_csv(path, shown, began, world.row_s, FOUR)
    outcome = forecast_of(path, {}, seldom)
    assert outcome.verdict.trust != "good"
    assert any("seldom or never got hot in this record" in reason for reason in outcome.verdict.reasons)


def test_nothing_is_made_of_a_record_without_rows() -> None:
    with pytest.raises(EvidenceError, match="a column relay"):
        gather(iter(()))


def test_signals_are_named_in_the_document(record: Path) -> None:
    evidence = gather(CsvRecord(record).read(ReadLog()))
    assert evidence.has(Signal.LOAD_POWER)
    assert not evidence.has(Signal.SOLAR_POWER)
    assert evidence.charge_step == pytest.approx(0.1)
    assert math.isclose(evidence.days, DAYS, rel_tol=0.01)
