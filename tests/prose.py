"""The control law said a second time, from the prose, to check the first by. Only tests use it.

Another style on purpose: words instead of enums, None instead of NaN, no table, no deadline. `Trace` looks at a
story once a second, whole seconds only, and finds the surplus by looking back over all that happened.
"""

from typing import Any

Facts = dict[str, Any]


def vetoes(facts: Facts) -> list[str]:
    """Every veto that holds, in the order of the law."""
    soc = facts["soc"]
    has_charge = soc is not None
    return [
        name
        for name, holds in (
            ("starting", not has_charge and not facts["ever_live"]),
            ("data_lost", not has_charge and facts["ever_live"]),
            ("lockout", facts["locked_out"]),
            ("selector_off", facts["selector"] == "off"),
            ("below_floor", has_charge and soc < facts["floor"]),
            *((name, True) for name in facts["failed_permissives"]),
        )
        if holds
    ]


# When the evidence for surplus began: as measured, and as heard.
Began = tuple[float, float] | None


def tells(facts: Facts) -> bool:
    """Whether a state of charge arrives that was not measured before one that is known already."""
    return facts["stamp"] is not None and (facts["newest"] is None or facts["stamp"] >= facts["newest"])


def latch(facts: Facts, latched: bool, began: Began) -> tuple[bool, Began]:
    """The surplus latch, and when the evidence for it began, after one look."""
    soc, now = facts["soc"], facts["now"]
    if soc is None or soc < facts["cut_out"]:
        return False, None
    if soc < facts["cut_in"]:
        return latched, None
    if not tells(facts):
        return latched, began
    if began is None:
        began = facts["stamp"], now
    measured, heard_at = began
    return latched or min(facts["stamp"] - measured, now - heard_at) >= facts["confirm"], began


def relay(facts: Facts, position: str, since: float, *, latched: bool, by_hand: bool) -> tuple[str, str]:
    """Where the relay goes, and why; `by_hand`: what last asked for it to be on was hand."""
    soc, stayed = facts["soc"], facts["now"] - since
    standing = vetoes(facts)
    demand = facts["selector"] == "hand" or (facts["selector"] == "auto" and latched)
    wish = "hand" if facts["selector"] == "hand" else "surplus"
    idle = "confirming" if soc is not None and soc >= facts["cut_in"] else "below_cut_in"
    if standing:
        return "off", standing[0]
    if demand and position == "off":
        return ("on", wish) if stayed >= facts["min_off"] else ("off", "min_off_dwell")
    if demand:
        return "on", wish
    if position == "on" and stayed < facts["min_on"]:
        return "on", "min_on_dwell"
    if position == "on":
        return "off", "hand_over" if by_hand else "below_cut_out"
    return "off", idle


class Trace:
    """A story told once a second: `look` takes what happened, in order, and returns what the relay did each time.

    `settings`: plain words to whole seconds, percent, V, degC and W; None where not configured. The window is a
    list of (start, end) in minutes of a UTC day.
    """

    def __init__(self, settings: dict[str, Any], now: int, wall: int) -> None:
        self.settings = settings
        self.now, self.ahead = now, wall - now
        self.looks: list[Facts] = []
        self.heard: dict[str, tuple[float, int] | None] = {}
        self.ever_live = False
        self.selector, self.hand_ends = "auto", None
        self.lockout = False
        self.position, self.since = "off", now
        self.by_hand = False
        self.newest: int | None = None
        self.on_seconds: list[int] = []  # every second at whose start the relay was on, as its day's number
        self.drain_began: int | None = None
        self.drain_tripped: int | None = None

    def live(self, name: str) -> float | None:
        sample = self.heard.get(name)
        return None if sample is None or self.now >= sample[1] + self.settings["max_age"] else sample[0]

    def second_passes(self) -> None:
        if self.position == "on":
            self.on_seconds.append(self.day())
        self.now += 1

    def day(self) -> int:
        return (self.now + self.ahead) // 86_400

    def happens(self, what: str, *details: Any) -> None:
        """Take in one event, without looking yet."""
        if what == "sample":
            name, value, age = details
            if age < self.settings["max_age"]:
                self.heard[name] = (value, self.now - age)
                self.ever_live |= name == "soc"
        elif what == "unknown":
            self.heard[details[0]] = None
        elif what == "absent":
            self.heard = {}
        elif what == "select":
            self.selector, hand_for = details
            self.hand_ends = None if hand_for is None else self.now + hand_for
        elif what in ("reset", "pin_fault"):
            self.lockout = what == "pin_fault"

    def look(self, what: str = "wake", *details: Any) -> tuple[str, str]:
        """Take in one event, decide, and return (position, cause)."""
        before = self.selector, self.hand_ends
        self.happens(what, *details)
        if self.hand_ends is not None and self.now >= self.hand_ends:
            self.selector, self.hand_ends = "auto", None
        arrived = what == "sample" and details[0] == "soc" and details[2] < self.settings["max_age"]
        facts = {
            "now": self.now,
            "soc": self.live("soc"),
            "volts": self.live("volts"),
            "celsius": self.live("celsius"),
            "stamp": self.now - details[2] if arrived else None,
            "newest": self.newest,
            "evidence_reset": what == "evidence_reset",
            "ever_live": self.ever_live,
            "locked_out": self.lockout,
            "selector": self.selector,
            **{name: self.settings[name] for name in ("cut_in", "cut_out", "floor", "confirm", "min_on", "min_off")},
        }
        self.looks.append(facts)
        facts["failed_permissives"] = list(self.failed_permissives())
        if what == "select" and self.selector == "hand" and vetoes(facts):
            self.selector, self.hand_ends = before
            facts["selector"] = self.selector
        if tells(facts):
            self.newest = facts["stamp"]
        latched = self.surplus()
        position, cause = relay(facts, self.position, self.since, latched=latched, by_hand=self.by_hand)
        if cause in ("surplus", "hand"):
            self.by_hand = cause == "hand"
        if position != self.position:
            self.position, self.since = position, self.now
        return position, cause

    def surplus(self) -> bool:
        """Look back: since the last loss, did any unbroken stretch at or above cut-in last the confirm time?"""
        last: Facts | None = None  # the latest evidence of the stretch being walked, going back in time
        for facts in reversed(self.looks):
            soc = facts["soc"]
            if soc is None or soc < facts["cut_out"]:
                return False
            if soc < facts["cut_in"] or facts["evidence_reset"]:
                last = None
            elif tells(facts):
                last = facts if last is None else last
                if min(last[clock] - facts[clock] for clock in ("stamp", "now")) >= facts["confirm"]:
                    return True
        return False

    def failed_permissives(self) -> Any:
        rules = self.settings
        if rules["window"] and not self.within_window():
            yield "outside_window"
        if rules["volts_out"] is not None:
            yield from self.banded(
                "volts", "voltage_low", lambda v: v >= rules["volts_in"], lambda v: v < rules["volts_out"]
            )
        if rules["tank_out"] is not None:
            yield from self.banded(
                "celsius", "tank_hot", lambda c: c <= rules["tank_in"], lambda c: c >= rules["tank_out"]
            )
        if rules["drain_w"] is not None:
            yield from self.drained()
        run, day = rules["max_run"], rules["max_day"]
        run_is_over = run is not None and self.position == "on" and self.now - self.since >= run
        day_is_over = day is not None and self.on_seconds.count(self.day()) >= day
        if run_is_over or day_is_over:
            yield "duty_limit"

    def within_window(self) -> bool:
        minute = (self.now + self.ahead) % 86_400 // 60
        return any(
            start <= minute < end or (end < start and not end <= minute < start)
            for start, end in self.settings["window"]
        )

    def banded(self, name: str, failing: str, begins: Any, ends: Any) -> Any:
        """Look back for the last look that says whether it holds; a look without data says it does not."""
        if self.looks[-1][name] is None:
            yield "data_lost"
            return
        for facts in reversed(self.looks):
            value = facts[name]
            if value is None or ends(value):
                break
            if begins(value):
                return
        yield failing

    def drained(self) -> Any:
        watts, rules = self.live("watts"), self.settings
        over = watts is not None and watts < -rules["drain_w"]
        if not over:
            self.drain_began = None
        elif self.drain_began is None:
            self.drain_began = self.now
        if self.drain_tripped is None:
            if over and self.now - self.drain_began >= rules["drain_s"]:
                self.drain_tripped = self.now
        elif watts is not None and not over and self.now - self.drain_tripped >= rules["drain_rest"]:
            self.drain_tripped = None
        if watts is None:
            yield "data_lost"
        elif self.drain_tripped is not None:
            yield "drain_limit"
