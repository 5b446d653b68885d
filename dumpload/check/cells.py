"""The bank's cells on paper: what each is charged to, and whether the count fits the bank's voltages."""

from dumpload.check import sources
from dumpload.check.facts import is_lifepo4
from dumpload.check.figures import Grade, Number, least, most, worst
from dumpload.check.table import BANK, Check, Danger, Judgement, Known
from dumpload.physics.bank import LIFEPO4_MOST_V, lifepo4_rest_v

# Volts of a lead-acid cell between which its charging voltage is (common practice, no source).
LEAD_LEAST_V, LEAD_MOST_V = 2.2, 2.7

# Nominal volts of one LiFePO4 cell between which the bank's nominal voltage is written (common practice, no source).
NOMINAL_LEAST_V, NOMINAL_MOST_V = 3.0, 3.4


def _charged(known: Known) -> Judgement:
    cells, highest_v = known["battery.cells"], known["battery.highest_v"]
    cell_v = highest_v / cells
    low_v, high_v = (lifepo4_rest_v(0.98), LIFEPO4_MOST_V) if is_lifepo4(known) else (LEAD_LEAST_V, LEAD_MOST_V)
    numbers: tuple[Number, ...] = (most("cell", cell_v, "V", high_v), least("cell", cell_v, "V", low_v))
    nominal = known.get("battery.nominal_v", 0.0) / cells if is_lifepo4(known) else 0.0
    nominal_text = ""
    if nominal:
        numbers += (
            most("nominal cell", nominal, "V", NOMINAL_MOST_V),
            least("nominal cell", nominal, "V", NOMINAL_LEAST_V),
        )
        nominal_text = f", nominal {numbers[2].text}" if nominal else ""
    state = worst(*(number.state for number in numbers))
    figure = f"{highest_v:g} V over {cells} cells is {_shown(numbers)} each{nominal_text}"
    limit = f"{numbers[1].limit_text}, {numbers[0].limit_text} when charged"
    if nominal:
        limit += f"; nominal {numbers[3].limit_text}, {numbers[2].limit_text}"
    change = "No such cell is charged to that: set battery.cells and battery.highest_v from the battery's data sheet."
    source = sources.CELL if is_lifepo4(known) else sources.LEAD_CELL
    return Judgement(state, figure, limit, source, "" if state is Grade.PASS else change, numbers)


def _shown(numbers: tuple[Number, ...]) -> str:
    """Return the figure as the limit that it breaks shows it."""
    return next((number.text for number in numbers[:2] if number.state is Grade.FAIL), numbers[0].text)


def _has_known_cells(known: Known) -> bool:
    return known.get("battery.chemistry") in {"lifepo4", "lead_acid"}


CHECKS = (
    Check(
        BANK,
        "cell-voltage",
        "voltage of a cell",
        Danger.FIRE,
        ("battery.cells", "battery.highest_v"),
        _charged,
        _has_known_cells,
    ),
)
