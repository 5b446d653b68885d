"""The sign of the battery power, from what the daemon recorded: charge that rises while the power is negative.

A wrong sign silently disarms the drain limit, and no figure on paper shows it.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from dumpload.check.sources import SIGN
from dumpload.check.table import BANK, Check, Danger, Judgement, grade
from dumpload.config.model import Settings, flat
from dumpload.core.direction import RISE_PERCENT, Direction, observe
from dumpload.core.freshness import MISSING
from dumpload.core.signals import Signal
from dumpload.history.schema import HistoryRow, RowKind

# The last rows of the history that are looked at: some days, in a second on a slow card.
ROWS = 50_000

_SOURCE_KEYS = tuple(f"telemetry.battery_power.{key}" for key in ("topic", "pointer", "unit", "scale", "offset"))


def has_wrong_sign(settings: Settings) -> bool:
    """Return whether the last days of the history show it; no history, or none that can be read, shows nothing."""
    path, known = settings.history.path, flat(settings)
    if path is None or not path.is_file() or settings.telemetry.battery_power is None:
        return False
    from dumpload.history.reader import HistoryError, read_last

    try:
        return direction_of(read_last(path, ROWS), known).wrong
    except (HistoryError, AttributeError, TypeError, ValueError):
        # A damaged or foreign file may have anything in a row.
        return False


def direction_of(rows: Iterable[HistoryRow], known: Mapping[str, Any]) -> Direction:
    """Return what the rows, oldest first, say of the sign under the settings `known` (by dotted key)."""
    direction, is_ours = Direction(), True
    last: dict[int, HistoryRow] = {}
    for row in rows:
        if row.kind in (RowKind.START, RowKind.STOP):
            direction, last = Direction(wrong=direction.wrong), {}
        if row.kind == RowKind.START and not (is_ours := _recorded_with(row, known)):
            direction = Direction()
        if is_ours and row.kind == RowKind.SAMPLE and row.signal in (Signal.STATE_OF_CHARGE, Signal.BATTERY_POWER):
            last[row.signal] = row
            charge, power = (
                _live(last.get(signal), row.t, known) for signal in (Signal.STATE_OF_CHARGE, Signal.BATTERY_POWER)
            )
            direction = observe(direction, row.t, charge, power)
    return direction


def _recorded_with(row: HistoryRow, known: Mapping[str, Any]) -> bool:
    # Rows recorded under other settings of the signal say nothing of today's sign.
    recorded = json.loads(row.text).get("settings", {})
    return all(recorded.get(key) == known.get(key) for key in _SOURCE_KEYS)


def _live(row: HistoryRow | None, t: float, known: Mapping[str, Any]) -> float:
    if row is None:
        return MISSING
    max_age_s = known[f"telemetry.{Signal(row.signal).name.lower()}.max_age_s"]
    return row.value if t < row.until + max_age_s else MISSING


def sign_checks(settings: Settings, *, is_wrong: bool) -> Iterator[Check]:
    """Yield the finding that the sign is wrong; nothing where nothing was seen."""
    if not is_wrong:
        return
    guarded = settings.permissive.drain_limit_w is not None
    what = f"the charge rose by {RISE_PERCENT:g} % or more while the recorded battery power was negative"
    disarmed = "; the drain limit cannot work" if guarded else ""
    judgement = Judgement(
        grade(fails=guarded, cautions=True),
        what + disarmed,
        "charging is positive",
        SIGN,
        "Reverse it: negate telemetry.battery_power.scale (set it to -1 if it is not set).",
    )
    yield Check(
        BANK, "power_sign", "sign of the battery power", Danger.BANK, (), lambda _known: judgement,
        keys=("telemetry.battery_power.scale",),
    )  # fmt: skip
