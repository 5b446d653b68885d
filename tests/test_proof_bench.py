"""The bench of the closed loop: its law is the program's, its worlds lose no energy, its scores count what they say.

The bench is tests/bench/proof; what it says of the program is its own table, not a test.
"""

from functools import cache
from pathlib import Path

import pytest
from world import START, World

from dumpload.config.model import load_settings
from dumpload.config.to_core import controller_setup
from dumpload.core.controller import Event, Kind
from dumpload.core.signals import Signal

np = pytest.importorskip("numpy")
pytest.importorskip("numba")
pytest.importorskip("pvlib")

from bench.proof import drawn, household, plant, rule, scores, settings, sky, table, truth, worlds  # noqa: E402
from bench.proof.asking import Answer, Figure, Result, read_answer  # noqa: E402

HERE = sky.Place(52.0, -1.0, 0.0, 0)
MIDNIGHT = 1_750_032_000.0  # 2025-06-16 00:00 UTC
EIGHT_S = 8 * 3_600.0
EVERY_S = 10.0


def written(world: worlds.World, some: rule.Rule, signals: tuple[str, ...], folder: Path) -> Path:
    file = folder / "settings.toml"
    file.write_text(settings.settings_text(world, HERE, worlds.fit(some, world), signals))
    return file


@pytest.mark.slow
@pytest.mark.parametrize("number", range(len(truth.all_rules())))
def test_the_law_written_again_is_the_law_of_the_program(number: int, tmp_path: Path) -> None:
    """Sample by sample, through the settings file that the bench writes: 2,500 random ones across a working day."""
    some = worlds.fit(truth.all_rules()[number], worlds.WORLDS[0])
    file = written(worlds.WORLDS[0], some, worlds.SETS["all six"], tmp_path)
    program = World(controller_setup(load_settings(file, {})), wall=MIDNIGHT + EIGHT_S)
    memory, draw = rule.begin(0.0), np.random.default_rng(number)
    soc, volts, watts, moves = 97.0, 27.0, 0.0, 0
    for _ in range(2_500):
        program.wait(EVERY_S)
        t = program.t - START
        # Now and then a jump, back to the thresholds and at times below the floor.
        near = draw.choice([some.cut_in, some.cut_out, 97.0, 49.0], p=[0.5, 0.3, 0.18, 0.02])
        soc = float(np.clip(near if draw.random() < 0.03 else soc + draw.choice([-0.1, 0.0, 0.1]), 0.0, 100.0))
        volts = round(float(np.clip(volts + draw.normal(0.0, 0.15), 26.0, 28.5)), 2)
        watts = round(float(np.clip(watts * 0.97 + draw.normal(0.0, 60.0), -900.0, 900.0)))
        for signal, value in ((Signal.BATTERY_VOLTAGE, volts), (Signal.BATTERY_POWER, watts)):
            program.remember(
                Event(program.t, program.t + program.ahead, Kind.SAMPLE, signal, value=value, stamp=program.t)
            )
        was = program.position
        program.soc(soc)
        memory = rule.judge(some, memory, t, EIGHT_S + t, soc, volts, watts)
        assert memory.on == bool(program.position), f"sample at {t} s"
        moves += was != program.position
    assert moves > 1 or some.cut_in == 100.0


@pytest.mark.parametrize("world", worlds.WORLDS, ids=lambda world: world.name)
@pytest.mark.parametrize("signals", worlds.SETS.values(), ids=list(worlds.SETS))
def test_the_settings_that_are_handed_over_are_accepted(
    world: worlds.World, signals: tuple[str, ...], tmp_path: Path
) -> None:
    chosen = load_settings(written(world, worlds.PLAIN, signals, tmp_path), {})
    assert chosen.control.cut_in_percent == 97.0
    assert chosen.solar.absorption_v == world.solar["absorption_v"]
    assert (chosen.telemetry.solar_power is not None) == ("solar_power" in signals)


@cache
def nine() -> tuple[worlds.World, ...]:
    """Return nine drawn worlds; not before a test wants them, as weather years are read for them."""
    return drawn.drawn_worlds(17, 9)


def test_a_seed_draws_the_same_worlds_for_ever_and_another_seed_draws_others() -> None:
    assert drawn.drawn_worlds(17, 4) == nine()[:4]
    others = drawn.drawn_worlds(18, 9)
    assert not {world.boat for world in nine()} & {world.boat for world in others}
    with pytest.raises(ValueError, match="seed 1000000: expected 0 to 999999"):
        drawn.drawn_worlds(1_000_000, 9)
    with pytest.raises(ValueError, match="count 0: expected 1 to 1000"):
        drawn.drawn_worlds(17, 0)


def test_nine_drawn_worlds_are_every_kind_of_charger_at_every_place() -> None:
    kinds = [next(kind for kind in drawn.KINDS if f", {kind}, " in world.name) for world in nine()]
    pairs = {(kind, world.year) for kind, world in zip(kinds, nine(), strict=True)}
    assert pairs == {(kind, place) for kind in drawn.KINDS for place in sky.YEARS}
    for kind, world in zip(kinds, nine(), strict=True):
        charger = world.boat.charger
        assert (charger.absorption_s == 0.0) == (kind == "no taper")
        assert charger.stops or kind != "stops"
        assert not charger.stops or kind != "floats"


def test_no_two_worlds_share_a_file_nor_a_seed_of_chance() -> None:
    """Also at the ends of what can be drawn; numpy takes seeds below 2**32."""
    every = [
        *worlds.WORLDS,
        *nine(),
        *drawn.drawn_worlds(18, 9),
        *drawn.drawn_worlds(0, 1),
        *drawn.drawn_worlds(drawn.MOST_SEED, 3),
    ]
    seeds = [world.seed + used for world in every[len(worlds.WORLDS) :] for used in range(4)]
    assert len(set(seeds)) == len(seeds)
    assert max(world.seed for world in worlds.WORLDS) + 4 < min(seeds)
    assert max(seeds) < 2**32
    assert len({truth.file_mark(world) for world in every}) == len(every)


def test_the_files_of_fixed_worlds_keep_their_names_and_a_world_drawn_otherwise_takes_others() -> None:
    assert [truth.file_mark(world) for world in worlds.WORLDS] == [str(world.seed) for world in worlds.WORLDS]
    otherwise = nine()[0]._replace(cloud_s=nine()[0].cloud_s + 1.0)
    assert truth.file_mark(otherwise) != truth.file_mark(nine()[0])


@pytest.mark.parametrize("number", range(9))
def test_the_settings_of_a_drawn_world_are_accepted_and_say_nearly_what_is_true(number: int, tmp_path: Path) -> None:
    """A plate is rounded to 0.1 V, and the charger is a few 10 mV off: up to 45 mV (common practice, no source)."""
    world = nine()[number]
    said = load_settings(written(world, worlds.WITH_VOLTS, worlds.SETS["all six"], tmp_path), {})
    charger = world.boat.charger
    assert said.battery.capacity_ah == pytest.approx(world.boat.bank.capacity_ah, rel=0.10)
    assert said.solar.charger_a == pytest.approx(charger.most_a, rel=0.07)
    for name in ("absorption_v", "float_v", "rebulk_v"):
        if name in world.solar:
            assert getattr(said.solar, name) == pytest.approx(getattr(charger, name), abs=0.0501)
    for name in ("absorption_s", "tail_a", "rebulk_s"):
        assert world.solar.get(name, getattr(charger, name)) == getattr(charger, name)
    assert said.solar.stops_when_full == charger.stops
    assert said.solar.begins_daily == charger.daily
    assert said.tank.target_c == world.boat.tank.opens_c


@pytest.mark.parametrize("number", range(9))
def test_a_monitor_has_conditions_that_its_charger_can_meet(number: int) -> None:
    world = nine()[number]
    charger, monitor = world.boat.charger, world.boat.monitor
    held_v = charger.absorption_v if charger.absorption_s or charger.stops else charger.float_v
    assert held_v - 0.45 < monitor.full_v < held_v - 0.05
    if charger.tail_a:
        assert monitor.full_a > charger.tail_a
        assert monitor.full_s < 90.0  # the plant's charger waits as long before it ends absorption
    if charger.stops and not charger.absorption_s:
        assert monitor.full_a >= charger.most_a
        assert monitor.full_s <= 20.0
    said = {"counter_full_v": monitor.full_v, "counter_full_a": monitor.full_a, "counter_full_s": monitor.full_s}
    assert world.monitor in (None, said)
    assert monitor.resyncs or world.monitor is None


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("number", range(9))
def test_a_drawn_world_has_sun_to_spare_and_not_too_much_and_its_monitor_sees_it_full(
    number: int, tmp_path: Path
) -> None:
    """The monitor is one that counts far too little here, else it shows 100 before it sees anything."""
    world = nine()[number]
    monitor = world.boat.monitor._replace(efficiency=0.93)
    case = truth.Case(world._replace(boat=world.boat._replace(monitor=monitor)), tmp_path)
    idle, ran = (plant.totals(case.run(worlds.PLAIN, allowed=allowed)[1]) for allowed in (False, True))
    assert 0.3 < idle["house_wh"] / idle["offered_wh"] < 0.8
    assert idle["solar_wh"] < 0.85 * idle["offered_wh"]
    assert ran["solar_wh"] > idle["solar_wh"]
    assert not monitor.resyncs or min(idle["resyncs"], ran["resyncs"]) >= 10
    assert monitor.resyncs or idle["resyncs"] == 0
    assert truth.Case(world, tmp_path).truth(worlds.PLAIN).energy_wh > 300.0 * worlds.DAYS


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("days", [60, pytest.param(365, marks=pytest.mark.long)])
@pytest.mark.parametrize("world", worlds.WORLDS, ids=lambda world: world.name)
def test_the_books_close_in_every_world(world: worlds.World, days: int) -> None:
    """To 1e-9 of what was offered: bus, bank (charge) and tank, under the plain rule."""
    sun = sky.offered_w(
        sky.read_year(world.year), world.panels, world.first_day, days, cloud_s=world.cloud_s, seed=world.seed
    )
    house = household.demand_w(world.house, days, world.seed + 1)
    taps = household.tapped_l(world.house, days, world.seed + 2)
    boat = world.boat._replace(telemetry=world.boat.telemetry._replace(keeps_s=3_600))
    rows, sums = plant.run(boat, worlds.PLAIN, sun, house, taps, world.seed + 3, True)
    total = plant.totals(sums)
    through = total["offered_wh"]
    assert total["solar_wh"] <= through
    spent = total["energy_wh"] + total["house_wh"] + total["battery_wh"]
    assert spent == pytest.approx(total["solar_wh"], abs=1e-9 * through)
    heated = total["tank_wh"] + total["tank_lost_wh"] + total["drawn_wh"]
    assert heated == pytest.approx(total["element_wh"], abs=1e-9 * through)
    assert total["charge_ah"] == pytest.approx(total["stored_ah"], abs=1e-9 * through / 24.0)
    assert total["element_wh"] > 0.01 * through
    assert np.isfinite(rows).all()


@pytest.mark.parametrize("name", sky.YEARS)
def test_the_clouds_of_an_hour_leave_its_mean(name: str) -> None:
    """The plane that is given is the measured hour's, day by day within 3 % where there was sun worth the name."""
    year, panels, days = sky.read_year(name), sky.Panels(1_400.0), 40
    watts = sky.offered_w(year, panels, 150, days, cloud_s=240.0, seed=1)
    sun = sky.sun_at(year.place, panels, sky.start_of(year.place, 150), days)
    wanted = sky.hourly_plane(year, panels, sun, 150).reshape(days, 24).sum(axis=1)
    level = year.level[150 * 24 : (150 + days) * 24].reshape(days, 24).sum(axis=1)
    assert wanted == pytest.approx(level, rel=0.06)
    per_level = watts.reshape(days, -1).mean(axis=1) * 24.0 / (wanted * 1.4 * panels.derate)
    assert np.all((per_level > 0.80) & (per_level < 1.08))  # the rest is the temperature of the cells
    steps = np.abs(np.diff(watts.reshape(-1, 12).mean(axis=1)))
    assert np.percentile(steps, 99) > 100.0  # minutes do jump


def result(*, value: float | None, trust: str = "good", low: float = 900.0, high: float = 1_100.0) -> Result:
    """Return an answer about a pair where A gave 60 kWh in all, and B 66 kWh: 100 Wh a day more."""
    spread_of = None if value is None else value * low / 1_000.0, None if value is None else value * high / 1_000.0
    figures = {name: Figure(value, *spread_of) for name in ("energy_wh", "switch_ons", "on_time_s", "caught_wh")}
    per_day = None if value is None else (value - 60_000.0) / worlds.DAYS
    figures["difference_wh_per_day"] = Figure(per_day, per_day, per_day)
    a, b = truth.Truth(60_000.0, 60.0, 1.0, 1.0), truth.Truth(66_000.0, 66_000.0, 1.0, 1.0)
    opened = Answer("open loop", (), {name: Figure(33_000.0, None, None) for name in ("energy_wh", "switch_ons")})
    return Result("a world", "a pair", "SoC V Pbat Pload", Answer(trust, (), figures), a, b, opened)


def test_errors_are_counted_against_what_is_true() -> None:
    exact, off = result(value=66_000.0), result(value=82_500.0)
    assert scores.error_of("energy_wh")(exact) == 0.0
    assert scores.error_of("energy_wh")(off) == pytest.approx(25.0)
    assert scores.difference_error(off) == pytest.approx(16_500.0 / worlds.DAYS)
    assert scores.same_as_a("energy_wh")(off) == pytest.approx(100.0 / 11.0)
    assert scores.open_loop("energy_wh")(off) == 50.0
    assert scores.inside("energy_wh", [exact, off]) == 50.0
    assert scores.direction([exact, result(value=50_000.0)]) == (1, 2)
    assert scores.confident_misses([exact, off, result(value=82_500.0, trust="warned")]) == [off]


def test_a_refusal_is_counted_and_a_figure_that_is_not_there_is_no_error() -> None:
    refused = result(value=None, trust="refused")
    assert scores.share_answered([refused, result(value=66_000.0)]) == 50.0
    assert scores.spread([scores.error_of("energy_wh")(refused)]).count == 0
    assert scores.inside("energy_wh", [refused]) != scores.inside("energy_wh", [refused])  # NaN: nothing stated
    assert read_answer({"error": "line 3"}).trust == "failed"
    withheld = {"energy_wh": {"value": 1.0, "low": 0.5, "high": 2.0}}
    told = read_answer({"trust": "refused", "energy_wh": None, "withheld": withheld})
    assert told.figures["energy_wh"] == Figure(1.0, 0.5, 2.0)


def test_the_verdicts_turn_on_the_figure() -> None:
    near = {verdict.demand: verdict.met for verdict in table.verdicts([result(value=66_500.0)])}
    far = {verdict.demand: verdict.met for verdict in table.verdicts([result(value=90_000.0)])}
    for demand in ("energy, median <= 2 %", "energy, worst <= 10 %", "switch-ons, median <= 6 %"):
        assert near[f"SoC V Pbat Pload: {demand}"] is True
        assert far[f"SoC V Pbat Pload: {demand}"] is False
    assert near["SoC: the direction of every difference above 60 Wh a day"] is None
    assert any("NOT MET" in line for line in table.lines([result(value=90_000.0)]))
