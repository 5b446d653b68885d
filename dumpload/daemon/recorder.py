"""Hands what happened to the history: events and decisions in, rows out.

Called after the pin; costs microseconds and never raises, so that no fault of the record is one of the control.
"""

import contextlib
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dumpload import __version__
from dumpload.core.contact import LOAD_PRESENT_W
from dumpload.core.controller import ControllerSettings, Decision, Event, Kind, Lockout, State
from dumpload.core.freshness import MISSING, NEVER, Datum, is_missing
from dumpload.core.law import Cause
from dumpload.core.signals import Signal
from dumpload.core.window import CLOCK_STEP_S
from dumpload.daemon.payloads import change_document, position_name, to_json
from dumpload.history.schema import NO_SIGNAL, Boot, Entry, RowKind

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.history.writer import Gap, HistoryWriter

# Events that are always kept; samples and what ends them are thinned, and a deadline is no news.
_PLAIN = {
    Kind.EVIDENCE_RESET: RowKind.EVIDENCE_RESET,
    Kind.SELECT: RowKind.SELECT,
    Kind.RESET: RowKind.RESET,
    Kind.PIN_FAULT: RowKind.PIN_FAULT,
    Kind.FEEDBACK: RowKind.FEEDBACK,
}


class Recorder:
    """Records one controller."""

    def __init__(self, history: "HistoryWriter", sample_every_s: float, on_note: Callable[[str], None]) -> None:
        """Nothing is recorded before `begin`. `on_note` is called with what is wrong."""
        self._history = history
        self._filter = DeadbandFilter(sample_every_s)
        self._on_note = on_note
        self._sequence = 0
        self._footing: tuple[object, ...] = ()
        self._lockout = Lockout.NONE
        self._ahead = 0.0
        self._ended = False
        self._beat = MISSING
        self._beats = 0

    def reserve(self) -> int:
        """Return the place in the record for what happens now, before it is known what comes of it."""
        return self._history.reserve()

    def begin(
        self,
        boot_id: str,
        rules: ControllerSettings,
        state: State,
        ahead: float,
        settings: Mapping[str, Any],
    ) -> None:
        """Start, with what the controller starts from. `ahead`: Unix s less monotonic s."""
        with self._guarded():
            t = state.law.relay_since
            self._ahead, self._lockout, self._footing = ahead, state.lockout, footing(rules, state)
            document = {**_switches(state), "settings": settings}
            first = Entry(self.reserve(), t + ahead, RowKind.START, t, t, t, text=_text(document))
            self._history.begin(Boot(boot_id, t + ahead, t, __version__), first)

    def after(self, place: int, event: Event, decision: Decision, rules: ControllerSettings, state: State) -> None:
        """Record one event and what came of it; `place` was reserved when it happened."""
        try:
            self._sequence = place
            self._record(event, decision, footing(rules, state), state)
        except Exception as error:  # noqa: BLE001  (whatever it is, the control goes on)
            self._complain(error)

    def take_settings(self, state: State, t: float, wall: float, settings: Mapping[str, Any]) -> None:
        """Record that new settings are in force."""
        with self._guarded():
            self._sequence = self.reserve()
            self._filter.keep_next(state.data)
            self._put(RowKind.SETTINGS, t, wall, text=_text({"settings": settings}))

    def fail(self, t: float, wall: float, text: str) -> None:
        """Record that the program fails. Safe from any thread."""
        with self._guarded():
            self._history.put(Entry(self.reserve(), wall, RowKind.FAULT, t, t, t, text=_clean(text)))

    def alert(self, t: float, wall: float, document: Mapping[str, Any], *, begins: bool) -> None:
        """Record that an alert begins or ends."""
        with self._guarded():
            self._sequence = self.reserve()
            self._put(RowKind.ALERT, t, wall, value=float(begins), text=to_json(dict(document)))

    def end(self, t: float, wall: float) -> None:
        """Record the end, once."""
        if self._ended:
            return
        self._ended = True
        with self._guarded():
            self._sequence = self.reserve()
            self._put(RowKind.STOP, t, wall)

    def close(self, within_s: float) -> bool:
        """Write what waits; return whether that was done in time."""
        return self._history.close(within_s)

    @contextlib.contextmanager
    def _guarded(self) -> Iterator[None]:
        try:
            yield
        except Exception as error:  # noqa: BLE001  (whatever it is, the control goes on)
            self._complain(error)

    def _complain(self, error: Exception) -> None:
        self._on_note(f"an event was not recorded: {error!r}")

    # ---- one event ----

    def _record(self, event: Event, decision: Decision, now: tuple[object, ...], state: State) -> None:
        self._look_around(event, state)
        if event.kind in (Kind.WAKE, Kind.OVERDUE):
            for signal in self._filter.lose(event.t):
                self._put(RowKind.LOST, event.t, event.wall, signal=signal)
        moved, self._footing = now != self._footing, now
        if event.kind != Kind.SAMPLE:
            if decision.refused == Cause.NONE:
                self._take_word(event)
        elif decision.accepted:
            self._take_sample(event, state, moved=moved or decision.changed)
        self._put_change(decision)
        if state.lockout != self._lockout:
            self._lockout = state.lockout
            if self._lockout != Lockout.NONE:
                self._put(RowKind.FAULT, event.t, event.wall, text=f"lockout: {self._lockout.name.lower()}")

    def _look_around(self, event: Event, state: State) -> None:
        """Record what happened to the clock and to the record itself since the last event."""
        ahead = event.wall - event.t
        step_s, self._ahead = ahead - self._ahead, ahead
        if abs(step_s) > CLOCK_STEP_S:
            self._put(RowKind.CLOCK, event.t, event.wall, value=step_s)
        if (gap := self._history.take_gap()) is not None:
            self._put_gap(gap, event, state)

    def _take_sample(self, event: Event, state: State, *, moved: bool) -> None:
        signal, value, t = event.signal, event.value, event.t
        datum = state.data[signal]
        if signal == Signal.HEARTBEAT:
            value = self._count_beats(datum.value)
        runs = self._filter.runs
        if self._filter.wants(signal, value, t, moved=moved):
            sequence = self._next()
            runs[signal] = HeldValue(sequence, value, t, datum.expires_at)
            entry = Entry(sequence, event.wall, RowKind.SAMPLE, t, datum.stamp, datum.stamp, signal, value)
            self._history.put(entry)
        elif (run := runs[signal]) is not None:
            run.expires_at = datum.expires_at
            self._history.extend(run.sequence, datum.stamp)

    def _count_beats(self, value: float) -> float:
        """Return how often the heartbeat changed, which is what is stored of it."""
        # Not the values themselves, since most changes are left out: two kept values might then be equal although it
        # changed between them, and a replay would take the second for a repetition.
        self._beats += value != self._beat
        self._beat = value
        return float(self._beats)

    def _take_word(self, event: Event) -> None:
        runs = self._filter.runs
        t, wall, kind = event.t, event.wall, event.kind
        if kind == Kind.UNKNOWN:
            if runs[event.signal] is not None:
                runs[event.signal] = None
                self._put(RowKind.UNKNOWN, t, wall, signal=event.signal)
        elif kind == Kind.ABSENT:
            if any(run is not None for run in runs):
                runs[:] = [None] * len(runs)
                self._put(RowKind.ABSENT, t, wall)
        elif kind in _PLAIN:
            value = {Kind.SELECT: event.selector, Kind.FEEDBACK: event.feedback}.get(kind, 0)
            self._put(_PLAIN[kind], t, wall, value=value, until=t if is_missing(event.until) else event.until)

    # ---- rows ----

    def _next(self) -> int:
        sequence = self._sequence
        self._sequence += 1
        return sequence

    def _put(
        self,
        kind: RowKind,
        t: float,
        wall: float,
        *,
        signal: int = NO_SIGNAL,
        value: float = 0.0,
        until: float | None = None,
        text: str = "",
        cause: int = 0,
    ) -> None:
        until = t if until is None else until
        self._history.put(Entry(self._next(), wall, kind, t, t, until, signal, value, cause, text))

    def _put_change(self, decision: Decision) -> None:
        if not decision.changed:
            return
        text = to_json(change_document(decision))
        self._put(RowKind.CHANGE, decision.t, decision.wall, value=decision.position, cause=decision.cause, text=text)

    def _put_gap(self, gap: "Gap", event: Event, state: State) -> None:
        self._filter.keep_next(state.data)
        document = {"why": gap.why, "relay": position_name(state.position), **_switches(state)}
        text = _text(document)
        self._put(RowKind.GAP, event.t, event.wall, value=gap.rows, cause=state.cause, text=text)


def _switches(state: State) -> dict[str, str]:
    return {"selector": state.selector.name.lower(), "lockout": state.lockout.name.lower()}


def _text(document: Mapping[str, Any]) -> str:
    return json.dumps(document, separators=(",", ":"), default=str)


def _clean(text: str) -> str:
    """Return text that a database takes: no lone surrogates."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def open_recorder(settings: "Settings", on_note: Callable[[str], None]) -> Recorder | None:
    """Return what records under these settings, or None: none is wanted, or this Python has no database library."""
    options = settings.history
    if options.path is None:
        return None
    try:
        from dumpload.history.writer import HistoryOptions, HistoryWriter  # loads the database library
    except ImportError as error:
        on_note(f"not recording: {error}")
        return None
    history = HistoryWriter(options.path, HistoryOptions(options.retain_days, options.max_size_mb), on_note)
    return Recorder(history, options.sample_every_s, on_note)


# ---- which samples are kept, so that replaying them makes the very same decisions ----
#
# A sample is kept when it is the first of its signal, or since the signal was lost; when it moved anything that the
# controller remembers, or is on another side of a threshold; when it has left the deadband of the last kept one; and
# after `sample_every_s`. All others only move the end of the last kept one's run: that value, give or take the
# deadband, kept arriving until then. What leaving samples out can change:
#
# - with the settings it was recorded under, nothing: every sample that mattered is there, with its exact time, and a
#   run says how long its signal stayed live. Only after a reload a signal is exact from its next sample on;
# - with other settings, a threshold may be crossed by as much as the deadband apart, or by up to `sample_every_s`
#   later (SPACING_S for a value that leaves the deadband), and a confirmation ends at a kept sample.

# In the signal's base unit: a change of more than this is kept (our choice, no source).
DEADBANDS: dict[Signal, float] = {
    Signal.STATE_OF_CHARGE: 0.1,
    Signal.BATTERY_VOLTAGE: 0.05,
    Signal.BATTERY_POWER: 10.0,
    Signal.LOAD_POWER: 10.0,
    Signal.SOLAR_POWER: 10.0,
    Signal.TANK_TEMPERATURE: 0.5,
    Signal.HEARTBEAT: math.inf,  # that it went on changing is told by the run
}

# A signal that only jitters is kept no more often than this: it bounds what a day can write (our choice).
SPACING_S = 1.0


class HeldValue:
    """One kept sample, and how long its value has been good for. Times in monotonic s."""

    __slots__ = ("expires_at", "kept_at", "sequence", "value")

    def __init__(self, sequence: int, value: float, kept_at: float, expires_at: float) -> None:
        self.sequence, self.value, self.kept_at, self.expires_at = sequence, value, kept_at, expires_at


class DeadbandFilter:
    """Remembers the run of every signal."""

    def __init__(self, sample_every_s: float) -> None:
        self._every_s = sample_every_s
        self._deadbands = tuple(DEADBANDS[signal] for signal in Signal)
        self.runs: list[HeldValue | None] = [None] * len(Signal)

    def wants(self, signal: Signal, value: float, t: float, *, moved: bool) -> bool:
        """Return whether an accepted sample is kept; `moved`: the controller's memory is not what it was."""
        run = self.runs[signal]
        if run is None or moved:
            return True
        held_s = t - run.kept_at
        return held_s >= self._every_s or (held_s >= SPACING_S and abs(value - run.value) > self._deadbands[signal])

    def lose(self, t: float) -> Iterator[Signal]:
        """End the runs whose signal is too old at `t`, and return which."""
        for signal in Signal:
            run = self.runs[signal]
            if run is not None and run.expires_at <= t:
                self.runs[signal] = None
                yield signal

    def keep_next(self, data: Sequence[Datum]) -> None:
        """Have the next sample of every signal kept: the last kept ones may not say all any more."""
        for run, datum in zip(self.runs, data, strict=True):
            if run is not None:
                run.kept_at, run.expires_at = -math.inf, datum.expires_at


def footing(settings: ControllerSettings, state: State) -> tuple[object, ...]:
    """Return the controller state that a sample can change; compare before and after."""
    # A NaN is the core's one MISSING object, and a tuple compares objects by identity first: so it equals itself here.
    # Were it not, more samples would be kept.
    law, permissive, limits = state.law, state.permissives, settings.limits
    charge, load = state.data.state_of_charge.value, state.data.load_power.value
    return (
        law.surplus,
        law.above_since,
        law.position,
        charge >= limits.cut_in_percent,
        charge >= limits.cut_out_percent,
        charge >= limits.floor_percent,
        permissive.voltage_held,
        permissive.tank_held,
        permissive.drain_since,
        permissive.drained_at,
        load > LOAD_PRESENT_W,
        state.data.heartbeat.expires_at == -NEVER,  # never seen to change yet
        state.evidence,
        state.lockout,
        state.cause,
    )
