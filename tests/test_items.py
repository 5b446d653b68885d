"""Batches of rows: what each row says, and rows put in order."""

import random
from array import array

import pytest
from scenarios import batch
from world import NOON

from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Rejection
from dumpload.core.signals import Signal
from dumpload.records.items import EMPTY, PLAIN, REJECTED, UNKNOWN, Column, RowBatch, in_order

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE


def said(rows: RowBatch) -> list[tuple[float, list[tuple[Signal, float | None]]]]:
    """Return of each row the time after noon, and each signal with its value (None: rejected)."""
    return [(t - NOON, [(one.signal, getattr(one, "value", None)) for one in row]) for t, row in rows.row_events()]


def test_a_row_says_what_its_cells_say_the_charge_last() -> None:
    rows = batch([NOON, NOON + 5, NOON + 9], {SOC: ["97", "", " "], VOLTS: ["26", "x", ""]})
    assert said(rows) == [(0.0, [(VOLTS, 26.0), (SOC, 97.0)]), (5.0, [(VOLTS, None)]), (9.0, [])]


def test_a_column_of_plain_samples_needs_no_codes() -> None:
    rows = batch([NOON, NOON + 5], {SOC: ["97", "98"], VOLTS: ["26", ""]})
    assert rows.columns[SOC].codes is None
    assert rows.columns[VOLTS].codes == array("B", [PLAIN, EMPTY])


def test_each_code_has_its_meaning() -> None:
    column = Column(array("d", [97.0, *[float("nan")] * 3]), array("B", [PLAIN, EMPTY, UNKNOWN, REJECTED]))
    rows = [row for _t, row in RowBatch(array("d", [NOON] * 4), {SOC: column}).row_events()]
    assert rows[0] == [Event(NOON, NOON, Kind.SAMPLE, SOC, 97.0, NOON)]
    assert rows[1] == []
    assert rows[2] == [Event(NOON, NOON, Kind.UNKNOWN, SOC)]
    assert [type(one) for one in rows[3]] == [Rejection]


def test_arrays_of_numpy_say_the_same_in_numbers_of_python() -> None:
    np = pytest.importorskip("numpy")
    plain = batch([NOON, NOON + 5, NOON + 9], {SOC: ["97", "", "x"], VOLTS: ["26", "26", "27"]})
    columns = {
        signal: Column(*(part and np.asarray(part) for part in column)) for signal, column in plain.columns.items()
    }
    rows = list(RowBatch(np.asarray(plain.times), columns).row_events())
    assert repr(rows) == repr(list(plain.row_events()))
    assert type(rows[0][0]) is float


def test_rows_are_put_in_order_and_those_of_one_time_stay_as_they_were() -> None:
    draw = random.Random(1)  # noqa: S311
    times = [NOON + draw.randrange(500) for _ in range(3000)]
    texts = [draw.choice([f"{90 + row % 10}", "", "x"]) for row in range(3000)]
    pieces = [batch(times[begin : begin + 700], {SOC: texts[begin : begin + 700]}) for begin in range(0, 3000, 700)]
    order = sorted(range(3000), key=lambda row: times[row])
    expected = batch([times[row] for row in order], {SOC: [texts[row] for row in order]})
    found = [row for part in in_order(pieces) for row in part.row_events()]
    assert repr(found) == repr(list(expected.row_events()))
