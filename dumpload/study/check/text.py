"""The installation check as text: 80 columns, no colour, the verdict first, then what to fix, then the rest."""

from collections.abc import Iterable, Iterator
from itertools import groupby
from textwrap import wrap
from typing import Any

Document = dict[str, Any]

WIDTH = 80

DANGERS = {
    "fire": "fire",
    "arc": "DC arc, or a load that stays on",
    "pressure": "pressure",
    "scald": "scald, infection",
    "bank": "the bank",
    "service": "service",
}

SECTIONS = (
    ("fail", "Fix before the first switch-on, the most dangerous first"),
    ("caution", "Think about these"),
    ("pass", "Passed"),
)


def check_text(document: Document) -> str:
    """Return the document as text for a terminal."""
    lines = [*_wrapped(f"Installation check of {document['name']}: {document['config']}"), ""]
    lines += [*_wrapped(headline(document)), ""]
    number = 0
    for state, title in SECTIONS:
        findings = [finding for finding in document["findings"] if finding["state"] == state]
        if findings:
            lines += [title, "-" * len(title)]
            for finding in findings:
                number += 1
                lines += _finding(number, finding)
            lines.append("")
    lines += _not_checked(document["not_checked"])
    lines += ["What the settings mean", "-" * 22]
    meanings = [f"relay: {document['relay']}", *(f"law: {line}" for line in document["law"])]
    for line in (*meanings, f"lost data: {document['data_lost']}"):
        lines += _wrapped(line, "  ", "    ")
    lines += ["", "Before anyone acts on a figure", "-" * 30]
    for line in document["cautions"]:
        lines += _wrapped(line, "  ", "    ")
    return "\n".join(lines)


def headline(document: Document) -> str:
    """Return the verdict in one or two sentences."""
    counts = document["counts"]
    if counts["fail"]:
        first = f"FAIL: {_things(counts['fail'], 'thing')} to fix before the first switch-on"
    elif counts["caution"]:
        first = f"CAUTION: nothing failed, but {_things(counts['caution'], 'thing')} to think about"
    else:
        first = f"{document['verdict'].upper()}: nothing failed"
    rest = []
    if counts["fail"] and counts["caution"]:
        rest.append(_things(counts["caution"], "caution"))
    rest.append(f"{counts['pass']} passed")
    missing = counts["not_checked"]
    blind = (
        f" {_things(missing, 'check')} could not be made for want of figures, and may hide a fail." if missing else ""
    )
    return f"{first}; {', '.join(rest)}.{blind}"


def _things(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _finding(number: int, finding: Document) -> Iterator[str]:
    state, name = finding["state"], f"{finding['part']}: {finding['name']}"
    risk = "" if state == "pass" else f"  [{DANGERS[finding['danger']]}]"
    yield from _wrapped(f"{number:2}. {state.upper()}  {name}{risk}", "", "    ")
    yield from _wrapped(finding["figure"], "    figure  ", " " * 12)
    yield from _wrapped(finding["limit"], "    limit   ", " " * 12)
    yield from _wrapped(finding["source"], "    source  ", " " * 12)
    if finding["change"]:
        yield from _wrapped(f"{finding['change']}{whose(finding)}", "    change  ", " " * 12)


def whose(finding: Document) -> str:
    """Return who may have to do it, for a finding that asks for a change."""
    if not finding["trade"] or finding["state"] == "pass":
        return ""
    return f" Local codes and a licensed {finding['trade']} decide."


def _not_checked(missing: Iterable[Document]) -> Iterator[str]:
    groups = [(part, list(ones)) for part, ones in groupby(missing, key=lambda one: one["part"])]
    if not groups:
        return
    yield from ("Not checked", "-" * 11)
    for part, ones in groups:
        yield f"  {part}"
        for one in ones:
            yield from _wrapped(f"{one['name']}, not checked: needs {', '.join(one['needs'])}", "    ", "      ")
    yield ""


def _wrapped(text: str, first: str = "", then: str = "") -> list[str]:
    return wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=then, break_long_words=False, break_on_hyphens=False
    )
