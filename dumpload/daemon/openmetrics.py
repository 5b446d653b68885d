"""Status documents as OpenMetrics 1.0 text, for any collector that reads the open standard.

Source of format, names and units: the OpenMetrics 1.0 specification, "Text format" and "Units and Base Units" (read):
seconds, volts, joules, celsius, a ratio for percent, and watts where a power is all there is.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

from dumpload.core.alerts import Alert, alert_name
from dumpload.core.decode import parse_rfc3339
from dumpload.core.explain import cause_name
from dumpload.core.freshness import is_missing
from dumpload.core.law import Cause
from dumpload.daemon.payloads import Document

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

_WH_J = 3600.0
_PERCENT = 0.01


class Sample(NamedTuple):
    """One value, and the labels it has beside the instance's name."""

    value: float
    labels: Mapping[str, str] = {}


Read = Callable[[Document], Iterator[Sample]]


class Family(NamedTuple):
    """One metric: its name with its unit at the end, its type and unit as in the standard, and where it is read."""

    name: str
    type: str
    unit: str
    help: str
    read: Read


def metrics_text(statuses: Mapping[str, Document | None]) -> str:
    """Return the exposition of instances by name; None: that daemon is away. Without any instance: nothing is up.

    Each document must be one with which `status_misfit` finds no fault. What an older daemon does not say is left out.
    """
    lines = list(_family(_UP, {name: [Sample(status is not None)] for name, status in statuses.items()}))
    if not statuses:
        lines.append(f"{_UP.name} 0")
    present = {name: status for name, status in statuses.items() if status is not None}
    for family in FAMILIES:
        lines += _family(family, {name: list(family.read(status)) for name, status in present.items()})
    return "\n".join([*lines, "# EOF", ""])


def _family(family: Family, samples: Mapping[str, list[Sample]]) -> Iterator[str]:
    if family is not _UP and not any(samples.values()):
        return
    yield f"# TYPE {family.name} {family.type}"
    if family.unit:
        yield f"# UNIT {family.name} {family.unit}"
    yield f"# HELP {family.name} {family.help}"
    name = family.name + {"counter": "_total", "info": "_info"}.get(family.type, "")
    for instance, points in samples.items():
        for point in points:
            # Each sample has the instance's name, though the specification would rather have it once: a file may hold
            # several instances, and one query must do for both. There are no `_created` stamps, which it recommends:
            # the moment of the start is reckoned back from the wall clock and differs by milliseconds from one asking
            # to the next, which a reader would take for a restart at each.
            labels = ",".join(f'{key}="{_escaped(text)}"' for key, text in {"name": instance, **point.labels}.items())
            yield f"{name}{{{labels}}} {_number(point.value)}"


def _escaped(text: str) -> str:
    r"""Return a label's value as the standard writes it; a lone surrogate, which no UTF-8 has, as ``\ud800``."""
    text = text.encode("utf-8", "backslashreplace").decode()
    return text.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")


def _number(value: float) -> str:
    """Return a number to a millionth, which is closer than any is measured, and with no more digits than that needs."""
    return repr(round(value, 6) + 0)


# ---- where each is read ----


def _key(key: str, factor: float = 1.0) -> Read:
    """Read a number of the document; null, or a key that this daemon does not have, is no sample."""

    def read(status: Document) -> Iterator[Sample]:
        if (value := status.get(key)) is not None:
            yield Sample(value * factor)

    return read


def _moment(key: str) -> Read:
    """Read a moment as Unix time; one such as the 99th of a month is none."""

    def read(status: Document) -> Iterator[Sample]:
        if not is_missing(at := parse_rfc3339(status[key])):
            yield Sample(at)

    return read


def _states(family: str, key: str, states: tuple[str, ...]) -> Read:
    """Read which of the known states it is, one of a newer daemon too: exactly one is true, as the standard asks."""

    def read(status: Document) -> Iterator[Sample]:
        now = status[key] or "none"
        for state in dict.fromkeys([*states, now]):
            yield Sample(state == now, {family: state})

    return read


def _signal(name: str, factor: float = 1.0) -> Read:
    """Read the value of a signal, if it is live: a lost one has no value, and is not repeated."""

    def read(status: Document) -> Iterator[Sample]:
        value = status.get("signals", {}).get(name, {}).get("value")
        if value is not None:
            yield Sample(value * factor)

    return read


def _each_signal(number: Callable[[dict[str, Any]], float | None]) -> Read:
    def read(status: Document) -> Iterator[Sample]:
        for name, signal in status.get("signals", {}).items():
            if (value := number(signal)) is not None:
                yield Sample(value, {"signal": name})

    return read


def _alerts(status: Document) -> Iterator[Sample]:
    on = [alert["alert"] for alert in status.get("alerts", [])]
    for name in dict.fromkeys([*map(alert_name, Alert), *on]) if "alerts" in status else ():
        yield Sample(name in on, {"alert": name})


def _build(status: Document) -> Iterator[Sample]:
    yield Sample(1, {"version": status.get("version", "")})


_CAUSES = tuple(cause_name(cause) for cause in Cause if cause != Cause.NONE)

_UP = Family("dumpload_up", "gauge", "", "Whether the daemon answered.", lambda _status: iter(()))

FAMILIES = (
    Family("dumpload_build", "info", "", "Version of the daemon.", _build),
    Family("dumpload_uptime_seconds", "gauge", "seconds", "Time since the daemon started.", _key("uptime_s")),
    Family(
        "dumpload_status_timestamp_seconds", "gauge", "seconds", "Time of this status, Unix time.",
        _moment("at"),
    ),
    Family(
        "dumpload_relay_on", "gauge", "", "Whether the relay is on.",
        lambda status: iter([Sample(status["relay"] == "on")]),
    ),
    Family(
        "dumpload_relay_since_timestamp_seconds", "gauge", "seconds", "Time of the last relay change, Unix time.",
        _moment("since"),
    ),
    Family("dumpload_cause", "stateset", "", "Why.", _states("dumpload_cause", "cause", _CAUSES)),
    Family(
        "dumpload_selector", "stateset", "", "Position of the selector.",
        _states("dumpload_selector", "selector", ("hand", "off", "auto")),
    ),
    Family(
        "dumpload_lockout", "stateset", "", "Whether the relay is locked out until a person resets it, and why.",
        _states("dumpload_lockout", "lockout", ("none", "contact_closed", "pin_fault")),
    ),
    Family("dumpload_alert", "gauge", "", "Whether this alert is on.", _alerts),
    Family(
        "dumpload_data", "stateset", "", "State of the data that the relay needs.",
        _states("dumpload_data", "data", ("live", "lost", "none")),
    ),
    Family(
        "dumpload_data_age_seconds", "gauge", "seconds", "Age of the last state of charge that counted.",
        _key("data_age_s"),
    ),
    Family(
        "dumpload_state_of_charge_ratio", "gauge", "ratio", "State of charge while live, 0 to 1.",
        _key("state_of_charge", _PERCENT),
    ),
    Family(
        "dumpload_battery_voltage_volts", "gauge", "volts", "Battery voltage while live.", _signal("battery_voltage")
    ),
    Family(
        "dumpload_battery_power_watts", "gauge", "watts", "Battery power while live, charging positive.",
        _signal("battery_power"),
    ),
    Family("dumpload_load_power_watts", "gauge", "watts", "Power of the heater while live.", _signal("load_power")),
    Family("dumpload_solar_power_watts", "gauge", "watts", "Power of the panels while live.", _signal("solar_power")),
    Family(
        "dumpload_tank_temperature_celsius", "gauge", "celsius", "Tank temperature while live.",
        _signal("tank_temperature"),
    ),
    Family(
        "dumpload_signal_live", "gauge", "", "Whether the last value of a signal counts.",
        _each_signal(lambda signal: signal["state"] == "live"),
    ),
    Family(
        "dumpload_signal_age_seconds", "gauge", "seconds", "Age of the last value of a signal that counted.",
        _each_signal(lambda signal: signal["age_s"]),
    ),
    Family(
        "dumpload_on_time_seconds", "counter", "seconds", "On-time since the daemon started.", _key("on_time_s")
    ),
    Family(
        "dumpload_on_time_today_seconds", "gauge", "seconds", "On-time today, local time.", _key("on_time_today_s")
    ),
    Family(
        "dumpload_on_time_limit_seconds", "gauge", "seconds", "On-time limit per local day, if one is set.",
        _key("on_time_limit_s"),
    ),
    Family(
        "dumpload_energy_joules", "counter", "joules",
        "Energy into the heater since the daemon started, by its measured power.", _key("energy_wh", _WH_J),
    ),
    Family(
        "dumpload_energy_today_joules", "gauge", "joules", "Measured energy into the heater in the local day so far.",
        _key("energy_today_wh", _WH_J),
    ),
    Family("dumpload_changes", "counter", "", "Relay changes since the daemon started.", _key("changes")),
    Family(
        "dumpload_rejections", "counter", "", "Values rejected since the daemon started.", _key("rejected")
    ),
    Family(
        "dumpload_notes", "gauge", "", "Faults and remarks that the status shows.",
        lambda status: iter([Sample(len(status["notes"]))]),
    ),
)  # fmt: skip
