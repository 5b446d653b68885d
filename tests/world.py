"""A small barge for the tests of the core: usual settings, and a script that calls `decide` as the daemon does."""

from datetime import UTC, tzinfo
from typing import Self

from dumpload.core.contact import Feedback
from dumpload.core.controller import (
    ControllerSettings,
    Decision,
    Event,
    Kind,
    Setup,
    decide,
    is_overdue,
    reconfigure,
    remember,
    start,
)
from dumpload.core.freshness import MISSING
from dumpload.core.law import Limits, Position, Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.core.window import parse_span

LIMITS = Limits(
    cut_in_percent=97.0, cut_out_percent=93.0, floor_percent=50.0, confirm_s=30.0, min_on_s=300.0, min_off_s=300.0
)
MAX_AGE_S = 60.0
START = 1_000.0
# 2025-06-16 12:00:00 UTC.
NOON = 1_750_075_200.0


def setup(
    limits: Limits = LIMITS,
    permissives: PermissiveLimits | None = None,
    *,
    max_age_s: float | tuple[float, ...] = MAX_AGE_S,
    window: tuple[str, ...] = (),
    zone: tzinfo = UTC,
    feedback_s: float = 0.5,
    heartbeat_s: float = MISSING,
) -> Setup:
    """Return settings with every signal configured, unless there are `max_age_s` for each; a heartbeat if it is set."""
    spans = tuple(parse_span(text) for text in window)
    ages = max_age_s if isinstance(max_age_s, tuple) else ((max_age_s,) * Signal.HEARTBEAT + (heartbeat_s,))
    settings = ControllerSettings(limits, permissives or PermissiveLimits(), ages, feedback_s)
    return Setup(settings, spans, zone)


class Shell:
    """Keeps the state of one controller, and lets it look first at a deadline that is overdue, as the daemon does."""

    def __init__(self, configured: Setup, t: float) -> None:
        self.settings, self.schedule = configured.settings, configured.schedule()
        self.state = start(t)

    def handle(self, event: Event) -> tuple[Decision, ...]:
        """Decide on an event; return the decisions, oldest first."""
        if is_overdue(self.state, event):
            return self.decide(event._replace(kind=Kind.OVERDUE)), self.decide(event)
        return (self.decide(event),)

    def decide(self, event: Event) -> Decision:
        self.state, decision = decide(self.settings, self.state, event, self.schedule.at(event.wall))
        return decision

    def remember(self, event: Event) -> None:
        self.state = remember(self.settings, self.state, event)

    def reconfigure(self, configured: Setup) -> Self:
        """Take new settings; a deadline is then due."""
        self.settings, self.schedule = configured.settings, configured.schedule()
        self.state = reconfigure(self.state, configured.settings)
        return self


class World(Shell):
    """Plays events in order; between them it wakes the controller at each of its deadlines, as the daemon does.

    `rows`: every decision.
    """

    def __init__(self, configured: Setup | None = None, *, t: float = START, wall: float = NOON) -> None:
        super().__init__(configured or setup(), t)
        self.t = t
        self.ahead = wall - t
        self.rows: list[Decision] = []

    @property
    def position(self) -> Position:
        return self.state.position

    @property
    def seen_as(self) -> tuple[str, str]:
        """The position and its cause, in words."""
        return self.position.name.lower(), self.state.cause.name.lower()

    @property
    def changes(self) -> list[tuple[float, str, str]]:
        """Every change of the relay: when (s since the start), to where, and why."""
        return [(row.t - START, row.position.name.lower(), row.cause.name.lower()) for row in self.rows if row.changed]

    def wake(self) -> Self:
        return self.send(Kind.WAKE)

    def send(self, kind: Kind, **fields: object) -> Self:
        event = Event(self.t, self.t + self.ahead, kind, **fields)  # type: ignore[arg-type]
        self.rows += self.handle(event)
        return self

    def wait(self, seconds: float) -> Self:
        """Let time pass. Deadlines up to, but not at, the end are woken: an event comes before a deadline."""
        end = self.t + seconds
        while self.state.deadline < end:
            self.t = self.state.deadline
            self.wake()
        self.t = end
        return self

    def wait_through(self, seconds: float) -> Self:
        """Let time pass, and wake a deadline due at the very end too."""
        self.wait(seconds)
        return self.wake() if self.state.deadline == self.t else self

    def stall(self, seconds: float) -> Self:
        """Let time pass without waking anything."""
        self.t += seconds
        return self

    def measure(self, signal: Signal, value: float, *, age_s: float = 0.0) -> Self:
        return self.send(Kind.SAMPLE, signal=signal, value=value, stamp=self.t - age_s)

    def soc(self, percent: float, *, age_s: float = 0.0) -> Self:
        return self.measure(Signal.STATE_OF_CHARGE, percent, age_s=age_s)

    def soc_for(self, percent: float, seconds: float, *, every_s: float = 10.0) -> Self:
        """Send the same state of charge every so often, the last time at the end."""
        end = self.t + seconds
        while self.t < end:
            self.wait(min(every_s, end - self.t))
            self.soc(percent)
        return self

    def select(self, selector: Selector, *, for_s: float = float("nan")) -> Self:
        return self.send(Kind.SELECT, selector=selector, until=self.t + for_s)

    def feed_back(self, feedback: Feedback) -> Self:
        return self.send(Kind.FEEDBACK, feedback=feedback)


def running(configured: Setup | None = None, **start: float) -> World:
    """Return a world in which the relay has just come on from surplus, 300 s after the start."""
    world = World(configured, **start)
    world.soc(98.0).soc_for(98.0, world.settings.limits.min_off_s)
    assert world.seen_as == ("on", "surplus")
    return world
