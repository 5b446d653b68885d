"""A report from a history or from a replay: one set of data, and the same figures as text, document and page."""

import json
from pathlib import Path

import pytest
from histories import NOON, fill, sample
from judged import settings
from recorded import Recorded, write
from world import LIMITS, setup

from dumpload.core.freshness import MISSING
from dumpload.core.law import Position
from dumpload.core.signals import Signal
from dumpload.records.record import RecordError, TableFormat
from dumpload.replay.compare import run_trials
from dumpload.report.day_log import DayLog
from dumpload.report.local_time import Span
from dumpload.report.report import (
    Report,
    report_document,
    report_of_history,
    report_of_replay,
    report_text,
    zone_of,
)

KEYS = {
    "name": "heater",
    "load.rated_w": 300,
    "load.rated_v": 24,
    "tank.volume_l": 40,
    "tank.target_c": 60,
    "permissive.window": [],
    "permissive.timezone": "Europe/London",
    "telemetry.battery_voltage.topic": "barge/bank/voltage",
}
SETTINGS = settings(KEYS)


def lived() -> Recorded:
    """Two hours around midnight of the settings' zone: full, then clouds, full again; and then the power fails."""
    world = Recorded(setup(LIMITS), wall=NOON + 10.5 * 3600)
    for percent, minutes in ((98.0, 40), (92.0, 20), (98.0, 45)):
        for _ in range(minutes * 6):
            world.wait(10.0)
            world.measure(Signal.BATTERY_VOLTAGE, 27.0)
            world.soc(percent)
    return world


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return write(tmp_path / "history.db", lived())


def tried(path: Path) -> Report:
    day_log = DayLog(zone_of(SETTINGS))
    return report_of_replay(
        SETTINGS, run_trials(path, TableFormat(), {"": SETTINGS}, observers=[day_log])[0].result, day_log
    )


def test_a_history_says_what_was_done_and_its_replay_the_same(path: Path) -> None:
    """Under the settings it was recorded with, that is."""
    done, would = report_of_history(path, SETTINGS).data, tried(path).data
    assert (done.is_replay, would.is_replay) == (False, True)
    assert [change[:3] for change in done.result.changes] == [change[:3] for change in would.result.changes]
    assert [change.position for change in done.result.changes] == [Position.ON, Position.OFF, Position.ON]
    assert [day.date.day for day in done.days] == [day.date.day for day in would.days] == [16, 17]
    for ours, theirs in zip(done.days, would.days, strict=True):
        assert ours.on_time_s == pytest.approx(theirs.on_time_s, abs=60)
        assert ours.energy_wh == pytest.approx(theirs.energy_wh, abs=60 * 380 / 3600)
        assert ours.charge == theirs.charge


def test_the_days_are_those_of_the_settings_zone(path: Path) -> None:
    one = report_of_history(path, SETTINGS).data
    assert one.zone == zone_of(SETTINGS)
    assert one.days[0].span.end == NOON + 11 * 3600  # midnight in London, in summer


def test_energy_and_tank_are_those_of_the_settings(path: Path) -> None:
    report = report_of_history(path, SETTINGS)
    on_s = report.data.result.summary.on_time_s
    ohm = 24**2 / 300
    assert report.data.result.summary.energy_wh == pytest.approx(27.0**2 / ohm * on_s / 3600)
    assert report.figures.volume_l == 40


def test_the_document_tells_every_day_and_adds_up(path: Path) -> None:
    document = report_document(report_of_history(path, SETTINGS))
    json.dumps(document, allow_nan=False)
    assert "open_loop" not in document
    assert document["name"] == "heater"
    assert sum(day["switch_ons"] for day in document["days"]) == document["summary"]["switch_ons"] == 2
    energy_wh = sum(day["energy_wh"] for day in document["days"])
    assert energy_wh == pytest.approx(document["summary"]["energy_wh"], abs=0.01)
    assert document["causes_of_off"] == {"below_cut_out": 1}
    assert document["without_data"] == [{"from": "2025-06-16T22:30:00.000Z", "to": "2025-06-16T22:30:10.000Z"}]
    assert document["days"][0]["highest_state_of_charge"] == 98.0


def test_what_is_not_known_is_null(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    fill(path, [sample(1, 98.0)._replace(signal=Signal.SOLAR_POWER)])
    (day,) = report_document(report_of_history(path, settings()))["days"]
    assert (day["lowest_state_of_charge"], day["highest_state_of_charge"]) == (None, None)
    document = report_document(report_of_history(path, settings()))
    assert document["summary"]["lowest_state_of_charge_on"] is None
    assert MISSING not in document["summary"].values()


def test_the_text_says_what_was_done(path: Path) -> None:
    text = report_text(report_of_history(path, SETTINGS))
    assert text.startswith("The relay came on 2 times in 1 h 45 min")
    assert "would" not in text
    assert "below_cut_out" in text
    assert all(len(line) <= 80 for line in text.splitlines() if str(path) not in line)


def test_the_page_says_the_same(path: Path) -> None:
    page = report_of_history(path, SETTINGS).page
    assert "The relay came on 2 times in 1 h 45 min" in page
    assert "What the relay did: heater" in page


def test_a_record_that_is_no_history_is_not_what_was_done(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time,state_of_charge\n1750075200,98\n")
    with pytest.raises(
        RecordError, match=r"log\.csv: expected a history database of the daemon \(for any other record"
    ):
        report_of_history(path, SETTINGS)


def test_a_part_of_it_can_be_told(path: Path) -> None:
    midnight = NOON + 11 * 3600
    report = report_of_history(path, SETTINGS, Span(midnight, midnight + 86_400))
    assert (report.data.result.first, len(report.data.days)) == (midnight, 1)
