"""What breaks the load's direct current beside the relay's contact: thermostat, thermal cut-out, isolator."""

from dumpload.study.check import sources
from dumpload.study.check.lines import HEATER, Check, Danger, Known, Verdict, asked


def _thermostat(known: Known) -> Verdict:
    return asked(
        good=known["tank.thermostat_dc"],
        figure="rated for DC" if known["tank.thermostat_dc"] else "not rated for DC",
        limit="rated for DC at the highest bus voltage",
        source=sources.DC_ARC,
        change="Do not let it break the current: use a DC-rated one, or let it break a contactor's coil.",
    )


CHECKS = (
    Check(
        HEATER,
        "thermostat",
        "thermostat",
        Danger.ARC,
        ("tank.thermostat_dc",),
        _thermostat,
        safety=True,
        stated=True,
    ),
)
