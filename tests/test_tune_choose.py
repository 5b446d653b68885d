"""Which settings are worth choosing between: what nothing else beats, and the best of it at each aim."""

from typing import Any

import pytest

from dumpload.core.window import DAY_S

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from hypothesis import given  # noqa: E402
from hypothesis import strategies as st  # noqa: E402
from hypothesis.extra.numpy import arrays  # noqa: E402

from dumpload.forecast.step import COLUMNS, LOWEST, SWITCH_ONS  # noqa: E402
from dumpload.tune.aims import Score, SearchLimits, costs, keeps_to, pareto  # noqa: E402
from dumpload.tune.choose import AIMS, BALANCED, choose, front  # noqa: E402

COSTS = arrays(np.float64, st.tuples(st.integers(1, 25), st.just(3)), elements=st.integers(0, 5).map(float))
SCORES = st.lists(
    st.builds(Score, st.floats(0, 3000), st.floats(0, 3000), st.floats(0, 30), st.floats(0, 1)), min_size=1, max_size=20
)


def beats(row: Any, other: Any) -> bool:
    return all(row <= other) and any(row < other)


@given(COSTS)
def test_the_pareto_set_is_all_that_no_other_beats_and_nothing_else(values: Any) -> None:
    kept = pareto(values)
    for number, row in enumerate(values):
        assert kept[number] == (not any(beats(other, row) for other in values))


@given(COSTS)
def test_whatever_is_left_out_is_beaten_by_something_that_is_kept(values: Any) -> None:
    kept = pareto(values)
    assert kept.any()
    for row in np.flatnonzero(~kept):
        assert any(beats(other, values[row]) for other in values[kept])


@given(SCORES)
def test_every_choice_is_one_that_nothing_beats_and_none_comes_twice(scores: list[Score]) -> None:
    choice = choose(scores, [float(number) for number in range(len(scores))])
    numbers = [pick.number for pick in (*choice.picks, *choice.others)]
    assert len(numbers) == len(set(numbers))
    assert set(numbers) <= set(front(scores))
    assert 1 <= len(choice.picks) <= 5
    assert sorted(aim for pick in choice.picks for aim in pick.aims) == sorted([*AIMS, BALANCED])


@given(SCORES)
def test_no_choice_gives_up_more_than_a_fifth_of_the_sun(scores: list[Score]) -> None:
    choice = choose(scores, [0.0] * len(scores))
    caught = -costs(scores)[:, 0]
    assert min(caught[pick.number] for pick in choice.picks) >= 0.8 * caught.max() - 1e-6


def test_of_settings_that_an_owner_could_not_tell_apart_the_nearest_to_todays_is_taken() -> None:
    same = [Score(1000.0, 300.0, 3.0, 1.0), Score(1004.0, 310.0, 3.0, 1.0)]
    assert {pick.number for pick in choose(same, [2.0, 1.0]).picks} == {1}
    assert {pick.number for pick in choose(same, [1.0, 2.0]).picks} == {0}


def test_hot_evenings_are_no_aim_where_they_are_not_known() -> None:
    scores = [Score(1000.0, 300.0, 3.0, 1.0), Score(1000.0, 300.0, 2.0, 0.0)]
    choice = choose(scores, [0.0, 1.0], evenings=False)
    assert [pick.number for pick in choice.picks] == [1]
    assert all("hot by evening" not in pick.aims for pick in choice.picks)


def test_nothing_is_chosen_from_nothing() -> None:
    assert choose([], []).picks == []


def test_limits_are_kept_to_on_the_worst_day_and_on_average() -> None:
    sums = np.zeros((4, 10, COLUMNS))
    sums[..., LOWEST] = np.inf
    known_s = np.full(10, DAY_S)
    assert not keeps_to(SearchLimits(), sums, known_s), "a heater that never runs is no proposal"
    sums[:, 3, LOWEST], sums[:, 3, SWITCH_ONS] = 71.0, 20.0
    assert keeps_to(SearchLimits(), sums, known_s)
    assert keeps_to(SearchLimits(71.0, 2.0), sums, known_s)
    assert not keeps_to(SearchLimits(71.5, 2.0), sums, known_s)
    assert not keeps_to(SearchLimits(71.0, 1.9), sums, known_s)
