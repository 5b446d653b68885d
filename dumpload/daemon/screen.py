"""A status document as a person reads it: a screen of lines, or one line. Words only; prints nothing."""

import math
import textwrap
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, NamedTuple

from dumpload.config.types import find_zone
from dumpload.core.decode import Reason, parse_rfc3339
from dumpload.core.explain import MEANINGS
from dumpload.core.law import Cause
from dumpload.core.printable import printable

Document = dict[str, Any]

# A line longer than this is hard to read, however wide the terminal.
WIDEST = 100
NARROWEST = 40
MOST_LINES = 60

# A status older than this is shown with its time.
FRESH_S = 5.0

# Within this, seconds matter.
SOON_S = 300.0

LABEL_WIDTH = 18
KILO = 1000

# SGR parameters (ECMA-48, 8.3.117).
GOOD, WARN, BAD, PLAIN = "1;32", "33", "1;31", ""
BOLD = "1"

UNITS = {"percent": "%", "degC": "°C"}
_SELECTED = ("hand", "selector_off")
_ALWAYS_NEEDED = ("state_of_charge", "heartbeat")
_DATA_CAUSES = ("starting", "data_lost")


# What comes by itself, at the time that is given with it.
_SURE = (
    "the daylight window opens",
    "the minimum off time is over",
    "the pause after the drain is over",
    "a new day begins",
)


class Line(NamedTuple):
    """One line, printable, and how to colour it (an SGR parameter, "": not at all)."""

    text: str
    colour: str = PLAIN


def render(lines: list[Line], *, colour: bool) -> str:
    """Return the lines as text, with colour if wanted."""
    return "\n".join(
        f"\x1b[{span.colour}m{span.text}\x1b[0m" if colour and span.colour else span.text for span in lines
    )


def brief(status: Document) -> str:
    """Return in one line what the heater is doing, why, and what would change it."""
    name, charge = status.get("name"), status["state_of_charge"]
    sentences = [
        f"{headline(status)} ({status['cause']}).",
        meaning(status),
        "" if charge is None else f"State of charge {charge:g} %, {status['data_age_s']:.0f} s old.",
        "" if status["cause"] in _SELECTED or status["selector"] == "auto" else f"Selector: {selector_words(status)}.",
        f"{next_words(status)}.",
        *(f"Alert: {alert['text']}." for alert in status.get("alerts", [])),
        *(f"Note: {note}." for note in status["notes"]),
    ]
    line = " ".join(filter(None, sentences))
    return printable(f"{name}: {line}" if name else line)


def screen(status: Document, width: int, now: float = math.nan) -> list[Line]:
    """Return the whole status, wrapped to `width` columns. `now`: Unix time (s), to say how old the status is."""
    width = max(NARROWEST, min(width, WIDEST))
    lines = [
        *_wrap(f"{status.get('name', 'dumpload')}: {headline(status)} ({status['cause']})", width, _colour(status)),
        *_wrap(meaning(status), width),
        *_wrap(_freshness(status, now), width, WARN),
        Line(""),
        *_row("Next", next_words(status), width),
    ]
    if status["lockout"]:
        lines += _row("Lockout", f"{lockout_words(status)}; once repaired: dumpload select --reset", width, BAD)
    for text in alert_words(status):
        lines += _row("Alert", text, width, BAD)
    for name, signal in status.get("signals", {}).items():
        lines += _signal_row(status, name, signal, width)
    if not status.get("signals") and status["state_of_charge"] is not None:
        lines += _row("State of charge", f"{status['state_of_charge']:g} %, {status['data_age_s']:.0f} s ago", width)
    lines += _row("Today", today_words(status), width)
    lines += _row("Selector", selector_words(status), width, PLAIN if status["selector"] == "auto" else WARN)
    for note in status["notes"]:
        lines += _row("Note", note, width, WARN)
    lines += _rejections(status, width)
    return lines[:MOST_LINES]


def _freshness(status: Document, now: float) -> str:
    """Return the age of the status unless it is current: the broker's may be half a minute old."""
    age_s = now - parse_rfc3339(status["at"])
    return f"As of {moment(status, status['at'])}, {age_s:.0f} s ago." if age_s > FRESH_S else ""


def _colour(status: Document) -> str:
    if status["lockout"] or status["cause"] == "lockout":
        return BAD
    if status["cause"] in _DATA_CAUSES:
        return WARN
    return GOOD if status["relay"] == "on" else BOLD


def headline(status: Document) -> str:
    """Return whether the heater is on, and since when."""
    return f"heater {status['relay'].upper()} since {moment(status, status['since'])}"


def meaning(status: Document) -> str:
    """Return what the cause means; a daemon of another version may have causes of its own."""
    cause, until = status["cause"], status.get("hand_until")
    if cause == "hand" and until:
        return f"Running by hand until {moment(status, until)}."
    elapsed_s, confirm_s = status.get("confirm_elapsed_s"), status.get("confirm_s")
    if cause == "confirming" and elapsed_s is not None and confirm_s is not None:
        return f"Charge is high enough; confirming ({elapsed_s:.0f} of {confirm_s:g} s)."
    if lost := _why_lost(status):
        return lost
    text = MEANINGS.get(Cause.__members__.get(cause.upper(), Cause.NONE), "").removeprefix("On: ")
    return text[:1].upper() + text[1:]


def lockout_words(status: Document) -> str:
    """Return what led to the lockout."""
    fault = {"contact_closed": "contact closed although commanded off", "pin_fault": "the pin fails"}
    return str(fault.get(status["lockout"], status["lockout"]))


def next_words(status: Document) -> str:
    """Return what would change the relay and, where known, when."""
    ahead = status["next"]
    if ahead["relay"] == "on":
        if ahead["at"]:
            begin, _, rest = ahead["condition"].partition(", and ")
            condition = f"if {rest}" if rest else f"when {begin}"
            condition = condition if begin in _SURE else f"if {ahead['condition']}"
            return f"Earliest start {moment(status, ahead['at'])}, {condition}"
        return f"On when {ahead['condition']}"
    when = f", or at {moment(status, ahead['at'])} at the latest" if ahead["at"] else ""
    return f"Off when {ahead['condition']}{when}"


def _why_lost(status: Document) -> str:
    """Return which signals are lost and since when, where that is why the heater is off."""
    signals = status.get("signals", {})
    lost = {name: signal for name, signal in signals.items() if signal["state"] != "live"}
    if status["cause"] not in _DATA_CAUSES or not lost:
        return ""
    first = {name: signal for name, signal in lost.items() if name in _ALWAYS_NEEDED}
    losses = []
    for name, signal in (first or lost).items():
        since = f"since {moment(status, signal['lost_at'])}" if signal.get("lost_at") else "yet"
        losses.append(f"{_label(name)} {since} (topic {signal['topic']})")
    return f"No valid {', nor '.join(losses)}."


def lost_words(status: Document, signal: Document) -> str:
    """Return since when a signal that is not live has had no valid value."""
    if signal["state"] == "none":
        return "nothing valid yet"
    return f"lost at {moment(status, signal['lost_at'])}" if signal.get("lost_at") else "not valid"


def _signal_row(status: Document, name: str, signal: Document, width: int) -> Iterator[Line]:
    if signal["state"] != "live":
        why = lost_words(status, signal)
        yield from _row(heading(name), f"{why}, topic {signal['topic']}", width, WARN)
        return
    value, age = signal.get("value"), signal.get("age_s")
    value_text = "alive" if value is None else f"{value:.5g} {UNITS.get(signal['unit'], signal['unit'])}"
    old = "" if age is None else f"{age:.0f} s ago"
    yield from _row(heading(name), f"{value_text:<10} {old:<9} {signal['topic']}", width)


def today_words(status: Document) -> str:
    """Return the on-time and the energy of the day, "" if an earlier version does not publish them."""
    if "on_time_today_s" not in status:
        return ""
    limit, energy, began = status.get("on_time_limit_s"), status.get("energy_today_wh"), _started_today(status)
    text = f"on for {_round_time(status['on_time_today_s'])}"
    # Then the on-time outlives a restart.
    if limit:
        text += f" of {_round_time(limit)}"
    if energy is not None:
        text += f", {energy / 1000:.2f} kWh" if energy >= KILO else f", {energy:.0f} Wh"
    if began and limit and energy is not None:
        return f"{text} (energy since {began})"
    return text if limit or not began else f"{text} (since {began})"


def _round_time(seconds: float) -> str:
    hours, minutes = divmod(int(seconds // 60), 60)
    return " ".join([f"{hours} h"] * (hours > 0) + [f"{minutes} min"] * (minutes > 0 or not hours))


def _started_today(status: Document) -> str:
    """Return when the daemon started if that was today: what ran before may not be counted."""
    at, uptime_s = parse_rfc3339(status["at"]), status.get("uptime_s")
    if not isinstance(uptime_s, int | float) or not math.isfinite(at - uptime_s) or at < uptime_s:
        return ""
    zone = zone_of(status)
    now, began = datetime.fromtimestamp(at, zone), datetime.fromtimestamp(at - uptime_s, zone)
    return f"{began:%H:%M}" if now.date() == began.date() else ""


def selector_words(status: Document) -> str:
    """Return where the selector is; for hand, until when."""
    until = status.get("hand_until")
    if status["selector"] == "hand" and until:
        return f"hand, until {moment(status, until)}"
    return str(status["selector"])


def _rejections(status: Document, width: int) -> Iterator[Line]:
    sentences = [*rejection_words(status)]
    if sentences:
        yield Line("")
        yield Line("Rejected in the last 10 minutes:", WARN)
    for sentence in sentences:
        yield from _wrap(sentence, width, indent=2)


def alert_words(status: Document) -> Iterator[str]:
    """Yield what each alert says that is on, and since when."""
    for alert in status.get("alerts", []):
        yield f"{alert['text']}, since {moment(status, alert['since'])}"


def rejection_words(status: Document) -> Iterator[str]:
    """Yield what was rejected; a value that the broker kept is no news once live ones arrive."""
    signals = status.get("signals", {})
    for rejection in status.get("rejections", []):
        if rejection["reason"] == Reason.RETAINED and signals.get(rejection["signal"], {}).get("state") == "live":
            continue
        why = rejection["text"] or rejection["reason"].replace("_", " ")
        count = f"{rejection['count']:.0f} times, last" if rejection["count"] > 1 else "once,"
        text = f"{_label(rejection['signal'])}, {count} at {moment(status, rejection['at'])}: {why}"
        yield text if rejection["topic"] in text else f"{text} (topic {rejection['topic']})"


def _label(name: str) -> str:
    return name.replace("_", " ")


def heading(name: str) -> str:
    """Return the name of a signal as the beginning of a line."""
    return _label(name)[:1].upper() + _label(name)[1:]


def _row(label: str, text: str, width: int, colour: str = PLAIN) -> Iterator[Line]:
    """Yield a label and what belongs to it, wrapped beside it."""
    if not text:
        return
    label, text, room = printable(label)[:LABEL_WIDTH], printable(text), width - LABEL_WIDTH - 1
    # Wrapping would close up columns.
    lines = [text] if len(text) <= room else textwrap.wrap(text, room)
    yield Line(f"{label:<{LABEL_WIDTH}} {lines[0]}".rstrip(), colour)
    for line in lines[1:]:
        yield Line(f"{'':<{LABEL_WIDTH}} {line}", colour)


def _wrap(text: str, width: int, colour: str = PLAIN, indent: int = 0) -> Iterator[Line]:
    begin = " " * indent
    for line in textwrap.wrap(
        printable(text), width, initial_indent=begin, subsequent_indent=begin + "  " * bool(indent)
    ):
        yield Line(line, colour)


# ---- moments ----


def zone_of(status: Document) -> tzinfo:
    """Return the zone in which moments are shown; UTC where this computer does not know it."""
    try:
        return find_zone(str(status.get("timezone", "UTC")))
    except ValueError:
        return UTC


def moment(status: Document, text: str) -> str:
    """Return a moment in the time of the settings' zone: with its day if that is not the status's own."""
    at, now = parse_rfc3339(text), parse_rfc3339(status["at"])
    if not (math.isfinite(at) and math.isfinite(now)):
        return text
    zone = zone_of(status)
    try:
        then, today = datetime.fromtimestamp(at, zone), datetime.fromtimestamp(now, zone)
        days = (then.date() - today.date()) // timedelta(days=1)
    except (ValueError, OverflowError):
        # Year 1 or 9999, and a zone that leads beyond it.
        return text
    clock = f"{then:%H:%M:%S}" if abs(at - now) < SOON_S else f"{then:%H:%M}"
    if days:
        near = {-1: "yesterday", 1: "tomorrow"}
        clock = (
            f"{near.get(days, f'{then.day} {then:%b}' + (f' {then.year}' if then.year != today.year else ''))} {clock}"
        )
    return f"{clock} UTC" if zone is UTC else clock
