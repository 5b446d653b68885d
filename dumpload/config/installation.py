"""What is installed: bank, panels, element, tank and cable. For checks and energy figures; control needs none of it.

Every key is optional; what cannot be worked out without it is then said to be missing.
"""

from pydantic import Field

from dumpload.config import kinds as kind
from dumpload.config.kinds import Table


class Battery(Table):
    """The bank."""

    capacity_ah: kind.AmpereHours | None = Field(None, description="Usable capacity.")
    nominal_v: kind.Volts | None = Field(None, description="Nominal voltage.")
    highest_v: kind.Volts | None = Field(
        None, description="Highest bus voltage, while charging: sizes wire, fuse, contact."
    )
    lowest_v: kind.Volts | None = Field(None, description="Lowest bus voltage: the relay's coil must still pull in.")


class Solar(Table):
    """The panels."""

    peak_w: kind.Watts | None = Field(None, description="Sum of the panels' rated power.")


class Load(Table):
    """The resistive element."""

    rated_w: kind.Watts | None = Field(None, description="Power on the element's plate.")
    rated_v: kind.Volts | None = Field(None, description="Voltage on the element's plate, at which it draws that.")


class Tank(Table):
    """The water heater."""

    volume_l: kind.Litres | None = Field(None, description="Volume of water.")
    target_c: kind.Celsius | None = Field(None, description="Temperature at which its own thermostat opens.")


class Wiring(Table):
    """The cable to the load and its fuse."""

    length_m: kind.Metres | None = Field(None, description="Length of the cable, one way.")
    area_mm2: kind.SquareMillimetres | None = Field(None, description="Area of one conductor.")
    fuse_a: kind.Amperes | None = Field(None, description="Rating of the fuse at the battery.")
