"""Where the check's formulas and limits come from, each with an id that stays."""

from typing import NamedTuple


class Basis(NamedTuple):
    """A source. `practice`: a figure in it is common practice that no source was found for."""

    id: str
    text: str
    practice: bool = False


FORMULA = Basis("formula", "the formula's range")
OWNER = Basis("owner", "each line, topic and file has one owner: two daemons would act against each other")
PRACTICE = Basis("practice", "common practice", practice=True)

SIGN = Basis("power-sign", "the daemon's own history: what charges a battery raises its state of charge")

OHM = Basis("ohm", "Ohm's law: R = V2/P, I = V/R, P = I2 R")
PLATE = Basis("plate", "the element's rating plate and Ohm's law", practice=True)

CODES = Basis("codes", "local codes decide which rules apply")
DROP = Basis("drop", "I x 2 L r(t); IEC 60228 or gauge area; ABYC E-11")
TABLE_5 = Basis("cfr-183-425", "33 CFR 183.425 Table 5, factors for engine space and bundle")
IEC_PVC = Basis(
    "iec-60364-5-52",
    "IEC 60364-5-52, PVC at 30 degC, three loaded conductors, as printed in two manuals; factors for heat and bundle",
)
CONTINUOUS_LOAD = Basis("nec-210-20", "125 % of a continuous load: NEC 210.20(A), sizes 240.6(A)")
FUSE_CEILING = Basis("cfr-183-455-c", f"{TABLE_5.text}; 33 CFR 183.455(c)(1)")
FUSE_DISTANCE = Basis("cfr-183-455-b", "33 CFR 183.455(b): 7 inches, 40 if sheathed")
FUSE_VOLTAGE = Basis("cfr-183-455-d", "the maker's DC rating (33 CFR 183.455(d)), taken at the highest voltage")
FAULT = Basis("fault-current", "V / R of the battery, cable not counted")
ABYC_FAULT = Basis("abyc-e11-va", "ABYC E-11, table V.A, as reprinted by a seller of fuses")
SELECTIVITY = Basis("selectivity", "the smaller fuse must blow first", practice=True)
FAR_FAULT = Basis("far-fault", "V / (R battery + R loop) at the lowest voltage", practice=True)

DC_RATING = Basis("dc-rating", "the maker's DC rating; a DC arc does not extinguish itself")
DC_HOURS = Basis("dc-rating-hours", "the maker's DC rating; 125 % of a continuous load, as for a fuse", practice=True)
DC_ARC = Basis("dc-arc", "a DC arc does not extinguish itself")
FAIL_SAFE = Basis("fail-safe", "a dead computer must mean a dead load")
ENDURANCE = Basis("endurance", "N / (n x 365.25)", practice=True)
WETTING = Basis("wetting", "I = V / R; the maker's least load")

FLOATING = Basis("floating-input", "at boot, reset and after a crash no program drives the pin")
PULL = Basis("pull-resistor", "at boot, reset and after a crash no program drives the pin", practice=True)
OPTO = Basis("opto-input", "an opto-coupler's LED conducts from about 1.2 V on", practice=True)
BOARD = Basis("board", "the board's data sheet")
PULL_IN = Basis("pull-in", "the maker's must-operate voltage; copper 0.00393 per K")
COIL_MOST = Basis("coil-most", "the maker's largest coil voltage")
BASE = Basis("base-current", "(V - 0.7) / R; twice Ic / gain", practice=True)
GATE = Basis("gate", "V Rpd / (R + Rpd) at the gate, V / R into an empty one", practice=True)
CLAMP = Basis("clamp", "supply + clamp + 0.7 V at switch-off")
FLYBACK = Basis("flyback", "v = L di/dt")
RELEASE = Basis("release", "(L / R) ln(...) of the coil", practice=True)

CELL = Basis("lfp-cell", "a LiFePO4 cell is charged to 3.65 V and rests at 3.35 V when nearly full")
LEAD_CELL = Basis("lead-cell", "volts of a lead-acid cell", practice=True)
BAND = Basis("band", "E = Q V s / 100, t = E / P")
CYCLE = Basis("cycle", "t = 4 E / P")
PANELS = Basis("panels", "as seen, or rated power less 14 % (PVWatts' default losses), or the charger's limit")
REACTION = Basis("reaction", "P x (max_age_s + 1 s for evaluation and release)", practice=True)
LIVE = Basis("live-data", "README, what counts as data")
DRIFT = Basis("drift", "100 I t / Q")
THROTTLE = Basis("throttle", "as set, or the voltage of one maker's cell at rest + I R")
SET_POINT = Basis("set-point", "the charger's set points; the voltage of one maker's cell at rest + I R", practice=True)
SAG = Basis("sag", "I R of the battery; the voltage of one maker's cell at rest")
NIGHT = Basis("night", "E = Q V s / 100")
CURRENTS = Basis("currents", "sum of the currents at the highest voltage")
COLD_CELLS = Basis("cold-cells", "cell makers' data sheets (0 to 60 degC)")

PLUMBING_CODES = Basis("plumbing-codes", "plumbing codes")
CUT_OUT = Basis("cut-out", "what stops a stuck contact or thermostat")
CHICAGO = Basis("chicago-200f", "plumbing code of Chicago: 200 degF")
STEADY = Basis("steady", "Ta + P / UA; (C / UA) ln(...)")
DRY_ELEMENT = Basis("dry-element", "a dry element burns out in seconds to minutes")
DENSITY = Basis("density", "density of water")
VESSEL = Basis("vessel", "density of water; Boyle's law to 90 % of the relief valve", practice=True)
SCALD = Basis("scald", "HSE HSIS6; published scald table")
LEGIONELLA = Basis("hsg274", "HSE HSG274 Part 2")
HEATING = Basis("heating", "heat of water (Kell 1975, IAPWS-95); (C / UA) ln(...)")
MIXING = Basis("mixing", "V (Th - Tc) / (40 - Tc)")
TANK_PLATE = Basis("tank-plate", "the tank's rating plate")
VALVE_PLATE = Basis("valve-plate", "the valve's rating plate; heat of evaporation (IAPWS-95)")
TWO_HEATERS = Basis("two-heaters", "each source of heat has its own controls, the tank one relief valve", practice=True)
STANDING = Basis("standing", "UA (T - Ta); (C / UA) ln(...)")
DRAWN = Basis("drawn", "heat of water, standing loss, P t")
