"""The running daemon: wires the pure core to the broker, the pin and the service manager.

Owns the tasks, the signals and the stop; what the link brings becomes events for `control`, which drives the pin.
"""

import asyncio
import contextlib
import signal
import time
from collections.abc import Callable
from typing import Any

from dumpload.config.layers import ConfigError
from dumpload.config.model import Settings, changed_keys, flat, restart_needed
from dumpload.config.to_core import alert_limits, controller_setup
from dumpload.config.to_mqtt import base_topics, link_options, topic_map
from dumpload.core.contact import Feedback
from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Reason, Rejection
from dumpload.core.freshness import NEVER, is_missing
from dumpload.core.topics import InboundMessage
from dumpload.daemon.alerts import AlertFile, Alerts
from dumpload.daemon.local_socket import CONTROL, VIEW, LocalSocket, LocalWay
from dumpload.daemon.loop import ControlLoop
from dumpload.daemon.publisher import Publisher, summary
from dumpload.daemon.requests import Requests
from dumpload.daemon.state import StateFile
from dumpload.daemon.systemd import Notifier
from dumpload.daemon.telemetry import Telemetry
from dumpload.gpio.relay import Relay, RelayError
from dumpload.mqtt import Listener, Message
from dumpload.mqtt.link import Link

TICK_S = 1.0
# How long the last status may take to the broker; an owner who stops a service waits for it (our choice, no source).
GOODBYE_S = 1.0
# From the stop on: a process that has not ended by then is ended by SIGALRM.
HARD_STOP_S = 12.0


class Service(Listener):
    """One relay, one broker, one controller."""

    _fed_at = -NEVER
    _exit_code: int | None = None
    _loop: asyncio.AbstractEventLoop | None = None

    def __init__(
        self,
        settings: Settings,
        relay: Relay,
        *,
        log: Any,
        notifier: Notifier,
        reload: Callable[[], Settings],
        clock: Callable[[], float],
        state_file: StateFile | None = None,
        alert_file: AlertFile | None = None,
        local: LocalWay | None = None,
        wall: Callable[[], float] = time.time,
    ) -> None:
        """Take the claimed relay; nothing runs before `run`.

        `reload` reads the settings again. `state_file` remembers across restarts what must outlive one (None: nothing
        is kept); `alert_file` the alerts. `local`: where people of this machine reach us (None: nowhere).
        `clock` gives monotonic seconds that count suspend, `wall` Unix seconds.
        """
        self._settings, self._relay, self._reload = settings, relay, reload
        self._log, self._notifier, self._clock, self._wall = log, notifier, clock, wall
        self._topic_map, topics = topic_map(settings), base_topics(settings)
        self._request_topic = topics.request if settings.request.enabled else None
        self.link = Link(link_options(settings), self, clock)
        zone, fields = settings.permissive.timezone, self._topic_map.fields
        self._telemetry = Telemetry(name=settings.name, timezone=zone, fields=fields)
        self._publisher = Publisher(
            topics, self.link, log=log, notifier=notifier, clock=clock, wall=wall, telemetry=self._telemetry
        )
        self.control = self._make_control(state_file or StateFile({}))
        max_hand_s = settings.request.max_hand_s
        self._requests = Requests(self.control, self._publisher, log, clock=clock, wall=wall, max_hand_s=max_hand_s)
        self._alerts = Alerts(alert_limits(settings), self._publisher, alert_file or AlertFile({}), clock())
        self._sockets = self._make_sockets(local) if local else []
        self._stopped = asyncio.Event()

    def _make_control(self, state_file: StateFile) -> ControlLoop:
        state_file.on_trouble = lambda text: self._publisher.fault("state", text)
        return ControlLoop(
            controller_setup(self._settings), relay=self._relay, publisher=self._publisher, log=self._log,
            state_file=state_file, clock=self._clock, wall=self._wall, fail=self.fail,
        )  # fmt: skip

    def _make_sockets(self, way: LocalWay) -> list[LocalSocket]:
        answers = {CONTROL: self._requests.answer, VIEW: self._requests.look}
        return [LocalSocket(way, door, answer) for door, answer in answers.items()]

    # ---- life ----

    async def run(self) -> int:
        """Run until stopped; return the exit code. On every way out the relay is off before anything else."""
        self._loop = asyncio.get_running_loop()
        self.control.begin(self._loop)
        self._loop.set_exception_handler(self._on_loop_error)
        self._loop.add_signal_handler(signal.SIGHUP, self.reload)
        try:
            self._begin()
            await self._listen()
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
            self.control.end(is_off=is_off or self.control.reads_off())
        return (self._exit_code or 0) if is_off else 1

    def _begin(self) -> None:
        self._notifier.ready(summary(self.control.state))
        if self.control.recorder is not None:
            control, settings = self.control, flat(self._settings)
            self.control.recorder.begin(
                self._publisher.boot_id, control.settings, control.state, control.wall_ahead, settings
            )
        if (closed := self._relay.is_contact_closed()) is not None:
            self._on_feedback(closed)

    async def _listen(self) -> None:
        """Listen on the local sockets; without one of them the rest goes on."""
        for socket in self._sockets:
            try:
                await socket.open()
            except OSError as error:
                self._publisher.fault(socket.path.name, str(error))

    def stop(self, exit_code: int) -> None:
        """End the service. Safe from a signal handler: the pin comes first, the rest follows on the event loop."""
        if not self._shut():
            exit_code = 1
        if self._exit_code is not None:
            return
        self._exit_code, self.control.ended = exit_code, True
        # The last resort is the kernel's: no thread, no lock, nothing that the interrupted code may be holding.
        signal.setitimer(signal.ITIMER_REAL, HARD_STOP_S)
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended already
                self._loop.call_soon_threadsafe(self._stopped.set)

    def _shut(self) -> bool:
        """Drive off for good; return whether that worked. If not, the service manager's own off is the next layer."""
        try:
            self._relay.off_for_good()
        except RelayError:
            return False
        return True

    def fail(self, error: BaseException) -> None:
        """Handle an internal fault: drive off, log it and exit with an error. Safe from any thread."""
        self.stop(1)
        self._exit_code = 1
        self._log.error("failed", text=f"unexpected error, stopping: {error!r}", exc_info=error)
        if self.control.recorder is not None:
            self.control.recorder.fail(self._clock(), self._wall(), repr(error))

    def _on_loop_error(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        self.fail(context.get("exception") or RuntimeError(context["message"]))

    async def _say_goodbye(self) -> None:
        self._notifier.stopping()
        for socket in self._sockets:
            socket.close()
        self.control.end(is_off=self._shut() or self.control.reads_off())
        await self._wait_until_kept()
        self._look_for_alerts()
        self.control.show()
        self._publisher.presence("down")
        self._log.info("stopped", text="stopped")
        await self.link.close(GOODBYE_S)

    async def _wait_until_kept(self) -> None:
        saved: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.control.when_kept(saved.set_result)
        if trouble := await saved:
            self._log.error("not_kept", text=f"stopping anyway: {trouble}")

    # ---- what the link says ----

    def on_message(self, message: Message) -> None:
        """Decode, decide, drive the pin: all before this returns."""
        if self._exit_code is not None:
            return
        # Both clocks are read once a message: ages run on the one that cannot be set, the source's own time is compared
        # with the other.
        arrival = InboundMessage(*message, self._clock(), self._wall())
        if message.topic == self._request_topic:
            self._requests.hear(arrival)
            return
        for rejection in [self._take(item) for item in self._topic_map.read(arrival)]:  # all taken before any is told
            if rejection is not None:
                self._publisher.rejected(rejection, arrival)

    def _take(self, item: Event | Rejection) -> Rejection | None:
        """Dispatch an event; return the rejection to report, if any."""
        if isinstance(item, Rejection):
            return item
        decision = self.control.dispatch(item)
        counts = decision is not None and decision.accepted
        if counts:
            self._telemetry.take(item.signal, self.control.state, item.t)
        return None if counts or item.kind != Kind.SAMPLE else Rejection(item.signal, Reason.TOO_OLD)

    def on_up(self) -> None:
        """Restart the evidence and publish our presence."""
        if self._exit_code is not None:
            return  # we are not any more
        self.control.happened(Kind.EVIDENCE_RESET)
        self._log.info("broker_up", text="connected to the broker, subscriptions acknowledged")
        self._publisher.presence("up")
        self.control.show()
        self.link.flush()

    def on_down(self, reason: str, retry_s: float) -> None:
        """Change nothing at once: the age of the data decides."""
        self._publisher.broker_down(reason, retry_s)

    def on_evidence_reset(self, reason: str) -> None:
        """Discard the evidence for surplus."""
        self.control.happened(Kind.EVIDENCE_RESET)
        self._log.warning("evidence_restarted", text=f"surplus confirmation starts again: {reason}", reason=reason)

    def on_fault(self, part: str, text: str) -> None:
        """Report a fault of the broker to the owner."""
        self._publisher.fault(part, text)

    def on_callback_error(self, error: Exception) -> None:
        """Stop: after a fault in our own code no decision can be trusted."""
        self.fail(error)

    def contact_moved(self, closed: bool) -> None:  # noqa: FBT001  (a line's level)
        """Handle an edge of the feedback line; called on the pin library's thread."""
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended already
                self._loop.call_soon_threadsafe(self._on_feedback, closed)

    def _on_feedback(self, closed: bool) -> None:  # noqa: FBT001
        self.control.dispatch(Event(self._clock(), self._wall(), Kind.FEEDBACK, feedback=Feedback(closed)))

    def note_history(self, text: str) -> None:
        """Report a fault of the history ("": none). Safe from any thread."""
        self._publisher.fault("history", text)
        self._alerts.note_history(text, self._clock())

    # ---- supervision and reload ----

    async def _supervise(self) -> None:
        """Supervise: the only periodic wake-up. A small age limit needs a finer tick: it stamps arrivals."""
        while True:
            limits = [age for age in self.control.settings.max_age_s if not is_missing(age)]
            await asyncio.sleep(min(TICK_S, min(limits) / 10))
            self.link.tick()
            self.control.supervise()
            self._look_for_alerts()
            self._publisher.undelivered(self.link.dropped)
            t = self._clock()
            if t >= self._publisher.status_due_at:
                self.control.show()
            self._feed_watchdog(t)

    def _look_for_alerts(self) -> None:
        control = self.control
        self._alerts.recorder = None if control.ended else control.recorder
        self._alerts.look(control.settings, control.state, self._clock(), self._wall())

    def _feed_watchdog(self, t: float) -> None:
        """Feed the watchdog; only a completed round of supervision gets here."""
        every_s = self._notifier.watchdog_s
        if every_s is not None and t - self._fed_at >= every_s / 4:
            self._fed_at = t
            self._notifier.watchdog()

    def reload(self) -> None:
        """Read the settings again and take them if they are right and can be taken without a restart."""
        self._notifier.reloading()
        try:
            problem = self._take_settings(self._reload())
        except ConfigError as error:
            problem = str(error)
            self._log.error("reload_rejected", text=f"new settings rejected, keeping the old ones:\n{error}")
        self._notifier.reloaded(problem)
        self._notifier.ready(summary(self.control.state))

    def _take_settings(self, new: Settings) -> str:
        """Take the settings, or return why they need a restart."""
        changes = changed_keys(self._settings, new)
        if fixed := restart_needed(self._settings, new):
            problem = f"needs a restart: {', '.join(fixed)}"
            self._log.error(
                "reload_rejected", text=f"new settings rejected, keeping the old ones: {problem}", keys=fixed
            )
            return problem
        self._settings = new
        self._requests.max_hand_s = new.request.max_hand_s
        self._topic_map = topic_map(new)
        self._alerts.limits = alert_limits(new)
        self._telemetry.timezone = new.permissive.timezone
        self._telemetry.take_fields(self._topic_map.fields)
        self.control.reconfigure(controller_setup(new))
        summary = "; ".join(f"{key} {_said(old)} → {_said(value)}" for key, old, value in changes) or "nothing changed"
        if self.control.recorder is not None:
            self.control.recorder.take_settings(self.control.state, self._clock(), self._wall(), flat(new))
        self.control.happened(Kind.WAKE)
        self._log.info("reloaded", text=f"settings reloaded: {summary}")
        return ""


def _said(value: Any) -> str:
    """Return a setting's value as a person would write it."""
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value)) or "none"
    return "not set" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
