"""Live pages as they may be: the heater on at two o'clock, off in the morning, locked out, or with the daemon away.

By hand, to look at them: `python tests/live_pages.py FOLDER` writes each as a page, for `browser.py`.
"""

import sys
from datetime import UTC, date
from pathlib import Path
from typing import Any

from contract import signal, status
from judged import settings
from weeks import KEYS, write_weeks

from dumpload.core.decode import parse_rfc3339
from dumpload.records.history import HistoryRecord
from dumpload.records.record import ReadLog
from dumpload.report.local_time import Span
from dumpload.web.live import View, blocks_of, day_block, live_page
from dumpload.web.today import Today, recorded_day

SETTINGS = settings(KEYS)
DAY = date(2025, 6, 16)
AT = "2025-06-16T14:20:05.000Z"


def signals(charge: float, battery_w: float, heater_w: float, sun_w: float) -> dict[str, Any]:
    return {
        "state_of_charge": signal(charge, "percent", "barge/charge", 0.8),
        "battery_voltage": signal(27.41, "V", "barge/battery_voltage", 0.8),
        "battery_power": signal(battery_w, "W", "barge/battery_power", 0.8),
        "load_power": signal(heater_w, "W", "barge/load_power", 0.8),
        "solar_power": signal(sun_w, "W", "barge/solar_power", 0.8),
        "tank_temperature": signal(51.6, "degC", "barge/tank_temperature", 0.8),
    }


ON = status(
    at=AT,
    relay="on",
    cause="surplus",
    since="2025-06-16T14:02:40.000Z",
    state_of_charge=98.2,
    next={"relay": "off", "condition": "the state of charge falls below 93 %", "at": "2025-06-16T17:00:00.000Z"},
    signals=signals(98.2, -34.0, 296.0, 412.0),
    energy_today_wh=611.0,
    on_time_today_s=7500.0,
    uptime_s=400_000.0,
)
OFF = status(
    at=AT,
    signals=signals(91.5, 380.0, 0.0, 512.0) | {
        "tank_temperature": signal(None, "degC", "barge/tank", 200.0, state="lost", lost_at="2025-06-16T14:17:40.000Z")
    },
    uptime_s=3700.0,
    notes=["the broker does not support retained messages, so that who asks it for the status may get none"],
    rejections=[{"signal": "solar_power", "topic": "barge/solar_power", "reason": "out_of_range", "count": 3,
                 "text": "-4000 W: expected 0 to 30000 W", "at": "2025-06-16T14:19:00.000Z"}],
)  # fmt: skip
LOCKED = status(
    at=AT,
    cause="lockout",
    lockout="contact_closed",
    selector="off",
    signals=signals(91.5, -380.0, 290.0, 12.0),
    next={"relay": "on", "condition": "a person resets the lockout", "at": None},
)


def course(history: Path, until: str = AT) -> Today:
    """Return the day up to a moment, out of the two weeks of `weeks.py`."""
    whole, end = recorded_day(HistoryRecord(history), DAY, UTC, ReadLog()), parse_rfc3339(until)
    today = Today(DAY, UTC)
    for signal_, trace in whole._traces.items():
        for quarter, extremes in trace._quarters.items():
            if quarter * 300 < end:
                for value in extremes:
                    today.hold(signal_, Span(quarter * 300.0, quarter * 300.0), value)
    today._add_runs([Span(run.begin, min(run.end, end)) for run in whole.runs if run.begin < end])
    return today


def page(history: Path, status: dict[str, Any] | None, away: str = "") -> str:
    blocks = blocks_of(View(status, away, SETTINGS.control))
    today = None if status is None else course(history)
    return live_page("barge", {**blocks, "day": day_block(today, SETTINGS.control)})


AWAY = "the daemon has stopped, or does not answer (timeout)"
PAGES: dict[str, tuple[dict[str, Any] | None, str]] = {
    "on": (ON, ""), "off": (OFF, ""), "locked": (LOCKED, ""), "away": (ON, AWAY),
    "never heard": (None, "no daemon runs on this computer with /etc/dumpload/dumpload.toml"),
}  # fmt: skip


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    history = write_weeks(folder / "history.db")
    for name, one in PAGES.items():
        (folder / f"{name.replace(' ', '-')}.html").write_text(page(history, *one))
