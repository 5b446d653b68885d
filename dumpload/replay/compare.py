"""Replay one record under several settings, side by side."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from textwrap import wrap
from typing import Any, NamedTuple

from dumpload.config.model import Settings, changed_keys
from dumpload.config.types import find_zone
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.text import duration
from dumpload.records.open import open_record
from dumpload.records.record import ReadLog, TableFormat
from dumpload.replay.document import OPEN_LOOP, replay_document
from dumpload.replay.figures import Derived, figures, scenario
from dumpload.replay.heat_text import kwh
from dumpload.replay.replay import Result, replay
from dumpload.replay.replayer import Observer
from dumpload.replay.text import WIDTH, format_energy, is_rate, rate, remarks, replay_text

_LABEL = 22
_COLUMN = 14
_SIDE_BY_SIDE = (WIDTH - _LABEL) // _COLUMN
_MATTERS = ("control.", "permissive.", "load.")
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class Trial(NamedTuple):
    """Settings, by the name of their file, and their replay."""

    name: str
    settings: Settings
    result: Result
    figures: Derived


def run_trials(
    path: Path,
    form: TableFormat,
    chosen: Mapping[str, Settings],
    *,
    judge_contact: bool = False,
    watch: Callable[[float], None] = lambda _part: None,
    say: Callable[[str], None] = lambda _line: None,
    observers: Sequence[Observer] = (),
) -> list[Trial]:
    """Play the record once for each of the chosen settings.

    `watch` is called with the progress (0 to 1), `say` with slow steps; `observers`: one a trial, from the first.

    Raises:
        RecordError: the record cannot be used.
    """
    results: list[Result] = []
    for done, settings in enumerate(chosen.values()):
        log = ReadLog(lambda part, done=done: watch((done + part) / len(chosen)))  # type: ignore[misc]
        tried = scenario(settings, judge_contact=judge_contact)
        observer = observers[len(results)] if len(results) < len(observers) else None
        results.append(replay(open_record(path, form, settings), tried, log, observer, say))
    return [
        Trial(name, settings, result, figures(settings, result.summary))
        for (name, settings), result in zip(chosen.items(), results, strict=True)
    ]


def trials_document(trials: Sequence[Trial]) -> dict[str, Any]:
    """Return the first trial's document; the others are its `compared`, each with its `config` and what `differs`."""
    first, *others = trials
    document = {"config": first.name, **replay_document(first.result, first.figures)}
    if others:
        document["compared"] = [
            {
                "config": trial.name,
                "differs": {key: [old, new] for key, old, new in changed_keys(first.settings, trial.settings)},
                **replay_document(trial.result, trial.figures),
            }
            for trial in others
        ]
    return document


def trials_text(trials: Sequence[Trial], *, all_changes: bool = False) -> str:
    """Return one trial in full, or several side by side; 80 columns wide."""
    if len(trials) == 1:
        zone = find_zone(trials[0].settings.permissive.timezone)
        return replay_text(trials[0].result, trials[0].figures, zone, all_changes=all_changes)
    lines = [*wrap(comparison_verdict(trials), WIDTH), "", *wrap(OPEN_LOOP, WIDTH), ""]
    lines += [f"{letter}  {trial.name}" for letter, trial in zip(LETTERS, trials, strict=False)]
    for begin in range(0, len(trials), _SIDE_BY_SIDE):
        lines += ["", *_table(trials[begin : begin + _SIDE_BY_SIDE], LETTERS[begin:])]
    lines += ["", *differences(trials)]
    notes = [*_remarks(trials)]
    lines += [""] if notes else []
    for remark in notes:
        lines += wrap(f"! {remark}", WIDTH, subsequent_indent="  ")
    return "\n".join(lines)


def differences(trials: Sequence[Trial]) -> Iterator[str]:
    """Yield the settings that differ from the first trial's and can change a replay."""
    for letter, trial in zip(LETTERS[1:], trials[1:], strict=False):
        changed = changed_keys(trials[0].settings, trial.settings)
        matter = [change for change in changed if change[0].startswith(_MATTERS) or change[0].endswith(".max_age_s")]
        yield f"{letter} differs from A in:" if matter else f"{letter} has the same control settings as A."
        for key, old, new in matter:
            yield from wrap(
                f"{key} {_show(new)} (A: {_show(old)})", WIDTH, initial_indent="   ", subsequent_indent="     "
            )
        if len(changed) > len(matter):
            others = len(changed) - len(matter)
            count = "1 setting" if others == 1 else f"{others} settings"
            yield f"   plus {count} with no effect here"


def _show(value: object) -> str:
    """Format a setting's value for a person."""
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value)) or "none"
    return "not set" if value is None else f"{value}"


def comparison_verdict(trials: Sequence[Trial]) -> str:
    """Return which settings ran the heater longest and which switched it least often, in one sentence."""
    longest = max(trial.result.summary.on_time_s for trial in trials)
    fewest = min(trial.result.summary.switch_ons for trial in trials)
    most = [at for at, trial in enumerate(trials) if trial.result.summary.on_time_s == longest]
    least = [at for at, trial in enumerate(trials) if trial.result.summary.switch_ons == fewest]
    sentence = f"Of {len(trials)} settings on the same record, "
    sentence += "all" if len(most) == len(trials) else _named(most)
    sentence += (
        " would have run the heater equally long" if len(most) == len(trials) else " would have run the heater longest"
    )
    if len(least) == len(trials):
        return f"{sentence}, and all switched it on equally often."
    if least == most:
        return f"{sentence}, and with the fewest switch-ons."
    return f"{sentence}, and {_named(least)} would have switched it on least often."


def _named(places: Sequence[int]) -> str:
    *first, last = (LETTERS[place] for place in places)
    return f"{', '.join(first)} and {last}" if first else last


def _remarks(trials: Sequence[Trial]) -> Iterator[str]:
    """Yield notes on the figures, with the trials they concern unless it is all of them."""
    places_of: dict[str, list[int]] = {}
    for place, trial in enumerate(trials):
        for remark in remarks(trial.result):
            places_of.setdefault(remark, []).append(place)
    for remark, places in places_of.items():
        yield remark if len(places) == len(trials) else f"{_named(places)}: {remark}"


def _table(trials: Sequence[Trial], letters: str) -> Iterator[str]:
    rows = [trial_figures(trial) for trial in trials]
    yield f"{'':{_LABEL}}" + "".join(f"{letter:>{_COLUMN}}" for letter in letters[: len(trials)])
    for label in rows[0]:
        yield (f"{label:{_LABEL}}" + "".join(f"{row[label]:>{_COLUMN}}" for row in rows)).rstrip()


def trial_figures(trial: Trial) -> dict[str, str]:
    """Return the compared figures by label."""
    summary = trial.result.summary
    life, heat = trial.figures.contact_life_years, trial.result.heat
    lowest, energy, tanks = summary.lowest_state_of_charge_on, summary.energy_wh, trial.figures.hot_tanks
    return {
        "on-time": duration(summary.on_time_s),
        "on-time a day": duration(summary.on_time_per_day_s) if is_rate(summary) else "-",
        "switch-ons": f"{summary.switch_ons}",
        "switch-ons a day": rate(summary.switch_ons_per_day) if is_rate(summary) else "-",
        "longest run": _or_dash(summary.longest_run_s, duration),
        "shortest run": _or_dash(summary.shortest_run_s, duration),
        "lowest charge while on": _or_dash(lowest, "{:g} %".format),
        "without data": duration(summary.data_lost_s),
        "energy": _or_dash(energy, format_energy),
        "from the battery": kwh(heat.battery) if heat is not None and heat.has_battery else "-",
        "tanks of hot water": _or_dash(tanks, "{:.1f}".format),
        "contact life, years": _or_dash(life if is_rate(summary) else MISSING, "{:.0f}".format),
    }


def _or_dash(value: float, format_value: Callable[[float], str]) -> str:
    return "-" if is_missing(value) else format_value(value)
