"""What breaks the load's direct current beside the relay's contact: thermostat, thermal cut-out, isolator."""

from dumpload.check import sources
from dumpload.check.facts import HIGHEST, has, highest_a
from dumpload.check.figures import Grade, at_least, least, worst
from dumpload.check.table import HEATER, Check, Danger, Judgement, Known
from dumpload.physics.contacts import coil_current_a
from dumpload.physics.protection import CONTINUOUS

COIL = ("driver.coil_ohm", "driver.supply_v or battery.highest_v")


# Each is asked for volts and amperes: "rated for DC" alone says neither how many of the one nor of the other.
def rated(known: Known, table: str, volts: float, current_a: float, change: str) -> Judgement:
    """Return the verdict on a rating in `table`_v and `table`_a for a current that may last for hours."""
    v_key, a_key = f"{table}_v", f"{table}_a"
    rated_v = least("voltage", known[v_key], "V", volts, key=v_key)
    rated_a = least("current", known[a_key], "A", CONTINUOUS * current_a, fails=current_a, key=a_key)
    state = worst(rated_v.state, rated_a.state)
    figure = f"rated for {rated_v.text} and {rated_a.text} DC; it breaks {at_least(current_a)} A"
    limit = f"{rated_v.limit_text} and {rated_a.limit_text} DC, 125 %; below {at_least(current_a)} A it fails"
    return Judgement(state, figure, limit, sources.DC_HOURS, "" if state is Grade.PASS else change, (rated_v, rated_a))


def _thermostat(known: Known) -> Judgement:
    limit = "a rating in volts DC and amperes DC for what it breaks"
    change = "Do not let it break the current: use one rated for DC, or let it break the coil of a contactor."
    breaks_coil = known["tank.thermostat_breaks"] == "coil"
    if known.get("tank.thermostat_dc") is False and not breaks_coil:
        return Judgement(Grade.FAIL, "not rated for DC, as stated", limit, sources.DC_ARC, change)
    if not has(known, ("tank.thermostat_v", "tank.thermostat_a")):
        figure = "rated for DC, as stated, but not for how many volts and amperes"
        return Judgement(
            Grade.CAUTION, figure, limit, sources.DC_ARC, "Look up both on its rating plate or data sheet."
        )
    if breaks_coil and has(known, COIL):
        supply_v = known.get("driver.supply_v", known.get("battery.highest_v"))
        return rated(known, "tank.thermostat", supply_v, coil_current_a(supply_v, known["driver.coil_ohm"]), change)
    if not has(known, HIGHEST):
        figure = f"rated for {known['tank.thermostat_v']:g} V DC and {known['tank.thermostat_a']:g} A DC"
        change = "Set the battery's highest voltage and the element's rating."
        return Judgement(Grade.CAUTION, f"{figure}; for what is not known", limit, sources.DC_ARC, change)
    return rated(known, "tank.thermostat", known["battery.highest_v"], highest_a(known), change)


def _cut_out(known: Known) -> Judgement:
    change = "Fit one rated for DC, or let it break the coil of a second contactor that is."
    return rated(known, "tank.cut_out", known["battery.highest_v"], highest_a(known), change)


def _isolator(known: Known) -> Judgement:
    change = "Fit an isolator rated for DC: a person opens it in an emergency, under load."
    return rated(known, "wiring.isolator", known["battery.highest_v"], highest_a(known), change)


CHECKS = (
    Check(
        HEATER,
        "thermostat",
        "thermostat",
        Danger.ARC,
        ("tank.thermostat_dc or tank.thermostat_v",),
        _thermostat,
        keys=("tank.thermostat_dc", "tank.thermostat_v", "tank.thermostat_a"),
        safety=True,
    ),
    Check(
        HEATER,
        "cut-out-rating",
        "DC rating of the thermal cut-out",
        Danger.ARC,
        ("tank.cut_out_v", "tank.cut_out_a", *HIGHEST),
        _cut_out,
        lambda known: known.get("tank.cut_out") is not False,
        keys=("tank.cut_out_v", "tank.cut_out_a"),
        safety=True,
    ),
    Check(
        HEATER,
        "isolator",
        "isolator",
        Danger.ARC,
        ("wiring.isolator_v", "wiring.isolator_a", *HIGHEST),
        _isolator,
        keys=("wiring.isolator_v", "wiring.isolator_a"),
    ),
)
