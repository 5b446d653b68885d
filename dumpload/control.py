"""Events to decisions to the pin: one controller, its relay, and the timer for its next deadline.

It decides nothing: every decision is the controller's, and the pin is written before anyone is told of it. It knows
nothing of the broker, of signals or of how the service lives and ends.
"""

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

from dumpload.announce import Announcer
from dumpload.core.controller import Controller, Decision, Event, Kind, Lockout
from dumpload.core.freshness import NEVER
from dumpload.core.law import Cause, Position, Selector
from dumpload.documents import position_name
from dumpload.io.kept import Keeper, Kept
from dumpload.io.relay import Relay, RelayError

if TYPE_CHECKING:
    from dumpload.record import Recorder

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


class Control:
    """Drives one relay as one controller decides.

    `observers` are told of every relay change, after the pin. `recorder` keeps the history, if there is one. Once
    `ended`, the relay is off for good and nothing is decided any more.
    """

    def __init__(
        self, controller: Controller, hands: Hands, clocks: Clocks, fail: Callable[[BaseException], None]
    ) -> None:
        """Take up what was kept before a restart. `fail` ends the service on what must not happen."""
        self.controller = controller
        self._relay, self._announcer, self._log, self._keeper = hands
        self._clock, self._wall = clocks
        self._fail = fail
        kept = self._keeper.read()
        controller.lockout = kept.lockout
        controller.selector = Selector.OFF if kept.selector_off else Selector.AUTO
        self.observers: list[Callable[[Decision], None]] = [self._announce]
        self.recorder: Recorder | None = None
        self.ended = False
        self.wall_ahead = self._wall() - self._clock()
        self._shown: tuple[Any, ...] = (controller.position, controller.selector, controller.lockout)
        self._shown_cause = controller.cause
        self._loop: asyncio.AbstractEventLoop | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._armed_at = NEVER

    def begin(self, loop: asyncio.AbstractEventLoop) -> None:
        """Set deadlines on this event loop from now on."""
        self._loop = loop

    def happened(self, kind: Kind) -> None:
        """Dispatch an event that says nothing but its kind, now."""
        self.dispatch(Event(self._clock(), self._wall(), kind))

    def dispatch(self, event: Event) -> bool:
        """Let the controller decide, obey, and arm the next deadline; return whether a sample was accepted."""
        if self.ended:
            return False  # the relay is off for good: nothing is decided any more
        controller = self.controller
        place = self.recorder.reserve() if self.recorder is not None else 0
        decisions = tuple(self._obey(decision) for decision in controller.handle(event))
        accepted = decisions[-1].accepted
        if self.recorder is not None:
            self.recorder.after(place, event, decisions, controller)
        if controller.deadline < self._armed_at:
            self._arm()
        shown = (controller.position, controller.selector, controller.lockout)
        if shown != self._shown:
            self._announcer.status(controller)
            self._keeper.keep(Kept(controller.selector == Selector.OFF, controller.lockout))
        elif controller.cause != self._shown_cause:
            self._announcer.status_soon()
        self._shown, self._shown_cause = shown, controller.cause
        return accepted

    def _obey(self, decision: Decision) -> Decision:
        """Drive the pin; only then tell anyone. Return what came of it."""
        try:
            if decision.position == Position.OFF:
                if decision.changed:
                    self._relay.off()
            elif decision.changed:
                self._relay.on(self.controller.charge_expires_at)
            else:
                self._relay.extend(self.controller.charge_expires_at)
        except RelayError as error:
            return self._pin_failed(error, decision)
        if decision.changed:
            self.tell(decision)
        return decision

    def tell(self, decision: Decision) -> None:
        """Tell every observer of a relay change."""
        for observe in self.observers:
            observe(decision)

    def _announce(self, decision: Decision) -> None:
        self._announcer.change(self.controller, decision)

    def _pin_failed(self, error: RelayError, decision: Decision) -> Decision:
        if decision.position == Position.OFF:
            self._fail(error)  # drives off once more
            if not self.reads_off():
                self.doubt(decision.t - decision.after_s)
                return decision._replace(position=Position.ON, cause=Cause.LOCKOUT, changed=False)
            self.tell(decision)
        elif self._drive_off():
            self.tell(decision)  # it was decided, and then undone: the record keeps the order
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

    def doubt(self, since: float) -> None:
        """Count the relay as on since then (s), locked out: it could not be driven off, whatever was decided."""
        controller = self.controller
        if (controller.position, controller.cause) == (Position.ON, Cause.LOCKOUT):
            return
        controller.law_memory = controller.law_memory._replace(position=Position.ON, relay_since=since)
        controller.lockout, controller.cause = Lockout.PIN_FAULT, Cause.LOCKOUT
        self._announcer.fault("pin", "it could not be driven off, the relay may be on: open the isolator")
        self._keeper.keep(Kept(controller.selector == Selector.OFF, controller.lockout))

    def _arm(self) -> None:
        """Set the timer for the controller's next deadline. A later deadline is armed when this one fires."""
        if self._timer is not None:
            self._timer.cancel()
        self._armed_at = self.controller.deadline
        if self._loop is not None and self._armed_at < NEVER:
            self._timer = self._loop.call_later(max(0.0, self._armed_at - self._clock()), self._on_deadline)

    def _on_deadline(self) -> None:
        self._timer, self._armed_at = None, NEVER
        if self.controller.deadline <= self._clock():
            self.happened(Kind.WAKE)
        self._arm()

    def look(self) -> None:
        """Supervise, once a tick: a stepped wall clock, a deadline that a suspend hid, the pin, the dead-man thread."""
        t, ahead = self._clock(), self._wall() - self._clock()
        if abs(ahead - self.wall_ahead) > CLOCK_STEP_S:
            step_s = ahead - self.wall_ahead
            self.happened(Kind.WAKE)
            self._log.warning("clock_step", text=f"the wall clock was stepped by {step_s:+.1f} s", step_s=step_s)
        elif self.controller.deadline <= t:  # the event loop's timer does not count a suspend
            self.happened(Kind.WAKE)
        self.wall_ahead = ahead
        self._check_pin()
        if not self._relay.deadman.is_alive():
            self._fail(RuntimeError("the dead-man thread has died"))

    def _check_pin(self) -> None:
        """Read the pin back: it must be where the controller put it, or where the dead-man thread did."""
        driven = self.controller.position
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
        if self._drive_off() and self.controller.lockout != Lockout.PIN_FAULT:
            self.happened(Kind.PIN_FAULT)  # once: each is a row of the record
        self._announcer.pin_trouble(event, text)
