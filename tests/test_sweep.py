"""Many settings at once give what one replay after the other gives: the same changes, and the same sums to rounding."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tables import UNKNOWN, figures, replayed, table
from test_passing import CHARGES, ELEMENT, EXAMPLES, SETUPS, Drawn, drawn, outcome, play, stretch
from world import LIMITS, NOON, setup

from dumpload.core.controller import Setup
from dumpload.core.law import Limits
from dumpload.core.signals import Signal
from dumpload.study.records.csv import CsvRecord
from dumpload.study.records.items import Moment
from dumpload.study.records.record import Account, RecordError
from dumpload.study.replay.player import Plan
from dumpload.study.replay.replay import replay
from dumpload.study.replay.summary import Element, Tally

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


PLAIN = Plan(setup(LIMITS), ELEMENT)


@pytest.mark.parametrize("charges", [("97.5", "99"), ("97.5", "90"), ("90", "97.5"), ("97.5", "97.5")])
def test_of_rows_of_one_moment_the_first_may_move_the_relay(charges: tuple[str, str]) -> None:
    """At the very moment when a dwell is over, too."""
    times = [NOON + 10 * row for row in range(31)]
    rows = Drawn([*times, times[-1]], {SOC: ["97.5"] * 30 + [*charges]})
    check(rows, PLAIN)


def written(folder: Path, rows: int) -> CsvRecord:
    path = folder / "log.csv"
    lines = (f"{NOON + 10 * row:.0f},{90 + row % 11}\n" for row in range(rows))
    path.write_text("time,state_of_charge\n" + "".join(lines))
    return CsvRecord(path)


def test_a_sweep_returns_whole_results_in_the_order_of_the_settings(tmp_path: Path) -> None:
    record = written(tmp_path, 500)
    tried = [PLAIN, PLAIN._replace(element=Element()), Plan(setup(LIMITS._replace(min_on_s=0.0)), ELEMENT)]
    account = Account()
    found = sweeps.sweep(record, tried, account)
    for plan, result in zip(tried, found, strict=True):
        alone = replay(record, plan, Account())
        assert result._replace(changes=list(result.changes), account=alone.account, summary=alone.summary) == alone
        assert figures(result) == pytest.approx(figures(alone), nan_ok=True)
        assert result.account is account
    assert len(found[2].changes) > len(found[0].changes) > 2


def test_changes_are_a_sequence_like_the_list_of_a_replay(tmp_path: Path) -> None:
    record = written(tmp_path, 500)
    (found,) = sweeps.sweep(record, [PLAIN], Account())
    alone = replay(record, PLAIN, Account())
    assert len(found.changes) == len(alone.changes)
    assert (found.changes[0], found.changes[-1], found.changes[1:3]) == (
        alone.changes[0],
        alone.changes[-1],
        alone.changes[1:3],
    )
    assert list(reversed(found.changes)) == list(reversed(alone.changes))


def test_a_record_too_long_to_hold_is_left_to_be_played_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "MOST_ROWS", 499)
    assert sweeps.sweep(written(tmp_path, 500), [PLAIN], Account()) is None
    monkeypatch.setattr(sweeps, "MOST_ROWS", 500)
    assert sweeps.sweep(written(tmp_path, 500), [PLAIN], Account()) is not None


def test_what_is_no_table_is_left_to_be_played_one_by_one() -> None:
    class Messages:
        path, kind = Path("log.jsonl"), "message capture"

        def read(self, _account: Account) -> list[Moment]:
            return [Moment(NOON, [])]

    assert sweeps.sweep(Messages(), [PLAIN], Account()) is None


def test_a_record_without_rows_is_refused_as_by_a_replay(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="expected at least one row"):
        sweeps.sweep(written(tmp_path, 0), [PLAIN], Account())


@pytest.mark.parametrize(
    ("plan", "expected"),
    [
        (PLAIN, True),
        (PLAIN._replace(judge_contact=True), False),
        (Plan(SETUPS["voltage"], ELEMENT), True),
        (Plan(SETUPS["tank"], ELEMENT), True),
        (Plan(SETUPS["drain"], ELEMENT), True),
        (Plan(SETUPS["window"], ELEMENT), True),
        (Plan(SETUPS["duty"], ELEMENT), False),
        (Plan(setup(LIMITS._replace(floor_percent=94.0)), ELEMENT), False),
        (Plan(setup(LIMITS._replace(cut_in_percent=92.0)), ELEMENT), False),
    ],
)
def test_what_depends_on_more_than_crossings_is_played_in_full(plan: Plan, expected: bool) -> None:
    assert sweeps.is_crossings_only(plan) == expected


@settings(max_examples=EXAMPLES)
@given(
    seed=st.integers(0, 2**32),
    wanted=st.lists(limits(), min_size=1, max_size=4),
    name=st.sampled_from(sorted(SETUPS)),
)
def test_spoilt_tables_too(
    tmp_path_factory: pytest.TempPathFactory, seed: int, wanted: list[Limits], name: str
) -> None:
    path = tmp_path_factory.mktemp("sweep") / "log.csv"
    path.write_text(table(seed), newline="")
    record = CsvRecord(path, None, UNKNOWN)
    plans = [Plan(SETUPS[name]._replace(limits=one), element) for one in wanted for element in ELEMENTS]
    alone, refusal, _told = replayed(record, plans[0])
    if alone is None:
        with pytest.raises(RecordError) as refused:
            sweeps.sweep(record, plans, Account())
        assert str(refused.value) == refusal
        return
    found = sweeps.sweep(record, plans, Account())
    for plan, result in zip(plans, found, strict=True):
        alone = replay(record, plan, Account())
        assert repr(list(result.changes)) == repr(alone.changes)
        assert result[4:7] == alone[4:7]
        assert figures(result) == pytest.approx(figures(alone), rel=1e-9, abs=1e-6, nan_ok=True)


def test_the_charge_seen_before_the_load_starts_late_is_the_lowest_if_none_is_lower(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(f"time,state_of_charge\n{NOON + 290},97\n{NOON + 310},98\n{NOON + 340},99\n")
    plan = Plan(setup(LIMITS._replace(confirm_s=0.0)), ELEMENT)
    text = path.read_text().replace("\n", f"\n{NOON},\n", 1)
    path.write_text(text)
    (found,) = sweeps.sweep(CsvRecord(path), [plan], Account())
    assert [(change.wall - NOON, change.state_of_charge) for change in found.changes] == [(300.0, 97.0)]
    assert found.summary.lowest_state_of_charge_on == 97.0
