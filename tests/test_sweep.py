"""Many settings at once give what one replay after the other gives: the same changes, and the same sums to rounding."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_passing import CHARGES, ELEMENT, EXAMPLES, SETUPS, Drawn, drawn, outcome, play, stretch

from dumpload.core.controller import Setup
from dumpload.core.law import Limits
from dumpload.core.signals import Signal
from dumpload.study.player import Plan
from dumpload.study.summary import Element, Tally

sweeps = pytest.importorskip("dumpload.study.fast.sweep")
whole = pytest.importorskip("dumpload.study.fast.whole").whole

SOC = Signal.STATE_OF_CHARGE
ELEMENTS = [ELEMENT, Element(300.0), Element()]
THRESHOLDS = sorted({float(text) for text in CHARGES if text.replace(".", "").isdigit()} | {96.95, 94.0, 0.0, 100.5})


@st.composite
def limits(draw: st.DrawFn) -> Limits:
    """Thresholds at the charges that occur and between them, dwells that bind and that do not."""
    floor, cut_out, cut_in = sorted(draw(st.sampled_from(THRESHOLDS)) for _ in range(3))
    dwells = st.sampled_from([0.0, 0.0, 5.0, 30.0, 60.0, 300.0, 3000.0])
    return Limits(
        cut_in, cut_out, floor, draw(st.sampled_from([0.0, 0.0, 5.0, 30.0, 61.0])), draw(dwells), draw(dwells)
    )


def told(one: object) -> tuple[object, list[float]]:
    """Return what came of one setting as the plain replay's outcome is told."""
    tally = Tally(ELEMENT, 0.0, 60.0)
    tally.changes = list(one.changes)  # type: ignore[attr-defined]
    tally.samples, tally.accepted, tally.rejected = one[:3]  # type: ignore[index]
    return outcome(tally, one.summary)  # type: ignore[attr-defined]


def check(rows: Drawn, plan: Plan) -> None:
    played = sweeps.Sweep(whole([stretch(rows, 0, len(rows.times))]))
    exact, numbers = told(played.play(plan))
    passing, player = play(plan.setup, rows, [], judge_contact=plan.judge_contact)
    player.tally.energy._element = plan.element
    expected, expected_numbers = outcome(player.tally, passing.finish(rows.times[-1]))
    assert exact == expected
    assert numbers == pytest.approx(expected_numbers, rel=1e-9, abs=1e-6, nan_ok=True)


@pytest.mark.parametrize("configured", SETUPS.values(), ids=SETUPS)
@settings(max_examples=2 * EXAMPLES)
@given(rows=drawn(), wanted=limits(), judge_contact=st.sampled_from([False, False, False, True]))
def test_any_setting_on_any_record(configured: Setup, rows: Drawn, wanted: Limits, judge_contact: bool) -> None:
    check(rows, Plan(configured._replace(limits=wanted), ELEMENT, judge_contact))


@pytest.mark.parametrize("configured", SETUPS.values(), ids=SETUPS)
@settings(max_examples=EXAMPLES)
@given(rows=drawn())
def test_the_usual_settings_on_any_record(configured: Setup, rows: Drawn) -> None:
    check(rows, Plan(configured, ELEMENT))
