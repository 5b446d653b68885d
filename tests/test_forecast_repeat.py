"""The restart voltage of a charger that stops when full is set so that the forecast repeats what was recorded."""

from pathlib import Path

import pytest

pytest.importorskip("numpy")
pytest.importorskip("numba")
pytest.importorskip("pvlib")

from voyages import COLUMNS, NOT_DAILY, SHADED, WORLDS, World, chosen, sail_on, write_csv

from dumpload.forecast.closed_loop import forecast
from dumpload.forecast.evidence import gather
from dumpload.forecast.model import Model, build
from dumpload.forecast.repeat import repeating
from dumpload.forecast.step import compiled_sail
from dumpload.records.csv import CsvRecord
from dumpload.records.record import ReadLog

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore::DeprecationWarning:pvlib", "ignore:.*dayofyear.*")]

A = {"permissive.window": ("09:00-17:00",)}


def recorded(world: World, path: Path) -> CsvRecord:
    rows, _truth, began = sail_on(world, A)
    write_csv(path, rows, began, world.row_s, COLUMNS[:4])
    return CsvRecord(path)


def modelled(world: World, path: Path) -> Model:
    settings = chosen(world, A)
    return build(gather(recorded(world, path).read(ReadLog())), settings, settings, members=4)


def shifted(model: Model, volts: float) -> Model:
    return model._replace(ships=tuple(ship._replace(restart_v=ship.restart_v + volts) for ship in model.ships))


@pytest.mark.parametrize("off_v", [-0.04, 0.06])
def test_a_wrong_restart_voltage_is_set_right_by_the_record(tmp_path: Path, off_v: float) -> None:
    right = modelled(SHADED["pm stop"], tmp_path / "log.csv")
    mended = repeating(shifted(right, off_v), compiled_sail())
    assert mended.ships[0].restart_v == pytest.approx(right.ships[0].restart_v, abs=0.025)
    assert right.ships[0].restart_v == pytest.approx(26.6, abs=0.03)  # of the boat


def test_a_charger_that_floats_is_left_as_it_is(tmp_path: Path) -> None:
    model = modelled(WORLDS["float"]._replace(days=20), tmp_path / "log.csv")
    assert repeating(model, compiled_sail()) is model


def test_a_charger_that_does_not_begin_anew_daily_gets_no_confident_wrong_forecast(tmp_path: Path) -> None:
    """It was 27 % too high, called likely to within 6 %."""
    world = NOT_DAILY["not daily"]
    narrow = {**A, "control.cut_in_percent": 96, "control.cut_out_percent": 95}
    settings = chosen(world, narrow)
    result = forecast(recorded(world, tmp_path / "log.csv"), settings, chosen(world, A), ReadLog())
    truth = float(sail_on(world, narrow)[1].energy_wh.sum())
    assert result.outcome is not None
    figure = result.outcome.figures["energy_wh"]
    assert figure.low <= truth <= figure.high
    assert result.verdict.trust != "good"
