"""What several checks need: the cable by area or gauge, and where the charger throttles."""

import pytest
from judged import settings
from surveyed import BARGE, without

from dumpload.check.cable import ampacity
from dumpload.check.facts import (
    cable_name,
    cable_ohm,
    has,
    highest_a,
    highest_w,
    other_cables,
    throttle_percent,
)
from dumpload.check.table import Known
from dumpload.config.model import flat

GAUGE = without("wiring.area_mm2")


def known(**changes: object) -> Known:
    return flat(settings({**BARGE, **{key.replace("__", "."): value for key, value in changes.items()}}))


def gauge(**changes: object) -> Known:
    return flat(settings({**BARGE, **GAUGE, "wiring.gauge": "10", **changes}))


def test_everything_is_sized_at_the_highest_voltage_without_the_cable() -> None:
    assert highest_a(known()) == pytest.approx(15)
    assert highest_w(known()) == pytest.approx(432)
    assert highest_w(known(wiring__length_m=100)) == pytest.approx(432)


def test_a_gauge_is_boat_cable_unless_said_otherwise() -> None:
    boat, full = gauge(), gauge(**{"wiring.boat_cable": False})
    assert cable_name(boat) == "10 AWG boat cable"
    assert cable_name(full) == "10 AWG"
    assert cable_ohm(boat) / cable_ohm(full) == pytest.approx(10_383 / 9343, rel=1e-4)
    assert ampacity(boat).amperes == 51


def test_a_wire_filter_than_any_table_has_the_resistance_of_its_copper_and_carries_nothing() -> None:
    thin = known(wiring__area_mm2=0.4)
    # 8 m x 1000 / (58 x 0.4) ohm/km x 1.21615
    assert cable_ohm(thin) == pytest.approx(0.008 * 43.1034 * 1.21615, rel=1e-5)
    assert ampacity(thin).amperes == 0


def test_the_standard_sizes_are_of_the_same_kind() -> None:
    areas = [one["wiring.area_mm2"] for one in other_cables(known())]
    assert areas == sorted(areas)
    assert [cable_name(one) for one in other_cables(gauge())][0::13] == ["18 AWG boat cable", "4/0 AWG boat cable"]


def test_one_of_two_keys_is_enough() -> None:
    assert has({"wiring.gauge": "8"}, ("wiring.area_mm2 or wiring.gauge",))
    assert not has({"wiring.length_m": 4}, ("wiring.length_m", "wiring.area_mm2 or wiring.gauge"))


def test_where_the_charger_throttles_is_as_set_or_modelled_or_not_known() -> None:
    assert throttle_percent(known(battery__throttle_percent=98.5)) == 98.5
    # 1400 / 25.6 = 54.69 A x 6 mohm = 0.328 V; (28.4 - 0.328) / 8 = 3.5090 V a cell, between 3.5093 V at 99.84 % and
    # 3.4943 V at 99.8 %: 99.839 %.
    assert throttle_percent(known()) == pytest.approx(99.839, abs=0.002)
    assert throttle_percent(known(battery__chemistry="lead_acid")) is None
    assert throttle_percent(flat(settings({**BARGE, **without("battery.resistance_mohm")}))) is None
