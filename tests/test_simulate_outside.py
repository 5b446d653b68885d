"""Plant and law under minutes of sun that somebody else measured: the one-minute series in pvanalytics 0.2.2 (MIT).

Source: `serf_east_1min_ac_power.csv` of that package, the National Renewable Energy Laboratory's SERF East array on two
days of March 2022, without a gap. Its power is scaled to the barge's panels and is what they offer. Install the data
with `pip install --no-deps pvanalytics`.
"""

import csv
import math
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from sailing import sail  # noqa: E402

from dumpload.simulate import engine as day  # noqa: E402
from dumpload.simulate.engine import run_steps  # noqa: E402

PACKAGE = find_spec("pvanalytics")
pytestmark = pytest.mark.skipif(PACKAGE is None, reason="the package pvanalytics (measured PV series) is not installed")

PEAK_W = 1_100.0
DAYS = 2
MORNING = 4 * 60 + 33  # the series begins at 04:33, in the dark


def measured_w() -> Any:
    """Return W offered in each minute of two days."""
    assert PACKAGE is not None
    assert PACKAGE.submodule_search_locations is not None
    path = Path(PACKAGE.submodule_search_locations[0]) / "data" / "serf_east_1min_ac_power.csv"
    with path.open(newline="") as file:
        rows = [float(row["ac_power__752"]) for row in csv.DictReader(file)]
    watts = np.zeros(DAYS * 1440)
    watts[MORNING : MORNING + len(rows)] = np.maximum(rows, 0.0)
    return watts * PEAK_W / np.percentile(watts[watts > 0.0], 98)


@pytest.fixture(scope="module")
def ran() -> tuple[Any, Any, Any]:
    """W offered, and the daily sums with the load and without it."""
    sun_w = measured_w()
    _, load = sail(run_steps, {}, DAYS, step_s=20.0, sun_w=sun_w)
    _, without = sail(run_steps, {}, DAYS, step_s=20.0, sun_w=sun_w, heated=False)
    return sun_w, load, without


def test_the_measured_sun_is_what_is_offered_and_the_books_close(ran: tuple[Any, Any, Any]) -> None:
    sun_w, load, _ = ran
    total = load.sum(axis=0)
    assert load[:, day.OFFERED] == pytest.approx(sun_w.reshape(DAYS, -1).sum(axis=1) / 60.0, rel=1e-9)
    spent = total[[day.CURTAILED, day.CONVERTER, day.HOUSE, day.CABLE, day.ELEMENT, day.BANK_IN]].sum()
    assert math.isclose(spent, total[day.OFFERED], rel_tol=1e-9)


def test_the_heat_of_a_cloudy_day_comes_from_sun_that_would_be_wasted(ran: tuple[Any, Any, Any]) -> None:
    _, load, without = (np.asarray(part) for part in ran)
    caught = (without[:, day.CURTAILED] - load[:, day.CURTAILED]).sum()
    assert load[:, day.ELEMENT].sum() > 500.0
    assert np.all(load[:, day.CURTAILED] >= 0.0)
    assert 0.0 < caught <= without[:, day.CURTAILED].sum()
    # What the load took is sun that was caught, or came out of the bank and was not back by the end.
    bank = (without[:, day.BANK_IN] - load[:, day.BANK_IN]).sum()
    taken = (load[:, day.ELEMENT] + load[:, day.CABLE] + load[:, day.CONVERTER] - without[:, day.CONVERTER]).sum()
    assert taken == pytest.approx(caught + bank, rel=1e-9)
