"""Proposals as files: the `[control]` and `[permissive]` tables of a settings file. None is ever replaced."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from dumpload.config.layers import show
from dumpload.config.model import Settings, flat
from dumpload.files import Output
from dumpload.tune.grid import VARIED
from dumpload.tune.tune import Proposal, Tuning

TABLES = ("control", "permissive")


def name_of(number: int) -> str:
    """Return the name of a proposal's file, without extension."""
    return f"proposal-{number}"


def part(proposal: Proposal, today: Settings) -> str:
    """Return the two tables in full, with a comment on each value that differs from today's."""
    before, after = flat(today), flat(proposal.settings)
    lines = [
        f"# Best at: {', '.join(proposal.aims)}. Proposed by dumpload tune.",
        "# Replace the tables of the same name in your settings file, then run: dumpload check",
    ]
    for table in TABLES:
        lines += ["", f"[{table}]"]
        lines += _table(f"{table}.", before, after)
    return "\n".join(lines) + "\n"


def _table(prefix: str, before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
    for key in dict.fromkeys([*after, *before]):
        if not key.startswith(prefix):
            continue
        name, old, new = key.removeprefix(prefix), before.get(key), after.get(key)
        if new is None:
            yield f"# {name} is not set; today: {show(old)}"
        else:
            yield f"{name} = {show(new)}" + (
                "" if new == old else f"  # today: {'not set' if old is None else show(old)}"
            )


def outputs(tuning: Tuning, folder: Path) -> list[Output]:
    """Return a file for every proposal.

    Raises:
        WriteError: a file of that name exists.
    """
    assert tuning.now is not None  # noqa: S101  (there are no proposals without it)
    today = tuning.now.settings
    return [
        new_output("--write", folder / f"{name_of(number)}.toml", part(proposal, today))
        for number, proposal in enumerate(tuning.proposals, 1)
    ]


def new_output(option: str, path: Path, text: str) -> Output:
    """Return a new file to write.

    Raises:
        WriteError: the file exists.
    """
    output = Output(option, path, text.encode())
    if path.exists() or path.is_symlink():
        output.refuse("a file of this name exists and was not changed")
    return output


def varied(settings: Settings) -> dict[str, Any]:
    """Return the searched settings by dotted key; None: not set."""
    values = flat(settings)
    return {key: values.get(key) for key in VARIED}
