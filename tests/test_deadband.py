"""What the history keeps of the samples: little, and enough to make every decision again."""

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded import EVERY_S, Moved, Recorded, moves, replay
from world import LIMITS, MAX_AGE_S, START, setup

from dumpload.core.contact import Feedback
from dumpload.core.controller import Event, Kind
from dumpload.core.law import Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.daemon.recorder import DEADBANDS, SPACING_S, DeadbandFilter
from dumpload.history.schema import Entry, RowKind

SOC, VOLTS, WATTS, TANK = (
    Signal.STATE_OF_CHARGE,
    Signal.BATTERY_VOLTAGE,
    Signal.BATTERY_POWER,
    Signal.TANK_TEMPERATURE,
)


def kept_values(world: Recorded, signal: Signal = SOC) -> list[float]:
    return [row.value for row in world.notebook.of(RowKind.SAMPLE) if row.signal == signal]


def test_every_signal_has_its_deadband() -> None:
    assert set(DEADBANDS) == set(Signal)
    assert min(DEADBANDS.values()) > 0


def test_the_first_sample_is_kept_and_the_same_value_again_is_not() -> None:
    world = Recorded()
    for _ in range(11):
        world.soc(80.0).wait(5)
    (row,) = world.notebook.of(RowKind.SAMPLE)
    assert (row.value, row.until - row.t) == (80.0, 50.0)


@pytest.mark.parametrize("signal", [signal for signal in Signal if signal != Signal.HEARTBEAT])
def test_a_value_that_leaves_the_deadband_is_kept(signal: Signal) -> None:
    base, band = 60.0, DEADBANDS[signal]
    world = Recorded()
    world.wait(20)
    for value in (base, base + 0.9 * band, base - 0.9 * band, base + 1.1 * band, base + 2.0 * band, base):
        world.measure(signal, value).wait(5)
    assert kept_values(world, signal) == [base, base + 1.1 * band, base]


def test_a_heartbeat_that_goes_on_is_kept_as_a_run_and_counted() -> None:
    """The second change is kept exactly, since from it on the source lives; the others only lengthen the run."""
    world = Recorded(setup(heartbeat_s=25.0))
    for beat in (7.0, 8.0, 7.0, 8.0, 8.0):
        world.measure(Signal.HEARTBEAT, beat).wait(5)
    first, second = world.notebook.of(RowKind.SAMPLE)
    assert [(row.value, row.t - START, row.until - START) for row in (first, second)] == [(1.0, 0, 0), (2.0, 5, 15)]


def test_one_is_kept_every_so_often_whatever_it_is() -> None:
    world = Recorded()
    world.soc_for(80.0, 600, every_s=5.0)
    times = [row.t for row in world.notebook.of(RowKind.SAMPLE)]
    assert len(times) == 10
    assert all(after - before == EVERY_S for before, after in pairwise(times))


def test_jitter_is_kept_no_more_than_once_a_second() -> None:
    world = Recorded()
    for number in range(200):
        world.soc(80.0 + number % 2).wait(0.1)
    kept = world.notebook.of(RowKind.SAMPLE)
    assert 15 <= len(kept) <= 20
    assert all(after.t - before.t >= SPACING_S for before, after in pairwise(kept))


def test_what_crosses_a_threshold_is_kept_however_little_it_is() -> None:
    world = Recorded(setup(LIMITS._replace(cut_in_percent=97.0, cut_out_percent=93.0, floor_percent=50.0)))
    for threshold in (50.0, 93.0, 97.0):
        world.soc(threshold - 0.01).wait(2).soc(threshold).wait(2)
    assert kept_values(world) == [49.99, 50.0, 92.99, 93.0, 96.99, 97.0]


def test_the_sample_that_ends_a_confirmation_is_kept() -> None:
    world = Recorded(setup(LIMITS._replace(min_off_s=0.0)))
    world.soc_for(98.0, 40, every_s=5.0)
    rows = world.notebook.of(RowKind.SAMPLE)
    assert [row.t - rows[0].t for row in rows] == [0.0, 30.0]


def test_a_sample_after_a_loss_is_kept_and_the_loss_is_a_row() -> None:
    world = Recorded()
    world.soc(80.0).wait(5).soc(80.0).wait_through(MAX_AGE_S).wait(1).soc(80.0)
    assert [(row.kind, row.t - world.notebook.rows[0].t) for row in world.notebook.rows[1:]] == [
        (RowKind.SAMPLE, 0.0),
        (RowKind.LOST, 65.0),
        (RowKind.SAMPLE, 66.0),
    ]


def test_after_a_gap_the_next_sample_of_every_signal_is_kept() -> None:
    thinner = DeadbandFilter(EVERY_S)
    world = Recorded()
    world.soc(80.0)
    thinner.runs = world.recorder._filter.runs
    assert not thinner.wants(SOC, 80.0, world.t, moved=False)
    thinner.keep_next(world.state.data)
    assert thinner.wants(SOC, 80.0, world.t, moved=False)


# ---- properties ----

# Around every threshold there is, closer than the deadbands.
VALUES = {
    SOC: (0.0, 49.98, 50.02, 80.0, 92.95, 92.99, 93.0, 93.04, 95.0, 96.95, 97.0, 97.04, 97.1, 98.0, 100.0),
    VOLTS: (24.9, 25.0, 25.04, 26.46, 26.5, 26.54, 27.0),
    WATTS: (-305.0, -299.0, -296.0, 0.0, 200.0),
    Signal.LOAD_POWER: (0.0, 15.0, 22.0, 300.0),
    Signal.SOLAR_POWER: (0.0, 8.0, 500.0),
    TANK: (40.0, 49.8, 50.0, 50.3, 64.8, 65.0, 65.2),
}

PERMISSIVES = PermissiveLimits(
    voltage_cut_out_v=25.0,
    voltage_cut_in_v=26.5,
    tank_cut_out_c=65.0,
    tank_cut_in_c=50.0,
    drain_limit_w=297.0,
    drain_limit_s=20.0,
    drain_rest_s=90.0,
    max_on_s=400.0,
    max_on_per_day_s=1500.0,
)
BRISK = setup(
    LIMITS._replace(confirm_s=20.0, min_on_s=45.0, min_off_s=30.0), PERMISSIVES, window=("11:00-12:20", "12:30-15:00")
)
ONLY_CHARGE = setup(LIMITS._replace(confirm_s=20.0, min_on_s=45.0, min_off_s=30.0))
BEATING = setup(LIMITS._replace(confirm_s=20.0, min_on_s=45.0, min_off_s=30.0), heartbeat_s=25.0)

measurements = st.sampled_from(
    [(Kind.SAMPLE, {"signal": signal, "value": value}) for signal in VALUES for value in VALUES[signal]]
)
charges = st.sampled_from([(Kind.SAMPLE, {"signal": SOC, "value": value}) for value in VALUES[SOC]])
beats = st.sampled_from([(Kind.SAMPLE, {"signal": Signal.HEARTBEAT, "value": value}) for value in (1.0, 2.0, 2.0)])
words = st.sampled_from(
    [
        (Kind.UNKNOWN, {"signal": Signal.HEARTBEAT}),
        (Kind.UNKNOWN, {"signal": SOC}),
        (Kind.UNKNOWN, {"signal": VOLTS}),
        (Kind.ABSENT, {}),
        (Kind.EVIDENCE_RESET, {}),
        (Kind.SELECT, {"selector": Selector.HAND, "for_s": 77.7}),
        (Kind.SELECT, {"selector": Selector.HAND, "for_s": math.nan}),
        (Kind.SELECT, {"selector": Selector.AUTO}),
        (Kind.SELECT, {"selector": Selector.OFF}),
        (Kind.RESET, {}),
        (Kind.PIN_FAULT, {}),
        (Kind.FEEDBACK, {"feedback": Feedback.CLOSED}),
        (Kind.FEEDBACK, {"feedback": Feedback.OPEN}),
        (Kind.WAKE, {"step_s": 1800.0}),
        (Kind.WAKE, {"step_s": -1800.0}),
    ]
)
pauses = st.sampled_from([0.13, 0.37, 0.9, 1.7, 5.3, 5.3, 5.3, 11.1, 11.1, 29.7, 59.9, 75.1])
ages = st.sampled_from([0.0, 0.0, 0.0, 0.5, 0.95, 20.0])
steps = st.lists(
    st.tuples(pauses, st.one_of(charges, charges, measurements, measurements, beats, words), ages), max_size=80
)


def live(script: list[tuple[float, tuple[Kind, dict[str, object]], float]], configured: object = BRISK) -> Recorded:
    """Live through a script; every moment is off the whole second, on which window and dwells change."""
    world = Recorded(configured, t=1000.0 + 1 / 64)  # type: ignore[arg-type]
    for pause_s, (kind, given_fields), age_s in script:
        world.wait(pause_s)
        fields = dict(given_fields)
        if kind == Kind.SAMPLE:
            fields["stamp"] = world.t - age_s
        if "for_s" in fields:
            fields["until"] = world.t + fields.pop("for_s")  # type: ignore[operator]
        if "step_s" in fields:
            world.ahead += fields.pop("step_s")  # type: ignore[operator]
        world.send(kind, **fields)
    world.wait(200.0)
    assert world.notes == []
    return world


def close(ours: list[Moved], theirs: list[Moved]) -> bool:
    """Compare changes: the same ones, at the same moments but for the rounding of the wall clock's seconds."""
    return [move[1:] for move in ours] == [move[1:] for move in theirs] and all(
        math.isclose(our.t, their.t, abs_tol=1e-5) for our, their in zip(ours, theirs, strict=True)
    )


def until_the_last_row(world: Recorded) -> list[Moved]:
    end = world.notebook.rows[-1].t
    return [move for move in moves(world.rows) if move.t <= end]


@settings(max_examples=300)
@given(script=steps, configured=st.sampled_from([BRISK, ONLY_CHARGE, BEATING]))
def test_replaying_what_was_kept_makes_every_decision_again(
    script: list[tuple[float, tuple[Kind, dict[str, object]], float]], configured: object
) -> None:
    world = live(script, configured)
    ours, theirs = until_the_last_row(world), replay(world.notebook.rows, configured)  # type: ignore[arg-type]
    assert close(ours, theirs), f"lived {ours}, replayed {theirs}"


def test_the_scripts_do_switch_and_thin() -> None:
    """Else the property above shows nothing."""
    charge = [(5.3, (Kind.SAMPLE, {"signal": SOC, "value": 98.0 + number % 2 / 20}), 0.5) for number in range(80)]
    world = live(charge, ONLY_CHARGE)
    assert len(world.accepted) == 80
    assert len(world.notebook.of(RowKind.SAMPLE)) < 20
    assert len(moves(world.rows)) == 2
    assert len(world.notebook.of(RowKind.CHANGE)) == 2


def runs(world: Recorded, signal: Signal) -> list[tuple[Entry, float]]:
    """The kept samples of a signal, each with the moment at which its run was ended by something else."""
    ends = {RowKind.SAMPLE, RowKind.LOST, RowKind.UNKNOWN, RowKind.ABSENT}
    rows = [row for row in world.notebook.rows if row.kind in ends and row.signal in (signal, -1)]
    after = [*(row.t for row in rows[1:]), math.inf]
    return [(row, end) for row, end in zip(rows, after, strict=False) if row.kind == RowKind.SAMPLE]


@settings(max_examples=300)
@given(script=steps)
def test_what_was_kept_is_within_the_deadband_of_what_was_measured(
    script: list[tuple[float, tuple[Kind, dict[str, object]], float]],
) -> None:
    """Except that a value which jitters faster than once a second may be missed for so long."""
    world = live(script)
    for event in world.accepted:
        row = max((row for row, _end in runs(world, event.signal) if row.t <= event.t), key=lambda row: row.t)
        close_by = abs(row.value - event.value) <= DEADBANDS[event.signal] + 1e-9
        assert close_by or event.t - row.t < SPACING_S
        assert event.t - row.t < EVERY_S


@settings(max_examples=300)
@given(script=steps, moments=st.lists(st.floats(1000, 3000), max_size=20))
def test_a_signal_is_live_in_the_record_exactly_when_it_was_live(
    script: list[tuple[float, tuple[Kind, dict[str, object]], float]], moments: list[float]
) -> None:
    world = live(script, ONLY_CHARGE)
    for signal in Signal:
        spans = [(row.t, min(end, row.until + MAX_AGE_S)) for row, end in runs(world, signal)]
        for moment in moments:
            recorded = any(begin <= moment < end for begin, end in spans)
            assert recorded == was_live(world, signal, moment), f"{signal.name} at {moment}"


def was_live(world: Recorded, signal: Signal, moment: float) -> bool:
    """Decide from the script itself, all of whose samples are known."""
    before = [event for event in world.accepted if event.signal == signal and event.t <= moment]
    if not before or moment >= before[-1].stamp + MAX_AGE_S:
        return False
    return not any(lost_at > before[-1].t and lost_at <= moment for lost_at in losses(world, signal))


def losses(world: Recorded, signal: Signal) -> list[float]:
    return [event.t for event in world.said if event.kind == Kind.ABSENT or event.signal == signal]


def test_events_are_looked_at_as_they_are() -> None:
    world = live([(1.0, (Kind.UNKNOWN, {"signal": VOLTS}), 0.0)])
    assert world.said == [Event(1001.0 + 1 / 64, world.said[0].wall, Kind.UNKNOWN, VOLTS)]
