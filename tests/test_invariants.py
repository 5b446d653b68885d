"""What holds whatever happens, in any order and at any time; and the law against its second statement on stories."""

import copy
import math
import random
from typing import Any

import prose
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from world import LIMITS, NOON, START, Shell, setup

from dumpload.core.contact import Feedback
from dumpload.core.controller import Decision, Event, Kind, Lockout, Setup
from dumpload.core.freshness import MISSING, NEVER
from dumpload.core.law import Cause, Limits, Position, Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import QUANTITIES, Signal

VETOES = frozenset(Cause(number) for number in range(Cause.STARTING, Cause.DUTY_LIMIT + 1))
# Causes of a change only: the next look names what holds now.
MOMENTARY = (Cause.BELOW_CUT_OUT, Cause.HAND_OVER, Cause.DUTY_LIMIT)

ALL_PERMISSIVES = PermissiveLimits(
    voltage_cut_out_v=25.0,
    voltage_cut_in_v=26.0,
    tank_cut_out_c=70.0,
    tank_cut_in_c=60.0,
    drain_limit_w=50.0,
    drain_limit_s=40.0,
    drain_rest_s=90.0,
    max_on_s=400.0,
    max_on_per_day_s=1_500.0,
)

shares = st.floats(0.0, 1.0)
waits = st.sampled_from([0.0, 0.1, 1.0, 5.0, 30.0, 59.0, 60.0, 61.0, 300.0, 4_000.0]) | st.floats(0.0, 700.0)
percents = st.sampled_from(
    [0.0, 49.9, 50.0, 70.0, 92.9, 93.0, 95.0, 96.9, 97.0, 98.0, 99.0, 100.0] + [99.0] * 8
) | st.floats(0.0, 100.0)
values = {
    Signal.BATTERY_VOLTAGE: st.sampled_from([24.9, 25.0, 25.5, 26.0, 27.0, 28.0, 28.0, 28.0]),
    Signal.BATTERY_POWER: st.sampled_from([-500.0, -51.0, -50.0, 0.0, 100.0, 100.0]),
    Signal.LOAD_POWER: st.sampled_from([0.0, 5.0, 300.0]),
    Signal.SOLAR_POWER: st.sampled_from([0.0, 800.0]),
    Signal.TANK_TEMPERATURE: st.sampled_from([20.0, 40.0, 60.0, 65.0, 69.9, 70.0]),
    Signal.HEARTBEAT: st.sampled_from([1.0, 1.0, 2.0]),
}
any_configurations = st.builds(
    setup,
    st.builds(
        Limits,
        cut_in_percent=st.sampled_from([97.0, 98.0]),
        cut_out_percent=st.sampled_from([90.0, 93.0]),
        floor_percent=st.sampled_from([0.0, 50.0]),
        confirm_s=st.sampled_from([0.0, 30.0]),
        min_on_s=st.sampled_from([0.0, 100.0, 300.0]),
        min_off_s=st.sampled_from([0.0, 100.0, 300.0]),
    ),
    st.sampled_from([PermissiveLimits(), PermissiveLimits(), ALL_PERMISSIVES]),
    max_age_s=st.sampled_from([10.0, 60.0]),
    window=st.sampled_from([(), (), ("12:10-12:40",), ("11:00-12:05", "12:20-06:00")]),
    heartbeat_s=st.sampled_from([MISSING, MISSING, 120.0]),
)
configurations = any_configurations.filter(
    # without a minimum off-time a run that has used up its time starts anew with the next event
    lambda configured: (
        configured.settings.limits.min_off_s > 0.0 or math.isnan(configured.settings.permissives.max_on_s)
    )
)


class AnyEvents(RuleBasedStateMachine):
    """Plays anything to two controllers, in step, and watches what they decide."""

    def __init__(self) -> None:
        super().__init__()
        self.t, self.ahead = START, NOON - START
        self.rows: list[Decision] = []
        # When the last accepted state of charge was measured.
        self.stamp = -NEVER
        self.shortest_max_age_s = 0.0
        # Since when samples have been at or above cut-in, by their stamps, as far as this test can tell.
        self.above_since = MISSING
        self.newest = -NEVER
        # The last value of the heartbeat, and when it was last measured to have changed.
        self.beat, self.beat_at = MISSING, -NEVER
        self.confirmed = False
        self.one: Shell
        self.other: Shell

    @initialize(configured=configurations)
    def begin(self, configured: Setup) -> None:
        self.one, self.other = Shell(configured, self.t), Shell(configured, self.t)
        self.shortest_max_age_s = configured.settings.max_age_s[Signal.STATE_OF_CHARGE]

    def send(self, kind: Kind, **fields: Any) -> None:
        event = Event(self.t, self.t + self.ahead, kind, **fields)
        rows, same = self.one.handle(event), self.other.handle(event)
        assert repr(rows) == repr(same)
        for row in rows:
            self.check_row(row)
            self.rows.append(row)
        if rows[-1].accepted and event.signal == Signal.HEARTBEAT:
            if not math.isnan(self.beat) and event.value != self.beat:
                self.beat_at = self.t
            self.beat = event.value
        if rows[-1].accepted and event.signal == Signal.STATE_OF_CHARGE:
            self.learn(event)
        elif kind in (Kind.EVIDENCE_RESET, Kind.ABSENT) or (
            kind == Kind.UNKNOWN and event.signal == Signal.STATE_OF_CHARGE
        ):
            self.above_since = MISSING
        assert self.one.state.deadline > self.t

    def learn(self, event: Event) -> None:
        limits = self.one.settings.limits
        self.stamp = event.stamp
        self.shortest_max_age_s = self.one.settings.max_age_s[Signal.STATE_OF_CHARGE]
        stamp = min(event.stamp, self.t)
        if event.value < limits.cut_in_percent:
            self.above_since = MISSING
        elif math.isnan(self.above_since) and stamp >= self.newest:
            self.above_since = stamp
        self.newest = max(self.newest, stamp)
        self.confirmed |= stamp >= self.above_since + limits.confirm_s

    def check_row(self, row: Decision) -> None:
        """Check the dwells of one decision."""
        if not row.changed:
            return
        limits = self.one.settings.limits
        before = next((old for old in reversed(self.rows) if old.changed), None)
        since = START if before is None else before.t
        assert row.after_s == row.t - since
        if row.position == Position.ON:
            assert row.t >= since + limits.min_off_s
        else:
            assert row.t >= since + limits.min_on_s or row.cause in VETOES

    def wait(self, seconds: float) -> None:
        end = self.t + seconds
        while self.one.state.deadline < end:
            self.t = max(self.t, self.one.state.deadline)
            self.send(Kind.WAKE)
        self.t = end

    # What happens

    @rule(percent=percents, after_s=waits)
    def state_of_charge(self, percent: float, after_s: float) -> None:
        self.wait(after_s)
        self.send(Kind.SAMPLE, value=percent, stamp=self.t)

    @rule(after_s=st.floats(0.0, 100.0))
    def heart_beats(self, after_s: float) -> None:
        self.wait(after_s)
        self.send(Kind.SAMPLE, signal=Signal.HEARTBEAT, value=self.t, stamp=self.t)

    @rule(percent=st.sampled_from([97.0, 99.0, 99.0, 95.0]), times=st.integers(3, 40), every_s=st.floats(1.0, 30.0))
    def steady_state_of_charge(self, percent: float, times: int, every_s: float) -> None:
        for _ in range(times):
            self.state_of_charge(percent, every_s)

    @rule(
        percent=percents,
        value=st.sampled_from([MISSING, math.inf, -math.inf, 255.0, -1.0]),
        age_s=st.floats(0.0, 200.0),
        believable=st.booleans(),
    )
    def old_or_unbelievable_state_of_charge(self, percent: float, value: float, age_s: float, believable: bool) -> None:
        """Arrives late: it counts from when it was measured, or changes nothing."""
        data, memory = self.one.state.data, self.one.state.law
        late = self.one.state.deadline < self.t
        max_age_s = self.one.settings.max_age_s[Signal.STATE_OF_CHARGE]
        self.send(Kind.SAMPLE, value=percent if believable else value, stamp=self.t - age_s)
        accepted = self.rows[-1].accepted
        assert accepted == (believable and self.t < self.t - age_s + max_age_s)
        if not accepted and not late:
            assert self.one.state.data == data
            assert self.one.state.law.surplus <= memory.surplus

    @rule(data=st.data(), signal=st.sampled_from(list(values)), after_s=st.floats(0.0, 20.0))
    def other_sample(self, data: st.DataObject, signal: Signal, after_s: float) -> None:
        self.wait(after_s)
        self.send(Kind.SAMPLE, signal=signal, value=data.draw(values[signal]), stamp=self.t)

    @rule(signal=st.sampled_from(list(Signal)))
    def unknown(self, signal: Signal) -> None:
        self.send(Kind.UNKNOWN, signal=signal)

    @rule(
        kind=st.sampled_from(
            [Kind.ABSENT, Kind.EVIDENCE_RESET, Kind.EVIDENCE_RESET, Kind.PIN_FAULT, Kind.RESET, Kind.RESET]
        )
    )
    def plain(self, kind: Kind) -> None:
        self.send(kind)

    @rule(selector=st.sampled_from(list(Selector)), for_s=st.floats(-10.0, 2_000.0) | st.just(MISSING))
    def select(self, selector: Selector, for_s: float) -> None:
        self.send(Kind.SELECT, selector=selector, until=self.t + for_s)

    @rule(feedback=st.sampled_from(list(Feedback)), after_s=st.floats(0.0, 2.0))
    def feed_back(self, feedback: Feedback, after_s: float) -> None:
        self.wait(after_s)
        self.send(Kind.FEEDBACK, feedback=feedback)

    @rule(seconds=st.floats(-1e8, 1e8) | st.sampled_from([-3_600.0, 3_600.0, 43_200.0]))
    def step_of_the_wall_clock(self, seconds: float) -> None:
        self.ahead += seconds
        self.send(Kind.WAKE)

    @rule(seconds=waits)
    def time(self, seconds: float) -> None:
        self.wait(seconds)
        self.send(Kind.WAKE)

    @rule(seconds=waits)
    def stall(self, seconds: float) -> None:
        """Nobody is woken; the next thing finds the deadline long past."""
        self.t += seconds

    @rule(configured=configurations)
    def new_settings(self, configured: Setup) -> None:
        """The daemon wakes the controller at once."""
        self.one.reconfigure(configured)
        self.other.reconfigure(configured)
        self.shortest_max_age_s = min(self.shortest_max_age_s, configured.settings.max_age_s[Signal.STATE_OF_CHARGE])
        self.above_since = MISSING if math.isnan(self.one.state.law.above_since) else self.above_since
        self.send(Kind.WAKE)

    @rule()
    def all_faults_clear(self) -> None:
        """On a new day, good input for the confirm time, the minimum off-time, a rest and a bit: then it is on."""
        self.send(Kind.WAKE)
        self.ahead = NOON + 1_500.0 + 86_400.0 * (1 + (self.t + self.ahead - NOON) // 86_400.0) - self.t
        self.send(Kind.FEEDBACK, feedback=Feedback.UNKNOWN)
        self.send(Kind.UNKNOWN, signal=Signal.LOAD_POWER)
        self.send(Kind.RESET)
        self.send(Kind.SELECT, selector=Selector.AUTO)
        limits = self.one.settings.limits
        end = self.t + limits.confirm_s + limits.min_off_s + ALL_PERMISSIVES.drain_rest_s + 20.0
        came_on = False
        while self.t < end:
            good = {Signal.BATTERY_VOLTAGE: 28.0, Signal.BATTERY_POWER: 0.0, Signal.TANK_TEMPERATURE: 40.0}
            for signal, value in good.items():
                self.send(Kind.SAMPLE, signal=signal, value=value, stamp=self.t)
            self.heart_beats(2.0)
            self.state_of_charge(99.0, 3.0)
            came_on |= self.one.state.position == Position.ON
        assert came_on

    # What holds then

    def awake(self) -> bool:
        return hasattr(self, "one") and bool(self.rows) and self.one.state.deadline > self.t

    @precondition(awake)
    @invariant()
    def never_on_without_data_young_enough(self) -> None:
        if self.one.state.position == Position.ON:
            assert self.t < self.stamp + self.shortest_max_age_s
            assert self.t < self.one.state.charge_expires_at <= self.stamp + self.shortest_max_age_s
            heartbeat_s = self.one.settings.max_age_s[Signal.HEARTBEAT]
            assert math.isnan(heartbeat_s) or self.t < self.beat_at + heartbeat_s

    @precondition(awake)
    @invariant()
    def never_on_below_the_floor_with_the_selector_off_or_locked_out(self) -> None:
        if self.one.state.position == Position.ON:
            datum = self.one.state.data[Signal.STATE_OF_CHARGE]
            assert self.one.settings.limits.floor_percent <= datum.value <= 100.0
            assert self.one.state.selector != Selector.OFF
            assert self.one.state.lockout == Lockout.NONE
            assert self.one.state.permitted.cause == Cause.NONE

    @precondition(awake)
    @invariant()
    def in_auto_never_on_without_confirmed_surplus(self) -> None:
        if self.one.state.law.surplus:
            assert self.confirmed
        if self.one.state.position == Position.ON and self.one.state.cause == Cause.SURPLUS:
            assert self.one.state.law.surplus

    @precondition(awake)
    @invariant()
    def everything_known_is_finite_and_in_range(self) -> None:
        for signal, datum in zip(Signal, self.one.state.data, strict=True):
            quantity = QUANTITIES[signal]
            assert math.isnan(datum.value) or quantity.low <= datum.value <= quantity.high
            assert datum.expires_at <= self.t or math.isfinite(datum.value)

    @precondition(awake)
    @invariant()
    def nothing_changes_before_the_deadline(self) -> None:
        position, cause = self.one.state.position, self.one.state.cause
        end = min(self.one.state.deadline, self.t + 1e5)
        for share in (0.0, 0.37, 0.999):
            moment = self.t + share * (end - self.t)
            if not self.t <= moment < end:
                continue
            later = copy.copy(self.one)
            later.handle(Event(moment, moment + self.ahead, Kind.WAKE))
            assert later.state.position == position
            assert later.state.cause == cause or cause in MOMENTARY


TestAnyEvents = AnyEvents.TestCase
TestAnyEvents.settings = settings(max_examples=80, stateful_step_count=40)


# The law against its second statement


plain_settings = {
    "max_age": 12,
    "cut_in": 97.0,
    "cut_out": 93.0,
    "floor": 50.0,
    "confirm": 6,
    "min_on": 20,
    "min_off": 15,
    "window": [],
    "volts_out": None,
    "volts_in": None,
    "tank_out": None,
    "tank_in": None,
    "drain_w": None,
    "drain_s": None,
    "drain_rest": None,
    "max_run": None,
    "max_day": None,
}
variants = [
    {},
    {"confirm": 0, "min_on": 0, "min_off": 0},
    {"volts_out": 25.0, "volts_in": 26.0},
    {"tank_out": 70.0, "tank_in": 60.0},
    {"drain_w": 50.0, "drain_s": 5, "drain_rest": 18},
    {"max_run": 30},
    {"max_day": 45, "min_off": 5},
    {"window": [(722, 724), (725, 727)]},
    {
        "volts_out": 25.0,
        "volts_in": 26.0,
        "tank_out": 70.0,
        "tank_in": 60.0,
        "drain_w": 50.0,
        "drain_s": 5,
        "drain_rest": 18,
        "max_run": 30,
        "max_day": 45,
        "window": [(719, 717)],
    },
]
# The permissives whose veto the long stories must have shown, per variant.
told_of: list[set[str]] = [
    set(),
    set(),
    {"voltage_low"},
    {"tank_hot"},
    {"drain_limit"},
    {"duty_limit"},
    {"duty_limit"},
    {"outside_window"},
    {"voltage_low", "tank_hot", "duty_limit", "drain_limit"},
]

Story = list[tuple[int, tuple[Any, ...]]]
SIGNALS = {
    "soc": Signal.STATE_OF_CHARGE,
    "volts": Signal.BATTERY_VOLTAGE,
    "celsius": Signal.TANK_TEMPERATURE,
    "watts": Signal.BATTERY_POWER,
}


def core_setup(words: dict[str, Any]) -> Setup:
    """Return the same settings for the controller."""

    def seconds(name: str) -> float:
        return MISSING if words[name] is None else float(words[name])

    spans = tuple(f"{a // 60:02}:{a % 60:02}-{b // 60:02}:{b % 60:02}" for a, b in words["window"])
    permissives = PermissiveLimits(
        *map(seconds, ("volts_out", "volts_in", "tank_out", "tank_in")),
        *map(seconds, ("drain_w", "drain_s", "drain_rest", "max_run", "max_day")),
    )
    limits = Limits(*(float(words[name]) for name in ("cut_in", "cut_out", "floor", "confirm", "min_on", "min_off")))
    return setup(limits, permissives, max_age_s=float(words["max_age"]), window=spans)


def to_event(t: int, wall: int, what: str, details: tuple[Any, ...]) -> Event:
    """Return the same event for the controller."""
    now = (float(t), float(wall))
    if what == "sample":
        name, value, age = details
        return Event(*now, Kind.SAMPLE, SIGNALS[name], value, float(t - age))
    if what == "unknown":
        return Event(*now, Kind.UNKNOWN, SIGNALS[details[0]])
    if what == "select":
        selector, for_s = details
        until = MISSING if for_s is None else float(t + for_s)
        return Event(*now, Kind.SELECT, selector=Selector[selector.upper()], until=until)
    return Event(*now, Kind[what.upper()])


levels = {
    "soc": st.sampled_from([98.0, 98.0, 98.0, 97.0, 96.0, 95.0, 93.0, 92.0, 50.0, 49.0]),
    "volts": st.sampled_from([28.0, 28.0, 28.0, 26.0, 25.5, 25.0, 24.0]),
    "celsius": st.sampled_from([40.0, 40.0, 40.0, 60.0, 65.0, 70.0]),
    "watts": st.sampled_from([10.0, 10.0, 10.0, -50.0, -100.0]),
}
happenings = st.one_of(
    st.tuples(st.just("sample"), st.just("soc"), levels["soc"], st.integers(0, 13)),
    st.tuples(st.just("sample"), st.just("watts"), levels["watts"], st.integers(0, 13)),
    st.tuples(st.just("unknown"), st.sampled_from(list(SIGNALS))),
    st.sampled_from([("absent",), ("evidence_reset",), ("pin_fault",), ("reset",), ("reset",)]),
    st.sampled_from([("select", "off", None), ("select", "auto", None), ("select", "hand", 25), ("select", "hand", 3)]),
)
phases = st.builds(
    lambda held, times, every: [
        (every if name == "soc" else 0, ("sample", name, value, 0))
        for _ in range(times)
        for name, value in held.items()
    ],
    st.fixed_dictionaries(levels),
    st.integers(1, 10),
    st.sampled_from([1, 2, 3, 5]),
)
moments = st.tuples(st.integers(0, 14), happenings).map(lambda happened: [happened])
stories = st.lists(phases | phases | moments, min_size=4, max_size=24).map(
    lambda parts: [happened for part in parts for happened in part]
)


def tell(words: dict[str, Any], story: Story, wall: int) -> set[tuple[str, str]]:
    """Compare both on one story; return the changes that there were.

    The one looks every second, the other is woken at its deadlines: same position every second, same causes.
    """
    told = plain_settings | words
    trace = prose.Trace(told, int(START), wall)
    controller = Shell(core_setup(told), START)
    changes = set()

    def compare(what: str = "wake", *details: Any) -> None:
        said = trace.look(what, *details)
        if what != "wake" or controller.state.deadline == trace.now:
            (row,) = controller.handle(to_event(trace.now, trace.now + trace.ahead, what, details))
            assert (row.position.name.lower(), row.cause.name.lower()) == said
            changes.update({said} if row.changed else ())
        assert controller.state.position.name.lower() == said[0]
        assert controller.state.deadline > trace.now

    for gap, (what, *details) in [*story, (40, ("wake",))]:
        for second in range(1, gap + 1):
            trace.second_passes()
            if second < gap:
                compare()
        compare(what, *details)
    return changes


@settings(max_examples=150)
@given(words=st.sampled_from(variants), story=stories, wall=st.sampled_from([int(NOON), int(NOON) + 43_200 - 120]))
def test_the_controller_does_what_the_prose_says(words: dict[str, Any], story: Story, wall: int) -> None:
    tell(words, story, wall)


def long_story(seed: int) -> Story:
    """Return twenty minutes of mostly fair weather: levels stay for a while, something else happens now and then."""
    chance = random.Random(seed)  # noqa: S311  (a story, not a secret)
    fair = {"soc": 98.0, "volts": 27.0, "celsius": 50.0, "watts": 10.0}
    foul = {
        "soc": (96.0, 93.0, 92.0, 92.0, 49.0),
        "volts": (25.5, 24.0),
        "celsius": (65.0, 70.0),
        "watts": (-50.0, -100.0),
    }
    rare = (
        *(("select", "hand", 60), ("select", "hand", 5), ("select", "off", None), ("select", "auto", None)),
        *(("unknown", "soc"), ("unknown", "watts"), ("evidence_reset",), ("absent",), ("pin_fault",), ("reset",)),
    )
    held = dict(fair)
    story: Story = []
    for _ in range(400):
        name = chance.choice(list(fair))
        if chance.random() < 0.12:
            held[name] = chance.choice((*foul[name], fair[name]))
        if chance.random() < 0.12:
            held = dict(fair)
        if chance.random() < 0.02:
            story += [(chance.randrange(20), chance.choice(rare)), (chance.randrange(20), ("reset",))]
            story += [(chance.randrange(20), ("select", "auto", None))]
        story += [(3 if name == "soc" else 0, ("sample", name, value, 0)) for name, value in held.items()]
    return story


@pytest.mark.parametrize("number", range(len(variants)))
def test_the_controller_does_what_the_prose_says_on_long_stories(number: int) -> None:
    changes = set()
    for seed in range(12):
        wall = int(NOON) + (43_200 - 120) * (seed % 2)  # noon, or just before midnight
        changes |= tell(variants[number], long_story(seed), wall)
    assert {("on", "surplus"), ("off", "below_cut_out"), ("off", "data_lost"), ("off", "selector_off")} <= changes
    assert told_of[number] <= {cause for _, cause in changes}


@settings(max_examples=60)
@given(story=stories, steps=st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=5))
def test_without_a_window_and_a_daily_limit_the_wall_clock_has_no_influence(story: Story, steps: list[float]) -> None:
    told = plain_settings | {"volts_out": 25.0, "volts_in": 26.0, "max_run": 30}
    right, wrong = Shell(core_setup(told), START), Shell(core_setup(told), START)
    t = START
    for number, (gap, (what, *details)) in enumerate(story):
        t += gap
        event = to_event(int(t), 0, what, tuple(details))
        ours = right.handle(event._replace(wall=NOON))
        theirs = wrong.handle(event._replace(wall=1e9 + steps[number % len(steps)] * 0.9))
        assert [row._replace(wall=0.0).position for row in ours] == [row.position for row in theirs]
        assert [row.cause for row in ours] == [row.cause for row in theirs]
        assert right.state.deadline == wrong.state.deadline


def test_the_limits_of_the_stories_are_those_of_a_barge() -> None:
    """The plain settings keep the usual thresholds, with shorter times."""
    limits = core_setup(plain_settings).settings.limits
    assert limits[:3] == LIMITS[:3]
