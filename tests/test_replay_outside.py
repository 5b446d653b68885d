"""Replay over power that somebody else measured: the photovoltaic series in the package pvanalytics 0.2.2 (MIT).

Source: the data files of that package. Two are of the National Renewable Energy Laboratory's SERF East array at one and
at 15 minutes (`measured_on`, local time with its offset, small negative power at night), one is of an inverter with
outliers and nights left out. Only the sun is theirs: their power is scaled to the barge's panels, and the bank is the
demo's simple one: measured PV, derived SoC. What was found is what each test states. Install the data with
`pip install --no-deps pvanalytics`.
"""

import csv
from collections.abc import Iterator
from datetime import datetime
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest
from judged import settings

from dumpload.demo.barge import Barge, advance
from dumpload.records.record import TableFormat
from dumpload.replay.compare import run_trials
from dumpload.replay.replay import Result

PACKAGE = find_spec("pvanalytics")
pytestmark = pytest.mark.skipif(PACKAGE is None, reason="the package pvanalytics (measured PV series) is not installed")

PEAK_W = 1100.0


class Series(NamedTuple):
    """A file, the column of its times and of its power, and the period of its rows (s)."""

    file: str
    power: str
    time: str
    period_s: float


MINUTE = Series("serf_east_1min_ac_power.csv", "ac_power__752", "measured_on", 60.0)
QUARTER = Series("serf_east_15min_ac_power.csv", "ac_power", "measured_on", 900.0)
OUTLIERS = Series("ac_power_inv_7539_outliers.csv", "value_normalized", "timestamp", 900.0)
SERIES = [MINUTE, QUARTER, OUTLIERS]


def measured(series: Series) -> list[tuple[str, float]]:
    """Return the times, as written, and the power."""
    assert PACKAGE is not None
    assert PACKAGE.submodule_search_locations is not None
    path = Path(PACKAGE.submodule_search_locations[0]) / "data" / series.file
    with path.open(newline="") as file:
        return [(row[series.time], float(row[series.power])) for row in csv.DictReader(file) if row[series.power]]


def derived(series: Series) -> Iterator[tuple[str, Barge]]:
    """Yield what the barge would have been with that sun; a gap in the series is a night without sun."""
    rows = measured(series)
    usual = sorted(power for _time, power in rows)[int(0.98 * len(rows))]
    barge, before = Barge(80.0), datetime.fromisoformat(rows[0][0])
    for time, power in rows:
        moment = datetime.fromisoformat(time)
        for _ in range(int((moment - before).total_seconds() // series.period_s)):
            barge = advance(barge, series.period_s, max(0.0, power) * PEAK_W / usual, heater_on=False)
        before = moment
        yield time, barge


def write(series: Series, path: Path) -> None:
    with path.open("w") as file:
        file.write("time,state_of_charge,battery_voltage,solar_power\n")
        for time, barge in derived(series):
            file.write(f"{time},{barge.charge_percent:.1f},{barge.volts:.2f},{barge.panels_w:.1f}\n")


KEYS = {
    "telemetry.battery_voltage.topic": "barge/bank/voltage",
    "telemetry.solar_power.topic": "barge/panels/power",
    "permissive.window": [],
    "load.rated_w": 300,
    "load.rated_v": 24,
}


def keys(series: Series) -> dict[str, object]:
    """Return the usual settings, with data that live for a row and a half."""
    names = ("state_of_charge", "battery_voltage", "solar_power")
    return KEYS | {f"telemetry.{name}.max_age_s": 1.5 * series.period_s for name in names}


@pytest.fixture(params=SERIES, ids=lambda series: series.file)
def series(request: pytest.FixtureRequest) -> Series:
    chosen: Series = request.param
    return chosen


@pytest.fixture
def path(series: Series, tmp_path: Path) -> Path:
    write(series, tmp_path / "barge.csv")
    return tmp_path / "barge.csv"


def replayed(path: Path, series: Series) -> Result:
    return run_trials(path, TableFormat(), {"barge": settings(keys(series))})[0].result


def test_every_measured_row_is_read(path: Path, series: Series) -> None:
    """Found: 2607 rows a minute apart, 10000 rows a quarter apart, 500 rows with ten nights left out."""
    rows = measured(series)
    assert len(rows) == {"ac_power__752": 2607, "ac_power": 10_000, "value_normalized": 500}[series.power]
    result = replayed(path, series)
    assert result.log.rows == len(rows)
    assert (result.accepted, result.rejected, result.log.dropped) == (3 * len(rows), 0, 0)
    assert result.first == datetime.fromisoformat(rows[0][0]).timestamp()
    assert result.last == datetime.fromisoformat(rows[-1][0]).timestamp()


def test_data_are_lost_exactly_in_the_gaps(path: Path, series: Series) -> None:
    """Found: none in the SERF series; in the other each night that was left out."""
    moments = [datetime.fromisoformat(time).timestamp() for time, _power in measured(series)]
    gaps = [later - earlier for earlier, later in pairwise(moments)]
    expected = sum(max(0.0, gap - 1.5 * series.period_s) for gap in gaps)
    result = replayed(path, series)
    assert result.summary.data_lost_s == pytest.approx(expected)
    assert (expected > 0) == (series is OUTLIERS)


def test_the_load_never_runs_without_data_and_never_below_the_cut_out(path: Path, series: Series) -> None:
    """Found: it runs in every series; by its rules never over a gap, and not below 93 %."""
    result = replayed(path, series)
    summary = result.summary
    assert summary.switch_ons > 0
    assert summary.lowest_state_of_charge_on >= 93.0
    moments = [datetime.fromisoformat(time).timestamp() for time, _power in measured(series)]
    lost = [
        earlier + 1.5 * series.period_s
        for earlier, later in pairwise(moments)
        if later - earlier > 1.5 * series.period_s
    ]
    ended = [change.wall for change in result.changes if change.cause.name == "DATA_LOST"]
    assert set(ended) <= set(lost)


@pytest.mark.parametrize("series", [MINUTE, QUARTER], indirect=True, ids=lambda series: series.file)
def test_only_a_window_keeps_the_load_off_at_night(path: Path, series: Series) -> None:
    """Found: without one it would run for two thirds of the time, because a full bank is still full after dark."""
    always = replayed(path, series).summary
    assert 0.6 < always.on_time_s / always.span_s < 0.8
    window = {"permissive.window": ["09:00-17:00"], "permissive.timezone": "America/Denver"}
    daily = run_trials(path, TableFormat(), {"barge": settings(keys(series) | window)})[0].result.summary
    assert 0 < daily.on_time_s <= (daily.days + 1) * 8 * 3600.0


def test_the_energy_is_that_of_the_elements_resistance_at_the_derived_voltage(path: Path, series: Series) -> None:
    """Found: between 26.4 V and 28.2 V the 300 W element draws 363 to 414 W."""
    summary = replayed(path, series).summary
    mean_w = 3600.0 * summary.energy_wh / summary.on_time_s
    assert 26.4**2 / 1.92 <= mean_w <= 28.2**2 / 1.92
    assert summary.by_voltage.seconds == pytest.approx(summary.on_time_s)


def test_the_package_file_itself_is_read_with_its_own_column_names(tmp_path: Path) -> None:
    """As a logger's record that lacks the charge, and as one that has it under another name."""
    rows = measured(MINUTE)
    path = tmp_path / "serf.csv"
    path.write_text("measured_on,ac_power__752\n" + "".join(f"{time},{power / 100 + 50:.2f}\n" for time, power in rows))
    form = TableFormat(columns={"time": "measured_on", "state_of_charge": "ac_power__752"})
    (trial,) = run_trials(path, form, {"barge": settings(keys(MINUTE))})
    assert trial.result.accepted == len(rows)
