"""One line of the check: run, missing, out of range, in what order, and its numbers."""

import pytest

from dumpload.study.check.lines import (
    BANK,
    LOAD,
    Check,
    Danger,
    Known,
    Missing,
    State,
    Verdict,
    asked,
    at_least,
    at_most,
    graded,
    num,
    over,
    run_checks,
    span,
)


def always(state: State) -> Verdict:
    return Verdict(state, "figure", "limit", "source", "change")


def check(name: str, state: State, danger: Danger = Danger.BANK, needs: tuple[str, ...] = ()) -> Check:
    return Check(BANK, name, danger, needs, lambda _known: always(state))


def test_what_is_not_known_is_missing_with_every_key_it_needs() -> None:
    wanted = check("drop", State.PASS, needs=("wiring.length_m", "wiring.area_mm2 or wiring.gauge", "load.rated_w"))
    assert run_checks([wanted], {"load.rated_w": 300}) == (
        [],
        [Missing(BANK, "drop", ("wiring.length_m", "wiring.area_mm2 or wiring.gauge"))],
    )
    found, missing = run_checks([wanted], {"load.rated_w": 300, "wiring.length_m": 4, "wiring.gauge": "8"})
    assert ([finding.name for finding in found], missing) == (["drop"], [])


def test_what_does_not_apply_is_neither_found_nor_missing() -> None:
    other = check("cold", State.FAIL, needs=("nothing",))._replace(applies=lambda known: "lithium" in known)
    assert run_checks([other], {}) == ([], [])
    assert len(run_checks([other], {"lithium": 1})[1]) == 1


def test_fails_come_first_then_cautions_the_most_dangerous_first_then_passes_as_they_stand() -> None:
    checks = [
        check("a", State.PASS, Danger.SERVICE),
        check("b", State.CAUTION, Danger.BANK),
        check("c", State.FAIL, Danger.SERVICE),
        check("d", State.PASS, Danger.FIRE),
        check("e", State.FAIL, Danger.FIRE),
        check("f", State.CAUTION, Danger.ARC),
        check("g", State.FAIL, Danger.FIRE),
    ]
    found, _missing = run_checks(checks, {})
    assert "".join(finding.name for finding in found) == "egcfbad"


def test_a_figure_outside_its_formula_is_a_caution_that_says_so() -> None:
    def refuses(_known: Known) -> Verdict:
        msg = "area_mm2 = 2000: expected 0.5 to 1000"
        raise ValueError(msg)

    found, _missing = run_checks([Check(LOAD, "drop", Danger.FIRE, (), refuses)], {})
    assert found[0].verdict.state is State.CAUTION
    assert found[0].verdict.figure == "not worked out: area_mm2 = 2000: expected 0.5 to 1000"
    assert found[0].verdict.change


def test_a_fail_outweighs_a_caution() -> None:
    assert graded(fails=True, cautions=True) is State.FAIL
    assert graded(fails=False, cautions=True) is State.CAUTION
    assert graded(fails=False) is State.PASS


def test_the_last_digit_of_a_calculation_is_not_over_a_limit() -> None:
    assert not over(28.8 / (24**2 / 300), 15)
    assert not over(15, 15)
    assert over(15.001, 15)


def test_what_is_there_needs_no_change() -> None:
    assert asked(good=True, figure="f", limit="l", source="s", change="c").change == ""
    assert asked(good=False, figure="f", limit="l", source="s", change="c") == always(State.FAIL)._replace(
        figure="f", limit="l", source="s", change="c"
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [(432, "432"), (7168.4, "7168"), (100, "100"), (99.96, "100"), (14.747, "14.7"), (15, "15"), (1.6888, "1.69"),
     (1.2, "1.2"), (0.0519, "0.052"), (0, "0"), (-5, "-5"), (9.996, "10"), (20_000, "20000"), (0.1, "0.1")],
)  # fmt: skip
def test_numbers_have_three_digits(value: float, text: str) -> None:
    assert num(value) == text


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
    assert span(seconds) == text
