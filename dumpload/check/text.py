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
    "bank": "the battery",
    "service": "service",
}

SECTIONS = (
    ("fail", "Fix before the first switch-on, most dangerous first"),
    ("unanswered", "Not answered: find out before the first switch-on"),
    ("caution", "Think about these"),
    ("pass", "Passed"),
    ("info", "For information"),
)

LABELS = (("figure", "found"), ("limit", "required"), ("source", "basis"), ("change", "do this"))

PRACTICE_NOTE = "* Common practice: no published source was found for this."


def check_text(document: Document) -> str:
    """Return the document as text for a terminal."""
    lines = [*_wrapped(f"Installation check of {document['name']}: {document['config']}"), ""]
    lines += [*_wrapped(headline(document)), ""]
    number = 0
    for title, findings in sections(document):
        lines += [title, "-" * len(title)]
        for finding in findings:
            number += 1
            lines += _finding(number, finding)
        lines.append("")
    lines += _not_checked(item for item in document["not_checked"] if not item["safety"])
    lines += ["What the settings mean", "-" * 22]
    meanings = [f"relay: {document['relay']}", *(f"control: {line}" for line in document["law"])]
    for line in (*meanings, f"lost data: {document['data_lost']}"):
        lines += _wrapped(line, "  ", "    ")
    if any(finding["common_practice"] for finding in document["findings"]):
        lines += ["", *_wrapped(PRACTICE_NOTE, "", "  ")]
    lines += ["", "Before you act on any figure", "-" * 30]
    for line in document["cautions"]:
        lines += _wrapped(line, "  ", "    ")
    return "\n".join(lines)


def sections(document: Document) -> list[tuple[str, list[Document]]]:
    """Return the title of each section with anything in it, and its findings; unanswered questions are findings."""
    open_questions = [unanswered(item) for item in document["not_checked"] if item["safety"]]
    by_state = [
        (title, [finding for finding in (*document["findings"], *open_questions) if finding["state"] == state])
        for state, title in SECTIONS
    ]
    return [(title, findings) for title, findings in by_state if findings]


def unanswered(missing: Document) -> Document:
    """Return a question of safety that nobody answered, as a finding."""
    needs = ", ".join(missing["needs"])
    return {**missing, "state": "unanswered", "change": f"Find out and set {needs}."}


def rows(finding: Document) -> list[tuple[str, str]]:
    """Return label and text of what a finding has to say."""
    labelled = []
    for key, label in LABELS:
        text = finding.get(key, "")
        if key == "source" and finding.get("common_practice"):
            text += " *"
        elif key == "change" and text:
            text += whose(finding)
        if text:
            labelled.append((label, text))
    return labelled


def headline(document: Document) -> str:
    """Return the verdict in one or two sentences."""
    counts = document["counts"]
    unanswered, cautions = counts["unanswered"], _things(counts["caution"], "caution")
    if counts["fail"]:
        first = f"FAIL: {_things(counts['fail'], 'thing')} to fix before the first switch-on"
    elif unanswered:
        first = "INCOMPLETE: nothing that could be checked failed"
    elif counts["caution"]:
        first = f"CAUTION: nothing failed, but {_things(counts['caution'], 'thing')} to think about"
    else:
        first = f"{document['verdict'].upper()}: nothing failed"
    rest = [f"{_things(unanswered, 'safety question')} not answered"] if unanswered else []
    rest += [cautions] if counts["caution"] and not first.startswith("CAUTION") else []
    rest.append(f"{counts['pass']} passed")
    missing = counts["not_checked"]
    could = f" {_things(missing, 'check')} could not be made because data are missing, so a failure may be hidden."
    return f"{first}; {', '.join(rest)}.{could if missing else ''}"


def _things(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def risk(finding: Document) -> str:
    """Return what may happen, "" where nothing was found wrong."""
    return "" if finding["state"] in {"pass", "info"} else DANGERS[finding["danger"]]


def _finding(number: int, finding: Document) -> Iterator[str]:
    name = f"{finding['part']}: {finding['name']}"
    danger = f"  [{risk(finding)}]" if risk(finding) else ""
    yield from _wrapped(f"{number:2}. {finding['state'].upper()}  {name}{danger}", "", "    ")
    for label, text in rows(finding):
        yield from _wrapped(text, f"    {label:9} ", " " * 14)


def whose(finding: Document) -> str:
    """Return who may have to do it, for a finding that asks for a change."""
    if not finding.get("trade") or finding["state"] in {"pass", "info"}:
        return ""
    return f" Local codes and a licensed {finding['trade']} decide."


def _not_checked(missing: Iterable[Document]) -> Iterator[str]:
    groups = [(part, list(ones)) for part, ones in groupby(missing, key=lambda item: item["part"])]
    if not groups:
        return
    yield from ("Not checked", "-" * 11)
    for part, ones in groups:
        yield f"  {part}"
        for item in ones:
            yield from _wrapped(f"{item['name']}, not checked: needs {', '.join(item['needs'])}", "    ", "      ")
    yield ""


def _wrapped(text: str, first: str = "", then: str = "") -> list[str]:
    return wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=then, break_long_words=False, break_on_hyphens=False
    )
