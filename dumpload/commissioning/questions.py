"""The questions of `dumpload init`, and the settings file that the answers make. Pure: asking is `ask`'s part.

Every answer is judged by the same rules as a settings file, one at a time, so that a mistake is named at once.
"""

import json
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from dumpload.commissioning.propose import Wish
from dumpload.config.layers import ConfigError, Layers, leaves, read_value
from dumpload.config.model import flat, judge
from dumpload.core.signals import QUANTITIES, Signal, signal_name

# Stands for the file that does not exist yet, where an error names one.
NEW_FILE = Path("the answer")


class Question(NamedTuple):
    """One thing to ask. `default` None: it must be answered, or (`optional`) is left out of the file."""

    key: str
    prompt: str
    default: str | None = None
    optional: bool = False
    # Asked only where this key has an answer.
    only_with: str = ""


QUESTIONS = (
    Question("name", "Name of this heater, in its topics", "heater"),
    Question("mqtt.host", "MQTT broker", "localhost"),
    Question("mqtt.port", "its port", "1883"),
    Question("mqtt.username", "user name for the broker (empty: none)", optional=True),
    Question("mqtt.password_file", "file with its password", optional=True, only_with="mqtt.username"),
)
AFTER_SIGNALS = (
    Question("relay.pin", "GPIO number of the relay's line (not its place on the header)"),
    Question("relay.active_high", "Does a high level close the contact? true or false", "true"),
    Question("control.cut_in_percent", "Heat from this state of charge (percent; LiFePO4 has surplus above 97)", "98"),
    Question("control.cut_out_percent", "and until it falls below", "96"),
    Question("permissive.window", "Only in these hours", '["09:00-17:00"]'),
    Question("permissive.timezone", "of this time zone", "UTC"),
    Question("load.rated_w", "Watts on the element's plate (empty: not known)", optional=True),
    Question("load.rated_v", "at this voltage", optional=True, only_with="load.rated_w"),
    Question("history.path", "Keep a record in this file (empty: none)", optional=True),
)
# In the order in which they are asked for; without the first there is no control.
SIGNALS = (Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.BATTERY_POWER, Signal.SOLAR_POWER, Signal.LOAD_POWER)

_REST = """\
# What is installed (battery, cable, fuse, contact, tank) is not in here yet: `dumpload check` says what it looks at.
# This program is an operating control, not what keeps the installation safe: fuse, DC-rated contact, thermostat,
# manual-reset thermal cut-out and relief valve must be there before the first switch-on.
"""


def is_asked(question: Question, answers: Mapping[str, str]) -> bool:
    """Return whether a question is to be asked, after the answers so far."""
    return question.key not in answers and (not question.only_with or question.only_with in answers)


class Answer(NamedTuple):
    """An answer as judged: its value, or what is wrong with it ("": nothing is)."""

    value: Any
    complaint: str


def judged(key: str, text: str, answers: Mapping[str, Any]) -> Answer:
    """Return what an answer means, judged by the rules of a settings file beside the answers so far."""
    values: dict[str, Any] = {"telemetry": {"state_of_charge": {"topic": "t"}}, "relay": {"pin": 17}}
    for answered, value in (*answers.items(), (key, read_value(text))):
        *tables, name = answered.split(".")
        table = values
        for part in tables:
            table = table.setdefault(part, {})
        table[name] = list(value) if isinstance(value, tuple) else value
    origins = {leaf: str(NEW_FILE) for leaf, _ in leaves(values)}
    try:
        return Answer(flat(judge(Layers(NEW_FILE, values, origins, {key: text}, []), {})).get(key), "")
    except ConfigError as error:
        own = [problem.line for problem in error.problems if problem.key == key]
        # What only a later answer can mend (a cut-in below the default cut-out) is judged with the whole file.
        return Answer(None, "\n".join(own)) if own else Answer(read_value(text), "")


def wish_question(signal: Signal) -> Question:
    """Return the question for where a signal is published."""
    name, unit = signal_name(signal).replace("_", " "), QUANTITIES[signal].unit
    need = "" if signal == Signal.STATE_OF_CHARGE else "; empty: there is none"
    return Question(
        f"telemetry.{signal_name(signal)}",
        f"Topic of the {name} ({unit}), or TOPIC /POINTER{need}",
        optional=bool(need),
    )


def settings_text(answers: Mapping[str, Any], telemetry: str, schema: str = "") -> str:
    """Return the file: the answers as TOML, table by table, with `telemetry` as `propose` wrote it.

    `schema`: the address of the editor schema, for the line by which an editor finds it ("": none).
    """
    lines = [f"#:schema {schema}"] if schema else []
    lines += ["# Written by `dumpload init`. Every setting that is not here has its default."]
    tables: dict[str, list[str]] = {"": [], "mqtt": [], "relay": []}
    for question in (*QUESTIONS, *AFTER_SIGNALS):
        if question.key in answers:
            table, _, name = question.key.rpartition(".")
            tables.setdefault(table, []).append(f"{name} = {toml(answers[question.key])}")
    lines += tables.pop("")
    parts = [f"[{table}]\n" + "\n".join(entries) for table, entries in tables.items() if entries]
    return "\n\n".join(["\n".join(lines), *parts[:1], telemetry.strip(), *parts[1:], _REST])


def judge_text(path: Path, text: str) -> None:
    """Judge a whole file before it is written.

    Raises:
        ConfigError: the answers do not fit together.
    """
    values = tomllib.loads(text)
    judge(Layers(path, values, {key: str(path) for key, _ in leaves(values)}, {}, []), {})


def toml(value: Any) -> str:
    """Return a setting's value in TOML."""
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, str | Path):
        return json.dumps(str(value), ensure_ascii=False)
    return str(value).lower()


def plain_telemetry(wishes: Sequence[Wish]) -> str:
    """Return the telemetry part for topics that nobody listened to."""
    return "\n\n".join(
        f"[telemetry.{signal_name(wish.signal)}]\ntopic = {toml(wish.topic)}"
        + (f"\npointer = {toml(wish.pointer)}" if wish.pointer else "")
        for wish in wishes
    )
