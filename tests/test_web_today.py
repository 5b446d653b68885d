"""The day so far: from the history, from each status, and from both; and what of a history a report must read."""

import asyncio
import json
import math
from datetime import UTC, date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from contract import signal, status
from judged import settings
from weeks import BEGIN, DAY_S, KEYS, write_weeks

from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal
from dumpload.core.text import utc_text
from dumpload.records import history as records_history
from dumpload.records.history import HistoryRecord
from dumpload.records.record import ReadLog, RecordError
from dumpload.report.local_time import Span
from dumpload.report.period import span_of
from dumpload.report.report import report_document, report_of_history
from dumpload.web import reports as web_reports
from dumpload.web.current import Current
from dumpload.web.hub import Hub
from dumpload.web.reports import MOST_WAITING, NoReportError, Reports, UnknownPeriodError
from dumpload.web.today import PARTS, Today, recorded_day

SETTINGS = settings(KEYS)
DAY = date(2025, 6, 16)
MIDNIGHT = BEGIN + 7 * DAY_S
HOUR_S = 3600.0


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_weeks(tmp_path_factory.mktemp("weeks") / "history.db")


def at(hours: float, *, on_since: float = math.nan, charge: float = 90.0, **changes: Any) -> dict[str, Any]:
    """A status at this hour of the day; on since another hour, or off since `off_since`."""
    is_on = not math.isnan(on_since)
    return status(
        at=utc_text(MIDNIGHT + hours * HOUR_S),
        since=utc_text(MIDNIGHT + (on_since if is_on else changes.pop("off_since", 0.0)) * HOUR_S),
        relay="on" if is_on else "off",
        signals={"state_of_charge": signal(charge, "percent", "barge/charge", 0.5)},
        **changes,
    )


# ---- one day ----


def test_runs_are_as_long_as_the_statuses_say() -> None:
    today = Today(DAY, UTC)
    for one in (at(8), at(9.5, on_since=9), at(10, on_since=9), at(11, off_since=10.25), at(12, on_since=11.5)):
        today.take(one)
    assert [Span(run.begin - MIDNIGHT, run.end - MIDNIGHT) for run in today.runs] == [
        (9 * HOUR_S, 10 * HOUR_S), (11.5 * HOUR_S, 12 * HOUR_S)
    ]  # fmt: skip
    assert today.on_time_s == 1.5 * HOUR_S
    assert sum(today.shares_on()) == pytest.approx(1.5 * 12)


def test_a_run_from_before_midnight_begins_at_midnight() -> None:
    today = Today(DAY, UTC)
    today.take(at(0.5, on_since=-3))
    assert today.runs == [Span(MIDNIGHT, MIDNIGHT + 0.5 * HOUR_S)]


def test_what_is_not_known_leaves_a_break() -> None:
    today = Today(DAY, UTC)
    today.take(at(6, charge=80))
    today.take(at(7) | {"signals": {"state_of_charge": signal(None, "percent", "x", None, state="lost")}})
    today.take(at(8, charge=85))
    charge = today.columns(Signal.STATE_OF_CHARGE)
    assert len(charge) == PARTS
    assert [place for place, column in enumerate(charge) if not is_missing(column.low)] == [6 * 12, 8 * 12]
    assert today.extremes(Signal.STATE_OF_CHARGE) == (80, 85)
    assert is_missing(today.extremes(Signal.SOLAR_POWER).low)


def test_the_history_of_a_day_is_that_of_the_report(history: Path) -> None:
    today = recorded_day(HistoryRecord(history), DAY, UTC, ReadLog())
    [day] = report_of_history(history, SETTINGS, Span(MIDNIGHT, MIDNIGHT + DAY_S)).data.days
    assert today.on_time_s == pytest.approx(day.on_time_s, abs=1)
    assert today.extremes(Signal.STATE_OF_CHARGE) == day.charge


def test_history_and_statuses_together_are_one_run() -> None:
    recorded, today = Today(DAY, UTC), Today(DAY, UTC)
    recorded.take(at(10, on_since=9))
    today.take(at(10.5, on_since=9))
    today.take(at(12, on_since=11))
    today.merge(recorded)
    assert today.on_time_s == 2.5 * HOUR_S
    assert len(today.runs) == 2


def test_a_day_of_25_hours_is_as_wide_as_any() -> None:
    """Europe/London, 2025-10-26 (IANA tz database): summer time ends."""
    today = Today(date(2025, 10, 26), ZoneInfo("Europe/London"))
    assert today.span.seconds == 25 * HOUR_S
    assert len(today.columns(Signal.STATE_OF_CHARGE)) == PARTS


# ---- what is shown ----


def test_only_what_changed_is_sent_and_the_same_bytes_to_all() -> None:
    async def look() -> None:
        hub = Hub()
        hub.put({"state": "off", "asof": "1", "more": ""})
        assert json.loads(hub.since(0).removeprefix(b"data: ")) == {"state": "off", "asof": "1", "more": ""}
        seen = hub.version
        hub.put({"state": "off", "asof": "1"})
        assert hub.version == seen, "nothing new: nobody is woken"
        hub.put({"state": "off", "asof": "2"})
        assert hub.since(seen) == b'data: {"asof": "2"}\n\n'
        assert hub.since(seen) is hub.since(seen)

    asyncio.run(look())


def test_whoever_is_late_gets_the_newest_and_nothing_waits_for_him() -> None:
    async def look() -> None:
        hub = Hub()
        for number in range(1000):
            hub.put({"asof": f"{number}"})
        assert hub.since(3) == b'data: {"asof": "999"}\n\n'

    asyncio.run(look())


def test_at_midnight_a_new_day_begins() -> None:
    async def look() -> None:
        hub = Hub()
        current = Current(SETTINGS, UTC, hub, lambda _day: None, lambda _text: None)
        current.heard(at(23.9, charge=91))
        assert "Today, Mon 16 Jun" in hub.blocks["day"]
        current.heard(at(24.1, charge=88))
        assert "Today, Tue 17 Jun" in hub.blocks["day"]
        assert "charge 88 to 88 %" in hub.blocks["day"]

    asyncio.run(look())


def test_without_a_daemon_there_is_the_day_from_the_history(history: Path) -> None:
    async def look() -> None:
        hub, record = Hub(), HistoryRecord(history)
        recorded = lambda day: recorded_day(record, day, UTC, ReadLog())  # noqa: E731
        current = Current(SETTINGS, UTC, hub, recorded, lambda _text: None, lambda: MIDNIGHT + 15 * HOUR_S)
        current.away("no daemon runs here")
        while "; charge " not in hub.blocks["day"]:
            await hub.wait(hub.version, 60)
        assert "Today, Mon 16 Jun" in hub.blocks["day"]
        assert "heater on for" in hub.blocks["day"]
        assert "No answer from the daemon" in hub.blocks["state"]

    asyncio.run(look())


def test_strangers_text_stays_text() -> None:
    """Topics and notes come from the broker and the settings."""
    evil = '<img src=x onerror="alert(1)">\u202e'

    async def look() -> None:
        hub = Hub()
        current = Current(SETTINGS, UTC, hub, lambda _day: None, lambda _text: None)
        bad = {"signal": evil, "topic": evil, "reason": evil, "text": evil, "count": 1, "at": utc_text(MIDNIGHT)}
        current.heard(at(1, notes=[evil], rejections=[bad], cause=evil, selector=evil, timezone=evil))
        current.away(evil)
        current.heard(at(1, notes=[evil], rejections=[bad], cause=evil, selector=evil, lockout=evil))
        everything = "".join(hub.blocks.values())
        assert "<img" not in everything
        assert "\u202e" not in everything
        assert "&lt;img" in everything

    asyncio.run(look())


# ---- reports ----


@pytest.mark.parametrize("days", [(0, 1), (3, 4), (7, 14), (9, 10), (13, 14)])
def test_a_report_reads_a_part_of_the_history_and_says_the_same(
    history: Path, days: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    period = Span(*(BEGIN + day * DAY_S for day in days))
    part = report_document(report_of_history(history, SETTINGS, period))
    assert part.pop("rows") < 23_000, "less than all"
    monkeypatch.setattr(records_history, "LEAD_S", math.inf)
    whole = report_document(report_of_history(history, SETTINGS, period))
    del whole["rows"]
    assert part == whole


def test_a_report_of_one_day_reads_little_more_than_that_day(history: Path) -> None:
    log, record = ReadLog(), HistoryRecord(history)
    read = sum(1 for _row in record.rows(log, record.timeline(), (MIDNIGHT, MIDNIGHT + DAY_S)))
    whole = sum(1 for _row in record.rows(ReadLog(), record.timeline()))
    assert read < whole / 14 * 1.3


def test_a_period_without_rows_is_named_with_those_that_are_there(history: Path) -> None:
    with pytest.raises(RecordError, match="there are data from 2025-06-09 to 2025-06-23"):
        report_of_history(history, SETTINGS, Span(BEGIN - 9 * DAY_S, BEGIN - 8 * DAY_S))
    with pytest.raises(RecordError, match="there are data from 2025-06-09 to 2025-06-23"):
        report_of_history(history, SETTINGS, Span(BEGIN + 90 * DAY_S, BEGIN + 91 * DAY_S))


def test_reports_are_made_one_at_a_time_kept_and_bounded(history: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    monkeypatch.setattr(web_reports, "PROMPT_S", 120.0)

    async def look() -> None:
        reports = Reports(history, SETTINGS, UTC)
        work = reports._work
        monkeypatch.setattr(reports, "_work", lambda *args: (made.append("x"), work(*args))[1])
        pages = await asyncio.gather(*(reports.page("2025-06-16") for _ in range(5)))
        assert len(set(pages)) == 1
        assert made == ["x"]
        asked = [reports.page(f"2025-06-{day:02d}") for day in range(9, 9 + MOST_WAITING + 3)]
        told = await asyncio.gather(*asked, return_exceptions=True)
        refused = [one for one in told if isinstance(one, NoReportError)]
        assert len(refused) == 3 - 1, "one of them was kept already"
        assert {one.retry_s for one in refused} == {60}
        with pytest.raises(UnknownPeriodError):
            await reports.page("soon")
        with pytest.raises(
            NoReportError, match="Nothing was recorded in that period; there are data from 2025-06-09 to"
        ):
            await reports.page("2024")
        reports.close()

    asyncio.run(look())


def test_a_report_that_takes_long_is_promised_and_made_all_the_same(
    history: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A year is minutes of a small board: no browser waits so long."""
    monkeypatch.setattr(web_reports, "PROMPT_S", 0.0)

    async def look() -> None:
        reports = Reports(history, SETTINGS, UTC)
        with pytest.raises(NoReportError, match="Preparing the report") as caught:
            await reports.page("2025-06")
        assert caught.value.retry_s == 10
        await asyncio.wait(reports._making.values())
        assert "Hot water on 12 of 14 days" in await reports.page("2025-06")

    asyncio.run(look())


def test_a_page_that_ends_does_not_wait_for_a_report(history: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web_reports, "PROMPT_S", 0.0)

    async def look() -> None:
        reports = Reports(history, SETTINGS, UTC)
        with pytest.raises(NoReportError):
            await reports.page("2025")
        reports.close()
        assert reports._work(history, span_of("2025", UTC, MIDNIGHT), math.inf)[0] == "", "a thread in it stops"

    asyncio.run(look())


def test_names_of_periods() -> None:
    now = MIDNIGHT + 9 * HOUR_S
    assert span_of("today", UTC, now) == (MIDNIGHT, MIDNIGHT + DAY_S)
    assert span_of("7d", UTC, now) == (MIDNIGHT - 6 * DAY_S, MIDNIGHT + DAY_S)
    assert span_of("36h", UTC, now) == (now - 36 * HOUR_S, now)
    assert span_of("2025-06-16", UTC, now) == (MIDNIGHT, MIDNIGHT + DAY_S)
    for name in ("", "7", "d7", "2025-6-1", "today ", "../x"):
        with pytest.raises(ValueError):  # noqa: PT011  (its text is the name)
            span_of(name, UTC, now)
