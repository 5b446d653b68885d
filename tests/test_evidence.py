"""The evidence of a record: when the charge arrives and is lost, and when permissives hold, as the controller says."""

import math
from typing import Any

import pytest
from test_passing import Drawn, stretch
from world import LIMITS, NOON, setup

from dumpload.core.law import Cause
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal

np = pytest.importorskip("numpy")
evidence = pytest.importorskip("dumpload.study.fast.evidence")
whole = pytest.importorskip("dumpload.study.fast.whole").whole
arrays = pytest.importorskip("dumpload.study.fast.arrays")

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE
VOLTAGE = PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0)


def record(steps: list[float], charges: list[str], volts: list[str] | None = None) -> Any:
    texts = {SOC: charges} if volts is None else {SOC: charges, VOLTS: volts}
    return whole([stretch(Drawn([NOON + step for step in steps], texts), 0, len(steps))])


def unknown(one: Any, row: int) -> Any:
    """Let a row say that the charge is not known."""
    codes = np.zeros(one.rows, np.uint8) if one.columns[SOC].codes is None else one.columns[SOC].codes
    codes[row] = arrays.UNKNOWN
    samples = one.columns[SOC].samples.copy()
    samples[row] = math.nan
    return arrays.ArrayStretch(one.moments, {SOC: arrays.NumberColumn(SOC, samples, codes)})


def gathered(one: Any, configured: Any) -> Any:
    return evidence.gather(one, configured.max_age_s[SOC], evidence.trace(one, configured))


def told(one: Any) -> list[tuple[float, float | None]]:
    """Return when what is known."""
    return [(t - NOON, None if math.isnan(c) else c) for t, c in zip(one.t.tolist(), one.charges.tolist(), strict=True)]


@pytest.mark.parametrize(
    ("steps", "charges", "expected"),
    [
        ([0, 30], ["97", "98"], [(0, 97), (30, 98)]),
        ([0, 60], ["97", "98"], [(0, 97), (60, 98)]),
        ([0, 61], ["97", "98"], [(0, 97), (60, None), (61, 98)]),
        ([0, 30, 61], ["97", "", "98"], [(0, 97), (60, None), (61, 98)]),
        ([0, 30, 61], ["97", "101", "98"], [(0, 97), (60, None), (61, 98)]),
        ([0, 60], ["97", ""], [(0, 97), (60, None)]),
        ([0, 59], ["97", ""], [(0, 97)]),
        ([0, 10], ["", "97"], [(10, 97)]),
        ([0, 10], ["", ""], []),
    ],
)
def test_a_charge_is_lost_when_it_is_too_old_and_the_record_still_goes_on(
    steps: list[float], charges: list[str], expected: list[tuple[float, float | None]]
) -> None:
    one = gathered(record(steps, charges), setup(LIMITS))
    assert told(one) == expected
    assert [rank == 0 for rank in one.ranks.tolist()] == [charge is None for _t, charge in expected]


def test_what_is_said_to_be_unknown_is_lost_at_once_and_once_only() -> None:
    one = unknown(unknown(record([0, 10, 20, 30], ["97", "97", "97", "98"]), 1), 2)
    assert told(gathered(one, setup(LIMITS))) == [(0, 97), (10, None), (30, 98)]
    assert told(gathered(unknown(record([0, 90, 100], ["97"] * 3), 1), setup(LIMITS))) == [
        (0, 97),
        (60, None),
        (100, 97),
    ]
    assert told(gathered(unknown(record([0, 10], ["97"] * 2), 0), setup(LIMITS))) == [(10, 97)]


def test_a_permissive_that_changes_between_two_charges_is_a_moment_of_its_own() -> None:
    one = gathered(record([0, 30, 60, 90], ["97"] * 4), setup(LIMITS, window=("12:00-12:01",)))
    assert told(one) == [(0, 97), (30, 97), (60, 97), (90, 97)]
    assert one.causes.tolist() == [0, 0, Cause.OUTSIDE_WINDOW, Cause.OUTSIDE_WINDOW]
    one = gathered(record([0, 50, 100], ["97", "97", "98"]), setup(LIMITS, window=("12:01-12:02",)))
    assert told(one) == [(0, 97), (50, 97), (60, 97), (100, 98)]
    assert one.causes.tolist() == [Cause.OUTSIDE_WINDOW, Cause.OUTSIDE_WINDOW, 0, 0]
    assert one.is_sample.tolist() == [True, True, False, True]
    assert one.next_sample.tolist() == [0, 1, 3, 3, 4]
    assert [part.tolist() for part in one.permitted] == [[2], [4]]


def test_the_controller_says_when_a_permissive_holds() -> None:
    volts = ["27.5", "26.5", "25.9", "26.5", "", "27"]
    one = gathered(record([0, 10, 20, 30, 40, 50], ["97"] * 6, volts), setup(LIMITS, VOLTAGE))
    assert one.causes.tolist() == [0, 0, Cause.VOLTAGE_LOW, Cause.VOLTAGE_LOW, Cause.VOLTAGE_LOW, 0]
    late = gathered(record([0, 50, 100], ["97"] * 3, ["27.5", "", "27.5"]), setup(LIMITS, VOLTAGE))
    assert told(late) == [(0, 97), (50, 97), (60, 97), (100, 97)]
    assert late.causes.tolist() == [0, 0, Cause.DATA_LOST, 0]


def test_where_the_order_within_a_moment_would_matter_there_is_no_evidence() -> None:
    twice = record([0, 30, 30, 90], ["97"] * 4)
    assert gathered(twice, setup(LIMITS)) is None
    assert gathered(twice, setup(LIMITS, window=("12:01-12:02",))) is None


def test_a_threshold_is_compared_by_rank_as_by_value() -> None:
    one = gathered(record([0, 1, 2, 3], ["97", "96.5", "98", "97"]), setup(LIMITS))
    for threshold in (96.0, 96.5, 96.7, 97.0, 98.0, 98.1, 101.0):
        assert (one.ranks >= one.rank(threshold)).tolist() == (one.charges >= threshold).tolist()


def test_how_long_there_is_no_charge() -> None:
    one = gathered(record([0, 10, 100, 200], ["", "97", "98", "x"]), setup(LIMITS))
    assert evidence.lost_s(one, NOON, NOON + 200.0) == 10 + 30 + 40
    none = gathered(record([0, 10], ["", ""]), setup(LIMITS))
    assert evidence.lost_s(none, NOON, NOON + 10.0) == 10.0


def test_what_the_law_is_shown() -> None:
    one = gathered(record([0, 61], ["97", "98"]), setup(LIMITS))
    assert len(one.shown) == 3
    shown = one.shown[0]
    assert (shown.t, shown.state_of_charge, shown.is_sample, shown.seen, shown.permissive) == (
        NOON,
        97.0,
        True,
        True,
        0,
    )
    assert math.isnan(one.shown[1].state_of_charge)
    assert not one.shown[1].is_sample
