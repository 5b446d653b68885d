"""The driver's input on paper: what holds it at off while no program drives the pin."""

from dumpload.check import sources
from dumpload.check.figures import NEVER, Grade, least, most, worst
from dumpload.check.table import CONTACT, Check, Danger, Judgement, Known, informed, judged
from dumpload.physics.contacts import LED_V

PULL = "driver.pull_down_ohm or driver.pull_up_ohm or driver.input_floats"

LEAST_PULL_OHM, MOST_PULL_OHM = 1_000.0, 100_000.0

WANTED = "a resistor that holds the input at off"


# At boot, at reset and after a crash the pin is an input, pulled weakly one way or the other or not at all. So it
# matters what the resistor pulls to, not that there is one: low is off on a board that is on when high, and on on the
# other kind.
def _off_is_low(known: Known) -> bool:
    return bool(known["relay.active_high"])


def _is_opto(known: Known) -> bool:
    return "driver.opto_supply_v" in known


def _right(known: Known) -> str:
    return "a pull-down, to ground" if _off_is_low(known) else "a pull-up, to the pin's supply"


def _pulled(known: Known) -> Judgement:
    key = next((key for key in ("driver.pull_down_ohm", "driver.pull_up_ohm") if key in known), "")
    if not key:
        figure = "a resistor is stated, but not which way it pulls"
        return Judgement(
            Grade.CAUTION, figure, WANTED, sources.FLOATING, f"It must be {_right(known)}: check, and set it."
        )
    ohm, is_down = known[key], key == "driver.pull_down_ohm"
    numbers = (
        least("resistor", ohm, "ohm", LEAST_PULL_OHM, fails=NEVER, key=key),
        most("resistor", ohm, "ohm", MOST_PULL_OHM, fails=NEVER, key=key),
    )
    way = f"{ohm:g} ohm pulls the input {'down' if is_down else 'up'}"
    level = "low" if _off_is_low(known) else "high"
    if is_down != _off_is_low(known):
        figure = f"{way}, which is on: relay.active_high is {str(_off_is_low(known)).lower()}"
        change = f"Take it out and fit {_right(known)}: as it is, the load runs whenever no program drives the pin."
        return Judgement(Grade.FAIL, figure, f"{WANTED}, which is {level}", sources.FLOATING, change, numbers)
    state = worst(*(number.state for number in numbers))
    return Judgement(
        state,
        f"{way}, which is off",
        f"{WANTED}, {LEAST_PULL_OHM:g} to {MOST_PULL_OHM:g} ohm",
        sources.PULL,
        "" if state is Grade.PASS else "Use about 10000 ohm: less overloads the pin, more lets the line float.",
        numbers,
    )


def _floating(known: Known) -> Judgement:
    kind = known.get("driver.transistor")
    if _is_opto(known) and not _off_is_low(known):
        figure = "nothing pulls the input; without a path to ground its LED has no current: off"
        return Judgement(Grade.PASS, figure, WANTED, sources.FLOATING)
    does = "its state is then undefined"
    if kind == "mosfet":
        does = "a gate keeps the level it had, so the load may stay on"
    elif kind == "bipolar" and _off_is_low(known):
        does = "without base current it is off, but noise may switch it"
    state = Grade.FAIL if kind == "mosfet" or not _off_is_low(known) else Grade.CAUTION
    figure = f"nothing pulls the input while no program drives the pin: {does}"
    return Judgement(state, figure, WANTED, sources.FLOATING, f"Fit {_right(known)}, about 10000 ohm.")


def _level(known: Known) -> Judgement:
    if _off_is_low(known):
        if _is_opto(known):
            figure = "the board's input is opto-isolated and on when low, but relay.active_high is true"
            change = "Set relay.active_high = false: as it is, off and on are swapped."
            return Judgement(Grade.FAIL, figure, "the level that the board is on at", sources.FAIL_SAFE, change)
        return informed("a high level closes the contact", sources.FAIL_SAFE)
    if "driver.pull_up_ohm" in known or _is_opto(known):
        figure = "a low level closes the contact; the resistor at the input is judged separately"
        return informed(figure, sources.FAIL_SAFE)
    return Judgement(
        Grade.CAUTION,
        "a low level closes the contact: a pin that floats or is reset may close it",
        "high is on, or a pull-up at the input",
        sources.FAIL_SAFE,
        "Fit a pull-up to the pin's supply, or better, a board that closes its contact on a high level.",
    )


def _opto(known: Known) -> Judgement:
    pin_v = known["driver.pin_v"]
    supply = most("LED supply", known["driver.opto_supply_v"], "V", pin_v, fails=pin_v + LED_V)
    supply = supply._replace(key="driver.opto_supply_v")
    figure = f"its LED is fed from {{}}; high is {pin_v:g} V"
    limit = f"{{}}, the pin's; above {pin_v + LED_V:g} V the LED still has current when the pin says off"
    change = "Feed the LED's side from the pin's own supply (many boards have a jumper for it), the coil from another."
    return judged(supply, sources.OPTO, change, figure=figure, limit=limit)


def _board(known: Known) -> Judgement:
    number = most("input current", known["driver.input_ma"], "mA", known["driver.pin_ma"], fails=NEVER)
    number = number._replace(key="driver.input_ma")
    figure = "a ready-made board: its input takes {}; the transistor on it is not checked"
    change = "Add a transistor in front of it, or use a board whose input suits the pin's current."
    return judged(number, sources.BOARD, change, figure=figure, limit="{}, the pin's limit")


def _is_module(known: Known) -> bool:
    return known.get("driver.transistor") == "module"


CHECKS = (
    Check(CONTACT, "relay-level", "level that closes the contact", Danger.ARC, (), _level, keys=("relay.active_high",)),
    Check(
        CONTACT,
        "driver-input",
        "resistor at the driver's input",
        Danger.ARC,
        (PULL,),
        _pulled,
        lambda known: not known.get("driver.input_floats"),
        keys=("driver.pull_down_ohm", "driver.pull_up_ohm"),
    ),
    Check(
        CONTACT,
        "driver-input",
        "resistor at the driver's input",
        Danger.ARC,
        (),
        _floating,
        lambda known: bool(known.get("driver.input_floats")),
        keys=("driver.pull_down_ohm", "driver.pull_up_ohm"),
    ),
    Check(
        CONTACT,
        "opto-supply",
        "supply of the opto-isolated input",
        Danger.ARC,
        ("driver.opto_supply_v",),
        _opto,
        _is_opto,
    ),
    Check(
        CONTACT,
        "driver-kind",
        "driver of the coil",
        Danger.SERVICE,
        ("driver.transistor",),
        _board,
        lambda known: "driver.transistor" not in known,
    ),
    Check(CONTACT, "driver-kind", "input of the board", Danger.SERVICE, ("driver.input_ma",), _board, _is_module),
)
