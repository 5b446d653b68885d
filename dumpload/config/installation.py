"""What is installed: bank, panels, element, tank, cable, contact. For checks and energy figures; control needs none.

Every key is optional; what cannot be worked out without it is then said to be missing. The few defaults are the most
cautious choice, and the check names them.
"""

from typing import Annotated, Literal

from pydantic import Field

from dumpload.config import types as kind
from dumpload.config.types import Table


class Installation(Table):
    """Where it is and whose, for the head of the document, and the rules it is judged by."""

    site: kind.Text | None = Field(None, description="Where it is: the boat, its mooring, the address.")
    customer: kind.Text | None = Field(None, description="Owner.")
    installer: kind.Text | None = Field(None, description="Who did the work.")
    licence: kind.Text | None = Field(None, description="The installer's licence or registration.")
    date: kind.Day | None = Field(None, description="Date on the document.")
    version: kind.Text | None = Field(None, description="Version of the document, or of the drawing it belongs to.")
    place: Literal["boat", "vehicle", "building"] | None = Field(None, description="What it is installed in.")
    rules: Literal["us_boat", "iec_b2", "iec_c"] | None = Field(
        None,
        description="Rules for cable and fuse: us_boat (33 CFR 183); iec_b2, iec_c (IEC 60364-5-52, PVC, in conduit or "
        "on a surface). Not set: the strictest of these.",
    )


class Battery(Table):
    """The battery."""

    capacity_ah: kind.AmpereHours | None = Field(None, description="Usable capacity.")
    nominal_v: kind.Volts | None = Field(None, description="Nominal voltage.")
    highest_v: kind.Volts | None = Field(
        None, description="Highest bus voltage, while charging: sizes wire, fuse, contact."
    )
    lowest_v: kind.Volts | None = Field(None, description="Lowest bus voltage: the relay's coil must still pull in.")
    chemistry: Literal["lifepo4", "lead_acid", "other"] | None = Field(None, description="Cell chemistry.")
    cells: kind.Cells | None = Field(None, description="Cells in series; not set: nothing is calculated per cell.")
    cranking_a: kind.FaultAmperes | None = Field(
        None,
        description="Cold cranking current of a lead-acid battery, for its fault current if no resistance is set.",
    )
    resistance_mohm: kind.Milliohms | None = Field(
        None, description="Internal resistance of the whole battery, for its short-circuit current."
    )
    throttle_percent: kind.Percent | None = Field(
        None, description="State of charge at which the charger starts to throttle: there is surplus only above it."
    )
    night_wh: kind.WattHours | None = Field(
        None, description="Energy needed from sunset until the panels produce again."
    )
    discharge_limit_a: kind.Amperes | None = Field(
        None, description="Largest continuous discharge that the BMS allows."
    )
    other_loads_a: kind.OtherAmperes | None = Field(
        None, description="Largest current of everything else that runs from the battery together with the heater."
    )
    coldest_c: kind.Weather | None = Field(None, description="Lowest cell temperature.")
    charge_from_c: kind.Weather | None = Field(None, description="Cell temperature from which the BMS allows charging.")
    counter_offset_a: kind.OtherAmperes | None = Field(
        None, description="Error of the battery monitor's current at rest, from its data sheet."
    )
    counter_full_v: kind.Volts | None = Field(
        None, description="Voltage at or above which the battery monitor may detect a full charge."
    )
    counter_full_a: kind.Amperes | None = Field(None, description="Charging current below which it does so.")
    counter_full_s: kind.Dwell | None = Field(None, description="How long both must last for that.")
    counter_efficiency: kind.Efficiency | None = Field(
        None, description="Charge efficiency that the battery monitor assumes."
    )
    counter_step_percent: kind.Resolution | None = Field(
        None, description="Resolution of the published state of charge; 0: full resolution."
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
    most_w: kind.Watts | None = Field(None, description="Largest power the panels have been seen to produce.")
    absorption_v: kind.Volts | None = Field(
        None, description="Charger's set point while it fills the battery (absorption)."
    )
    float_v: kind.Volts | None = Field(None, description="Charger's set point once the battery is full (float).")
    charger_a: kind.Amperes | None = Field(None, description="Largest output current of the charger.")
    stops_when_full: bool = Field(
        False, description="Whether the charger stops once the battery is full, instead of holding float_v."
    )
    begins_daily: bool = Field(True, description="Whether the charger starts again with absorption every morning.")
    absorption_s: kind.Dwell | None = Field(None, description="How long the charger holds absorption_v.")
    tail_a: kind.Amperes | None = Field(
        None, description="Charging current that ends absorption early (tail current); not set: by time alone."
    )
    rebulk_v: kind.Volts | None = Field(None, description="Bus voltage below which the charger starts again (rebulk).")
    rebulk_s: kind.Dwell | None = Field(None, description="How long the bus must be below it.")


class House(Table):
    """Power of lights, fridge and pump, for `dumpload simulate`."""

    hourly_w: kind.Hours | None = Field(None, description="Mean power in each hour of the local day.")
    day_w: kind.HouseWatts | None = Field(None, description="In place of that: mean power from 07:00 to 23:00.")
    night_w: kind.HouseWatts | None = Field(None, description="And from 23:00 to 07:00.")


class Load(Table):
    """The resistive element."""

    rated_w: kind.PlateWatts | None = Field(None, description="Rated power of the element.")
    rated_v: kind.PlateVolts | None = Field(None, description="Voltage of that rating.")


class Tank(Table):
    """The water heater."""

    volume_l: kind.Litres | None = Field(None, description="Volume of water.")
    target_c: kind.Celsius | None = Field(None, description="Temperature at which its own thermostat opens.")
    cold_c: kind.Celsius | None = Field(None, description="Temperature of the cold feed.")
    around_c: kind.Weather | None = Field(None, description="Temperature around the tank.")
    loss_kwh_per_day: kind.LossOfADay | None = Field(None, description="Standing loss per day, from its rating plate.")
    loss_difference_k: kind.Kelvins | None = Field(
        None, description="Temperature difference at which that loss was measured."
    )
    thermostat_dc: bool | None = Field(None, description="Whether its thermostat is rated for DC at all.")
    thermostat_v: kind.Volts | None = Field(None, description="Direct voltage its thermostat is rated to break.")
    thermostat_a: kind.Amperes | None = Field(None, description="Direct current its thermostat is rated to break.")
    thermostat_breaks: Literal["load", "coil"] = Field(
        "load", description="What the thermostat breaks: the heater's current, or that of the relay's coil."
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
        None,
        description="Discharge capacity of the relief valve as steam, from its rating plate (1000 BTU/h are 293 W).",
    )
    discharge_pipe: bool | None = Field(
        None,
        description="Whether its discharge pipe is full bore, falls all the way, has no valve, and ends "
        "in sight where it scalds nobody.",
    )
    working_bar: kind.Bars | None = Field(
        None, description="Highest working pressure, from the tank's rating plate, above the atmosphere."
    )
    mixing_valve: bool | None = Field(
        None, description="Whether a thermostatic mixing valve limits the temperature at the taps."
    )
    dry_fire_guard: bool | None = Field(None, description="Whether something prevents heating an empty tank.")
    sealed: bool | None = Field(
        None, description="Whether a non-return or reducing valve stops expanding water from flowing back."
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
    """The cable to the heater and its fuse."""

    length_m: kind.Metres | None = Field(None, description="Length of the cable, one way.")
    area_mm2: kind.SquareMillimetres | None = Field(None, description="Nominal area of one conductor.")
    conductor: Literal["class_2_plain", "class_5_plain", "class_5_tinned"] = Field(
        "class_5_tinned", description="Stranding class, for the resistance by area (IEC 60228)."
    )
    gauge: Literal["18", "16", "14", "12", "10", "8", "6", "4", "2", "1", "1/0", "2/0", "3/0", "4/0"] | None = Field(
        None, description="Gauge (AWG) of one conductor, in place of the area."
    )
    boat_cable: bool = Field(
        True, description="Whether a gauge means boat cable, which may be up to 12 % thinner than the gauge itself."
    )
    conductor_c: kind.CableCelsius = Field(75.0, description="Conductor temperature under load, for the voltage drop.")
    insulation_c: kind.InsulationCelsius | None = Field(None, description="Temperature its insulation is rated for.")
    engine_space: bool | None = Field(
        None, description="Whether it runs through an engine space or a similarly hot place."
    )
    bundled: kind.Conductors | None = Field(
        None, description="Current-carrying conductors bundled together, including the two of this circuit."
    )
    fuse_a: kind.Amperes | None = Field(None, description="Rating of the fuse at the battery.")
    fuse_v: kind.Volts | None = Field(None, description="Direct voltage the fuse is rated for.")
    fuse_interrupts_a: kind.FaultAmperes | None = Field(
        None, description="Breaking capacity of the fuse at that voltage."
    )
    fuse_distance_m: kind.Nearby | None = Field(
        None, description="Length of conductor between the battery and the fuse."
    )
    fuse_sheathed: bool | None = Field(None, description="Whether that length is sheathed or enclosed all the way.")
    main_fuse_a: kind.Amperes | None = Field(
        None, description="Rating of the battery's main fuse, if the heater's fuse is on a branch behind it."
    )
    main_fuse_interrupts_a: kind.FaultAmperes | None = Field(
        None, description="Breaking capacity of the main fuse at the bus voltage."
    )
    isolator_v: kind.Volts | None = Field(None, description="Direct voltage the isolator is rated to break.")
    isolator_a: kind.Amperes | None = Field(None, description="Direct current the isolator is rated to break.")


class Contact(Table):
    """The contact of the relay or contactor."""

    dc_v: kind.Volts | None = Field(None, description="Direct voltage it is rated to break, with a resistive load.")
    dc_a: kind.Amperes | None = Field(None, description="Current it is rated to break at that voltage.")
    dc_w: kind.Watts | None = Field(None, description="Direct-current power it is rated to break, if there is a limit.")
    ac_v: kind.ContactVolts | None = Field(None, description="Its AC rating, which says nothing about DC.")
    normally_open: bool | None = Field(None, description="Whether it is open while the coil is de-energised.")
    operations: kind.Operations | None = Field(None, description="Rated electrical endurance at this load.")
    operations_per_day: kind.OperationsPerDay | None = Field(None, description="How often it is expected to close.")
    feedback_ohm: kind.Ohms | None = Field(
        None, description="Pull resistor of the feedback line, through which the auxiliary contact is wetted."
    )
    feedback_least_ma: kind.Milliamperes | None = Field(
        None, description="Minimum wetting current of the auxiliary contact."
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
    pull_in_v: kind.Volts | None = Field(None, description="Must-operate voltage of the relay.")
    pin_v: kind.PinVolts = Field(3.3, description="Voltage of the pin when high.")
    pin_ma: kind.Milliamperes = Field(8.0, description="Maximum current of the pin.")
    base_ohm: kind.Ohms | None = Field(None, description="Resistor between pin and base.")
    least_gain: kind.Gain | None = Field(
        None, description="Minimum current gain of the transistor at the coil's current."
    )
    gate_ohm: kind.Ohms | None = Field(None, description="Resistor between pin and gate.")
    gate_full_v: kind.Volts | None = Field(
        None, description="Gate voltage at which the data sheet specifies its on-resistance."
    )
    pull_down_ohm: kind.Ohms | None = Field(None, description="Resistor from the driver's input to ground.")
    pull_up_ohm: kind.Ohms | None = Field(None, description="Resistor from the driver's input to the pin's supply.")
    input_floats: bool | None = Field(None, description="Whether nothing but the pin holds the driver's input.")
    opto_supply_v: kind.Volts | None = Field(
        None, description="Voltage that feeds the LED of an opto-isolated low-level input; not set: no such input."
    )
    input_ma: kind.Milliamperes | None = Field(None, description="Current that the input of a board takes when on.")
    saturation_v: kind.Volts = Field(0.7, description="Saturation voltage of the transistor.")
    transistor_v: kind.ContactVolts | None = Field(None, description="Maximum voltage of the transistor.")
    transistor_a: kind.Amperes | None = Field(None, description="Maximum continuous current of the transistor.")
    flyback: Literal["none", "diode", "zener"] | None = Field(None, description="Coil suppression.")
    clamp_v: kind.Volts | None = Field(None, description="Voltage of the Zener diode or clamp.")
