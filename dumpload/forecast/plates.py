"""Ratings of the installation in the settings, with which a forecast begins."""

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from dumpload.check.facts import CABLE_RUN, cable_ohm, has
from dumpload.check.tank import LOSS, tank_loss_w_k
from dumpload.config.model import Settings, flat
from dumpload.config.types import parse_draw
from dumpload.forecast.evidence import EvidenceError
from dumpload.forecast.heater import WANTED_C, TankPlates
from dumpload.physics.water import heat_capacity_j_k

# Defaults where neither settings nor record have a value (common practice, no source).
CELL_V, CELL_MOHM_AT_100_AH, LITRES, LOSS_W_K, OPENS_C, AROUND_C, COLD_C = 3.2, 2.0, 40.0, 1.1, 65.0, 15.0, 10.0
USUAL_LITRES, WH_PER_L_K = 30.0, 1.163
RESTART_CELL_V, ABSORPTION_CELL_V = 3.3, 3.55


class Plates(NamedTuple):
    """Ratings of the installation. `ohm`: the bank's; `element_ohm`: of element and cable.

    `float_v`: NaN where the charger has none; `restart_s`: NaN where it is not known.
    """

    latitude: float
    longitude: float
    capacity_ah: float
    cells: int
    ohm: float
    element_ohm: float
    rated_w: float
    tank: TankPlates
    restart_v: float
    restart_s: float
    absorption_v: float
    float_v: float
    begins_daily: bool


def plates_of(settings: Settings) -> Plates:
    """Return the ratings.

    Raises:
        EvidenceError: one is missing without which there is no forecast.
    """
    values = flat(settings)
    needed = ("solar.latitude", "solar.longitude", "battery.capacity_ah", "load.rated_w", "load.rated_v")
    missing = [key for key in needed if key not in values]
    if not ("battery.cells" in values or "battery.nominal_v" in values):
        missing.append("battery.cells")
    if missing:
        msg = f"{missing[0]}: expected to be set for a forecast" + (
            f"; and {', '.join(missing[1:])}" if missing[1:] else ""
        )
        raise EvidenceError(msg)
    cells = int(values.get("battery.cells") or round(values["battery.nominal_v"] / CELL_V))
    capacity_ah = float(values["battery.capacity_ah"])
    usual = CELL_MOHM_AT_100_AH * cells * 100.0 / capacity_ah
    cable = cable_ohm(values) if has(values, CABLE_RUN) else 0.0
    rated_w, rated_v = float(values["load.rated_w"]), float(values["load.rated_v"])
    return Plates(
        float(values["solar.latitude"]), float(values["solar.longitude"]), capacity_ah, cells,
        float(values.get("battery.resistance_mohm", usual)) / 1000.0, rated_v * rated_v / rated_w + cable, rated_w,
        _tank_plates(values),
        float(values.get("solar.rebulk_v", RESTART_CELL_V * cells)),
        float(values.get("solar.rebulk_s", math.nan)),
        float(values.get("solar.absorption_v", ABSORPTION_CELL_V * cells)),
        math.nan if values.get("solar.stops_when_full") else float(values.get("solar.float_v", math.nan)),
        bool(values.get("solar.begins_daily", True)),
    )  # fmt: skip


def _tank_plates(values: Mapping[str, Any]) -> TankPlates:
    opens_c = float(values.get("tank.target_c", OPENS_C))
    loss_w_k = LOSS_W_K
    if all(key in values for key in LOSS[:2]):
        loss_w_k = tank_loss_w_k(values)
    return TankPlates(
        heat_capacity_j_k(float(values.get("tank.volume_l", LITRES)), 10.0, 60.0) / 3600.0, loss_w_k, opens_c,
        float(values.get("tank.around_c", AROUND_C)), min(float(values.get("tank.cold_c", COLD_C)), 30.0),
        *_usual_draw(values),
    )  # fmt: skip


def _usual_draw(values: Mapping[str, Any]) -> tuple[float, bool]:
    """Return the mean heat drawn by the settings (W), and whether they say it."""
    litres = sum(amount for _minute, amount in map(parse_draw, values.get("tank.draws", ())))
    if not litres and "tank.people" in values and "tank.litres_per_person" in values:
        litres = values["tank.people"] * values["tank.litres_per_person"]
    rise_k = WANTED_C - min(float(values.get("tank.cold_c", COLD_C)), 30.0)
    return float(litres or USUAL_LITRES) * WH_PER_L_K * rise_k / 24.0, bool(litres)
