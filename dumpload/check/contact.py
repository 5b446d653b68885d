"""The contact on paper: whether it can break this direct current at all, how long it lasts, and who watches it."""

import math

from dumpload.check import sources
from dumpload.check.facts import HIGHEST, highest_a, highest_w
from dumpload.check.figures import NEVER, Grade, Number, at_least, at_most, format_number, least
from dumpload.check.table import CONTACT, Check, Danger, Judgement, Known, judged, yes_no
from dumpload.physics.contacts import contact_life_years, most_operations_per_day
from dumpload.physics.protection import CONTINUOUS

GOOD_YEARS, FEW_YEARS = 10.0, 1.0

REPLACE = "Fit a contact whose maker gives a DC rating above that, or several poles in series as the maker allows."


def _only_ac(known: Known) -> bool:
    return "contact.ac_v" in known and "contact.dc_v" not in known


def _rating_missing(known: Known) -> Judgement:
    return Judgement(
        Grade.FAIL,
        f"rated for {known['contact.ac_v']:g} V AC, and no DC rating given",
        "a DC rating at the highest bus voltage: an AC rating is not one",
        sources.DC_RATING,
        REPLACE,
        (Number("AC rating", known["contact.ac_v"], "V", key="contact.ac_v"),),
    )


def _voltage(known: Known) -> Judgement:
    rated = least("rating", known["contact.dc_v"], "V", known["battery.highest_v"], key="contact.dc_v")
    return judged(rated, sources.DC_RATING, REPLACE, figure="rated for {} DC", limit="{} DC, the highest bus voltage")


def _current(known: Known) -> Judgement:
    current_a = highest_a(known)
    rated = least("rating", known["contact.dc_a"], "A", CONTINUOUS * current_a, fails=current_a, key="contact.dc_a")
    figure = f"rated for {{}} DC; the load is {at_least(current_a)} A continuous"
    limit = f"{{}} DC, 125 % of the load; below {at_least(current_a)} A it fails"
    return judged(rated, sources.DC_HOURS, REPLACE, figure=figure, limit=limit)


def _power(known: Known) -> Judgement:
    rated = least("rating", known["contact.dc_w"], "W", highest_w(known), key="contact.dc_w")
    figure = f"rated for {{}} DC; the load is {at_least(highest_w(known))} W"
    return judged(rated, sources.DC_RATING, REPLACE, figure=figure, limit="{} DC, at the highest bus voltage")


def _normally_open(known: Known) -> Judgement:
    good = known["contact.normally_open"]
    return yes_no(
        good=good,
        figure="normally open" if good else "closed while the coil has no current",
        limit="normally open, energised to run",
        source=sources.FAIL_SAFE,
        change="Use the normally open contact.",
    )


def _endurance(known: Known) -> Judgement:
    operations, per_day = known["contact.operations"], known["contact.operations_per_day"]
    years = least("life", contact_life_years(operations, per_day), "years", GOOD_YEARS, fails=FEW_YEARS)
    allowed = most_operations_per_day(known["control.min_on_s"], known["control.min_off_s"])
    dwells = (
        f"the dwells alone allow {format_number(allowed)} a day" if math.isfinite(allowed) else "no dwell limits them"
    )
    figure = f"{{}} at {per_day:g} a day ({operations:.0f} rated; {dwells})"
    change = "Widen the band or the dwells, or fit a contactor that lasts longer."
    return judged(years, sources.ENDURANCE, change, figure=figure, limit=f"{{}}; below {FEW_YEARS:g} it fails")


def _has_feedback(known: Known) -> bool:
    return "relay.feedback_pin" in known


def _wetting(known: Known) -> Judgement:
    least_ma = known["contact.feedback_least_ma"]
    wetted_ma = 1000 * known["driver.pin_v"] / known["contact.feedback_ohm"]
    wetted = least("current", wetted_ma, "mA", least_ma, fails=NEVER)
    most_ohm = at_most(1000 * known["driver.pin_v"] / least_ma)
    change = f"Use at most {most_ohm} ohm, or an auxiliary contact made for small currents (gold)."
    figure = f"{{}} through {known['contact.feedback_ohm']:g} ohm"
    return judged(wetted, sources.WETTING, change, figure=figure)


CHECKS = (
    Check(
        CONTACT, "contact-ac-only", "AC rating only", Danger.ARC, (), _rating_missing, _only_ac, keys=("contact.dc_v",)
    ),
    Check(
        CONTACT,
        "contact-voltage",
        "DC voltage of the contact",
        Danger.ARC,
        ("contact.dc_v", "battery.highest_v"),
        _voltage,
        keys=("contact.dc_v",),
        safety=True,
    ),
    Check(
        CONTACT,
        "contact-current",
        "DC current of the contact",
        Danger.ARC,
        ("contact.dc_a", *HIGHEST),
        _current,
        keys=("contact.dc_a",),
        safety=True,
    ),
    Check(
        CONTACT,
        "contact-power",
        "DC power of the contact",
        Danger.ARC,
        HIGHEST,
        _power,
        lambda known: "contact.dc_w" in known,
        keys=("contact.dc_w",),
    ),
    Check(
        CONTACT,
        "contact-rest",
        "de-energised state of the contact",
        Danger.ARC,
        ("contact.normally_open",),
        _normally_open,
        safety=True,
        stated=True,
    ),
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
