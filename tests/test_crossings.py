"""Moves found by search are those of the law asked at every moment."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from moments import CHARGES, asked_everywhere, random_evidence
from test_passing import EXAMPLES
from world import NOON

from dumpload.core.law import Limits

np = pytest.importorskip("numpy")
crossings = pytest.importorskip("dumpload.study.fast.crossings")

SEEDS = st.integers(0, 2**32)


def moved(evidence: Any, limits: Limits, ended: float) -> list[tuple[float, int, float]]:
    moves = crossings.find_moves(evidence, crossings.Runs(evidence.ranks), limits, NOON, ended)
    charges = evidence.charges[moves.seen]
    assert (np.append(evidence.t, math.inf)[moves.places] >= moves.t).all()
    assert (evidence.t[moves.seen] <= moves.t).all()
    return list(zip(moves.t.tolist(), moves.causes.tolist(), charges.tolist(), strict=True))


@st.composite
def thresholds(draw: st.DrawFn) -> tuple[float, float, float]:
    floor, cut_out, cut_in = sorted(draw(st.sampled_from([*CHARGES, 96.95, 99.0, 0.0])) for _ in range(3))
    return cut_in, cut_out, floor


@settings(max_examples=5 * EXAMPLES)
@given(seed=SEEDS, percents=thresholds(), confirm_s=st.sampled_from([0.0, 5.0, 30.0, 61.0, 600.0]))
def test_without_dwells_every_crossing_is_a_move(
    seed: int, percents: tuple[float, float, float], confirm_s: float
) -> None:
    evidence = random_evidence(seed)
    ended = evidence.t[-1].item()
    limits = Limits(*percents, confirm_s, 0.0, 0.0)
    assert repr(moved(evidence, limits, ended)) == repr(asked_everywhere(evidence, limits, NOON, ended))


@settings(max_examples=10 * EXAMPLES)
@given(
    seed=SEEDS,
    percents=thresholds(),
    confirm_s=st.sampled_from([0.0, 0.0, 30.0]),
    dwells=st.tuples(*[st.sampled_from([0.0, 5.0, 30.0, 60.0, 300.0, 3000.0])] * 2),
    more_s=st.sampled_from([0.0, 5.0, 1000.0]),
)
def test_where_a_dwell_binds_the_law_decides(
    seed: int, percents: tuple[float, float, float], confirm_s: float, dwells: tuple[float, float], more_s: float
) -> None:
    evidence = random_evidence(seed)
    ended = evidence.t[-1].item() + more_s
    limits = Limits(*percents, confirm_s, *dwells)
    assert repr(moved(evidence, limits, ended)) == repr(asked_everywhere(evidence, limits, NOON, ended))


@given(ranks=st.lists(st.integers(0, 6), max_size=400), least=st.integers(1, 7))
def test_runs_begin_and_end_where_the_rank_crosses(ranks: list[int], least: int) -> None:
    runs = crossings.Runs(np.array(ranks, np.uint16))
    begins, ends = runs.at_least(least)
    inside = {place for begin, end in zip(begins.tolist(), ends.tolist(), strict=True) for place in range(begin, end)}
    assert inside == {place for place, rank in enumerate(ranks) if rank >= least}
    assert not set(ends.tolist()) & set(begins.tolist())
    assert runs.at_least(least)[0] is begins


def test_no_more_runs_are_kept_in_mind_than_was_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crossings, "_KEPT", 3)
    runs = crossings.Runs(np.array([1, 0, 2, 0, 3, 0], np.uint16))
    first = runs.at_least(1)
    assert runs.at_least(1) is first
    runs.at_least(2)
    assert runs.at_least(1) is not first
