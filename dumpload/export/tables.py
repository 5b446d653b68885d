"""The tables of an export: their columns, and what each means.

The unit is at the end of a column's name, and no name is a word that SQL engines keep for themselves, such as "at".
The README has them as a table, which a test compares with these. Reads and writes nothing.
"""

from typing import NamedTuple

from dumpload.core.signals import Signal

# What a column holds: a moment is a Unix time (s), a text is one of a few words.
MOMENT, TEXT, NUMBER, COUNT, FLAG = "moment", "text", "number", "count", "flag"


class ExportColumn(NamedTuple):
    """One column: its name, what it holds, and its meaning."""

    name: str
    kind: str
    meaning: str


class ExportTable(NamedTuple):
    """One table; a row has its columns' values in this order, and None where there is none."""

    name: str
    columns: tuple[ExportColumn, ...]


# A heartbeat has no quantity: what it says is whether the others are live.
SIGNAL_COLUMNS = {
    Signal.STATE_OF_CHARGE: "state_of_charge_percent",
    Signal.BATTERY_VOLTAGE: "battery_voltage_v",
    Signal.BATTERY_POWER: "battery_power_w",
    Signal.LOAD_POWER: "load_power_w",
    Signal.SOLAR_POWER: "solar_power_w",
    Signal.TANK_TEMPERATURE: "tank_temperature_c",
}

SAMPLES = ExportTable(
    "samples",
    (
        ExportColumn("arrived_at", MOMENT, "when the value arrived"),
        ExportColumn("held_until", MOMENT, "when it, or one within the deadband, last arrived"),
        ExportColumn("signal", TEXT, "which of the columns below has the value"),
        *(ExportColumn(name, NUMBER, "the value") for name in SIGNAL_COLUMNS.values()),
    ),
)
CHANGES = ExportTable(
    "changes",
    (
        ExportColumn("moved_at", MOMENT, "when the relay moved"),
        ExportColumn("relay", TEXT, "`on` or `off`"),
        ExportColumn("cause", TEXT, "why; `none` if the program died during the run"),
        ExportColumn("state_of_charge_percent", NUMBER, "state of charge, where it was live"),
    ),
)
DAYS = ExportTable(
    "days",
    (
        ExportColumn("begins_at", MOMENT, "midnight of the local day"),
        ExportColumn("ends_at", MOMENT, "the next midnight"),
        ExportColumn("on_time_s", NUMBER, "how long the relay was on"),
        ExportColumn("switch_ons", COUNT, "how often it was switched on"),
        ExportColumn(
            "energy_wh", NUMBER, "energy into the heater, as in `report`; empty if the heater's power is not known"
        ),
        ExportColumn("data_lost_s", NUMBER, "time without a valid state of charge"),
        ExportColumn("lowest_state_of_charge_percent", NUMBER, "to the quarter of an hour"),
        ExportColumn("highest_state_of_charge_percent", NUMBER, "to the quarter of an hour"),
        ExportColumn("hot_water", FLAG, "whether it counts as a day with hot water"),
    ),
)
TABLES = (SAMPLES, CHANGES, DAYS)
