"""`dumpload export`: what other engines find in the folder, and that nothing is replaced but what it wrote itself."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.parquet as pq
import pytest
from fleet import boat
from histories import NOON
from interrupting import unmeasured
from waiting import PATIENCE_S, eventually

from dumpload.cli.commands import main
from dumpload.cli.console import INTERRUPTED, OK, USAGE
from dumpload.export.folder import FORMATS
from dumpload.export.tables import COUNT, FLAG, MOMENT, NUMBER, TABLES, TEXT

Capture = pytest.CaptureFixture[str]
README = (Path(__file__).parents[1] / "README.md").read_text()


@pytest.fixture(autouse=True)
def _no_settings_from_here(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
        monkeypatch.delenv(name)


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "exported"


@pytest.fixture
def engine() -> Iterator[duckdb.DuckDBPyConnection]:
    with closing(duckdb.connect()) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        yield connection


def export(settings: Path, out: Path, *words: str) -> int:
    return main(["export", "--config", str(settings), "--output", str(out), *words])


def reported(settings: Path, capsys: Capture, *words: str) -> dict[str, Any]:
    capsys.readouterr()
    assert main(["report", "--config", str(settings), "--json", *words]) == OK
    return json.loads(capsys.readouterr().out)  # type: ignore[no-any-return]


def parts(out: Path) -> dict[str, bytes]:
    """Every file in the folder, by its name in it."""
    return {str(path.relative_to(out)): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()}


def read(table: str, out: Path, form: str = "parquet") -> str:
    return f"read_{form}('{out}/table={table}/*/*/part.{form}', hive_partitioning = true)"


def shorten(settings: Path, before: float) -> None:
    """Take the oldest rows away, as the retention of a history does."""
    with closing(sqlite3.connect(settings.with_suffix(".db"))) as database, database:
        database.execute("DELETE FROM record WHERE wall < ?", (before,))


# ---- what is in it ----


@pytest.mark.parametrize("form", ["parquet", "csv"])
def test_what_another_engine_sums_up_is_what_the_report_says(
    form: str, tmp_path: Path, out: Path, engine: duckdb.DuckDBPyConnection, capsys: Capture
) -> None:
    """Outside check: DuckDB, which finds tables, instances and days by the names of the folders."""
    settings = boat(tmp_path, days=5)
    assert export(settings, out, "--format", form) == OK
    told = reported(settings, capsys)
    query = f"SELECT sum(on_time_s), sum(energy_wh), sum(switch_ons), sum(data_lost_s) FROM {read('days', out, form)}"
    on_time_s, energy_wh, switch_ons, lost_s = engine.sql(query).fetchall()[0]
    summary = told["summary"]
    assert on_time_s == pytest.approx(summary["on_time_s"], abs=0.01)
    assert energy_wh == pytest.approx(summary["energy_wh"], abs=0.01)
    assert switch_ons == summary["switch_ons"] > 2
    assert lost_s == pytest.approx(summary["data_lost_s"], abs=0.01)
    query = f"SELECT moved_at, relay, cause, state_of_charge_percent FROM {read('changes', out, form)} ORDER BY 1"
    changes = engine.sql(query).fetchall()
    assert [(at.astimezone(UTC), *rest) for at, *rest in changes] == [
        (datetime.fromisoformat(one["at"]), one["relay"], one["cause"], one["state_of_charge"])
        for one in told["changes"]
    ]
    query = f"SELECT count(*), min(arrived_at), max(instance) FROM {read('samples', out, form)}"
    count, first, instance = engine.sql(query).fetchall()[0]
    assert (count, first.timestamp(), instance) == (told["accepted"], NOON, "barge")


def test_each_sample_has_its_value_in_the_column_of_its_signal_and_unit(
    tmp_path: Path, out: Path, engine: duckdb.DuckDBPyConnection
) -> None:
    export(boat(tmp_path, days=1), out)
    query = f"""SELECT signal, count(state_of_charge_percent), count(battery_voltage_v), count(load_power_w),
        count(tank_temperature_c), min(held_until - arrived_at)
        FROM {read("samples", out)} GROUP BY signal ORDER BY signal"""
    rows = [(*one[:5], one[5].total_seconds()) for one in engine.sql(query).fetchall()]
    assert rows == [
        ("battery_voltage", 0, 288, 0, 0, 240.0),
        ("load_power", 0, 0, 288, 0, 240.0),
        ("state_of_charge", 288, 0, 0, 0, 240.0),
    ]


def test_days_are_those_of_the_boats_own_zone(tmp_path: Path, out: Path, engine: duckdb.DuckDBPyConnection) -> None:
    """2025-06-16 12:00 UTC is midnight of the 17th in Auckland, twelve hours ahead in winter (tz database)."""
    export(boat(tmp_path, days=1, timezone="Pacific/Auckland"), out)
    query = f"SELECT DISTINCT day FROM {read('samples', out)}"
    assert engine.sql(query).fetchall() == [(date(2025, 6, 17),)]
    query = f"SELECT begins_at, ends_at FROM {read('days', out)}"
    [[begins, ends]] = engine.sql(query).fetchall()
    assert (begins.timestamp(), ends.timestamp()) == (NOON, NOON + 86_400)


def test_the_tables_have_the_documented_columns_and_types(tmp_path: Path, out: Path) -> None:
    export(boat(tmp_path, days=2), out)
    types = {MOMENT: "timestamp[ms, tz=UTC]", TEXT: "string", NUMBER: "double", COUNT: "int64", FLAG: "bool"}
    for table in TABLES:
        part = next((out / f"table={table.name}").rglob("part.parquet"))
        schema = pq.read_schema(part)
        assert [(field.name, str(field.type)) for field in schema] == [
            (column.name, types[column.kind]) for column in table.columns
        ]


def test_the_readme_describes_every_column() -> None:
    for table in TABLES:
        for column in table.columns:
            assert f"| `{column.name}` | {column.meaning} |" in README, f"{table.name}: {column.name}"


def test_csv_and_parquet_hold_the_same(tmp_path: Path, out: Path, engine: duckdb.DuckDBPyConnection) -> None:
    settings = boat(tmp_path, days=2)
    export(settings, out)
    export(settings, out, "--format", "csv")
    for table in TABLES:
        names = ", ".join(column.name for column in table.columns)
        one, other = (f"SELECT instance, day, {names} FROM {read(table.name, out, form)}" for form in FORMATS)
        assert engine.sql(f"SELECT count(*) FROM ({one})").fetchall() != [(0,)]
        assert engine.sql(f"({one} EXCEPT {other}) UNION ALL ({other} EXCEPT {one})").fetchall() == []


def test_many_boats_are_one_table(tmp_path: Path, out: Path, engine: duckdb.DuckDBPyConnection) -> None:
    for seed in range(3):
        export(boat(tmp_path, f"barge-{seed}", seed=seed), out)
    query = f"SELECT instance, count(DISTINCT day) FROM {read('days', out)} GROUP BY instance ORDER BY instance"
    assert engine.sql(query).fetchall() == [(f"barge-{seed}", 4) for seed in range(3)]


# ---- again, and in parts ----


def test_another_export_changes_nothing_and_says_so(tmp_path: Path, out: Path, capsys: Capture) -> None:
    settings = boat(tmp_path)
    export(settings, out)
    before, times = parts(out), {path: path.stat().st_mtime_ns for path in out.rglob("part.*")}
    capsys.readouterr()
    assert export(settings, out, "--json") == OK
    told = json.loads(capsys.readouterr().out)
    assert {table["written"] for table in told["tables"].values()} == {0}
    assert parts(out) == before
    assert {path: path.stat().st_mtime_ns for path in out.rglob("part.*")} == times


def test_a_period_writes_its_days_whole_and_as_a_whole_export_does(tmp_path: Path, out: Path) -> None:
    settings = boat(tmp_path, days=5)
    export(settings, out)
    one_day = tmp_path / "one day"
    assert export(settings, one_day, "2025-06-18") == OK
    day = "day=2025-06-18"
    assert parts(one_day).keys() == {name for name in parts(out) if day in name} | {"_dumpload/barge.json"}
    assert all(content == parts(out)[name] for name, content in parts(one_day).items() if day in name)


def test_days_are_added_as_they_come(tmp_path: Path, out: Path) -> None:
    """The last day is half at first, and whole after the next export."""
    export(boat(tmp_path, days=2, seed=4), out)
    (tmp_path / "barge.db").unlink()
    settings = boat(tmp_path, days=4, seed=4)
    export(settings, out)
    at_once = tmp_path / "at once"
    export(settings, at_once)
    assert parts(out) == parts(at_once)


def test_what_the_history_has_lost_since_is_not_lost_in_the_export(tmp_path: Path, out: Path, capsys: Capture) -> None:
    settings = boat(tmp_path, days=5)
    export(settings, out)
    before = parts(out)
    for hours in (30, 31):  # of the third day some hours are gone, and the next time some more
        shorten(settings, NOON + hours * 3600)
        capsys.readouterr()
        assert export(settings, out, "--json") == OK
        assert json.loads(capsys.readouterr().out)["tables"]["samples"]["kept"] == 2
        assert {name: content for name, content in parts(out).items() if "part." in name} == {
            name: content for name, content in before.items() if "part." in name
        }


def test_a_first_day_that_was_not_whole_yet_is_written_anew(tmp_path: Path, out: Path) -> None:
    settings = boat(tmp_path, days=1)
    with closing(sqlite3.connect(settings.with_suffix(".db"))) as database:
        whole = database.execute("SELECT * FROM record").fetchall()
        with database:
            database.execute("DELETE FROM record WHERE t > 7200")
    export(settings, out)
    half = parts(out)
    with closing(sqlite3.connect(settings.with_suffix(".db"))) as database, database:
        database.executemany("INSERT OR IGNORE INTO record VALUES (?,?,?,?,?,?,?,?,?,?,?)", whole)
    export(settings, out)
    first = "table=samples/instance=barge/day=2025-06-16/part.parquet"
    assert len(parts(out)[first]) > len(half[first])


# ---- what is not its own ----


def refused(settings: Path, out: Path, capsys: Capture, *words: str) -> str:
    before = parts(out) if out.is_dir() else {}
    capsys.readouterr()
    assert export(settings, out, *words) == USAGE
    told = capsys.readouterr()
    assert (told.out, told.err.count("\n")) == ("", 1)
    assert (parts(out) if out.is_dir() else {}) == before
    return told.err


def test_a_second_boat_of_the_same_name_does_not_end_in_the_first_ones_folders(
    tmp_path: Path, out: Path, capsys: Capture
) -> None:
    export(boat(tmp_path, seed=1), out)
    (tmp_path / "other").mkdir()
    words = refused(boat(tmp_path / "other", seed=2), out, capsys)
    assert "expected the history that instance=barge is from" in words


def test_parts_that_no_export_of_ours_wrote_are_left_alone(tmp_path: Path, out: Path, capsys: Capture) -> None:
    foreign = out / "table=samples" / "instance=barge" / "day=2025-06-16" / "part.parquet"
    foreign.parent.mkdir(parents=True)
    foreign.write_bytes(b"somebody's")
    assert "expected a folder without instance=barge" in refused(boat(tmp_path), out, capsys)


def test_other_files_in_the_folder_stay(tmp_path: Path, out: Path) -> None:
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    assert export(boat(tmp_path), out) == OK
    assert (out / "notes.txt").read_text() == "mine"


def test_days_of_another_zone_are_not_mixed_in(tmp_path: Path, out: Path, capsys: Capture) -> None:
    settings = boat(tmp_path)
    export(settings, out)
    settings.write_text(settings.read_text().replace('"UTC"', '"Europe/London"'))
    assert "expected days of UTC, as exported before" in refused(settings, out, capsys)


@pytest.mark.parametrize("mark", ["", "[]", "{", '{"timezone": "UTC"}', '{"timezone": 1, "starts": 1, "begins": 1}'])
def test_a_mark_that_cannot_be_read_is_an_error(mark: str, tmp_path: Path, out: Path, capsys: Capture) -> None:
    settings = boat(tmp_path)
    export(settings, out)
    (out / "_dumpload" / "barge.json").write_text(mark)
    assert "barge.json as an export wrote it" in refused(settings, out, capsys)


def test_a_file_in_place_of_the_folder_and_a_history_that_is_none_are_errors(
    tmp_path: Path, out: Path, capsys: Capture
) -> None:
    settings = boat(tmp_path)
    out.write_text("a file")
    assert "expected a folder" in refused(settings, out, capsys)
    out.unlink()
    (tmp_path / "none.db").write_text("no history")
    assert "none.db: expected" in refused(settings, out, capsys, "--history", str(tmp_path / "none.db"))
    assert "no such file" in refused(settings, out, capsys, "--history", str(tmp_path / "nowhere.db"))
    assert "--last" in refused(settings, out, capsys, "--last", "7d", "--since", "2025-06-16")
    settings.write_text(settings.read_text().partition("[history]")[0])
    assert "history.path: expected" in refused(settings, out, capsys)


def test_without_the_library_parquet_names_what_to_install_and_csv_works(
    tmp_path: Path, out: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = boat(tmp_path)
    for name in [name for name in sys.modules if name.startswith(("pyarrow", "dumpload.records.parquet"))]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert "pip install 'dumpload[study]' (or --format csv)" in refused(settings, out, capsys)
    assert export(settings, out, "--format", "csv") == OK


def test_an_interrupt_leaves_whole_parts_and_another_export_completes_them(tmp_path: Path, out: Path) -> None:
    settings = boat(tmp_path, days=20)
    command = [sys.executable, "-m", "dumpload", "export", "--config", str(settings), "--output", str(out)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=unmeasured()) as child:
        eventually(lambda: [*out.rglob("part.parquet")], "the first part")
        child.send_signal(signal.SIGINT)
        _told, words = child.communicate(timeout=PATIENCE_S)
    assert child.returncode in (OK, INTERRUPTED), words
    assert "Traceback" not in words
    for path in out.rglob("*"):
        assert path.is_dir() or path.suffix in (".parquet", ".json"), "no half file"
        if path.suffix == ".parquet":
            pq.read_table(path)
    assert export(settings, out) == OK
    at_once = tmp_path / "at once"
    export(settings, at_once)
    assert parts(out) == parts(at_once)
