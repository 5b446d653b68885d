"""The replayer decides as the daemon does: deadlines at their time, samples before them, and no more."""

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenarios import EXAMPLES, HEATER, QUICK, SETUPS, Drawn, batch, drawn, outcome
from world import NOON, setup

from dumpload.core.controller import Event, Kind, Setup
from dumpload.core.decode import Reason, Rejection
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.records.items import Hold, Instant, Restart, RowBatch
from dumpload.replay.replayer import Replayer, Scenario

SOC = Signal.STATE_OF_CHARGE


def replayer(configured: Setup | None = None, *, judge_contact: bool = False) -> Replayer:
    return Replayer(Scenario(configured or setup(QUICK), HEATER, judge_contact), NOON)


def rows(*samples: tuple[float, str], signal: Signal = SOC) -> RowBatch:
    """Rows of one column: seconds after noon, and the cell."""
    return batch([NOON + t for t, _text in samples], {signal: [text for _t, text in samples]})


def changes(player: Replayer) -> list[tuple[float, str, str]]:
    return [
        (change.wall - NOON, change.position.name.lower(), change.cause.name.lower())
        for change in player.totals.changes
    ]


def sample(t: float, value: float, signal: Signal = SOC, *, age_s: float = 0.0) -> Event:
    return Event(NOON + t, NOON + t, Kind.SAMPLE, signal, value, NOON + t - age_s)


# Time


def test_the_relay_starts_off_and_its_time_off_counts_from_the_first_row() -> None:
    player = replayer(setup(QUICK._replace(min_off_s=100.0)))
    player.play(rows((0, "98"), (50, "98"), (99.9, "98"), (100, "98")))
    assert changes(player) == [(100, "on", "surplus")]


def test_a_deadline_between_two_rows_is_met_at_its_own_time() -> None:
    player = replayer()
    player.play(rows((0, "98"), (61, "98")))
    assert changes(player) == [(0, "on", "surplus"), (60, "off", "data_lost"), (61, "on", "surplus")]


def test_a_row_at_the_very_moment_of_a_deadline_comes_first() -> None:
    player = replayer()
    player.play(rows((0, "98"), (60, "98")))
    assert changes(player) == [(0, "on", "surplus")]


def test_a_row_renews_all_its_signals_at_once() -> None:
    """Rows exactly as far apart as data live: no signal of a row is lost before the next one of the same row."""
    player = replayer(setup(QUICK, PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0)))
    times = [NOON + 60.0 * row for row in range(10)]
    player.play(batch(times, {SOC: ["98"] * 10, Signal.BATTERY_VOLTAGE: ["27.5"] * 10}))
    assert changes(player) == [(0, "on", "surplus")]


@pytest.mark.parametrize(("end", "expected"), [(59.9, 1), (60.0, 2), (60.1, 2)])
def test_a_deadline_at_the_last_row_is_still_run_and_none_after_it(end: float, expected: int) -> None:
    player = replayer()
    player.play(rows((0, "98"), (end, "")))
    summary = player.finish(NOON + end)
    assert len(player.totals.changes) == expected
    assert summary.still_on == (expected == 1)


def test_nothing_is_switched_at_the_end() -> None:
    player = replayer()
    player.play(rows((0, "98"), (30, "98")))
    summary = player.finish(NOON + 30)
    assert changes(player) == [(0, "on", "surplus")]
    assert (summary.switch_ons, summary.on_time_s, summary.still_on) == (1, 30.0, True)


def test_the_window_is_that_of_the_recorded_time() -> None:
    player = replayer(setup(QUICK, window=("12:01-12:02",)))
    player.play(rows(*((t, "98") for t in range(0, 200, 10))))
    assert changes(player) == [(60, "on", "surplus"), (120, "off", "outside_window")]


def test_the_time_without_data_includes_that_in_which_the_heartbeat_has_stopped() -> None:
    """The charge comes every ten seconds; the heartbeat beats until 200 s, and again from 400 s on."""
    player = replayer(setup(QUICK, heartbeat_s=60.0))
    beats = [str(min(t, 200) if t < 400 else t) for t in range(0, 600, 10)]
    player.play(batch([NOON + t for t in range(0, 600, 10)], {SOC: ["98"] * 60, Signal.HEARTBEAT: beats}))
    lost = [(10, "on", "surplus"), (260, "off", "data_lost"), (400, "on", "surplus")]
    assert changes(player) == lost
    assert player.finish(NOON + 600).data_lost_s == 10 + 140  # the first beat is none: a bridge may repeat it for ever


def test_a_charge_that_comes_while_the_heartbeat_has_stopped_ends_no_time_without_data() -> None:
    player = replayer(setup(QUICK, heartbeat_s=60.0))
    times = [0.0, 10.0, 100.0, 150.0, 160.0]
    beats = ["1", "2", "2", "2", "3"]
    player.play(batch([NOON + t for t in times], {SOC: ["98"] * 5, Signal.HEARTBEAT: beats}))
    assert player.finish(NOON + 160).data_lost_s == 10 + 90


@settings(max_examples=EXAMPLES, deadline=None)
@given(rows=drawn(), name=st.sampled_from(["heartbeat", "plain", "young data only"]))
def test_the_time_without_data_is_all_in_which_the_controller_had_none(rows: Drawn, name: str) -> None:
    """Judged by the state alone, asked after every row and at every moment at which it would lose the charge."""
    player = Replayer(Scenario(SETUPS[name], HEATER), NOON)
    known_s, since, until = 0.0, NOON, NOON
    for at, t in enumerate(rows.times):
        player.play(batch([t], {signal: texts[at : at + 1] for signal, texts in rows.texts.items()}))
        known_s += min(t, until) - since
        since, until = t, max(t, player.state.charge_expires_at)
    end = rows.times[-1]
    assert player.finish(end).data_lost_s == pytest.approx(end - NOON - known_s, abs=1e-6)


# What counts


def test_rejected_cells_are_counted_and_change_nothing() -> None:
    player = replayer()
    player.play(rows((0, "98"), (10, "nan"), (20, "101"), (30, "x"), (40, "")))
    assert (player.totals.samples, player.totals.accepted, player.totals.rejected) == (4, 1, 3)
    assert len(player.totals.changes) == 1


def test_a_column_without_settings_is_no_sample() -> None:
    ages = (60.0, *[float("nan")] * 6)
    player = replayer(setup(QUICK, max_age_s=ages))
    player.play(rows((0, "27"), (10, "x"), signal=Signal.BATTERY_VOLTAGE))
    assert player.totals.samples == 0


def test_a_late_message_is_rejected_as_the_daemon_does() -> None:
    player = replayer()
    player.play(Instant(NOON, [sample(0, 98.0, age_s=60.0), Rejection(SOC, Reason.RETAINED)]))
    assert (player.totals.samples, player.totals.accepted, player.totals.rejected) == (2, 0, 2)


def test_a_value_said_to_be_unknown_is_lost_at_once() -> None:
    player = replayer()
    player.play(rows((0, "98")))
    player.play(Instant(NOON + 10, [Event(NOON + 10, NOON + 10, Kind.UNKNOWN)]))
    assert changes(player) == [(0, "on", "surplus"), (10, "off", "data_lost")]
    summary = player.finish(NOON + 20)
    assert (player.totals.samples, player.totals.accepted, player.totals.rejected) == (2, 1, 0)
    assert summary.data_lost_s == 10


def test_the_recorded_load_is_no_evidence_of_the_replayed_contact() -> None:
    """The record's own relay may have been on: that is no stuck contact of the one that is tried."""
    loads = [(t, "400") for t in range(0, 60, 10)]
    aside = replayer()
    aside.play(rows(*loads, signal=Signal.LOAD_POWER))
    aside.play(rows((60, "98")))
    assert changes(aside) == [(60, "on", "surplus")]
    judged = replayer(judge_contact=True)
    judged.play(rows(*loads, signal=Signal.LOAD_POWER))
    judged.play(rows((60, "98")))
    assert changes(judged) == []
    assert aside.totals.accepted == judged.totals.accepted == 7


# Records that know more than rows


def test_a_run_keeps_its_value_live_without_confirming_anything() -> None:
    player = replayer(setup(QUICK._replace(confirm_s=30.0)))
    player.play(Instant(NOON, [sample(0, 98.0), Hold(SOC, NOON + 300)]))
    player.play(Instant(NOON + 350, [sample(350, 98.0)]))
    assert changes(player) == [(350, "on", "surplus")]
    assert player.finish(NOON + 350).data_lost_s == 0


def test_a_restart_of_the_recorded_program_takes_the_relay_off_and_forgets() -> None:
    player = replayer(setup(QUICK._replace(min_off_s=20.0)))
    player.play(rows(*((t, "98") for t in range(0, 50, 10))))
    player.play(Restart(NOON + 50))
    player.play(rows((60, "98"), (69, "98"), (70, "98")))
    assert changes(player) == [(20, "on", "surplus"), (50, "off", "stopping"), (70, "on", "surplus")]


def test_wall_time_follows_the_record_when_its_clock_was_stepped() -> None:
    player = replayer()
    player.play(Instant(NOON, [sample(0, 98.0)]))
    player.play(Instant(NOON + 10, [Event(NOON + 10, NOON + 3610, Kind.WAKE)], ahead=-3600.0))
    player.finish(NOON + 100)
    assert [change.wall - NOON for change in player.totals.changes] == [0, 3660]


# Rows, pieces of them, and messages


def played(configured: Setup, parts: Sequence[RowBatch | Instant], *, judge_contact: bool) -> object:
    player = Replayer(Scenario(configured, HEATER, judge_contact), NOON)
    for part in parts:
        player.play(part)
    last = parts[-1]
    summary = player.finish(last.t if isinstance(last, Instant) else last.times[-1])
    return outcome(player.totals, summary), player.state


@pytest.mark.parametrize("configured", SETUPS.values(), ids=SETUPS)
@settings(max_examples=EXAMPLES)
@given(some=drawn(), sizes=st.lists(st.integers(1, 100), max_size=5), judge_contact=st.booleans())
def test_in_how_many_batches_rows_come_changes_nothing(
    configured: Setup, some: Drawn, sizes: list[int], judge_contact: bool
) -> None:
    cuts = sorted({0, *(sum(sizes[: end + 1]) for end in range(len(sizes))), len(some.times)} & {*range(10_000)})
    pieces = [
        batch(some.times[begin:end], {signal: texts[begin:end] for signal, texts in some.texts.items()})
        for begin, end in pairwise(cut for cut in cuts if cut <= len(some.times))
    ]
    whole = [batch(some.times, some.texts)]
    assert repr(played(configured, pieces, judge_contact=judge_contact)) == repr(
        played(configured, whole, judge_contact=judge_contact)
    )


@pytest.mark.parametrize("configured", SETUPS.values(), ids=SETUPS)
@settings(max_examples=EXAMPLES)
@given(some=drawn())
def test_a_column_of_charges_is_played_as_its_messages_are(configured: Setup, some: Drawn) -> None:
    column = batch(some.times, {SOC: some.texts[SOC]})
    messages = [Instant(t, events) for t, events in column.row_events()] + [Instant(some.times[-1], ())]
    assert repr(played(configured, [column], judge_contact=False)) == repr(
        played(configured, messages, judge_contact=False)
    )
