"""The energy of any runs, as differences of one sum: what the tally adds up for a load that runs then."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_passing import EXAMPLES, Drawn, drawn, stretch
from world import LIMITS, NOON, setup

from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.study.replay.player import ENERGY_SIGNALS, Plan, Player
from dumpload.study.replay.summary import Change, Element

np = pytest.importorskip("numpy")
Energies = pytest.importorskip("dumpload.study.fast.energies").Energies
whole = pytest.importorskip("dumpload.study.fast.whole").whole

ELEMENTS = {"all": Element(300.0, 1.92), "rated only": Element(300.0), "nothing": Element()}


def tallied(rows: Drawn, element: Element, runs: list[float], max_age_s: float) -> list[float]:
    """Add it up as the player does, the relay being moved by hand at those times."""
    player = Player(Plan(setup(LIMITS, max_age_s=max_age_s), element), rows.times[0])
    energy, record = player.tally.energy, stretch(rows, 0, len(rows.times))
    moves = [(t, number % 2 == 0) for number, t in enumerate(runs)]
    said = [(t, event) for t in range(record.rows) for event in record.row(t) if event.signal in ENERGY_SIGNALS]
    for t, on in moves:
        while said and record.time(said[0][0]) <= t:
            player.note(said.pop(0)[1])
        change = Change(t, Position.ON if on else Position.OFF, Cause.SURPLUS, 97.0)
        player.tally.change(t, change)
    parts = (energy.measured, energy.by_voltage, energy.by_rating)
    return [*(number for part in parts for number in part), energy.drawing_s]


@pytest.mark.parametrize("element", ELEMENTS.values(), ids=ELEMENTS)
@settings(max_examples=EXAMPLES)
@given(rows=drawn(), places=st.lists(st.integers(0, 2000), max_size=8), max_age_s=st.sampled_from([20.0, 60.0]))
def test_runs_take_what_the_tally_adds_up(element: Element, rows: Drawn, places: list[int], max_age_s: float) -> None:
    span_s = rows.times[-1] - rows.times[0]
    runs = sorted(rows.times[0] + span_s * place / 2000 for place in places[: len(places) // 2 * 2])
    record = whole([stretch(rows, 0, len(rows.times))])
    moments = np.array([*runs[::3], rows.times[-1]])
    energies = Energies(record, setup(LIMITS, max_age_s=max_age_s), element, moments)
    t = np.array(runs)
    on_time_s = float((t[1::2] - t[0::2]).sum())
    taken = energies.taken(t, moments.searchsorted(t), on_time_s)
    found = [*(number for part in taken[:3] for number in part), taken.drawing_s]
    assert found == pytest.approx(tallied(rows, element, runs, max_age_s), rel=1e-9, abs=1e-6)


def test_without_power_and_voltage_the_rating_counts_and_nothing_is_added_up() -> None:
    rows = Drawn([NOON, NOON + 60.0], {Signal.STATE_OF_CHARGE: ["97", "98"]})
    energies = Energies(whole([stretch(rows, 0, 2)]), setup(LIMITS), Element(300.0), np.array([NOON + 60.0]))
    taken = energies.taken(np.array([NOON, NOON + 36.0]), np.array([0, 0]), 36.0)
    assert taken.by_rating == (3.0, 36.0)
    assert (taken.measured, taken.by_voltage) == ((0.0, 0.0), (0.0, 0.0))
