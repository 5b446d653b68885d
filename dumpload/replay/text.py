"""A replay as text: 80 columns, plain characters, the verdict first, then figures, then the list of changes."""

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from textwrap import wrap

from dumpload.core.explain import cause_name
from dumpload.core.freshness import is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.text import duration, local_text
from dumpload.records.record import ReadLog
from dumpload.replay.document import OPEN_LOOP
from dumpload.replay.figures import Derived
from dumpload.replay.heat_text import heat_rows
from dumpload.replay.replay import Result
from dumpload.replay.totals import Change, Summary

WIDTH = 80
SHOWN_CHANGES = 24
_LABEL = 14
_MOST_DRAWN_PART = 0.95


def replay_text(
    result: Result, figures: Derived, zone: tzinfo, *, all_changes: bool = False, is_replay: bool = True
) -> str:
    """Return one replay, or what was done (`is_replay` false), times in the zone of the settings."""
    lines = [*wrap(verdict(result.summary, is_replay=is_replay), WIDTH), ""]
    lines += [*wrap(OPEN_LOOP, WIDTH), ""] if is_replay else []
    for label, value in rows(result, figures, zone):
        lines += wrap(f"{label:{_LABEL}}{value}", WIDTH, subsequent_indent=" " * _LABEL)
    notes = [*remarks(result)]
    if notes:
        lines.append("")
        for remark in notes:
            lines += wrap(f"! {remark}", WIDTH, subsequent_indent="  ")
    return "\n".join([*lines, "", *_changes(result.changes, zone, all_changes=all_changes)])


def verdict(summary: Summary, *, is_replay: bool = True) -> str:
    """Return the switch-ons, on-time and energy in one sentence."""
    span = f"in {_days(summary)}"
    if not summary.switch_ons:
        return f"The relay {'would never have come' if is_replay else 'never came'} on {span}."
    times = "once" if summary.switch_ons == 1 else f"{summary.switch_ons} times"
    energy = "" if is_missing(summary.energy_wh) else f", {format_energy(summary.energy_wh)} into the heater"
    came = "would have come" if is_replay else "came"
    return f"The relay {came} on {times} {span}: {duration(summary.on_time_s)} of on-time{energy}."


def rows(result: Result, figures: Derived, zone: tzinfo) -> Iterator[tuple[str, str]]:
    """Yield the figures, each with its label."""
    summary = result.summary
    yield "Record", f"{result.path} ({result.kind}), {result.log.rows} rows"
    yield "From", f"{local_text(result.first, zone)} to {local_text(result.last, zone)} ({_days(summary)})"
    yield "Samples", _samples(result)
    per_day = is_rate(summary)
    yield "On-time", duration(summary.on_time_s) + (f"; {duration(summary.on_time_per_day_s)} a day" if per_day else "")
    yield "Switch-ons", f"{summary.switch_ons}" + (f"; {rate(summary.switch_ons_per_day)} a day" if per_day else "")
    if summary.switch_ons:
        still = " (one is still on at the end)" if summary.still_on else ""
        yield "Runs", f"longest {duration(summary.longest_run_s)}, shortest {duration(summary.shortest_run_s)}{still}"
        lowest = summary.lowest_state_of_charge_on
        yield "Lowest charge", "not known" if is_missing(lowest) else f"{lowest:g} % while on"
    share = f" ({percent(summary.data_lost_s / summary.span_s)} of the time)" if summary.span_s else ""
    yield "Without data", f"{duration(summary.data_lost_s)}{share}"
    yield "Energy", _energy(summary)
    if result.heat is not None and summary.switch_ons:
        yield from heat_rows(result.heat, figures)
    yield from _meaning(figures, is_lasting=is_rate(summary))


def is_rate(summary: Summary) -> bool:
    """Return whether the record is long enough for daily rates: a day or more."""
    return summary.days >= 1


def percent(part: float) -> str:
    """Format a part of one as percent: two digits below ten, whole above."""
    return f"{rate(100 * part)} %"


def _meaning(figures: Derived, *, is_lasting: bool) -> Iterator[tuple[str, str]]:
    if figures.hot_tanks > 0:
        water = f"{figures.volume_l:g} l from {figures.cold_c:g} to {figures.target_c:g} degC"
        yield "Hot water", f"enough to heat {water} {figures.hot_tanks:.1f} times, without losses"
    if is_lasting and not is_missing(figures.contact_life_years):
        years = f"{figures.contact_life_years:.0f} years" if figures.contact_life_years >= 1 else "less than a year"
        yield "Contact", f"{years} at this rate, if good for {figures.operations:.0f} operations at this load"


def _samples(result: Result) -> str:
    unknown = result.samples - result.accepted - result.rejected
    text = f"{result.accepted} accepted, {result.rejected} rejected"
    text += f", {unknown} reported as unknown" if unknown else ""
    dropped = result.log.dropped
    return f"{text}; {dropped or 'no'} row{'' if dropped == 1 else 's'} dropped"


def _energy(summary: Summary) -> str:
    if is_missing(summary.energy_wh):
        return "not known: needs load.rated_w, or load_power in the record"
    parts = (
        (summary.measured.seconds, "measured load power"),
        (summary.by_voltage.seconds, "bus voltage, V^2/R"),
        (summary.by_rating.seconds, "the heater's rating"),
    )
    whole = summary.on_time_s
    used = [(seconds, source) for seconds, source in parts if seconds]
    sources = ", ".join(f"{source} ({100 * seconds / whole:.0f} % of the on-time)" for seconds, source in used)
    return f"{format_energy(summary.energy_wh)}{f' from {sources}' if sources else ''}"


def remarks(result: Result) -> Iterator[str]:
    """Yield notes on the figures."""
    summary = result.summary
    if not result.accepted:
        yield "No sample was accepted, so the relay never switches. Check units and columns (--unit, --column)."
    measured_s = summary.measured.seconds
    if summary.drawing_s < _MOST_DRAWN_PART * measured_s:
        yield (
            f"The heater drew power in only {percent(summary.drawing_s / measured_s)} of the on-time that was measured:"
            " its thermostat had cut out for the rest. The measured energy is what it drew."
        )
    if summary.assumed_s:
        yield (
            f"In {duration(summary.assumed_s)} of this on-time the heater drew nothing in the record: either the relay"
            " was off at that time or the thermostat had cut out. The energy is what the element would have drawn."
        )
    known_s = measured_s + summary.by_voltage.seconds + summary.by_rating.seconds
    if known_s and summary.on_time_s - known_s > 1.0:
        yield f"The power is not known for {duration(summary.on_time_s - known_s)} of this on-time: needs load.rated_w."
    yield from log_remarks(result.log)


def log_remarks(log: ReadLog) -> Iterator[str]:
    """Yield the rows dropped and other notes from reading the record."""
    if log.torn:
        yield f"{log.torn[0].upper()}{log.torn[1:]}."
    yield from log.notes
    yield from (f"Row dropped: {error}" for error in log.bad)
    if log.dropped > len(log.bad):
        yield f"... and {log.dropped - len(log.bad)} more rows dropped."


def _changes(changes: Sequence[Change], zone: tzinfo, *, all_changes: bool) -> Iterator[str]:
    if not changes:
        yield "No changes."
        return
    yield f"Changes ({zone} time):"
    left_out = 0 if all_changes else max(0, len(changes) - SHOWN_CHANGES)
    half = SHOWN_CHANGES // 2
    for index, change in enumerate(changes):
        if left_out and index == half:
            yield f"  ... {left_out} more; --all shows them ..."
        if left_out and half <= index < half + left_out:
            continue
        before = changes[index - 1].wall if index else None
        yield _change(change, before, zone)


def _change(change: Change, before: float | None, zone: tzinfo) -> str:
    relay = "ON " if change.position == Position.ON else "OFF"
    charge = "   -   " if is_missing(change.state_of_charge) else f"{change.state_of_charge:5.1f} %"
    after = "" if before is None else f"after {duration(change.wall - before)}"
    return f"  {local_text(change.wall, zone)}  {relay}  {cause_label(change.cause):15} {charge}  {after}".rstrip()


def rate(per_day: float) -> str:
    """Format a daily rate, to two digits if below ten."""
    return f"{per_day:.2g}" if per_day < 10 else f"{per_day:.0f}"  # noqa: PLR2004


def cause_label(cause: Cause) -> str:
    """Return the name of a cause; an off that a history only implies has none."""
    return "not recorded" if cause == Cause.NONE else cause_name(cause)


def format_energy(wh: float) -> str:
    """Format watt-hours as Wh or kWh."""
    return f"{wh / 1000:.1f} kWh" if wh >= 10_000 else f"{wh:.0f} Wh"  # noqa: PLR2004


def _days(summary: Summary) -> str:
    return f"{summary.days:.1f} days" if summary.days >= 1 else duration(summary.span_s)
