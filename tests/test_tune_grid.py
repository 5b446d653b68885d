"""The settings that a search tries: spread evenly, and none that config or check would refuse."""

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from hypothesis import given  # noqa: E402
from hypothesis import strategies as st  # noqa: E402
from judged import settings  # noqa: E402
from scipy.stats import qmc  # noqa: E402
from surveyed import BARGE  # noqa: E402

from dumpload.config.model import flat  # noqa: E402
from dumpload.tune import grid  # noqa: E402
from dumpload.tune.grid import Bounds, candidates, changed, distance, failed, keys_at, points  # noqa: E402

SIGNALS = {"telemetry.battery_voltage.topic": "barge/volts", "telemetry.battery_power.topic": "barge/power"}
BOUNDS = Bounds(
    step=0.5, lowest=85.0, floor=50.0, dwells_s=grid.DWELLS_S, volts=(26.7, 26.9), lowest_v=22.4, cells=8,
    drain_w=(50.0, 300.0), keeps_volts=False, keeps_drain=False,
)  # fmt: skip
PARTS = st.lists(st.floats(0.0, 1.0, exclude_max=True), min_size=grid.DIMENSIONS, max_size=grid.DIMENSIONS)


@pytest.mark.parametrize("count", [50, 200, 500])
def test_the_points_are_spread_more_evenly_than_chance_would_for_every_count(count: int) -> None:
    """The centred discrepancy as scipy works it out (Hickernell 1998)."""
    chance = [qmc.discrepancy(np.random.default_rng(seed).random((count, grid.DIMENSIONS))) for seed in range(10)]
    assert qmc.discrepancy(points(500)[:count]) < min(chance)


@given(PARTS, st.sampled_from([0.5, 1.0, 2.0]), st.floats(0.0, 84.0), st.booleans(), st.sampled_from([60.0, 900.0]))
def test_no_point_breaks_a_rule_of_the_settings(
    part: list[float], step: float, floor: float, keeps: bool, longest_s: float
) -> None:
    dwells = [dwell_s for dwell_s in grid.DWELLS_S if dwell_s <= longest_s]
    bounds = BOUNDS._replace(step=step, floor=floor, keeps_volts=keeps, keeps_drain=keeps, dwells_s=dwells)
    keys = keys_at(bounds, part)
    assert changed({**flat(settings({**BARGE, **SIGNALS})), grid.FLOOR: floor, grid.MAX_ON: longest_s, **keys})
    assert floor <= keys[grid.CUT_OUT] < keys[grid.CUT_IN] <= 100.0
    if keeps:
        assert keys[grid.VOLTS_IN] is not None
        assert keys[grid.DRAIN] is not None
    if keys[grid.VOLTS_IN] is not None:
        assert bounds.lowest_v <= keys[grid.VOLTS_OUT] < keys[grid.VOLTS_IN]


def test_the_settings_of_today_come_first_and_none_twice() -> None:
    candidates_yielded = list(candidates(settings({**BARGE, **SIGNALS}), BOUNDS, 30))
    assert candidates_yielded[0].settings == settings({**BARGE, **SIGNALS})
    assert (
        len({tuple(flat(candidate.settings).items()) for candidate in candidates_yielded})
        == len(candidates_yielded)
        == 30
    )


def test_no_candidate_fails_a_check_that_the_settings_of_today_pass() -> None:
    today = settings({**BARGE, **SIGNALS})
    # A band of half a percent is over before the dwell is: it fails on this bank, and a search would come to it.
    assert failed(changed({**flat(today), grid.CUT_IN: 100.0, grid.CUT_OUT: 99.5})) > failed(today)  # type: ignore[arg-type]
    for candidate in candidates(today, BOUNDS, 60):
        assert failed(candidate.settings) <= failed(today)


def test_settings_that_break_a_rule_are_none() -> None:
    assert changed({**flat(settings(BARGE)), grid.CUT_OUT: 98.0}) is None


def test_the_same_settings_are_not_apart_and_another_permissive_is_far() -> None:
    today = settings({**BARGE, **SIGNALS})
    near = changed({**flat(today), grid.CUT_IN: 97.5})
    far = changed({**flat(today), grid.DRAIN: 100.0})
    assert near is not None
    assert far is not None
    assert distance(today, today) == 0.0 < distance(today, near) < distance(today, far)
