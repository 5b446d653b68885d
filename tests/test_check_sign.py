"""`check` looks into the daemon's own history for a battery power of the wrong sign."""

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from daemons import run_dumpload, write_settings
from histories import NOON, batch, open_file
from judged import settings

from dumpload.check.sign import ROWS, has_wrong_sign
from dumpload.config.model import flat
from dumpload.core.signals import Signal
from dumpload.history.file import Start
from dumpload.history.reader import read_last
from dumpload.history.schema import Boot, Entry, RowKind

POWER = {"telemetry.battery_power.topic": "barge/bank/power"}


def sample(sequence: int, minutes: float, signal: Signal, value: float) -> Entry:
    t = 60.0 * minutes
    return Entry(sequence, NOON + t, RowKind.SAMPLE, t, t, t + 30.0, signal, value)


def morning(power_w: float, *, minutes: Sequence[int] = range(30)) -> list[Entry]:
    """Return a morning on which the charge rises by a quarter of a percent a minute."""
    return [
        row
        for n in minutes
        for row in (
            sample(16 * n + 16, n, Signal.BATTERY_POWER, power_w),
            sample(16 * n + 17, n, Signal.STATE_OF_CHARGE, 80.0 + n / 4),
        )
    ]


def write(path: Path, keys: dict[str, Any], *rows: Entry, boot_id: str = "b1", after_s: float = 0.0) -> Path:
    """Write one start of the program that recorded these rows under these settings."""
    text = json.dumps({"selector": "auto", "lockout": "none", "settings": flat(settings(keys))}, default=str)
    wall = NOON + after_s
    first = Entry(0, wall, RowKind.START, 0.0, 0.0, 0.0, text=text)
    file = open_file(path, Start(Boot(boot_id, wall, 0.0, "test"), first), wall=wall)
    file.write(batch(*rows), durable=True)
    file.close()
    return path


def judge(path: Path, keys: dict[str, Any] | None = None) -> bool:
    return has_wrong_sign(settings({**POWER, **(keys or {}), "history.path": str(path)}))


@pytest.mark.parametrize(("power_w", "is_wrong"), [(-400.0, True), (400.0, False)])
def test_a_charge_that_rises_against_the_power_is_seen(tmp_path: Path, power_w: float, is_wrong: bool) -> None:
    assert judge(write(tmp_path / "h.sqlite3", POWER, *morning(power_w))) == is_wrong


def test_what_was_recorded_before_the_sign_was_turned_says_nothing_of_today(tmp_path: Path) -> None:
    path = write(tmp_path / "h.sqlite3", POWER, *morning(-400.0))
    assert not judge(path, {"telemetry.battery_power.scale": -1.0})
    turned = {**POWER, "telemetry.battery_power.scale": -1.0}
    write(path, turned, *morning(400.0), boot_id="b2", after_s=86_400.0)
    assert not judge(path, {"telemetry.battery_power.scale": -1.0})


def test_a_restart_is_no_rise(tmp_path: Path) -> None:
    path = write(tmp_path / "h.sqlite3", POWER, *morning(-400.0, minutes=range(7)))
    write(path, POWER, *morning(-400.0, minutes=range(7)), boot_id="b2", after_s=86_400.0)
    assert not judge(path)


def test_without_a_history_or_without_the_signal_nothing_is_said(tmp_path: Path) -> None:
    assert not judge(tmp_path / "none.sqlite3")
    path = write(tmp_path / "h.sqlite3", POWER, *morning(-400.0))
    assert not has_wrong_sign(settings({"history.path": str(path)}))
    assert not has_wrong_sign(settings(POWER))
    (tmp_path / "notes").write_text("mine")
    assert not judge(tmp_path / "notes")


@pytest.mark.parametrize("column", ["value", "t", "until", "text", "signal", "kind"])
@pytest.mark.parametrize("odd", [None, "abc", b"\xff", 2**62, "[]", '{"settings": 7}'])
def test_anything_in_a_row_is_survived(tmp_path: Path, column: str, odd: object) -> None:
    path = write(tmp_path / "h.sqlite3", POWER, *morning(-400.0))
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("PRAGMA writable_schema = ON")
        database.execute("UPDATE sqlite_master SET sql = replace(sql, ' NOT NULL', '') WHERE name = 'record'")
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(f"UPDATE record SET {column} = ? WHERE sequence % 5 = 0", (odd,))
    assert judge(path) in (True, False)


def test_only_the_last_rows_are_read_oldest_first(tmp_path: Path) -> None:
    path = write(tmp_path / "h.sqlite3", POWER, *morning(-400.0))
    last = read_last(path, 3)
    assert [row.sequence for row in last] == [16 * 28 + 17, 16 * 29 + 16, 16 * 29 + 17]
    assert len(read_last(path, ROWS)) == 61


def test_the_check_says_so_and_what_to_set(tmp_path: Path) -> None:
    path = write(tmp_path / "h.sqlite3", POWER, *morning(-400.0))
    keys = {"telemetry.state_of_charge.topic": "barge/bank/charge", "relay.pin": 17, **POWER, "history.path": str(path)}
    config = write_settings(tmp_path / "heater.toml", keys)
    done = run_dumpload("check", "--json", "--config", str(config), folder=tmp_path)
    [found] = [one for one in json.loads(done.stdout)["findings"] if one["id"] == "power_sign"]
    assert (found["state"], found["keys"]) == ("caution", ["telemetry.battery_power.scale"])
    write_settings(config, {**keys, "permissive.drain_limit_w": 100.0})
    done = run_dumpload("check", "--config", str(config), folder=tmp_path)
    assert done.returncode == 1
    words = " ".join(done.stdout.split())
    assert (
        "the charge rose by 2 % or more while the recorded battery power was negative; the drain limit cannot" in words
    )
    assert "negate telemetry.battery_power.scale" in words
