"""One line of the check: run, missing, out of range, in what order, and its numbers."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.check.figures import (
    Grade,
    Number,
    Sense,
    at_least,
    at_most,
    exceeds,
    format_number,
    in_one_unit,
    least,
    most,
)
from dumpload.check.sources import PRACTICE
from dumpload.check.table import BANK, LOAD, Check, Danger, Judgement, Known, Missing, grade, run_checks, yes_no


def always(state: Grade) -> Judgement:
    return Judgement(state, "figure", "limit", PRACTICE, "change")


def check(name: str, state: Grade, danger: Danger = Danger.BANK, needs: tuple[str, ...] = ()) -> Check:
    return Check(BANK, name, name, danger, needs, lambda _known: always(state))


def test_what_is_not_known_is_missing_with_every_key_it_needs() -> None:
    wanted = check("drop", Grade.PASS, needs=("wiring.length_m", "wiring.area_mm2 or wiring.gauge", "load.rated_w"))
    missing_two = Missing(wanted, ("wiring.length_m", "wiring.area_mm2 or wiring.gauge"))
    assert run_checks([wanted], {"load.rated_w": 300}) == ([], [missing_two])
    found, missing = run_checks([wanted], {"load.rated_w": 300, "wiring.length_m": 4, "wiring.gauge": "8"})
    assert ([finding.name for finding in found], missing) == (["drop"], [])


def test_what_does_not_apply_is_neither_found_nor_missing() -> None:
    other = check("cold", Grade.FAIL, needs=("nothing",))._replace(applies=lambda known: "lithium" in known)
    assert run_checks([other], {}) == ([], [])
    assert len(run_checks([other], {"lithium": 1})[1]) == 1


def test_fails_come_first_then_cautions_the_most_dangerous_first_then_passes_as_they_stand() -> None:
    checks = [
        check("a", Grade.PASS, Danger.SERVICE),
        check("b", Grade.CAUTION, Danger.BANK),
        check("c", Grade.FAIL, Danger.SERVICE),
        check("d", Grade.PASS, Danger.FIRE),
        check("e", Grade.FAIL, Danger.FIRE),
        check("f", Grade.CAUTION, Danger.ARC),
        check("g", Grade.FAIL, Danger.FIRE),
    ]
    found, _missing = run_checks(checks, {})
    assert "".join(finding.name for finding in found) == "egcfbad"


def test_a_figure_outside_its_formula_fails_in_words() -> None:
    def refuses(_known: Known) -> Judgement:
        msg = "area_mm2 = 2000: expected 0.5 to 1000"
        raise ValueError(msg)

    found, _missing = run_checks([Check(LOAD, "drop", "drop", Danger.FIRE, (), refuses)], {})
    assert found[0].verdict.state is Grade.FAIL
    assert found[0].verdict.figure == "cannot be right: area_mm2 = 2000: expected 0.5 to 1000"
    assert found[0].verdict.change


def test_a_fail_outweighs_a_caution() -> None:
    assert grade(fails=True, cautions=True) is Grade.FAIL
    assert grade(fails=False, cautions=True) is Grade.CAUTION
    assert grade(fails=False) is Grade.PASS


def test_the_last_digit_of_a_calculation_is_not_over_a_limit() -> None:
    assert not exceeds(28.8 / (24**2 / 300), 15)
    assert not exceeds(15, 15)
    assert exceeds(15.001, 15)


@given(
    st.floats(1e-6, 1e6),
    st.floats(0, 1),
    st.sampled_from([least, most]),
    st.booleans(),
)
def test_a_limit_as_printed_is_safe_and_a_figure_as_printed_never_looks_better(
    limit: float, part: float, side: Callable[..., Number], entered_by_hand: bool
) -> None:
    value = float(f"{limit * (0.5 + part):.4g}")
    number = side("current", value, "A", limit, key="contact.dc_a" if entered_by_hand else "")
    shown, printed = float(number.text.split()[0]), float(number.limit_text.split()[2])
    assert number._replace(value=printed).state is Grade.PASS
    at_least = number.sense is Sense.AT_LEAST
    assert not (exceeds(shown, value) if at_least else exceeds(value, shown))
    assert number.state == number._replace(value=shown, limit=printed).state or number.state is Grade.PASS
    assert (number.state is Grade.PASS) == (not exceeds(printed, shown) if at_least else not exceeds(shown, printed))


def test_a_figure_close_to_its_limit_gets_the_digits_that_tell_them_apart() -> None:
    load = most("current", 15.004, "A", 15)
    assert (load.text, load.limit_text, load.state) == ("15.1 A", "at most 15 A", Grade.FAIL)
    rated = least("rating", 15, "A", 15.004, key="contact.dc_a")
    assert (rated.text, rated.limit_text, rated.state) == ("15 A", "at least 15.1 A", Grade.FAIL)
    assert least("rating", 15.05, "A", 15.004, key="contact.dc_a").limit_text == "at least 15.01 A"
    assert most("current", 28.8 / 1.92, "A", 15).text == "15 A"


def test_a_number_says_how_far_it_is_inside_and_when_it_fails() -> None:
    fuse = least("fuse", 16, "A", 18.75, fails=15, key="wiring.fuse_a")
    assert (fuse.state, fuse.margin) == (Grade.CAUTION, -2.75)
    assert fuse._replace(value=14).state is Grade.FAIL
    assert most("drop", 2, "%", 3, fails=10).margin == 1
    assert Number("power", 432, "W").state is Grade.INFO
    assert Number("power", 432, "W").margin is None


def test_what_is_there_needs_no_change() -> None:
    assert yes_no(good=True, figure="f", limit="l", source=PRACTICE, change="c").change == ""
    assert yes_no(good=False, figure="f", limit="l", source=PRACTICE, change="c") == always(Grade.FAIL)._replace(
        figure="f", limit="l", source=PRACTICE, change="c"
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [(432, "432"), (7168.4, "7168"), (100, "100"), (99.96, "100"), (14.747, "14.7"), (15, "15"), (1.6888, "1.69"),
     (1.2, "1.2"), (0.0519, "0.052"), (0, "0"), (-5, "-5"), (9.996, "10"), (20_000, "20000"), (0.1, "0.1")],
)  # fmt: skip
def test_numbers_have_three_digits(value: float, text: str) -> None:
    assert format_number(value) == text


def test_advice_is_rounded_to_the_safe_side() -> None:
    assert at_least(1.1221) == "1.13"
    assert at_least(1.12) == "1.12"
    assert at_most(133.9) == "133"
    assert at_most(133) == "133"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(31, "31 s"), (119, "119 s"), (120, "2 min"), (2390, "39.8 min"), (9540, "2.65 h"), (200_000, "2.31 d")],
)
def test_times_have_the_unit_a_person_would_say_them_in(seconds: float, text: str) -> None:
    assert in_one_unit(seconds) == text
