"""What a forecast makes of a full bank, and of a charger that stops: what is left of the sun then is curtailed."""

from pathlib import Path

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")
pytest.importorskip("pvlib")

from voyages import AT_ONCE, COLUMNS, WORLDS, chosen, sail_on, write_csv  # noqa: E402

from dumpload.config.to_core import controller_setup  # noqa: E402
from dumpload.forecast.closed_loop import forecast  # noqa: E402
from dumpload.forecast.evidence import gather  # noqa: E402
from dumpload.forecast.model import build  # noqa: E402
from dumpload.forecast.play import play  # noqa: E402
from dumpload.forecast.step import CURTAILED, compiled_sail  # noqa: E402
from dumpload.records.open import open_record  # noqa: E402
from dumpload.records.record import ReadLog, TableFormat  # noqa: E402

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:pvlib", "ignore:.*dayofyear.*")

# The record hardly shows a full bank, so that the rest voltage up there is fitted by little; with B it is full often.
A = {"control.cut_in_percent": 88, "control.cut_out_percent": 80}
B = {"control.cut_in_percent": 98, "control.cut_out_percent": 93}


def test_the_surplus_of_a_full_bank_is_curtailed_with_short_steps_as_with_long_ones(tmp_path: Path) -> None:
    world = WORLDS["tail"]._replace(days=40)
    rows, _truth, began = sail_on(world, A)
    write_csv(tmp_path / "log.csv", rows, began, world.row_s)
    configured = chosen(world, A)
    record = open_record(tmp_path / "log.csv", TableFormat(), configured)
    model = build(gather(record.read(ReadLog(lambda _part: None))), configured, configured, members=1)
    law, run = controller_setup(chosen(world, B)), compiled_sail()
    short, long = (play(model, [law], run=run, substeps=steps)[0, 0, :, CURTAILED].sum() for steps in (6, 1))
    truth = sail_on(world, B)[1].curtailed_wh.sum()
    assert short == pytest.approx(long, rel=0.05)
    assert short > 0.5 * truth


@pytest.mark.slow
def test_a_charger_that_stops_at_its_set_point_at_once_is_seen_to_have_no_absorption(tmp_path: Path) -> None:
    """Taken for one that holds its set point for ever, it got a confident forecast of three times the truth."""
    world = AT_ONCE["at once"]
    low = {"control.cut_in_percent": 88, "control.cut_out_percent": 75}
    high = {"control.cut_in_percent": 98, "control.cut_out_percent": 96}
    rows, _truth, began = sail_on(world, low)
    write_csv(tmp_path / "log.csv", rows, began, world.row_s, COLUMNS[:4])
    configured = chosen(world, low)
    record = open_record(tmp_path / "log.csv", TableFormat(), configured)
    charger = build(gather(record.read(ReadLog())), configured, configured).sight.charger
    assert charger.absorption_s == 0.0
    assert forecast(record, chosen(world, high), configured, ReadLog()).verdict.trust == "refused"
