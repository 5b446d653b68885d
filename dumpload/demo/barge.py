"""A simulated 24 V canal barge: panels, bank, house loads and a water heater. Numbers only; no clock, no I/O.

Invented for the demo, and coarse: it shows what the daemon does, and is no model to size an installation with.
"""

from typing import NamedTuple

from dumpload.core.window import HOUR_S

BANK_WH = 280 * 25.6
HOUSE_W = 70.0
# A 300 W element rated at 24 V: at a higher bus voltage it draws more.
HEATER_OHM = 24.0**2 / 300.0

CHARGE_LIMIT_W = 1200.0
# From here up the charger holds its voltage and takes less and less: this is where sun is wasted.
TAPER_FROM_PERCENT = 98.0

# 40 litres of water: 1.163 Wh per litre and kelvin (4.187 kJ/(kg K), common practice, no source).
TANK_WH_PER_KELVIN = 40 * 1.163


class Barge(NamedTuple):
    """What the barge is at one moment: percent, watts, watt-hours since the start."""

    charge_percent: float
    available_w: float = 0.0
    panels_w: float = 0.0
    bank_w: float = 0.0
    heater_w: float = 0.0
    heater_wh: float = 0.0
    wasted_wh: float = 0.0

    @property
    def volts(self) -> float:
        """The bus voltage, V: flat, and rising at the end of charge as LiFePO4 does."""
        return 26.4 + (1.8 * max(0.0, self.charge_percent - 95.0) / 5.0 if self.bank_w > 0 else 0.0)


def advance(barge: Barge, seconds: float, sun_w: float, *, heater_on: bool) -> Barge:
    """Return the barge `seconds` later, with `sun_w` on the panels."""
    heater_w = barge.volts**2 / HEATER_OHM if heater_on else 0.0
    room = (100.0 - barge.charge_percent) / (100.0 - TAPER_FROM_PERCENT)
    accepted_w = CHARGE_LIMIT_W * min(1.0, max(0.0, room))
    panels_w = min(sun_w, HOUSE_W + heater_w + accepted_w)
    bank_w = panels_w - HOUSE_W - heater_w
    hours = seconds / HOUR_S
    return Barge(
        min(100.0, max(0.0, barge.charge_percent + 100.0 * bank_w * hours / BANK_WH)),
        sun_w,
        panels_w,
        bank_w,
        heater_w,
        barge.heater_wh + heater_w * hours,
        barge.wasted_wh + (sun_w - panels_w) * hours,
    )
