"""Starts the service as a process: log, pin, signals, in the order that is safe. The one bootstrap.

The pin is claimed at its off level before the broker library is even imported.
"""

import asyncio
import gc
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from dumpload.config.layers import NOT_SHOWN, SEARCHED, UNREADABLE, ConfigError, Problem
from dumpload.config.model import Settings, load_settings
from dumpload.core.printable import one_line
from dumpload.gpio.relay import PinSpec, Relay, RelayError, boot_clock

if TYPE_CHECKING:
    from dumpload.daemon.logs import LineWriter
    from dumpload.daemon.service import Service


# How long the end waits for the record to be written.
HISTORY_S = 2.0

# How long the end waits for what must outlive it, where the service could not wait itself.
STATE_S = 2.0

STDERR = 2


def unreadable_files(path: Path, settings: Settings) -> list[Problem]:
    """Return a problem for every file that the broker settings name and that cannot be read."""
    problems = []
    for key in ("password_file", "ca_file", "client_cert_file", "client_key_file"):
        file = getattr(settings.mqtt, key)
        if file is not None and not os.access(file, os.R_OK):
            # The password may have been put in place of the name.
            value = str(file) if file.exists() else NOT_SHOWN
            problems.append(Problem(str(path), f"mqtt.{key}", value, UNREADABLE))
    return problems


def pin_spec(settings: Settings) -> PinSpec:
    """Return which line to drive, and its polarity."""
    relay = settings.relay
    return PinSpec(relay.pin, relay.active_high, relay.chip_label, relay.pin_factory, relay.feedback_pin)


def fill_standard_streams() -> None:
    """Open nothing in place of a standard stream that is closed: else the log would go into the next socket opened."""
    while (descriptor := os.open(os.devnull, os.O_RDWR)) <= STDERR:
        pass
    os.close(descriptor)


def run_daemon(path: Path, settings: Settings, sets: Sequence[str]) -> int:
    """Run until a signal or a fault ends the service; return the exit code.

    Raises:
        ConfigError: a file that the settings name cannot be read.
    """
    if problems := unreadable_files(path, settings):
        raise ConfigError(problems)
    fill_standard_streams()
    listeners: list[Callable[[bool], None]] = []  # the service, once there is one

    def contact_moved(closed: bool) -> None:  # noqa: FBT001  (a line's level)
        for listener in listeners:
            listener(closed)

    try:
        relay = Relay(pin_spec(settings), boot_clock, contact_moved)
    except RelayError as error:
        if sys.stderr is not None:
            sys.stderr.write(one_line(f"{path}: relay: {error}") + "\n")
        return 2
    # Only now what takes its time: the log, and the rest.
    log, writer = _open_log(path, settings)
    service = _make_service(path, settings, relay, log, lambda: load_settings(path, os.environ, sets))
    listeners.append(service.contact_moved)
    _keep_record(service, settings)
    _take_signals(service)
    # What the start made stays for ever: it need not be looked through again and again.
    gc.freeze()
    gc.enable()
    try:
        return asyncio.run(service.run())
    finally:
        _let_go(relay, log)
        service.control.state_file.flush(STATE_S)
        if service.control.recorder is not None:
            service.control.recorder.close(HISTORY_S)
        writer.flush(1.0)


def _open_log(path: Path, settings: Settings) -> "tuple[Any, LineWriter]":
    from dumpload.config.instances import has_neighbours
    from dumpload.daemon.logs import log_context, open_log

    human = os.isatty(STDERR)
    context = log_context(settings.name, human=human, several=human and has_neighbours(path, SEARCHED[0]))
    return open_log(STDERR, time.time, human=human, context=context)


def _let_go(relay: Relay, log: Any) -> None:
    """Close the pin; the record and the log are written even if that fails."""
    trouble = ""
    try:
        relay.close()
    except RelayError as error:
        trouble = str(error)
    if trouble:
        log.error("pin_fault", text=f"the relay could not be driven off: {trouble}")


def _make_service(path: Path, settings: Settings, relay: Relay, log: Any, reload: Callable[[], Settings]) -> "Service":
    from dumpload.daemon.alerts import AlertFile
    from dumpload.daemon.local_socket import LocalWay
    from dumpload.daemon.service import Service
    from dumpload.daemon.state import StateFile
    from dumpload.daemon.systemd import Notifier

    for warning in relay.warnings:
        log.warning("relay_warning", text=warning)
    folder = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    local = LocalWay(Path(folder), str(path)) if folder else None
    return Service(
        settings,
        relay,
        log=log,
        notifier=Notifier(os.environ),
        reload=reload,
        clock=boot_clock,
        state_file=StateFile(os.environ),
        alert_file=AlertFile(os.environ),
        local=local,
    )


def _keep_record(service: "Service", settings: Settings) -> None:
    """Open the recorder; the database library is loaded only where a history is configured."""
    if settings.history.path is not None:
        from dumpload.daemon.recorder import open_recorder

        service.control.recorder = open_recorder(settings, service.note_history)


def _take_signals(service: "Service") -> None:
    """Install plain signal handlers: these run even while the event loop is busy."""

    def end(number: int, _frame: FrameType | None) -> None:
        service.stop(130 if number == signal.SIGINT else 0)

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    # The service's last resort; a parent may have left it ignored.
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    threading.excepthook = lambda args: service.fail(args.exc_value or RuntimeError("a thread died"))
