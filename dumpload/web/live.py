"""The live page: a status and the day so far as HTML, in blocks that are sent again whenever they change."""

import base64
import hashlib
import re
from collections.abc import Iterator, Mapping
from html import escape
from typing import NamedTuple

from dumpload.config.model import Control
from dumpload.core.freshness import is_missing
from dumpload.core.printable import printable
from dumpload.core.signals import Signal
from dumpload.core.text import duration
from dumpload.daemon import screen
from dumpload.daemon.payloads import Document
from dumpload.html import STYLE as SHELL_STYLE
from dumpload.html import bullets, page
from dumpload.report import first_screen
from dumpload.report.colours import DARK, LIGHT, rules
from dumpload.report.day_screen import HEIGHT, TOPS_C, TOPS_W, WIDTH, AxisEnds, DayCurves, axes, lanes, round_top
from dumpload.report.local_time import shown_day
from dumpload.web.today import Today

# What is measured, in the order in which it is wanted: signal, its name, and its digits.
FIGURES = (
    ("state_of_charge", "Battery charge", 1),
    ("load_power", "Heater", 0),
    ("solar_power", "From the panels", 0),
    ("battery_power", "", 0),
    ("tank_temperature", "Tank", 0),
    ("battery_voltage", "Battery voltage", 2),
)
# The axis of charge begins here, unless it was lower.
LOW_PERCENT = 60

PERIODS = (("today", "Today"), ("7d", "7 days"), ("30d", "30 days"), ("365d", "Year"))

NAVIGATION = """
nav[aria-label] { display: flex; flex-wrap: wrap; gap: .3rem; margin: 0 0 .8rem }
nav[aria-label] a { color: inherit; padding: .3rem .45rem; border: 1px solid var(--line); border-radius: .3rem;
  text-decoration: none } nav[aria-label] a[aria-current] { font-weight: 600; border-width: 2px }
nav[aria-label] a:hover, nav[aria-label] a:focus-visible { outline: 2px solid currentcolor }
@media print { nav[aria-label] { display: none } }
"""

STYLE = f"""
{NAVIGATION}
.state {{ border: 1px solid var(--line); border-left: .5rem solid var(--line); padding: .5rem .8rem }}
.state .large {{ font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem }} .state p {{ margin: .2rem 0 }}
.on {{ border-left-color: var(--pass) }} .trouble {{ border-left-color: var(--fail) }}
.lost #state, .lost #figures {{ opacity: .6 }} .lost #link {{ color: var(--fail); font-weight: 600 }}
.bar {{ width: 100% }} .bar .edge {{ fill: none; stroke: var(--line) }}
figure {{ margin: 0 }} #day h2 {{ margin-top: .6rem }} figcaption {{ font-size: .85rem; color: var(--quiet) }}
svg {{ display: block; width: 100%; height: auto }}
li {{ overflow-wrap: anywhere }} #asof, #link {{ color: var(--quiet); font-size: .85rem }}
footer {{ display: flex; flex-wrap: wrap; gap: .2rem 1rem; border-top: 1px solid var(--line); margin-top: 1rem;
  padding-top: .5rem }} footer p {{ margin: 0 }} footer a {{ color: inherit }}
{first_screen.STYLE}{rules(LIGHT)}
@media screen and (prefers-color-scheme: dark) {{ {rules(DARK)} }}
.halves {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(min(21rem, 100%), 1fr)); gap: 0 2rem }}
.figures {{ grid-template-columns: repeat(auto-fill, minmax(min(8.5rem, 100%), 1fr)) }}
@media (max-width: 40rem) {{ body {{ padding: .6rem }} }}
@media print {{ #link, footer a {{ display: none }} * {{ print-color-adjust: exact }} }}
"""


def hash_of(text: str) -> str:
    """Return the source expression that allows an inline element with exactly this text (CSP level 3, 2.3.1)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


POLICY = (
    f"default-src 'none'; style-src {hash_of(SHELL_STYLE + STYLE)}; script-src 'self'; connect-src 'self';"
    " base-uri 'none'; form-action 'none'"
)


class View(NamedTuple):
    """What the page shows: the last status, why there is none now ("": there is one), and the thresholds."""

    status: Document | None
    away: str
    control: Control


def live_page(name: str, blocks: Mapping[str, str]) -> str:
    """Return the page with these blocks in it."""
    body = [
        navigation("/"),
        f'<div id="state" role="status">{blocks["state"]}</div>',
        f'<div class="halves"><div id="figures">{blocks["figures"]}</div><div id="day">{blocks["day"]}</div></div>',
        f'<div id="more">{blocks["more"]}</div>',
        "<footer>",
        f'<p id="asof">{blocks["asof"]}</p><p><a href="/">Refresh</a></p><p id="link" role="status"></p>',
        "</footer>",
    ]
    return page(name, STYLE, body, POLICY, '<script src="/live.js" defer></script>\n')


def navigation(current: str) -> str:
    """Return the links to all pages."""
    links = [("/", "Now"), *((f"/report/{period}", label) for period, label in PERIODS)]
    marked = (
        f'<a href="{to}"{" aria-current=page" if to == current else ""}>{escape(label)}</a>' for to, label in links
    )
    return f'<nav aria-label="Pages">{"".join(marked)}</nav>'


def blocks_of(view: View) -> dict[str, str]:
    """Return all blocks by their name, strangers' text made printable as on a whole page."""
    blocks = {
        "state": "".join(_away(view) if view.away else _state(view.status)),
        "figures": "".join(_figures(view)),
        "more": "".join(_more(view)),
        "asof": _as_of(view.status),
    }
    return {name: printable(html, lines=True) for name, html in blocks.items()}


def _state(status: Document | None) -> Iterator[str]:
    if status is None:
        yield '<div class="state"><p class="large">Looking for the daemon</p></div>'
        return
    since = escape(screen.moment(status, status["since"]))
    if status["lockout"]:
        yield '<div class="state trouble"><p class="large"><b>Locked out</b></p>'
        yield f"<p>{escape(_capital(screen.lockout_words(status)))}. <b>The heater may be on.</b></p>"
        yield f"<p>Relay {status['relay']} since {since}. Inspect; once repaired: dumpload select --reset.</p>"
    else:
        yield f'<div class="state {status["relay"]}"><p class="large">The heater is <b>{status["relay"]}</b></p>'
        yield f"<p>Since {since}. {escape(screen.meaning(status))}</p>"
        yield f"<p>Next: {escape(_small(screen.next_words(status)))}.</p>"
    if status["selector"] != "auto":
        yield f"<p>Selector: {escape(screen.selector_words(status))}.</p>"
    yield "</div>"


def _away(view: View) -> Iterator[str]:
    yield '<div class="state trouble"><p class="large">No answer from the daemon</p>'
    yield f"<p>{escape(_capital(view.away))}. What the heater is doing now is not known here.</p>"
    if view.status is not None:
        at = screen.moment(view.status, view.status["at"])
        yield f"<p>Last heard at {escape(at)}: {escape(screen.headline(view.status))}.</p>"
    yield "</div>"


def _figures(view: View) -> Iterator[str]:
    status = view.status
    if status is None or view.away:
        return
    yield _charge_bar(status["state_of_charge"], view.control)
    yield '<dl class="figures">'
    if not status.get("signals"):
        yield _figure("Battery charge", _number(status["state_of_charge"], 1, "%"))
    for name, label, digits in FIGURES:
        if (signal := status.get("signals", {}).get(name)) is not None:
            yield _figure(*_measured(status, name, label, digits, signal))
    if today := screen.today_words(status):
        value, *notes = re.split(r", | (?=\()", today.removeprefix("on for "), maxsplit=1)
        yield _figure("On today", value, *notes)
    yield "</dl>"


def _measured(status: Document, name: str, label: str, digits: int, signal: Document) -> tuple[str, str, str]:
    """Return the label of a signal, its value, and what is to be said of it."""
    value = signal["value"]
    unit = str(screen.UNITS.get(signal["unit"], signal["unit"]))
    if name == "battery_power":
        label = "Out of the battery" if value is not None and round(value) < 0 else "Into the battery"
        value = None if value is None else abs(value)
    note = "" if signal["state"] == "live" else screen.lost_words(status, signal)
    return label, _number(value, digits, unit), note


def _figure(label: str, value: str, note: str = "") -> str:
    small = f"<small>{escape(note)}</small>" if note else ""
    unbroken = escape(value).replace(" ", "&nbsp;")
    return f"<div><dt>{escape(label)}</dt><dd>{unbroken}{small}</dd></div>"


def _number(value: float | None, digits: int, unit: str) -> str:
    return "not known" if value is None else f"{value:.{digits}f} {unit}"


def _charge_bar(charge: float | None, control: Control) -> str:
    """Return the charge as a bar, with the thresholds where they are."""
    label = "State of charge not known" if charge is None else f"State of charge {charge:.1f} %"
    label += f"; heating starts at {control.cut_in_percent:g} % and stops below {control.cut_out_percent:g} %"
    filled = "" if charge is None else f'<rect class="c" x="0" y="12" width="{charge * 3.6:.1f}" height="14"/>'
    marks = "".join(
        f'<path class="{kind}" d="M{percent * 3.6:.1f} 8V30"/>'
        for kind, percent in (("i", control.cut_in_percent), ("u", control.cut_out_percent))
    )
    limits = f"off below {control.cut_out_percent:g} %, on at {control.cut_in_percent:g} %"
    text = f'<text class="e" x="360" y="6">{limits}</text>'
    return (
        f'<svg class="bar" viewBox="0 -8 360 40" role="img" aria-label="{escape(label)}">'
        f'{filled}<rect class="edge" x=".5" y="12" width="359" height="14"/>{marks}{text}</svg>'
    )


def day_block(today: Today | None, control: Control) -> str:
    """Return the block of the day so far, by far the longest one."""
    if today is None:
        return ""
    charge, scale = today.extremes(Signal.STATE_OF_CHARGE), _scale(today, control)
    course = DayCurves(
        today.columns(Signal.SOLAR_POWER),
        today.columns(Signal.STATE_OF_CHARGE),
        today.columns(Signal.TANK_TEMPERATURE),
        today.shares_on(),
    )
    summary = f"heater on for {duration(today.on_time_s)}" if today.on_time_s else "heater not on yet"
    charge_text = "" if is_missing(charge.low) else f"; charge {charge.low:.0f} to {charge.high:.0f} %"
    label = f"Today, {shown_day(today.date)}: {summary}{charge_text}"
    return (
        f'<figure><h2>Today, {shown_day(today.date)}</h2><svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img"'
        f' aria-label="{escape(label)}">{axes(scale)}{lanes(course, scale)}</svg>'
        f"<figcaption>{escape(_capital(summary + charge_text))}. Dashed: cut-in, {control.cut_in_percent:g} %. Dotted:"
        f" cut-out, {control.cut_out_percent:g} %. A break in a curve: no data.</figcaption></figure>"
    )


def _scale(today: Today, control: Control) -> AxisEnds:
    """Return the axes on which all of the day can be seen."""
    lowest = today.extremes(Signal.STATE_OF_CHARGE).low
    low = min(LOW_PERCENT, control.cut_out_percent, LOW_PERCENT if is_missing(lowest) else lowest)
    top_w = round_top(today.extremes(Signal.SOLAR_POWER).high, TOPS_W)
    top_c = round_top(today.extremes(Signal.TANK_TEMPERATURE).high, TOPS_C)
    return AxisEnds(top_w, top_c, int(low // 10 * 10), control.cut_in_percent, control.cut_out_percent)


def _more(view: View) -> Iterator[str]:
    status = view.status
    if status is None or view.away:
        return
    if alerts := [*screen.alert_words(status)]:
        yield "<h2>Alerts</h2>"
        yield from bullets(alerts)
    if notes := status["notes"]:
        yield "<h2>Notes</h2>"
        yield from bullets(notes)
    if rejected := [*screen.rejection_words(status)]:
        yield "<h2>Rejected in the last 10 minutes</h2>"
        yield from bullets(rejected)


def _as_of(status: Document | None) -> str:
    return "" if status is None else f"As of {escape(screen.moment(status, status['at']))}."


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _small(text: str) -> str:
    return f"{text[:1].lower()}{text[1:]}"
