"""The running daemon: wires the pure core to the broker, the pin and the service manager.

Owns the tasks, the deadlines and the stop. It decides nothing: every decision is the controller's, and the pin is
written before anything else is done about it.
"""

import asyncio
import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from dumpload.announce import Announcer, Voice, summary
from dumpload.broker import base_topics, intake, link_options
from dumpload.config import Settings, changed_keys, flat, restart_needed
from dumpload.core.contact import Feedback
from dumpload.core.controller import Controller, Decision, Event, Kind
from dumpload.core.decode import Reason, Rejection
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.intake import Arrival
from dumpload.core.law import Position, Selector
from dumpload.core.request import Refusal, Terms, read_request
from dumpload.documents import position_name, stop_decision
from dumpload.io.kept import Keeper, Kept
from dumpload.io.mqtt import Link
from dumpload.io.mqtt_session import Message
from dumpload.io.relay import Relay, RelayError
from dumpload.layers import ConfigError
from dumpload.setup import controller_setup

if TYPE_CHECKING:
    from dumpload.record import Recorder

TICK_S = 1.0
CLOCK_STEP_S = 0.5
GOODBYE_S = 1.0
HARD_STOP_S = 5.0


class Service:
    """One relay, one broker, one controller."""

    def __init__(  # noqa: PLR0913  (each is a part that a test puts another in for)
        self,
        settings: Settings,
        relay: Relay,
        voice: Voice,
        *,
        reload: Callable[[], Settings],
        clock: Callable[[], float],
        keeper: Keeper | None = None,
        wall: Callable[[], float] = time.time,
    ) -> None:
        """Take the claimed relay; nothing runs before `run`.

        `reload` reads the settings again. `keeper` remembers a selector in off, and a lockout, across restarts
        (None: nothing is kept).
        `clock` gives monotonic seconds that count suspend, `wall` Unix seconds.
        """
        self._settings = settings
        self._relay = relay
        self._log, self._notifier = voice
        self._reload = reload
        self._clock = clock
        self._wall = wall
        self.controller = Controller(controller_setup(settings), clock())
        self._keeper = keeper or Keeper({}, self._log.error)
        kept = self._keeper.read()
        self.controller.lockout = kept.lockout
        self.controller.selector = Selector.OFF if kept.selector_off else Selector.AUTO
        self._intake = intake(settings)
        topics = base_topics(settings)
        self._request_topic = topics.request if settings.request.enabled else ""
        self.link = Link(link_options(settings), self, clock)
        self._announcer = Announcer(topics, self.link, voice, clock=clock, wall=wall)
        self.observers: list[Callable[[Decision], None]] = [self._announce]
        self.recorder: Recorder | None = None
        self._shown: tuple[Any, ...] = (self.controller.position, self.controller.selector, self.controller.lockout)
        self._shown_cause = self.controller.cause
        self._timer: asyncio.TimerHandle | None = None
        self._armed_at = NEVER
        self._wall_ahead = wall() - clock()
        self._fed_at = -NEVER
        self._exit_code: int | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopped = asyncio.Event()

    # ---- life ----

    async def run(self) -> int:
        """Run until stopped; return the exit code. On every way out the relay is off before anything else."""
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(self._on_loop_error)
        self._loop.add_signal_handler(signal.SIGHUP, self.reload)
        self._notifier.ready(summary(self.controller))
        if self.recorder is not None:
            self.recorder.begin(self._announcer.boot_id, self.controller, self._wall_ahead, flat(self._settings))
        if (closed := self._relay.is_contact_closed()) is not None:
            self._on_feedback(closed)
        try:
            async with asyncio.TaskGroup() as tasks:
                running = [tasks.create_task(self._supervise()), tasks.create_task(self.link.run())]
                if self._exit_code is None:
                    await self._stopped.wait()
                await self._say_goodbye()
                for task in running:
                    task.cancel()
        except* Exception as group:  # noqa: BLE001  (any task that dies takes the process down)
            self.fail(group.exceptions[0])
        finally:
            is_off = self._shut()
            self._end_record()
        return (self._exit_code or 0) if is_off else 1

    def stop(self, exit_code: int) -> None:
        """End the service. Safe from a signal handler: the pin comes first, the rest follows on the event loop."""
        if not self._shut():
            exit_code = 1
        if self._exit_code is not None:
            return
        self._exit_code = exit_code
        last_resort = threading.Timer(HARD_STOP_S, os._exit, (1,))
        last_resort.daemon = True
        last_resort.start()
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended already
                self._loop.call_soon_threadsafe(self._stopped.set)

    def _shut(self) -> bool:
        """Drive off for good; return whether that worked. If not, the service manager's own off is the next layer."""
        try:
            self._relay.shut()
        except RelayError:
            return False
        return True

    def fail(self, error: BaseException) -> None:
        """Something that must not happen did: off, say so, and leave with an error. Safe from any thread."""
        self.stop(1)
        self._exit_code = 1
        self._log.error("failed", text=f"unexpected error, stopping: {error!r}", exc_info=error)
        if self.recorder is not None:
            self.recorder.fail(self._clock(), self._wall(), repr(error))

    def _on_loop_error(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        self.fail(context.get("exception") or RuntimeError(context["message"]))

    def _end_record(self) -> None:
        if self.recorder is not None:
            self.recorder.end(self.controller, self._clock(), self._wall())

    async def _say_goodbye(self) -> None:
        self._notifier.stopping()
        self._end_record()
        controller = self.controller
        if controller.position == Position.ON:
            last = stop_decision(controller, self._clock(), self._wall())
            controller.law_memory = controller.law_memory._replace(position=Position.OFF, relay_since=last.t)
            controller.cause = last.cause
            self._tell(last)
        self._announcer.status(controller)
        self._announcer.presence("down")
        self._log.info("stopped", text="service stopped")
        await self.link.close(GOODBYE_S)

    # ---- what the link says ----

    def on_message(self, message: Message) -> None:
        """Decode, decide, drive the pin: all before this returns."""
        if self._exit_code is not None:
            return
        arrival = Arrival(*message, self._clock(), self._wall())
        if message.topic == self._request_topic:
            self._on_request(arrival)
            return
        for rejection in [self._take(item) for item in self._intake.read(arrival)]:  # all taken before any is told
            if rejection is not None:
                self._announcer.rejected(rejection, arrival)

    def _take(self, item: Event | Rejection) -> Rejection | None:
        """Dispatch an event; return what is to be told as rejected."""
        if isinstance(item, Rejection):
            return item
        accepted = self.dispatch(item)
        return None if accepted or item.kind != Kind.SAMPLE else Rejection(item.signal, Reason.TOO_OLD)

    def on_up(self) -> None:
        """Start the evidence anew, and say that we are there."""
        if self._exit_code is not None:
            return  # we are not any more
        self._happened(Kind.DOUBT)
        self._log.info("broker_up", text="connected to the broker, subscriptions acknowledged")
        self._announcer.presence("up")
        self._announcer.status(self.controller)
        self.link.flush()

    def on_down(self, reason: str) -> None:
        """Nothing changes at once: the age of the data decides."""
        self._announcer.broker_down(reason)

    def on_doubt(self, reason: str) -> None:
        """What was heard before is no evidence for surplus any more."""
        self._happened(Kind.DOUBT)
        self._log.warning("evidence_restarted", text=f"evidence for surplus begins anew: {reason}", reason=reason)

    def on_callback_error(self, error: Exception) -> None:
        """A fault in our own code: no decision can be trusted."""
        self.fail(error)

    def contact_moved(self, closed: bool) -> None:  # noqa: FBT001  (a line's level)
        """The feedback line changed; called on the pin library's thread."""
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended already
                self._loop.call_soon_threadsafe(self._on_feedback, closed)

    def _on_feedback(self, closed: bool) -> None:  # noqa: FBT001
        self.dispatch(Event(self._clock(), self._wall(), Kind.FEEDBACK, feedback=Feedback(closed)))

    def _on_request(self, arrival: Arrival) -> None:
        if arrival.retained and not arrival.payload:
            return  # a retained request is being cleared
        terms = Terms(arrival.wall, self._announcer.boot_id, self._settings.request.max_hand_s)
        asked = read_request(arrival.payload, retained=arrival.retained, terms=terms)
        if isinstance(asked, Refusal):
            self._announcer.refused(asked.reason)
            return
        if asked.selector is not None:
            until = arrival.t + asked.for_s if asked.selector == Selector.HAND else MISSING
            self.dispatch(Event(arrival.t, arrival.wall, Kind.SELECT, selector=asked.selector, until=until))
        if asked.reset:  # last, so that reset with off does not switch on in between
            self.dispatch(Event(arrival.t, arrival.wall, Kind.RESET))
        words = " ".join(arrival.payload.decode("utf-8", "replace").split())
        self._log.info("request", text=f"request: {words}", request=words)
        self._announcer.status(self.controller)  # also when nothing moved: whoever asked is waiting

    # ---- events to decisions to the pin ----

    def _happened(self, kind: Kind) -> None:
        self.dispatch(Event(self._clock(), self._wall(), kind))

    def dispatch(self, event: Event) -> bool:
        """Let the controller decide, obey, and arm the next deadline; return whether a sample was accepted."""
        if self._exit_code is not None:
            return False  # the relay is off for good: nothing is decided any more
        accepted = False
        controller = self.controller
        place = self.recorder.reserve() if self.recorder is not None else 0
        decisions = controller.handle(event)
        for decision in decisions:
            self._obey(decision)
            accepted = decision.accepted
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

    def _obey(self, decision: Decision) -> None:
        """Drive the pin; only then tell anyone."""
        try:
            if decision.position == Position.OFF:
                if decision.changed:
                    self._relay.off()
            elif decision.changed:
                self._relay.on(self.controller.charge_expires_at)
            else:
                self._relay.extend(self.controller.charge_expires_at)
        except RelayError as error:
            self._pin_failed(error, decision)
            return
        if decision.changed:
            self._tell(decision)

    def _tell(self, decision: Decision) -> None:
        for observe in self.observers:
            observe(decision)

    def note_history(self, words: str) -> None:
        """Show what is wrong with the record ("": nothing is). Safe from any thread."""
        self._announcer.fault("history", words)

    def _announce(self, decision: Decision) -> None:
        self._announcer.change(self.controller, decision)

    def _pin_failed(self, error: RelayError, decision: Decision) -> None:
        if decision.position == Position.OFF:
            self.fail(error)
            return
        self._relay.off()
        self._tell(decision)  # it was decided, and then undone: the record keeps the order
        self._happened(Kind.PIN_FAULT)
        self._log.error("pin_fault", text=f"the pin failed: {error}")

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
            self._happened(Kind.WAKE)
        self._arm()

    # ---- supervision ----

    async def _supervise(self) -> None:
        """The only periodic wake-up. A small limit on the age needs a finer tick: arrival is stamped by it."""
        while True:
            limits = [age for age in self.controller.setup.max_age_s if not is_missing(age)]
            await asyncio.sleep(min(TICK_S, min(limits) / 10))
            self._tick()

    def _tick(self) -> None:
        self.link.tick()
        t, ahead = self._clock(), self._wall() - self._clock()
        if abs(ahead - self._wall_ahead) > CLOCK_STEP_S:
            step_s = ahead - self._wall_ahead
            self._happened(Kind.WAKE)
            self._log.warning("clock_step", text=f"the wall clock was stepped by {step_s:+.1f} s", step_s=step_s)
        elif self.controller.deadline <= t:  # the event loop's timer does not count a suspend
            self._happened(Kind.WAKE)
        self._wall_ahead = ahead
        self._check_pin()
        if not self._relay.deadman.is_alive():
            self.fail(RuntimeError("the dead-man thread has died"))
        if t >= self._announcer.status_due_at:
            self._announcer.status(self.controller)
        if self._notifier.watchdog_s is not None and t - self._fed_at >= self._notifier.watchdog_s / 4:
            self._fed_at = t
            self._notifier.watchdog()

    def _check_pin(self) -> None:
        """Read the pin back: it must be where the controller put it, or where the dead-man thread did."""
        driven = self.controller.position
        wanted = driven == Position.ON
        event, text = "pin_mismatch", f"the pin was not where it was driven: {position_name(driven)}"
        try:
            energised = self._relay.is_energised()
        except RelayError as error:
            energised, event, text = not wanted, "pin_fault", f"the pin cannot be read back: {error}"
        if energised == wanted or self._exit_code is not None:
            return
        if self._relay.forced_off_at is not None and not energised:
            self._happened(Kind.UNKNOWN)
            self._log.warning("forced_off", text="the dead-man thread drove the relay off: data lost")
            return
        self._relay.off()
        self._happened(Kind.PIN_FAULT)
        self._log.error(event, text=text)

    def reload(self) -> None:
        """Read the settings again and take them if they are right and can be taken without a restart."""
        self._notifier.reloading()
        try:
            self._take_settings(self._reload())
        except ConfigError as error:
            self._log.error("reload_rejected", text=f"new settings rejected, the old ones stay:\n{error}")
        self._notifier.ready(summary(self.controller))

    def _take_settings(self, new: Settings) -> None:
        changes = changed_keys(self._settings, new)
        if fixed := restart_needed(self._settings, new):
            text = f"new settings rejected, the old ones stay: needs a restart: {', '.join(fixed)}"
            self._log.error("reload_rejected", text=text, keys=fixed)
            return
        self._settings = new
        self._intake = intake(new)
        self.controller.reconfigure(controller_setup(new))
        words = "; ".join(f"{key} {old} -> {value}" for key, old, value in changes) or "nothing changed"
        if self.recorder is not None:
            self.recorder.take_settings(self.controller, self._clock(), self._wall(), flat(new))
        self._happened(Kind.WAKE)
        self._log.info("reloaded", text=f"settings read again: {words}")
