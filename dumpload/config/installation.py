"""What is installed: bank, panels, element, tank, cable, contact. For checks and energy figures; control needs none.

Every key is optional; what cannot be worked out without it is then said to be missing. The few defaults are the most
cautious choice, and the check names them.
"""

from typing import Annotated, Literal

from pydantic import Field

from dumpload.config import types as kind
from dumpload.config.types import Table


class Installation(Table):
    """Where it is and whose, for the head of the paper, and by whose rules it is judged."""

    site: kind.Text | None = Field(None, description="Where it is: the boat, its mooring, the address.")
    customer: kind.Text | None = Field(None, description="Whose it is.")
    installer: kind.Text | None = Field(None, description="Who did the work.")
    licence: kind.Text | None = Field(None, description="The installer's licence or registration.")
    date: kind.Day | None = Field(None, description="Day of the paper.")
    version: kind.Text | None = Field(None, description="Version of the paper, or of the drawing it belongs to.")
    place: Literal["boat", "vehicle", "building"] | None = Field(None, description="What it is installed in.")
    rules: Literal["us_boat", "iec_b2", "iec_c"] | None = Field(
        None,
        description="Rules for cable and fuse: us_boat (33 CFR 183); iec_b2, iec_c (IEC 60364-5-52, PVC, in conduit or "
        "on a surface). Not set: the most careful of these.",
    )


class Battery(Table):
    """The battery."""

    capacity_ah: kind.AmpereHours | None = Field(None, description="Usable capacity.")
    nominal_v: kind.Volts | None = Field(None, description="Nominal voltage.")
    highest_v: kind.Volts | None = Field(
        None, description="Highest bus voltage, while charging: sizes wire, fuse, contact."
    )
    lowest_v: kind.Volts | None = Field(None, description="Lowest bus voltage: the relay's coil must still pull in.")
    chemistry: Literal["lifepo4", "lead_acid", "other"] | None = Field(None, description="What its cells are made of.")
    cells: kind.Cells | None = Field(None, description="Cells in series; without it nothing is worked out per cell.")
    cranking_a: kind.FaultAmperes | None = Field(
        None,
        description="Cold cranking current of a lead-acid battery, for its short circuit where no milliohms are known.",
    )
    resistance_mohm: kind.Milliohms | None = Field(
        None, description="Internal resistance of the whole battery, for its short-circuit current."
    )
    throttle_percent: kind.Percent | None = Field(
        None, description="State of charge at which the charger is seen to throttle: only from there is there surplus."
    )
    night_wh: kind.WattHours | None = Field(None, description="What you need from sunset until the panels give again.")
    discharge_limit_a: kind.Amperes | None = Field(
        None, description="Largest lasting discharge that the battery management allows."
    )
    other_loads_a: kind.OtherAmperes | None = Field(
        None, description="Largest current of everything else that runs from the battery with the load."
    )
    coldest_c: kind.Weather | None = Field(None, description="Coldest the cells get.")
    charge_from_c: kind.Weather | None = Field(
        None, description="Temperature of the cells from which the battery management lets them be charged."
    )
    counter_offset_a: kind.OtherAmperes | None = Field(
        None, description="Error of the battery monitor's current at rest, from its data sheet."
    )
    counter_full_v: kind.Volts | None = Field(
        None, description="Voltage at or above which the battery monitor may take it for full."
    )
    counter_full_a: kind.Amperes | None = Field(None, description="Charging current below which it does so.")
    counter_full_s: kind.Dwell | None = Field(None, description="How long both must last for that.")
    counter_efficiency: kind.Efficiency | None = Field(
        None, description="Part of the charge put in that the battery monitor counts as stored."
    )
    counter_step_percent: kind.Resolution | None = Field(
        None, description="Step in which the state of charge is published; 0: as fine as it is."
    )


class PanelString(Table):
    """One string of panels, all of one tilt and direction."""

    peak_w: kind.Watts = Field(description="Sum of its panels' rated power.")
    tilt_deg: kind.Tilt = Field(0.0, description="Slope; 0 is flat.")
    azimuth_deg: kind.Azimuth = Field(180.0, description="Compass direction they face; 180 is south.")


PanelStrings = Annotated[
    tuple[PanelString, ...],
    Field(strict=False),
    Field(json_schema_extra={"x-expected": "a list of tables with peak_w, tilt_deg (0 to 90), azimuth_deg (0 to 360)"}),
]


class Solar(Table):
    """The panels, their charger, and where they are."""

    latitude: kind.Latitude | None = Field(None, description="Degrees north; south is negative.")
    longitude: kind.Longitude | None = Field(None, description="Degrees east; west is negative.")
    altitude_m: kind.Altitude | None = Field(None, description="Height above the sea.")
    strings: PanelStrings = Field((), description="Strings of panels; none: peak_w as one flat string.")

    peak_w: kind.Watts | None = Field(None, description="Sum of the panels' rated power.")
    most_w: kind.Watts | None = Field(None, description="Largest power the panels were ever seen to give.")
    absorption_v: kind.Volts | None = Field(
        None, description="Charger's set point while it fills the battery (absorption)."
    )
    float_v: kind.Volts | None = Field(None, description="Charger's set point once the battery is full (float).")
    charger_a: kind.Amperes | None = Field(None, description="Largest current the charger gives.")
    stops_when_full: bool = Field(False, description="Whether the charger gives nothing once full, instead of float_v.")
    begins_daily: bool = Field(True, description="Whether the charger begins anew, with absorption, every morning.")
    absorption_s: kind.Dwell | None = Field(None, description="How long the charger holds absorption_v.")
    tail_a: kind.Amperes | None = Field(
        None, description="Charging current below which absorption ends sooner; not set: by time alone."
    )
    rebulk_v: kind.Volts | None = Field(None, description="Bus voltage below which the charger begins anew.")
    rebulk_s: kind.Dwell | None = Field(None, description="How long the bus must be below it.")


class House(Table):
    """What lights, fridge and pump take, for `dumpload simulate`."""

    hourly_w: kind.Hours | None = Field(None, description="Mean power in each hour of the local day.")
    day_w: kind.HouseWatts | None = Field(None, description="In place of that: mean power from 07:00 to 23:00.")
    night_w: kind.HouseWatts | None = Field(None, description="And from 23:00 to 07:00.")


class Load(Table):
    """The resistive element."""

    rated_w: kind.PlateWatts | None = Field(None, description="Power on the element's plate.")
    rated_v: kind.PlateVolts | None = Field(None, description="Voltage on the element's plate, at which it draws that.")


class Tank(Table):
    """The water heater."""

    volume_l: kind.Litres | None = Field(None, description="Volume of water.")
    target_c: kind.Celsius | None = Field(None, description="Temperature at which its own thermostat opens.")
    cold_c: kind.Celsius | None = Field(None, description="Temperature of the water that comes in.")
    around_c: kind.Weather | None = Field(None, description="Temperature around the tank.")
    loss_kwh_per_day: kind.LossOfADay | None = Field(None, description="Standing loss of a day, from its plate.")
    loss_difference_k: kind.Kelvins | None = Field(
        None, description="Difference of temperature at which that loss was measured."
    )
    thermostat_dc: bool | None = Field(None, description="Whether its thermostat is rated for DC at all.")
    thermostat_v: kind.Volts | None = Field(None, description="Direct voltage its thermostat is rated to break.")
    thermostat_a: kind.Amperes | None = Field(None, description="Direct current its thermostat is rated to break.")
    thermostat_breaks: Literal["load", "coil"] = Field(
        "load", description="What the thermostat breaks: the load's current, or that of the relay's coil."
    )
    cut_out: bool | None = Field(
        None, description="Whether an independent thermal cut-out, reset by a person, is in the power path."
    )
    cut_out_c: kind.Celsius | None = Field(None, description="Temperature at which that cut-out acts.")
    cut_out_v: kind.Volts | None = Field(None, description="Direct voltage that cut-out is rated to break.")
    cut_out_a: kind.Amperes | None = Field(None, description="Direct current that cut-out is rated to break.")
    relief_valve: bool | None = Field(
        None, description="Whether a temperature-and-pressure relief valve with a free discharge is fitted."
    )
    relief_bar: kind.Bars | None = Field(None, description="Pressure at which it opens, above the atmosphere.")
    relief_w: kind.Watts | None = Field(
        None, description="Heat that the relief valve can carry off as steam, from its plate (1000 BTU/h are 293 W)."
    )
    discharge_pipe: bool | None = Field(
        None,
        description="Whether its discharge pipe is as wide as its outlet, falls all the way, cannot be shut, and ends "
        "where it is seen and scalds nobody.",
    )
    working_bar: kind.Bars | None = Field(
        None, description="Highest working pressure, from the tank's plate, above the atmosphere."
    )
    mixing_valve: bool | None = Field(None, description="Whether a thermostatic mixing valve limits the taps.")
    dry_fire_guard: bool | None = Field(None, description="Whether something keeps an empty tank from being heated.")
    sealed: bool | None = Field(
        None, description="Whether a non-return or reducing valve keeps expanding water from going back."
    )
    supply_bar: kind.Bars | None = Field(None, description="Pressure of the supply, above the atmosphere.")
    vessel_l: kind.Litres | None = Field(None, description="Volume of the expansion vessel.")
    other_heat: Literal["none", "mains", "engine"] | None = Field(
        None, description="What else heats this tank: a mains element, or a coil with the engine's coolant."
    )
    other_w: kind.Watts | None = Field(None, description="Power of that other heater.")
    other_c: kind.Celsius | None = Field(
        None, description="Temperature to which it heats the water: its own thermostat's, or the coolant's."
    )
    other_thermostat: bool | None = Field(
        None, description="Whether it has a thermostat, or a thermostatic valve, of its own."
    )
    other_cut_out: bool | None = Field(
        None, description="Whether it has a thermal cut-out, or a high-limit valve, of its own, reset by a person."
    )
    draws: kind.Draws = Field(
        (), description="When hot water is drawn, and litres of it at 40 degC; none: people and litres_per_person."
    )
    people: kind.People | None = Field(None, description="How many people draw hot water.")
    litres_per_person: kind.Litres | None = Field(
        None, description="Mixed water at 40 degC that each of them draws in a day."
    )


class Wiring(Table):
    """The cable to the load and its fuse."""

    length_m: kind.Metres | None = Field(None, description="Length of the cable, one way.")
    area_mm2: kind.SquareMillimetres | None = Field(None, description="Nominal area of one conductor.")
    conductor: Literal["class_2_plain", "class_5_plain", "class_5_tinned"] = Field(
        "class_5_tinned", description="Its strands, for the resistance by area (IEC 60228)."
    )
    gauge: Literal["18", "16", "14", "12", "10", "8", "6", "4", "2", "1", "1/0", "2/0", "3/0", "4/0"] | None = Field(
        None, description="Gauge (AWG) of one conductor, in place of the area."
    )
    boat_cable: bool = Field(
        True, description="Whether a gauge means boat cable, which may be up to 12 % thinner than the gauge itself."
    )
    conductor_c: kind.CableCelsius = Field(
        75.0, description="Temperature of the copper under load for which the drop is worked out."
    )
    insulation_c: kind.InsulationCelsius | None = Field(None, description="Temperature its insulation is rated for.")
    engine_space: bool | None = Field(None, description="Whether it runs through an engine space or as hot a place.")
    bundled: kind.Conductors | None = Field(
        None, description="Conductors with current that lie together, the two of this circuit included."
    )
    fuse_a: kind.Amperes | None = Field(None, description="Rating of the fuse at the battery.")
    fuse_v: kind.Volts | None = Field(None, description="Direct voltage the fuse is rated for.")
    fuse_interrupts_a: kind.FaultAmperes | None = Field(
        None, description="Largest current the fuse can interrupt at that voltage."
    )
    fuse_distance_m: kind.Nearby | None = Field(
        None, description="Length of conductor between the battery and the fuse."
    )
    fuse_sheathed: bool | None = Field(None, description="Whether that length is sheathed or enclosed all the way.")
    main_fuse_a: kind.Amperes | None = Field(
        None, description="Rating of the main fuse of the battery, if the load's fuse is a branch behind it."
    )
    main_fuse_interrupts_a: kind.FaultAmperes | None = Field(
        None, description="Largest current the main fuse can interrupt at the bus voltage."
    )
    isolator_v: kind.Volts | None = Field(None, description="Direct voltage the isolator is rated to break.")
    isolator_a: kind.Amperes | None = Field(None, description="Direct current the isolator is rated to break.")


class Contact(Table):
    """The contact of the relay or contactor."""

    dc_v: kind.Volts | None = Field(None, description="Direct voltage it is rated to break, with a resistive load.")
    dc_a: kind.Amperes | None = Field(None, description="Current it is rated to break at that voltage.")
    dc_w: kind.Watts | None = Field(None, description="Direct-current power it is rated to break, if there is a limit.")
    ac_v: kind.ContactVolts | None = Field(None, description="Its AC rating, which says nothing about DC.")
    normally_open: bool | None = Field(None, description="Whether it is open while the coil has no current.")
    operations: kind.Operations | None = Field(None, description="Rated electrical endurance at such a load.")
    operations_per_day: kind.OperationsPerDay | None = Field(None, description="How often it is expected to close.")
    feedback_ohm: kind.Ohms | None = Field(
        None, description="Resistor that pulls the feedback line, through which the auxiliary contact is wetted."
    )
    feedback_least_ma: kind.Milliamperes | None = Field(
        None, description="Least current the auxiliary contact needs to stay clean."
    )


class Driver(Table):
    """The relay's coil and what drives it from the pin."""

    transistor: Literal["bipolar", "mosfet", "module"] | None = Field(
        None, description="Transistor between pin and coil; module: a ready-made board with its own."
    )
    supply_v: kind.Volts | None = Field(None, description="Regulated voltage of the coil; not set: the bus itself.")
    coil_ohm: kind.CoilOhms | None = Field(None, description="Resistance of the coil.")
    coil_h: kind.Henries | None = Field(None, description="Inductance of the coil.")
    coil_most_v: kind.Volts | None = Field(None, description="Maximum continuous coil voltage.")
    pull_in_v: kind.Volts | None = Field(None, description="Voltage at which the relay must have pulled in.")
    pin_v: kind.PinVolts = Field(3.3, description="Voltage of the pin when high.")
    pin_ma: kind.Milliamperes = Field(8.0, description="Current the pin should give at most.")
    base_ohm: kind.Ohms | None = Field(None, description="Resistor between pin and base.")
    least_gain: kind.Gain | None = Field(None, description="Least current gain of the transistor with that coil.")
    gate_ohm: kind.Ohms | None = Field(None, description="Resistor between pin and gate.")
    gate_full_v: kind.Volts | None = Field(
        None, description="Gate voltage at which the data sheet promises its on-resistance."
    )
    pull_down_ohm: kind.Ohms | None = Field(None, description="Resistor from the driver's input to ground.")
    pull_up_ohm: kind.Ohms | None = Field(None, description="Resistor from the driver's input to the pin's supply.")
    input_floats: bool | None = Field(None, description="Whether nothing but the pin holds the driver's input.")
    opto_supply_v: kind.Volts | None = Field(
        None, description="Voltage that feeds the LED of an opto-isolated low-level input; not set: no such input."
    )
    input_ma: kind.Milliamperes | None = Field(None, description="Current that the input of a board takes when on.")
    saturation_v: kind.Volts = Field(0.7, description="Voltage lost in the transistor while it conducts.")
    transistor_v: kind.ContactVolts | None = Field(None, description="Largest voltage the transistor stands.")
    transistor_a: kind.Amperes | None = Field(None, description="Largest lasting current of the transistor.")
    flyback: Literal["none", "diode", "zener"] | None = Field(
        None, description="What takes the coil's current when it is switched off."
    )
    clamp_v: kind.Volts | None = Field(None, description="Voltage of the Zener diode or clamp.")
