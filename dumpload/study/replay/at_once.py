"""Many settings on one record at once, where the extra `study` is installed; else they are played one by one.

Chooses the way; what comes of it is the same.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

from dumpload.config import Settings
from dumpload.setup import signal_sources
from dumpload.study.records.open import open_record
from dumpload.study.records.record import Account, Form
from dumpload.study.replay.player import Plan
from dumpload.study.replay.replay import ReplayInterrupted, Result, replay

MANY = 4
"""Fewer settings are played one by one in less time than it takes to prepare for more."""


def play_all(
    path: Path, form: Form, tried: Sequence[tuple[Settings, Plan]], watch: Callable[[float], None]
) -> list[Result]:
    """Play a record under each of the settings. `watch` is told how much is done (0 to 1).

    Raises:
        RecordError: the record cannot be used.
        ReplayInterrupted: a person ended it.
    """
    together = _play_together(path, form, tried, watch) if len(tried) >= MANY else None
    if together is not None:
        return together
    results = []
    for index, (settings, plan) in enumerate(tried):
        account = Account(lambda part, done=index: watch((done + part) / len(tried)))  # type: ignore[misc]
        results.append(replay(open_record(path, form, settings), plan, account))
    return results


def _play_together(
    path: Path, form: Form, tried: Sequence[tuple[Settings, Plan]], watch: Callable[[float], None]
) -> list[Result] | None:
    """Return None where each has to read the record for itself."""
    meanings = [_codes(settings) for settings, _plan in tried]
    if meanings.count(meanings[0]) < len(meanings):
        return None
    try:
        from dumpload.study.fast.sweep import sweep  # noqa: PLC0415  (only where the extra is installed)
    except ImportError:
        return None
    try:
        return sweep(open_record(path, form, tried[0][0]), [plan for _settings, plan in tried], Account(watch))
    except KeyboardInterrupt:
        msg = "interrupted; nothing is shown for a part of the settings"
        raise ReplayInterrupted(msg) from None


def _codes(settings: Settings) -> list[object]:
    """Return what decides how a record is read: the codes for unknown."""
    return [(signal, source.unknown) for signal, source in signal_sources(settings).items() if source.unknown]
