"""Events to decisions to the pin: the state of one controller, its relay, and the timer for its next deadline.

It decides nothing: every decision is the controller's, and the pin is written before anyone is told of it. It knows
nothing of the broker, of signals or of how the service lives and ends.
"""

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

from dumpload.announce import Announcer
from dumpload.core.controller import Decision, Event, Kind, Lockout, Setup, decide, is_overdue, reconfigure, start
from dumpload.core.freshness import NEVER
from dumpload.core.law import Cause, Position, Selector
from dumpload.documents import position_name
from dumpload.io.kept import Keeper, Kept
from dumpload.io.relay import Relay, RelayError

if TYPE_CHECKING:
    from dumpload.record import Recorder

# The wall clock was stepped, not slewed, if it moved against the monotonic one by more than this between two ticks.
CLOCK_STEP_S = 0.5


class Clocks(NamedTuple):
    """Where time comes from: monotonic seconds that count suspend, and Unix seconds."""

    monotonic: Callable[[], float]
    wall: Callable[[], float]


class Hands(NamedTuple):
    """What is driven and who is told: the pin, the outside, the log, and what outlives a restart."""

    relay: Relay
    announcer: Announcer
    log: Any
    keeper: Keeper


class ControlLoop:
    """Drives one relay as its controller decides, and keeps the controller's one state.

    `observers` are told of every relay change, after the pin. `recorder` keeps the history, if there is one. Once
    `ended`, the relay is off for good and nothing is decided any more, but what `end` says.
    """

    def __init__(self, setup: Setup, hands: Hands, clocks: Clocks, fail: Callable[[BaseException], None]) -> None:
        """Take up what was kept before a restart. `fail` ends the service on what must not happen."""
        self._relay, self._announcer, self._log, self._keeper = hands
        self._clock, self._wall = clocks
        self._fail = fail
        kept = self._keeper.read()
        self.settings, self._schedule = setup.settings, setup.schedule()
        selector = Selector.OFF if kept.selector_off else Selector.AUTO
        self.state = start(self._clock(), selector=selector, lockout=kept.lockout)
        self.observers: list[Callable[[Decision], None]] = [self._announce]
        self.recorder: Recorder | None = None
        self.ended = self._end_decided = False
        self.wall_ahead = self._wall() - self._clock()
        self._shown: tuple[Any, ...] = self._to_show()
        self._shown_cause = self.state.cause
        self._loop: asyncio.AbstractEventLoop | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._armed_at = NEVER

    def begin(self, loop: asyncio.AbstractEventLoop) -> None:
        """Set deadlines on this event loop from now on."""
        self._loop = loop

    def happened(self, kind: Kind) -> Decision | None:
        """Dispatch an event that says nothing but its kind, now."""
        return self.dispatch(Event(self._clock(), self._wall(), kind))

    def dispatch(self, event: Event) -> Decision | None:
        """Decide on one event, obey, and arm the next deadline; return the decision (None: nothing is decided now)."""
        if not self.ended and is_overdue(self.state, event):
            self._decide(event._replace(kind=Kind.OVERDUE))
        return None if self.ended else self._decide(event)  # the relay may be off for good: nothing is decided any more

    def _decide(self, event: Event) -> Decision:
        place = self.recorder.reserve() if self.recorder is not None else 0
        decision = self._apply(self._evaluate(event))
        self._record(place, event, decision)
        if self.state.deadline < self._armed_at:
            self._arm()
        shown = self._to_show()
        if shown != self._shown:
            self.show()
            self._keeper.keep(Kept(self.state.selector == Selector.OFF, self.state.lockout))
        elif self.state.cause != self._shown_cause:
            self._announcer.status_soon()
        self._shown, self._shown_cause = shown, self.state.cause
        return decision

    def _evaluate(self, event: Event) -> Decision:
        self.state, decision = decide(self.settings, self.state, event, self._schedule.at(event.wall))
        return decision

    def _record(self, place: int, event: Event, decision: Decision) -> None:
        if self.recorder is not None:
            self.recorder.after(place, event, decision, self.settings, self.state)

    def _to_show(self) -> tuple[Any, ...]:
        return self.state.position, self.state.selector, self.state.lockout

    def show(self) -> None:
        """Publish the status."""
        self._announcer.status(self.settings, self.state)

    def _apply(self, decision: Decision) -> Decision:
        """Drive the pin; only then notify anyone. Return what came of it."""
        expires_at = self.state.charge_expires_at
        try:
            if decision.position == Position.OFF:
                if decision.changed:
                    self._relay.off()
            elif decision.changed:
                self._relay.on(expires_at)
            else:
                self._relay.extend(expires_at)
        except RelayError as error:
            return self._pin_failed(error, decision)
        if decision.changed:
            self.notify(decision)
        return decision

    def notify(self, decision: Decision) -> None:
        """Tell every observer of a relay change."""
        for observe in self.observers:
            observe(decision)

    def _announce(self, decision: Decision) -> None:
        self._announcer.change(self.state, decision)

    def _pin_failed(self, error: RelayError, decision: Decision) -> Decision:
        if decision.position == Position.OFF:
            self._fail(error)  # drives off once more
            if not self.reads_off():
                return self._assume_on(decision.t - decision.after_s)
            self.notify(decision)
        elif self._drive_off():
            self.notify(decision)  # it was decided, and then undone: the record keeps the order
            self.happened(Kind.PIN_FAULT)
            self._log.error("pin_fault", text=f"the pin failed: {error}")
        return decision

    def _drive_off(self) -> bool:
        try:
            self._relay.off()
        except RelayError as error:
            self._fail(error)
            return False
        return True

    def reads_off(self) -> bool:
        """Read the pin back; one that cannot be read does not read off."""
        try:
            return not self._relay.is_energised()
        except RelayError:
            return False

    def _assume_on(self, since: float) -> Decision:
        """Count the relay as on since then (s), locked out: it could not be driven off, whatever was decided."""
        decision = self._evaluate(Event(self._clock(), self._wall(), Kind.ASSUME_ON, stamp=since))
        self._announcer.fault("pin", "it could not be driven off, the relay may be on: open the isolator")
        self._keeper.keep(Kept(self.state.selector == Selector.OFF, self.state.lockout))
        return decision

    def end(self, *, is_off: bool) -> None:
        """Decide the last change, once: the relay has been driven off for good, or must count as on.

        The one place where the stop becomes a change. It was once made for the outside and again for the record, some
        milliseconds apart, and the two told different moments.
        """
        if self._end_decided:
            return
        self._end_decided = self.ended = True
        place = self.recorder.reserve() if self.recorder is not None else 0
        if is_off:
            event = Event(self._clock(), self._wall(), Kind.STOP)
            decision = self._evaluate(event)
            if decision.changed:
                self.notify(decision)
            self._record(place, event, decision)
        elif (self.state.position, self.state.cause) != (Position.ON, Cause.LOCKOUT):
            decision = self._assume_on(self.state.law.relay_since)
            self._record(place, Event(decision.t, decision.wall, Kind.ASSUME_ON), decision)
        if self.recorder is not None:
            self.recorder.end(self._clock(), self._wall())

    def reconfigure(self, setup: Setup) -> None:
        """Take new settings; the deadline is then due, and whoever calls wakes it."""
        self.settings, self._schedule = setup.settings, setup.schedule()
        self.state = reconfigure(self.state, setup.settings)

    def _arm(self) -> None:
        """Set the timer for the controller's next deadline. A later deadline is armed when this one fires."""
        if self._timer is not None:
            self._timer.cancel()
        self._armed_at = self.state.deadline
        if self._loop is not None and self._armed_at < NEVER and not self.ended:
            self._timer = self._loop.call_later(max(0.0, self._armed_at - self._clock()), self._on_deadline)

    def _on_deadline(self) -> None:
        self._timer, self._armed_at = None, NEVER
        if self.state.deadline <= self._clock():
            self.happened(Kind.WAKE)
        self._arm()

    def supervise(self) -> None:
        """Supervise, once a tick: a stepped wall clock, a deadline that a suspend hid, the pin, the dead-man thread."""
        t, ahead = self._clock(), self._wall() - self._clock()
        if abs(ahead - self.wall_ahead) > CLOCK_STEP_S:
            step_s = ahead - self.wall_ahead
            self.happened(Kind.WAKE)
            self._log.warning("clock_step", text=f"the wall clock was stepped by {step_s:+.1f} s", step_s=step_s)
        elif self.state.deadline <= t:  # the event loop's timer does not count a suspend
            self.happened(Kind.WAKE)
        self.wall_ahead = ahead
        self._check_pin()
        if not self._relay.deadman.is_alive():
            self._fail(RuntimeError("the dead-man thread has died"))

    def _check_pin(self) -> None:
        """Read the pin back: it must be where the controller put it, or where the dead-man thread did."""
        driven = self.state.position
        wanted = driven == Position.ON
        event, text = "pin_mismatch", f"the pin was not where it was driven: {position_name(driven)}"
        try:
            energised = self._relay.is_energised()
        except RelayError as error:
            energised, event, text = not wanted, "pin_fault", f"the pin cannot be read back: {error}"
        if energised == wanted or self.ended:
            return
        if self._relay.forced_off_at is not None and not energised:
            self.happened(Kind.UNKNOWN)
            self._log.warning("forced_off", text="the dead-man thread drove the relay off: data lost")
            return
        if self._drive_off() and self.state.lockout != Lockout.PIN_FAULT:
            self.happened(Kind.PIN_FAULT)  # once: each is a row of the record
        self._announcer.pin_trouble(event, text)
