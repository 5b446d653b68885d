"""Announces each alert once when it begins and once when it ends (see `core.alerts`).

Looked at in the supervision tick, after everything that drives the pin. Whatever goes wrong here is said, and the
control goes on.
"""

import json
import math
import threading
from collections.abc import Callable, Mapping
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, NamedTuple

from dumpload.core.alerts import (
    END_WORDS,
    HISTORY_FAULT_S,
    STARTS_WITHIN_S,
    Alert,
    AlertLimits,
    Facts,
    Raised,
    active_alerts,
    alert_name,
    begin_words,
    longest_lost,
)
from dumpload.core.controller import ControllerSettings, State
from dumpload.core.printable import one_line
from dumpload.daemon.payloads import alert_document
from dumpload.daemon.publisher import Publisher
from dumpload.daemon.state import MAX_BYTES, state_path
from dumpload.files import read_plain, write_synced

if TYPE_CHECKING:
    from dumpload.daemon.recorder import Recorder

# The time of the last surplus is written down this often while there is surplus: SD cards wear out.
SAVE_EVERY_S = 3600.0

# Starts that are remembered; no limit is higher.
MOST_STARTS = 50

TEXT_CHARACTERS = 200


class SavedAlerts(NamedTuple):
    """What outlives a restart, in Unix s: the last starts, the last surplus (NaN: unknown), and the alerts that are on.

    A board without a clock of its own starts in the past: moments of this start are counted on the monotonic clock.
    """

    starts: tuple[float, ...] = ()
    surplus_at: float = math.nan
    active: tuple[Raised, ...] = ()


# A file beside the other one of the state folder, and not part of it: an older version would not read that one with
# more in it, and start in off.
class AlertFile:
    """Reads at start, and writes on a thread of its own: a slow disk delays nothing."""

    def __init__(self, environ: Mapping[str, str], on_trouble: Callable[[str], None] = lambda _text: None) -> None:
        """Locate STATE_DIRECTORY; without it nothing is kept. `on_trouble` is called from any thread."""
        self._path = state_path(environ, "alerts.json")
        self.on_trouble = on_trouble
        self._trouble = ""
        self._waiting: SimpleQueue[SavedAlerts] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="alert-file", daemon=True)

    def read(self) -> SavedAlerts:
        """Return what was kept; nothing, if it cannot be read: an alert is then announced once more."""
        if self._path is None:
            return SavedAlerts()
        try:
            return _parse(json.loads(read_plain(self._path, MAX_BYTES, follow=False)))
        except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
            return SavedAlerts()

    def keep(self, saved: SavedAlerts) -> None:
        """Schedule a write. Never blocks."""
        if self._path is None:
            return
        self._waiting.put(saved)
        if self._thread.ident is None:
            self._thread.start()

    def _run(self) -> None:
        assert self._path is not None  # noqa: S101  (the thread runs only with a path)
        while True:
            saved = self._waiting.get()
            while not self._waiting.empty():  # the newest is all that counts
                try:
                    saved = self._waiting.get_nowait()
                except Empty:
                    break
            self._say(self._try_to_write(saved))

    def _try_to_write(self, saved: SavedAlerts) -> str:
        assert self._path is not None  # noqa: S101  (as above)
        try:
            write_synced(self._path, json.dumps(_to_json(saved)))
        except OSError as error:
            return f"{self._path} cannot be written ({error}): an alert may be repeated after a restart"
        return ""

    def _say(self, trouble: str) -> None:
        if trouble != self._trouble:
            self._trouble = trouble
            self.on_trouble(trouble)


def _to_json(saved: SavedAlerts) -> dict[str, Any]:
    active = {alert_name(alert.alert): {"since": alert.since, "text": alert.text} for alert in saved.active}
    surplus_at = None if math.isnan(saved.surplus_at) else saved.surplus_at
    return {"starts": list(saved.starts), "surplus_at": surplus_at, "active": active}


def _parse(document: Any) -> SavedAlerts:
    """Return what a document says.

    Raises:
        ValueError, LookupError, TypeError, AttributeError: it is not ours.
    """
    active = [
        Raised(Alert[name.upper()], _moment(alert["since"]), one_line(str(alert["text"]), TEXT_CHARACTERS))
        for name, alert in document["active"].items()
        if name.upper() in Alert.__members__
    ]
    surplus_at = math.nan if document["surplus_at"] is None else _moment(document["surplus_at"])
    starts = tuple(_moment(start) for start in document["starts"][-MOST_STARTS:])
    return SavedAlerts(starts, surplus_at, tuple(active))


def _moment(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(value)
    return float(value)


class Alerts:
    """Watches one controller. `limits` may be set anew."""

    def __init__(self, limits: AlertLimits, publisher: Publisher, file: AlertFile, t: float) -> None:
        """Restore the alerts of before a restart; `t`: the moment of the start (monotonic s)."""
        self.limits = limits
        self.recorder: Recorder | None = None
        self._publisher, self._file, self._started_at = publisher, file, t
        file.on_trouble = lambda text: publisher.fault("alerts", text)
        saved = file.read()
        self._earlier_starts = saved.starts
        self._earlier_surplus_at = saved.surplus_at
        self._surplus_at = t if math.isnan(saved.surplus_at) else math.nan
        self._active = {alert.alert: alert for alert in saved.active}
        self._history = ("", t)
        # Until the first rows are written, or not, nobody knows whether the fault of before the restart is over.
        self._history_open_until = t + HISTORY_FAULT_S / 2 if Alert.HISTORY_FAULT in self._active else -math.inf
        self._saves_next_at = t
        self._trouble = ""
        self._publisher.alerts = tuple(self._active.values())

    def note_history(self, text: str, t: float) -> None:
        """Take what is wrong with the history since `t` (monotonic s); "": nothing. Safe from any thread."""
        before, since = self._history
        self._history = (text, since if before and text else t)

    def look(self, settings: ControllerSettings, state: State, t: float, wall: float) -> None:
        """Announce what has begun and ended since the last look. Never raises."""
        try:
            self._look(settings, state, t, wall)
        except Exception as error:  # noqa: BLE001  (whatever it is, the control goes on)
            # Once: it would be said every second.
            if not self._trouble:
                self._trouble = repr(error)
                self._publisher.fault("alerts", self._trouble)

    def _look(self, settings: ControllerSettings, state: State, t: float, wall: float) -> None:
        if state.law.surplus:
            self._surplus_at = t
        facts = self._facts(settings, state, t, wall)
        now = active_alerts(self.limits, frozenset(self._active), facts)
        changed = sorted(now ^ self._active.keys())
        for alert in changed:
            if alert in now:
                text = one_line(begin_words(alert, self.limits, facts), TEXT_CHARACTERS)
                self._active[alert] = Raised(alert, wall, text)
            else:
                del self._active[alert]
                text = END_WORDS[alert]
            self._tell(alert, text, t, wall)
        is_first = self._saves_next_at == self._started_at
        if changed or is_first or (state.law.surplus and t >= self._saves_next_at):
            self._saves_next_at = t + SAVE_EVERY_S
            self._file.keep(self._to_save(facts, t, wall))

    def _facts(self, settings: ControllerSettings, state: State, t: float, wall: float) -> Facts:
        lost, lost_at = longest_lost(settings, state, self._started_at)
        text, since = self._history
        return Facts(
            lost_s=max(0.0, t - lost_at),
            lost=lost,
            no_surplus_s=t - self._surplus_at
            if math.isfinite(self._surplus_at)
            else max(0.0, wall - self._earlier_surplus_at),
            lockout=state.lockout,
            history_fault_s=HISTORY_FAULT_S if t < self._history_open_until else t - since if text else 0.0,
            history_words=text,
            starts=1 + sum(0 <= wall - start < STARTS_WITHIN_S for start in self._earlier_starts),
        )

    def _to_save(self, facts: Facts, t: float, wall: float) -> SavedAlerts:
        starts = (*self._earlier_starts, wall - (t - self._started_at))[-MOST_STARTS:]
        return SavedAlerts(starts, wall - facts.no_surplus_s, tuple(self._active.values()))

    def _tell(self, alert: Alert, text: str, t: float, wall: float) -> None:
        document = alert_document(alert, text, wall, begins=alert in self._active)
        self._publisher.alerts = tuple(self._active.values())
        self._publisher.alert(document)
        if self.recorder is not None:
            self.recorder.alert(t, wall, document, begins=alert in self._active)
