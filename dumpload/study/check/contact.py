"""The contact on paper: whether it can break this direct current at all, how long it lasts, and who watches it."""

from dumpload.physics.contacts import contact_life_years, most_operations_per_day
from dumpload.study.check import sources
from dumpload.study.check.facts import HIGHEST, highest_a, highest_w
from dumpload.study.check.figures import State, at_most, num, over
from dumpload.study.check.lines import CONTACT, Check, Danger, Known, Verdict, asked, graded

GOOD_YEARS, FEW_YEARS = 10.0, 1.0

REPLACE = "Fit a contact whose maker gives a DC rating above that, or several poles in series as the maker allows."


def _only_ac(known: Known) -> bool:
    return "contact.ac_v" in known and "contact.dc_v" not in known


def _rating_missing(known: Known) -> Verdict:
    return Verdict(
        State.FAIL,
        f"rated for {known['contact.ac_v']:g} V AC, and no DC rating given",
        "a DC rating at the highest bus voltage: an AC rating is not one",
        sources.DC_RATING,
        REPLACE,
    )


def _voltage(known: Known) -> Verdict:
    return asked(
        good=known["contact.dc_v"] >= known["battery.highest_v"],
        figure=f"rated for {known['contact.dc_v']:g} V DC",
        limit=f"at least {known['battery.highest_v']:g} V, the highest bus voltage",
        source=sources.DC_RATING,
        change=REPLACE,
    )


def _current(known: Known) -> Verdict:
    return asked(
        good=not over(highest_a(known), known["contact.dc_a"]),
        figure=f"rated for {known['contact.dc_a']:g} A DC; the load is {num(highest_a(known))} A",
        limit=f"at least {num(highest_a(known))} A, at the highest bus voltage",
        source=sources.DC_RATING,
        change=REPLACE,
    )


def _power(known: Known) -> Verdict:
    return asked(
        good=not over(highest_w(known), known["contact.dc_w"]),
        figure=f"rated for {known['contact.dc_w']:g} W DC; the load is {num(highest_w(known))} W",
        limit=f"at least {num(highest_w(known))} W, at the highest bus voltage",
        source=sources.DC_RATING,
        change=REPLACE,
    )


def _normally_open(known: Known) -> Verdict:
    good = known["contact.normally_open"]
    return asked(
        good=good,
        figure="normally open" if good else "closed while the coil has no current",
        limit="normally open, energised to run",
        source=sources.FAIL_SAFE,
        change="Use the normally open contact.",
    )


def _endurance(known: Known) -> Verdict:
    operations, per_day = known["contact.operations"], known["contact.operations_per_day"]
    years = contact_life_years(operations, per_day)
    most = most_operations_per_day(known["control.min_on_s"], known["control.min_off_s"])
    state = graded(fails=years < FEW_YEARS, cautions=years < GOOD_YEARS)
    figure = (
        f"{num(years)} years at {per_day:g} a day ({operations:.0f} rated; the dwells alone allow {num(most)} a day)"
    )
    change = "" if state == State.PASS else "Widen the band or the dwells, or fit a contactor that lasts longer."
    limit = f"at least {GOOD_YEARS:g} years; fail below {FEW_YEARS:g}"
    return Verdict(state, figure, limit, sources.ENDURANCE, change)


def _has_feedback(known: Known) -> bool:
    return "relay.feedback_pin" in known


def _wetting(known: Known) -> Verdict:
    wetted_ma = 1000 * known["driver.pin_v"] / known["contact.feedback_ohm"]
    least_ma = known["contact.feedback_least_ma"]
    state = graded(fails=False, cautions=over(least_ma, wetted_ma))
    change = ""
    if state == State.CAUTION:
        most_ohm = 1000 * known["driver.pin_v"] / least_ma
        change = f"Use at most {at_most(most_ohm)} ohm, or an auxiliary contact made for small currents (gold)."
    figure = f"{num(wetted_ma)} mA through {known['contact.feedback_ohm']:g} ohm"
    return Verdict(state, figure, f"at least {least_ma:g} mA", sources.WETTING, change)


def _polarity(known: Known) -> Verdict:
    if known["relay.active_high"]:
        return Verdict(State.PASS, "a high level closes the contact", "high is on", sources.FAIL_SAFE)
    return Verdict(
        State.CAUTION,
        "relay.active_high is false: a floating or reset pin may close the contact",
        "high is on",
        sources.FAIL_SAFE,
        "Fit a pull-up at its input, or better, a board that closes its contact on a high level.",
    )


CHECKS = (
    Check(CONTACT, "contact-ac-only", "AC rating only", Danger.ARC, (), _rating_missing, _only_ac),
    Check(
        CONTACT,
        "contact-voltage",
        "DC voltage of the contact",
        Danger.ARC,
        ("contact.dc_v", "battery.highest_v"),
        _voltage,
        safety=True,
    ),
    Check(
        CONTACT,
        "contact-current",
        "DC current of the contact",
        Danger.ARC,
        ("contact.dc_a", *HIGHEST),
        _current,
        safety=True,
    ),
    Check(
        CONTACT,
        "contact-power",
        "DC power of the contact",
        Danger.ARC,
        HIGHEST,
        _power,
        applies=lambda known: "contact.dc_w" in known,
    ),
    Check(
        CONTACT,
        "contact-rest",
        "rest position of the contact",
        Danger.ARC,
        ("contact.normally_open",),
        _normally_open,
        safety=True,
        stated=True,
    ),
    Check(CONTACT, "relay-level", "level that closes it", Danger.ARC, (), _polarity),
    Check(
        CONTACT,
        "contact-endurance",
        "endurance of the contact",
        Danger.SERVICE,
        ("contact.operations", "contact.operations_per_day"),
        _endurance,
    ),
    Check(
        CONTACT,
        "feedback-wetting",
        "wetting of the feedback contact",
        Danger.SERVICE,
        ("contact.feedback_ohm", "contact.feedback_least_ma"),
        _wetting,
        _has_feedback,
    ),
)
