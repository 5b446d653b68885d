"""Asks the questions of `dumpload init` and writes the file: the part that talks to a person.

Never overwrites a file. Without a terminal nothing is asked: what was not given takes its default, or is missing.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from dumpload.commissioning.propose import Wish, parse_wish
from dumpload.commissioning.questions import (
    AFTER_SIGNALS,
    QUESTIONS,
    SIGNALS,
    Question,
    is_asked,
    judged,
    wish_question,
)
from dumpload.config.layers import ConfigError, Problem
from dumpload.core.signals import Signal, signal_name

# Asks a person one line; returns what was typed.
Prompt = Callable[[str], str]
# Shows a person one line.
Show = Callable[[str], None]


class Interview:
    """One round of questions. `prompt` None: not interactive."""

    def __init__(self, answers: Mapping[str, str], prompt: Prompt | None, show: Show) -> None:
        self._given = answers
        self._prompt = prompt
        self._show = show
        self.answers: dict[str, Any] = {}
        self._problems: list[Problem] = []

    def ask_all(self, questions: Sequence[Question]) -> None:
        """Ask the remaining questions.

        Raises:
            ConfigError: there is nobody to ask, and an answer is wrong or missing.
        """
        for question in questions:
            if is_asked(question, self.answers):
                self._ask(question)
        if self._problems:
            raise ConfigError(self._problems)

    def _ask(self, question: Question) -> None:
        text = self._given.get(question.key)
        while True:
            if text is None:
                text = self._typed(question)
            if not text:
                if question.optional:
                    return
                self._wrong(question.key, "", "an answer")
            else:
                answer = judged(question.key, text, self.answers)
                if not answer.complaint:
                    self.answers[question.key] = answer.value
                    return
                self._wrong(question.key, text, answer.complaint)
            if self._prompt is None:
                return
            text = None

    def _typed(self, question: Question) -> str:
        if self._prompt is None:
            return question.default or ""
        default = f" [{question.default}]" if question.default else ""
        return self._prompt(f"{question.prompt}{default}: ").strip() or question.default or ""

    def _wrong(self, key: str, text: str, complaint: str) -> None:
        if self._prompt is not None:
            self._show(complaint if text else f"{key} needs an answer")
        elif text:
            self._problems.append(Problem("--set", key, "", complaint.partition("expected ")[2] or complaint))
        else:
            self._problems.append(Problem("", key, "", f"--set {key}=VALUE, or a terminal to ask at"))

    def ask_for_topics(self, wishes: Sequence[Wish]) -> list[Wish]:
        """Ask where each signal is published that was not named yet.

        Raises:
            ConfigError: there is nobody to ask, and the state of charge was not named.
        """
        by_signal = {wish.signal: wish for wish in wishes}
        for signal in SIGNALS:
            if signal not in by_signal and self._prompt is not None and (wish := self._wish(signal)):
                by_signal[signal] = wish
        if Signal.STATE_OF_CHARGE not in by_signal:
            need = Problem("", "telemetry.state_of_charge", "", "--propose 'state_of_charge=TOPIC /POINTER'")
            raise ConfigError([need])
        return [by_signal[signal] for signal in sorted(by_signal)]

    def _wish(self, signal: Signal) -> Wish | None:
        assert self._prompt is not None  # noqa: S101  (asked only of a person)
        question = wish_question(signal)
        while True:
            text = self._prompt(f"{question.prompt}: ").strip()
            if not text and question.optional:
                return None
            try:
                return parse_wish(f"{signal_name(signal)}={text}")
            except ConfigError as error:
                self._show(str(error))


def interview(answers: Mapping[str, str], prompt: Prompt | None, show: Show) -> Interview:
    """Start an interview with the questions on the broker and the heater's name.

    Raises:
        ConfigError: see `Interview.ask_all`.
    """
    talk = Interview(answers, prompt, show)
    keys = {question.key for question in (*QUESTIONS, *AFTER_SIGNALS)}
    if unknown := sorted(set(answers) - keys):
        raise ConfigError(Problem("--set", key, "", f"one of {', '.join(sorted(keys))}") for key in unknown)
    talk.ask_all(QUESTIONS)
    return talk
