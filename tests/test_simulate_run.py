"""`dumpload simulate` from weather to words: figures agree, steps are short enough, errors are plain."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from judged import settings
from surveyed import BARGE

np = pytest.importorskip("numpy")
pytest.importorskip("pvlib")
pytest.importorskip("numba")

from dumpload.cli.commands import main  # noqa: E402
from dumpload.cli.simulating import METER_OPTIONS  # noqa: E402
from dumpload.simulate import engine as day  # noqa: E402
from dumpload.simulate.boat import METER, Meter  # noqa: E402
from dumpload.simulate.engine import compiled_steps, run_steps  # noqa: E402
from dumpload.simulate.run import Simulation, SimulationInterrupted, find_weather, simulate  # noqa: E402
from dumpload.simulate.summary import is_hot, longest_gap, simulation_document, summarize  # noqa: E402
from dumpload.simulate.text import simulation_text  # noqa: E402
from dumpload.simulate.weather import COLUMNS, WeatherError  # noqa: E402

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:pvlib", "ignore:.*dayofyear.*")

EXAMPLE = Path(__file__).parents[1] / "config" / "dumpload.toml"
PLACE = {"solar.latitude": 51.5, "solar.longitude": 0.0}


def weather_file(folder: Path, days: int) -> Path:
    """Write summer days of clear noons, hour by hour."""
    rows = [",".join(COLUMNS)]
    for hour in range(24 * days):
        sun = max(0.0, np.sin((hour % 24 - 5.5) / 13 * np.pi))
        rows.append(f"2025-06-{16 + hour // 24:02}T{hour % 24:02}:30:00Z,{850 * sun:.1f},{120 * sun:.1f},18,3")
    file = folder / "weather.csv"
    file.write_text("\n".join(rows) + "\n")
    return file


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Simulation:
    file = weather_file(tmp_path_factory.mktemp("weather"), 2)
    return simulate(settings({**BARGE, **PLACE}), str(file), 1, run_steps, step_s=60.0)


def test_the_figures_agree_with_each_other(done: Simulation) -> None:
    summary = summarize(done)
    figures = summary.figures
    assert (summary.days, summary.is_year) == (2, False)
    assert [(month.month, month.days) for month in summary.months] == [(6, 2)]
    assert figures["energy_wh"] == summary.months[0].figures["energy_wh"]
    assert 0.0 < figures["energy_wh"].value < figures["offered_wh"].value
    assert 0.0 < figures["caught_wh"].value <= figures["wasted_without_wh"].value
    assert figures["caught_percent"].value == pytest.approx(
        100 * figures["caught_wh"].value / figures["wasted_without_wh"].value
    )
    assert figures["litres"].value <= figures["wanted_litres"].value == pytest.approx(60.0)
    assert figures["energy_wh"].low <= figures["energy_wh"].high


def test_the_text_says_what_is_assumed_and_what_is_not_known_in_80_columns(done: Simulation) -> None:
    text = simulation_text(done)
    assert max(map(len, text.splitlines())) <= 80
    assert text.startswith("In 2 days of the weather of ")
    for sentence in (
        "Assumed, because not set",
        "Not included in these figures",
        "June ",
        "Sun caught",
        "range over 1 resampled",
    ):
        assert sentence in text
    assert "not of your place" not in text  # a file is of one's own place


def test_the_document_has_every_figure_with_its_interval(done: Simulation) -> None:
    document = simulation_document(done)
    json.dumps(document, allow_nan=False)
    assert set(document["figures"]["energy_wh"]) == {"value", "low", "high"}
    assert document["resampled_years"] == 1
    assert document["assumed"]["solar.strings"] == "one string, flat"


def test_the_same_seed_gives_the_same_and_another_another(tmp_path: Path) -> None:
    """Clouds within the hour, noise and the order of days are drawn with the seed."""
    file = str(weather_file(tmp_path, 1))
    keys = settings({**BARGE, **PLACE})
    first, same, other = (simulate(keys, file, 1, run_steps, step_s=60.0, seed=seed) for seed in (3, 3, 4))
    for here, there, elsewhere in zip(
        (first.run, *first.others), (same.run, *same.others), (other.run, *other.others), strict=True
    ):
        assert here.with_load.tobytes() == there.with_load.tobytes()
        assert here.with_load.tobytes() != elsewhere.with_load.tobytes()
    assert simulation_document(first)["seed"] == 3


def test_clouds_are_said_or_said_to_be_left_out(done: Simulation, tmp_path: Path) -> None:
    assert "drawn within each 60 minutes" in simulation_document(done)["assumed"]["clouds"]
    even = simulate(
        settings({**BARGE, **PLACE}), str(weather_file(tmp_path, 1)), 0, run_steps, step_s=60.0, clouds=False
    )
    assert simulation_document(even)["assumed"]["clouds"] == "even haze within each 60 minutes of the weather"


def test_days_with_hot_water_and_the_longest_time_without_60_degc() -> None:
    load = np.zeros((5, day.COLUMNS))
    load[:, day.WANTED_L] = 30.0, 30.0, 30.0, 0.0, 30.0
    load[:, day.WARM_L] = 30.0, 15.0, 14.0, 0.0, 0.0
    load[:, day.HOTTEST] = 50.0, 59.9, 60.0, 20.0, 61.0
    assert is_hot(load).tolist() == [True, True, False, False, False]
    assert longest_gap(load) == 2.0


@pytest.mark.parametrize(
    ("name", "keys", "expected"),
    [
        ("atlantis.csv", {}, "--weather atlantis.csv: expected solar.latitude and solar.longitude of where"),
        ("atlantis.csv", PLACE, "atlantis.csv: expected a CSV file of weather"),
        ("miami", {"solar.latitude": -30.0, "solar.longitude": 0.0}, "expected north of the equator"),
    ],
)
def test_weather_that_cannot_be_used_is_an_error_in_words(name: str, keys: dict[str, Any], expected: str) -> None:
    with pytest.raises(WeatherError) as caught:
        find_weather(name, settings({**BARGE, **keys}))
    assert expected in str(caught.value)


@pytest.mark.parametrize(("latitude", "name"), [(24.0, "miami"), (38.0, "greensboro"), (60.0, "sand-point")])
def test_without_a_name_the_typical_year_nearest_in_latitude_is_taken_and_said(latitude: float, name: str) -> None:
    keys = {"solar.latitude": latitude, "solar.longitude": 5.0}
    source, assumed = find_weather(None, settings({**BARGE, **keys}))
    assert (source.name, source.home_longitude_deg) == (name, 5.0)
    assert [assumption.key for assumption in assumed] == ["--weather"]


def test_an_interrupt_shows_nothing_of_a_part(tmp_path: Path) -> None:
    def interrupted(*_: Any) -> Any:
        raise KeyboardInterrupt

    with pytest.raises(SimulationInterrupted, match="interrupted in year 1 of 4; an incomplete run gives"):
        simulate(settings({**BARGE, **PLACE}), str(weather_file(tmp_path, 2)), 3, interrupted)


@pytest.mark.parametrize("years", ["-1", "1001", "many", "1.5", "²"])
def test_a_number_of_years_that_is_none_is_a_usage_error(years: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["simulate", "--years", years])
    assert caught.value.code == 2
    assert "expected a whole number from 0 to 1000" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("option", "expected"),
    [
        (("--seed", "-1"), "expected a whole number from 0 to 999999"),
        (("--voltage-noise", "nan"), "expected a number from 0 to 1000"),
        (("--power-step", "-1"), "expected a number from 0 to 1000"),
        (("--voltage-step", "fine"), "expected a number from 0 to 1000"),
    ],
)
def test_a_seed_or_a_meter_that_is_none_is_a_usage_error(
    option: tuple[str, str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["simulate", *option])
    assert caught.value.code == 2
    assert expected in capsys.readouterr().err


def test_the_options_of_the_meter_are_those_of_the_boat_with_its_defaults() -> None:
    descriptions = {f"{name}_{unit.lower()}": description for name, unit, description in METER_OPTIONS}
    assert tuple(descriptions) == Meter._fields
    for name, value in METER._asdict().items():
        assert descriptions[name].endswith(f"(default {value:g})")


def test_without_the_extra_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in [name for name in sys.modules if name.startswith("dumpload.simulate.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pvlib", None)
    assert main(["simulate", "--config", str(EXAMPLE)]) == 2
    assert "pip install 'dumpload[solar]' (pvlib is missing)" in capsys.readouterr().err


def test_a_plate_that_is_not_known_is_exit_code_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "dumpload.toml"
    config.write_text('[telemetry.state_of_charge]\ntopic = "barge/bank/charge"\n[relay]\npin = 17\n')
    assert main(["simulate", "--config", str(config), "--json"]) == 2
    captured = capsys.readouterr()
    assert "solar.peak_w or solar.strings: expected to be set for a simulation" in json.loads(captured.out)["error"]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "mohm"), [("greensboro", 6), ("sand-point", 6), ("miami", 6), ("greensboro", 1)])
def test_halving_the_step_moves_the_energy_of_a_year_by_less_than_a_tenth_of_a_percent(name: str, mohm: float) -> None:
    whole, half = (
        simulate(
            settings({**BARGE, "battery.resistance_mohm": mohm}), name, 0, compiled_steps(), step_s=step_s
        ).run.with_load
        for step_s in (10.0, 5.0)
    )
    for column in (day.ELEMENT, day.CURTAILED, day.TANK_DRAWN, day.WARM_L, day.BANK_OHMIC):
        assert half[:, column].sum() == pytest.approx(whole[:, column].sum(), rel=1e-3)
    spent = whole[:, [day.CURTAILED, day.CONVERTER, day.HOUSE, day.CABLE, day.ELEMENT, day.BANK_IN]].sum()
    assert spent == pytest.approx(whole[:, day.OFFERED].sum(), rel=1e-9)


@pytest.mark.slow
def test_the_command_prints_one_document() -> None:
    command = [sys.executable, "-m", "dumpload", "simulate", "--config", str(EXAMPLE), "--json", "--years", "1"]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert json.loads(printed)["weather"]["name"] == "sand-point"


@pytest.mark.slow
def test_a_bar_shows_how_far_it_is_and_an_interrupt_shows_nothing_of_a_part() -> None:
    ours, theirs = os.openpty()  # a bar is only drawn where somebody watches
    command = [sys.executable, "-m", "dumpload", "simulate", "--config", str(EXAMPLE), "--years", "1000"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=theirs) as process:
        os.close(theirs)
        seen = b""
        while b"simulate [" not in seen:
            seen += os.read(ours, 4096)
        process.send_signal(signal.SIGINT)
        while b"interrupted in year" not in seen:
            seen += os.read(ours, 4096)
        out, _ = process.communicate()
    os.close(ours)
    assert (out, process.returncode) == (b"", 130)
