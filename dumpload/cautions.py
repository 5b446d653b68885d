"""The cautions beside every figure, in one text for the installation check and the report.

They say what hurts people in such an installation, and who has the last word. What software cannot see they ask for.
"""

from dumpload.physics.scald import GROWTH_C, STORE_C, scald_time_s

CAUTIONS = (
    (
        "dumpload is a controller, not a safety device: the heater needs its own thermostat, an independent "
        "manual-reset thermal cut-out, a temperature-and-pressure relief valve and a fuse at the battery, all fitted "
        "and tested, and all working without it."
    ),
    (
        "Fire: a short in a battery cable without a fuse at the battery burns within seconds; a loose terminal glows "
        "at the current of a good one. Tighten every terminal to its maker's torque, and again after a week."
    ),
    (
        "Arc: a DC arc does not extinguish itself. Contact, thermostat, cut-out, isolator and fuse must be rated "
        "for DC at the highest bus voltage. Isolate the battery before you touch anything, and keep metal tools off "
        "its terminals."
    ),
    "Mains: where there is an inverter or shore power, its voltage kills. Keep it out of the same enclosure.",
    (
        f"Scald: water heated by surplus can be hotter than anyone expects. At {STORE_C:g} degC an adult's skin burns "
        f"in {scald_time_s(STORE_C):g} s, a child's sooner. Fit a thermostatic mixing valve, and warn guests."
    ),
    (
        f"Legionella: surplus is irregular, and water between {GROWTH_C[0]:g} and {GROWTH_C[1]:g} degC for days is "
        f"where they grow. Nothing here shows that the water is safe: heat it to {STORE_C:g} degC as your health "
        "authority advises."
    ),
    (
        "Pressure: a closed tank that boils bursts. Never plug a relief valve; lead its discharge to where it harms "
        "nobody. Never heat an empty tank."
    ),
    (
        "Local codes come first. These figures help you to talk to a licensed electrician and a licensed plumber; they "
        "do not replace them."
    ),
)
