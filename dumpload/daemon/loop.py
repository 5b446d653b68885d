"""Events to decisions to the pin: the state of one controller, its relay, and the timer for its next deadline.

Every decision is the controller's, and the pin is written before anything is announced.
"""

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from dumpload.core.controller import (
    Decision,
    Event,
    Kind,
    Lockout,
    Setup,
    State,
    decide,
    is_overdue,
    reconfigure,
    start,
)
from dumpload.core.freshness import NEVER, is_missing
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.window import CLOCK_STEP_S
from dumpload.daemon.payloads import position_name
from dumpload.daemon.publisher import Publisher
from dumpload.daemon.state import SAVE_EVERY_S, SavedState, StateFile, carried_over
from dumpload.gpio.relay import Relay, RelayError

if TYPE_CHECKING:
    from dumpload.daemon.recorder import Recorder

# Whoever waits for the disk is answered after this all the same, and hears that it has not kept it yet.
KEEP_S = 5.0


class ControlLoop:
    """Drives one relay as its controller decides, and keeps the controller's one state.

    `observers` are called with every relay change, after the pin. `recorder` keeps the history, if there is one. Once
    `ended`, the relay is off for good and nothing is decided any more, but what `end` says.
    """

    def __init__(
        self,
        setup: Setup,
        *,
        relay: Relay,
        publisher: Publisher,
        log: Any,
        state_file: StateFile,
        clock: Callable[[], float],
        wall: Callable[[], float],
        fail: Callable[[BaseException], None],
    ) -> None:
        """Restore what was saved before a restart.

        `state_file`: what outlives a restart. `clock` gives monotonic seconds that count suspend, `wall` Unix seconds.
        `fail` ends the service on what must not happen.
        """
        self._relay, self._publisher, self._log, self.state_file = relay, publisher, log, state_file
        self._clock, self._wall, self._fail = clock, wall, fail
        self.settings, self._schedule = setup.settings, setup.schedule()
        self.state = self._take_up(self.state_file.read())
        self.observers: list[Callable[[Decision], None]] = [self._announce]
        self.recorder: Recorder | None = None
        self.ended = self._end_decided = False
        self.wall_ahead = self._wall() - self._clock()
        self._shown: tuple[Any, ...] = self._to_show()
        self._shown_cause = self.state.cause
        self._unconfirmed = 0
        self._saved, self._saves_next_at = self._to_save(), NEVER
        self._loop: asyncio.AbstractEventLoop | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._armed_at = NEVER

    def _take_up(self, saved: SavedState) -> State:
        """Return the initial state, restored from an earlier run."""
        selector = Selector.OFF if saved.selector_off else Selector.AUTO
        wall = self._wall()
        on_time_s, day = carried_over(saved, self._schedule.at(wall), wall)
        return start(self._clock(), selector=selector, lockout=saved.lockout, on_time_s=on_time_s, day=day)

    def begin(self, loop: asyncio.AbstractEventLoop) -> None:
        """Set deadlines on this event loop from now on."""
        self._loop = loop
        # The program may have died while on; now the line is off.
        if self._saved.day >= 0:
            self.state_file.keep(self._saved)

    def happened(self, kind: Kind) -> Decision | None:
        """Dispatch an event that is only a kind, now."""
        return self.dispatch(Event(self._clock(), self._wall(), kind))

    def dispatch(self, event: Event) -> Decision | None:
        """Decide on one event, apply it and arm the next deadline; return the decision, or None if there is none."""
        if not self.ended and is_overdue(self.state, event):
            self._decide(event._replace(kind=Kind.OVERDUE))
        # The relay may be off for good: nothing is decided any more.
        return None if self.ended else self._decide(event)

    def _decide(self, event: Event) -> Decision:
        # The place in the record is taken before anything happens. What follows may record something itself (a pin that
        # fails is an event of its own, decided inside this one), and the record must have cause before effect.
        place = self.recorder.reserve() if self.recorder is not None else 0
        decision = self._apply(self._evaluate(event))
        self._record(place, event, decision)
        if self.state.deadline < self._armed_at:
            self._arm()
        display = self._to_show()
        self._save()
        if display != self._shown:
            self._show_when_kept()
        elif self.state.cause != self._shown_cause:
            self._publisher.status_soon()
        self._shown, self._shown_cause = display, self.state.cause
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
        """Publish the status, unless it would confirm what the disk does not have yet: then it follows by itself."""
        if not self._unconfirmed:
            self._publisher.status(self.settings, self.state)

    # ---- what outlives a restart ----

    def _to_save(self) -> SavedState:
        """Return the state to save now; the on-time only where a day has a limit."""
        state, memory = self.state, self.state.permissives
        saved = SavedState(state.selector == Selector.OFF, state.lockout)
        if is_missing(self.settings.permissives.max_on_per_day_s):
            return saved
        is_on = state.position == Position.ON
        on_time_s = memory.on_time_s + (max(0.0, self._clock() - memory.counted_at) if is_on else 0.0)
        return saved._replace(day=memory.day, on_time_s=round(on_time_s, 1), on=is_on, at=round(self._wall(), 1))

    def _save(self) -> None:
        """Save after a request or a relay change, and once a minute while the on-time grows."""
        now, last = self._to_save(), self._saved
        if now[:2] != last[:2] or now.on != last.on or (now.on and self._clock() >= self._saves_next_at):
            self._saved, self._saves_next_at = now, self._clock() + SAVE_EVERY_S
            self.state_file.keep(now)

    def _show_when_kept(self) -> None:
        self._unconfirmed += 1

        def show(_trouble: str) -> None:
            self._unconfirmed -= 1
            self.show()

        self.when_kept(show)

    def when_kept(self, confirm: Callable[[str], None]) -> None:
        """Call `confirm`, once, when the disk has what was decided so far, or KEEP_S later with the reason.

        On the event loop; at once where the disk has it already.
        """
        loop, here, calls = self._loop, threading.get_ident(), [confirm]
        timer: asyncio.TimerHandle | None = None

        def once(trouble: str) -> None:
            if calls:
                calls.pop()(trouble)
            if timer is not None:
                timer.cancel()

        def hear(trouble: str) -> None:
            if loop is None or threading.get_ident() == here:
                once(trouble)
                return
            with contextlib.suppress(RuntimeError):  # the loop has ended already
                loop.call_soon_threadsafe(once, trouble)

        self.state_file.when_durable(hear)
        if calls and loop is not None:
            timer = loop.call_later(KEEP_S, self._give_up_waiting, once)

    def _give_up_waiting(self, once: Callable[[str], None]) -> None:
        trouble = f"not on disk within {KEEP_S:g} s: it may be lost at a restart"
        self._publisher.fault("state", trouble)
        self.state_file.when_durable(lambda later: None if later else self._publisher.fault("state", ""))
        once(trouble)

    # ---- the pin ----

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
        """Call every observer with a relay change."""
        # Always after the pin: an observer may block or raise, and the pin must be right by then whatever happens.
        for observe in self.observers:
            observe(decision)

    def _announce(self, decision: Decision) -> None:
        self._publisher.change(self.state, decision)

    def _pin_failed(self, error: RelayError, decision: Decision) -> Decision:
        if decision.position == Position.OFF:
            self._fail(error)  # drives off once more
            if not self.reads_off():
                return self._assume_on(decision.t - decision.after_s)
            self.notify(decision)
        elif self._drive_off():
            # It was decided, and then undone. Both are told, in that order: a change that never was would be missing
            # between two others, and no count of switchings would add up.
            self.notify(decision)
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
        """Return whether the pin reads off; an unreadable one does not."""
        try:
            return not self._relay.is_energised()
        except RelayError:
            return False

    def _assume_on(self, since: float) -> Decision:
        """Count the relay as on since then (s), locked out: it could not be driven off, whatever was decided."""
        decision = self._evaluate(Event(self._clock(), self._wall(), Kind.ASSUME_ON, stamp=since))
        self._publisher.fault("pin", "it could not be driven off and may be on: open the isolator")
        self._save()
        return decision

    def end(self, *, is_off: bool) -> None:
        """Decide the last change, once: the relay has been driven off for good, or must count as on."""
        # The one place where the stop becomes a change. It was once made for the outside and again for the record, some
        # milliseconds apart, and the two told different moments.
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
            self._save()
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
        elif self.state.deadline <= t:
            # The event loop's timer does not count a suspend.
            self.happened(Kind.WAKE)
        self.wall_ahead = ahead
        self._save()
        self._check_pin()
        if not self._relay.deadman.is_alive():
            self._fail(RuntimeError("the dead-man thread has stopped"))

    def _check_pin(self) -> None:
        """Read the pin back: it must be where the controller put it, or where the dead-man thread did."""
        driven = self.state.position
        expected = driven == Position.ON
        event, text = "pin_mismatch", f"the pin does not read as it was driven: {position_name(driven)}"
        try:
            energised = self._relay.is_energised()
        except RelayError as error:
            energised, event, text = not expected, "pin_fault", f"the pin cannot be read back: {error}"
        if energised == expected or self.ended:
            return
        # The one mismatch that is no fault: the dead-man thread was first. The data are lost then, by the same clock,
        # and the controller comes to the same decision; it is told UNKNOWN so that it does so now.
        if self._relay.forced_off_at is not None and not energised:
            self.happened(Kind.UNKNOWN)
            self._log.warning("forced_off", text="the dead-man thread drove the relay off: data lost")
            return
        if self._drive_off() and self.state.lockout != Lockout.PIN_FAULT:
            self.happened(Kind.PIN_FAULT)  # once: each is a row of the record
        self._publisher.pin_trouble(event, text)
