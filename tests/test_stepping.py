"""Where a dwell holds the relay back the law is asked, and no more often than it must."""

from typing import Any

import pytest
from world import NOON

from dumpload.core import law
from dumpload.core.law import Cause, Limits

np = pytest.importorskip("numpy")
crossings = pytest.importorskip("dumpload.study.fast.crossings")
evidence = pytest.importorskip("dumpload.study.fast.evidence")

LIMITS = Limits(97.0, 93.0, 50.0, 0.0, 300.0, 300.0)
LOST = float("nan")


def moves(rows: list[tuple[float, float]], limits: Limits = LIMITS, causes: list[int] | None = None) -> list[Any]:
    t, charges = np.array([NOON + row[0] for row in rows]), np.array([row[1] for row in rows])
    shown = np.array(causes or [0] * len(rows), np.uint8)
    one = evidence.evidence_of(t, charges, ~np.isnan(charges), shown)
    found = crossings.find_moves(one, crossings.Runs(one.ranks), limits, NOON, NOON + rows[-1][0])
    return [
        (t - NOON, Cause(cause).name.lower()) for t, cause in zip(found.t.tolist(), found.causes.tolist(), strict=True)
    ]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Return when the law is asked (s after noon)."""
    times: list[float] = []
    step = law.step

    def noted(limits: law.Limits, memory: law.Memory, inputs: law.Inputs) -> law.Verdict:
        times.append(inputs.t - NOON)
        return step(limits, memory, inputs)

    monkeypatch.setattr(law, "step", noted)
    return times


@pytest.mark.parametrize(
    ("rows", "expected", "asked_at"),
    [
        # nothing binds: the law is not asked
        ([(400, 98), (800, 92), (1200, 98)], [(400, "surplus"), (800, "below_cut_out"), (1200, "surplus")], []),
        # off since the start for too short a time: on when that is over
        ([(100, 98), (400, 98)], [(300, "surplus")], [300]),
        # on for too short a time: off when that is over
        ([(400, 98), (500, 92), (900, 92)], [(400, "surplus"), (700, "below_cut_out")], [700]),
        # the charge comes back before that: it stays on
        ([(400, 98), (500, 92), (600, 98), (1000, 92)], [(400, "surplus"), (1000, "below_cut_out")], [600]),
        # the charge is lost before that: off at once
        ([(400, 98), (500, 92), (600, LOST), (800, 92)], [(400, "surplus"), (600, "data_lost")], [600]),
        # it falls below the floor before that: off at once
        ([(400, 98), (500, 92), (600, 49), (800, 92)], [(400, "surplus"), (600, "below_floor")], [600]),
        # the record ends before that
        ([(400, 98), (500, 92), (600, 92)], [(400, "surplus")], []),
        # a dwell that ends at the very moment of a row
        ([(400, 98), (500, 92), (700, 92), (800, 92)], [(400, "surplus"), (700, "below_cut_out")], [700]),
        # between cut-out and cut-in when the dwell is over: off for want of a reason to be on
        ([(400, 98), (500, 92), (600, 95), (800, 95)], [(400, "surplus"), (700, "below_cut_in")], [700]),
    ],
)
def test_the_law_decides_when_a_dwell_is_over_or_something_else_happens(
    asked: list[float], rows: list[tuple[float, float]], expected: list[Any], asked_at: list[float]
) -> None:
    assert moves(rows) == expected
    assert asked == asked_at


def test_one_dwell_may_lead_to_the_next(asked: list[float]) -> None:
    rows = [(100.0, 98.0), (310.0, 92.0), (700.0, 98.0), (2000.0, 98.0)]
    assert moves(rows) == [(300, "surplus"), (600, "below_cut_out"), (900, "surplus")]
    assert asked == [300, 310, 600, 700, 900]


def test_a_veto_waits_for_no_dwell_and_what_follows_it_does(asked: list[float]) -> None:
    rows = [(400.0, 98.0), (410.0, 98.0), (420.0, 98.0), (900.0, 98.0)]
    outside = [0, Cause.OUTSIDE_WINDOW, 0, 0]
    assert moves(rows, causes=outside) == [(400, "surplus"), (410, "outside_window"), (710, "surplus")]
    assert asked == [710]


def test_a_sample_at_the_very_end_of_a_dwell_comes_before_that_end(asked: list[float]) -> None:
    """The latch is set again by the sample, so that the load stays on."""
    rows = [(400.0, 98.0), (500.0, 92.0), (700.0, 98.0), (900.0, 98.0)]
    assert moves(rows, LIMITS._replace(min_off_s=0.0)) == [(400, "surplus")]
    assert asked == [700]
