"""The kinds of value a setting may have: bounds, units and the words for what is expected.

How values must fit together is in `rules`.
"""

import re
from datetime import UTC, date, tzinfo
from pathlib import Path
from typing import Annotated, Any, NamedTuple
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
)
from pydantic_core.core_schema import CoreSchema, definitions_schema, no_info_plain_validator_function

from dumpload.core.decode import parse_pointer
from dumpload.core.window import parse_span

# MQTT 5.0, section 1.5.4: the length of a string is a two-byte number.
MAX_TOPIC_BYTES = 65535

_LONGEST_OWN_TOPIC = "/presence"

_LISTEN = r"^(?:\[([0-9A-Fa-f:.]{2,45})\]|([0-9A-Za-z.]{1,15})):(\d{1,5})$"

_DRAW, _MOST_LITRES = r"^([01]\d|2[0-3]):([0-5]\d) +(\d{1,5}(?:\.\d{1,3})?)$", 10_000.0


def find_zone(name: str) -> tzinfo:
    """Return the time zone of an IANA name; UTC needs no time zone database.

    Raises:
        ValueError: there is no such zone.
    """
    try:
        return UTC if name == "UTC" else ZoneInfo(name)
    except (KeyError, OSError) as error:
        # A folder of zones, such as "Europe", is an OSError.
        raise ValueError(name) from error


def _check_topic(text: str) -> str:
    """Refuse what no publisher writes to, or means: filters, shared subscriptions, controls, blanks at the ends."""
    if not 0 < len(text.encode()) <= MAX_TOPIC_BYTES or any(character in text for character in "+#"):
        raise ValueError(text)
    if text.startswith("$share/") or text != text.strip() or not text.isprintable():
        raise ValueError(text)
    return text


def _check_host(text: str) -> str:
    """Refuse an address with a user, a port or a query in it: it would be shown wherever the broker is named."""
    if ":" in text:
        # For those who have an address of IP version 6.
        import ipaddress

        ipaddress.IPv6Address(text)
    elif not re.fullmatch(_HOST, text):
        raise ValueError(text)
    return text


def _check_base_topic(text: str) -> str:
    if text.startswith("$") or text.endswith("/"):
        raise ValueError(text)
    _check_topic(text + _LONGEST_OWN_TOPIC)
    return _check_topic(text)


def _check_pointer(text: str) -> str:
    parse_pointer(text)
    return text


def _check_span(text: str) -> str:
    parse_span(text)
    return text


def _check_factor(factor: float) -> float:
    if factor == 0.0:
        raise ValueError(factor)
    return factor


def _check_zone(name: str) -> str:
    find_zone(name)
    return name


def _date_text(value: Any) -> Any:
    """Return a date of TOML, which needs no quotes, as its text."""
    return value.isoformat() if type(value) is date else value


def _check_date(text: str) -> str:
    # It takes 20260502 and 2026-W18-6, too.
    if date.fromisoformat(text).isoformat() != text:
        raise ValueError(text)
    return text


def parse_draw(text: str) -> tuple[int, float]:
    """Return the minute of the day and the litres that "HH:MM LITRES" means.

    Raises:
        ValueError: the text is not of that form, or more than 10,000 litres.
    """
    match = re.fullmatch(_DRAW, text)
    if match is None or not 0.0 < float(match[3]) <= _MOST_LITRES:
        raise ValueError(text)
    return int(match[1]) * 60 + int(match[2]), float(match[3])


def _check_draw(text: str) -> str:
    parse_draw(text)
    return text


def _check_hours(watts: tuple[float, ...]) -> tuple[float, ...]:
    if len(watts) != 24:  # noqa: PLR2004  (hours)
        raise ValueError(watts)
    return watts


def parse_listen(text: str) -> tuple[str, int]:
    """Return the address and the port of ADDRESS:PORT, an address of version 6 in brackets.

    Raises:
        ValueError: the text is not of that form.
    """
    from ipaddress import ip_address  # for those who set it

    match = re.fullmatch(_LISTEN, text)
    if match is None or not 0 < int(match[3]) < 2**16:
        raise ValueError(text)
    address = match[1] or match[2]
    return ("127.0.0.1" if address == "localhost" else str(ip_address(address))), int(match[3])


def is_loopback(listen: str) -> bool:
    """Return whether only this computer reaches what listens there."""
    from ipaddress import ip_address

    return ip_address(parse_listen(listen)[0]).is_loopback


def _check_listen(text: str) -> str:
    parse_listen(text)
    return text


def _check_path(path: Path) -> Path:
    if "\0" in str(path) or path == Path():
        raise ValueError(path)
    return path


def _matching(pattern: str) -> AfterValidator:
    """Return the check that a text is as the pattern says."""

    # Not pydantic's own, whose compiled form of a counted repetition takes a megabyte and as long as all other
    # settings.
    def check(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise ValueError(text)
        return text

    return AfterValidator(check)


def _said(expected: str, pattern: str | None = None, unit: str | None = None) -> Any:
    """Return the schema's words for what a value must be."""
    extra: dict[str, Any] = {"x-expected": expected}
    return Field(
        json_schema_extra=extra | ({"pattern": pattern} if pattern else {}) | ({"x-unit": unit} if unit else {})
    )


def _number(low: float, high: float, unit: str) -> Any:
    """Return the bounds (inclusive) and the unit of a number."""
    return Field(ge=low, le=high, json_schema_extra={"x-unit": unit})


def _positive(high: float, unit: str) -> Any:
    """Return the bounds (above 0, up to and including `high`) and the unit of a number."""
    return Field(gt=0, le=high, json_schema_extra={"x-unit": unit})


class Table(BaseModel):
    """Base of all tables: unknown keys forbidden, strict types, no NaN, frozen."""

    # Deferred: the settings as a whole have a validator that contains those of their tables.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, defer_build=True)


class WhenSet(NamedTuple):
    """Mark a field whose table gets its validator when a file has that table, not at import.

    Making the validators of what only the check and the simulation read took a third of the daemon's own start.
    """

    table: type[Table]

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> CoreSchema:
        """Validate with the table's own validator, whose errors name their place below the field."""
        return no_info_plain_validator_function(self.table.model_validate)

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Describe the field as a reference to its table."""
        self.table.model_rebuild()
        return handler(definitions_schema(self.table.__pydantic_core_schema__, []))


Percent = Annotated[float, _number(0, 100, "percent")]
Dwell = Annotated[float, _number(0, 86_400, "s")]
Duration = Annotated[float, _positive(86_400, "s")]
Age = Annotated[float, _positive(3600, "s")]
Confirmation = Annotated[float, _number(0, 3600, "s")]
Reaction = Annotated[float, _positive(60, "s")]
Interval = Annotated[float, _number(1, 3600, "s")]
KeepAlive = Annotated[int, _number(1, 600, "s")]
Days = Annotated[int, _number(1, 3660, "d")]
AlertAge = Annotated[float, _number(60, 2_592_000, "s")]
DaysWithout = Annotated[float, _positive(366, "d")]
StartsPerDay = Annotated[int, _number(2, 50, "times/d")]
Megabytes = Annotated[int, _number(10, 100_000, "MB")]
Volts = Annotated[float, _positive(150, "V")]
Amperes = Annotated[float, _positive(1000, "A")]
AmpereHours = Annotated[float, _positive(10_000, "Ah")]
Watts = Annotated[float, _positive(100_000, "W")]
PlateVolts = Annotated[float, _number(1, 150, "V")]
PlateWatts = Annotated[float, _number(1, 100_000, "W")]
PinVolts = Annotated[float, _number(1, 50, "V")]
Drain = Annotated[float, _number(0, 30_000, "W")]
Celsius = Annotated[float, _number(0, 95, "degC")]
Litres = Annotated[float, _positive(10_000, "l")]
Metres = Annotated[float, _positive(1000, "m")]
SquareMillimetres = Annotated[float, _number(0.05, 1000, "mm2")]
ContactVolts = Annotated[float, _positive(1000, "V")]
Milliohms = Annotated[float, _positive(1000, "mohm")]
Ohms = Annotated[float, _positive(10_000_000, "ohm")]
CoilOhms = Annotated[float, _number(0.1, 1_000_000, "ohm")]
Henries = Annotated[float, _positive(100, "H")]
Milliamperes = Annotated[float, _positive(1000, "mA")]
FaultAmperes = Annotated[float, _positive(1_000_000, "A")]
OtherAmperes = Annotated[float, _number(0, 1000, "A")]
WattHours = Annotated[float, _positive(1_000_000, "Wh")]
LossOfADay = Annotated[float, _positive(100, "kWh/d")]
Kelvins = Annotated[float, _number(1, 100, "K")]
Bars = Annotated[float, _number(0, 20, "bar")]
Weather = Annotated[float, _number(-50, 60, "degC")]
CableCelsius = Annotated[float, _number(20, 200, "degC")]
InsulationCelsius = Annotated[float, _number(60, 200, "degC")]
Nearby = Annotated[float, _number(0, 100, "m")]
Latitude = Annotated[float, _number(-90, 90, "deg")]
Longitude = Annotated[float, _number(-180, 180, "deg")]
Altitude = Annotated[float, _number(-500, 9000, "m")]
Tilt = Annotated[float, _number(0, 90, "deg")]
Azimuth = Annotated[float, _number(0, 360, "deg")]
Efficiency = Annotated[float, _number(0.5, 1, "ratio")]
Resolution = Annotated[float, _number(0, 5, "percent")]
HouseWatts = Annotated[float, _number(0, 100_000, "W")]
Gain = Annotated[float, _number(1, 100_000, "ratio")]
People = Annotated[int, Field(ge=1, le=1000)]
Conductors = Annotated[int, Field(ge=1, le=100)]
Cells = Annotated[int, Field(ge=1, le=400)]
Operations = Annotated[float, _positive(1_000_000_000, "times")]
OperationsPerDay = Annotated[float, _positive(100_000, "times/d")]
Factor = Annotated[
    float,
    Field(ge=-1e6, le=1e6),
    AfterValidator(_check_factor),
    _said("a number from -1000000 to 1000000, but not 0", unit="factor"),
]
Shift = Annotated[float, _number(-1e6, 1e6, "as published")]
Port = Annotated[int, Field(ge=1, le=65_535)]
Line = Annotated[int, Field(ge=0, le=511)]

TOPIC_WORDS = "an MQTT topic of at most 65535 bytes, without + or #, $share/, controls, or blanks at its ends"
# What no topic has in it: wildcards, and controls, which MQTT 5.0, 1.5.4 tells receivers to expect nobody to send.
_NO = r"+#\x00-\x1f\x7f-\x9f"
NAME_PATTERN, _TEXT, _HOST = r"^[A-Za-z0-9_-]{1,64}$", r"^[^\x00]{1,1000}$", r"^[\w.-]{1,253}$"
# RFC 1123, section 2.1.
_HOST_NAME = r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$"
Name = Annotated[str, _matching(NAME_PATTERN), _said("1 to 64 letters, digits, - or _", NAME_PATTERN)]
Text = Annotated[str, _matching(_TEXT), _said("1 to 1000 characters of text", _TEXT)]
Day = Annotated[
    str,
    BeforeValidator(_date_text),
    AfterValidator(_check_date),
    _said("a date such as 2026-05-02", r"^\d{4}-\d\d-\d\d$"),
]
Payload = Annotated[str, Field(max_length=1000), _said("at most 1000 characters of text")]
Host = Annotated[
    str,
    AfterValidator(_check_host),
    _said("the name or address of a broker alone, without scheme, user, port or path", r"^[\w.:%-]{1,253}$"),
]
HostNames = Annotated[
    tuple[Annotated[str, _matching(_HOST_NAME)], ...],
    Field(strict=False),
    _said('a list of host names, such as ["barge.local"]'),
]
Listen = Annotated[
    str,
    AfterValidator(_check_listen),
    _said('ADDRESS:PORT, such as "127.0.0.1:8080" or "[::1]:8080"', _LISTEN),
]
Topic = Annotated[
    str,
    AfterValidator(_check_topic),
    _said(TOPIC_WORDS, rf"^[^{_NO}\s]([^{_NO}]*[^{_NO}\s])?$"),
]
BaseTopic = Annotated[
    str,
    AfterValidator(_check_base_topic),
    _said(f"{TOPIC_WORDS}, no $ first, no / last", rf"^[^{_NO}$\s]([^{_NO}]*[^{_NO}/\s])?$"),
]
Pointer = Annotated[
    str,
    AfterValidator(_check_pointer),
    _said('a JSON pointer (RFC 6901) such as "/charge", or "" for the whole payload', r"^(/([^/~]|~[01])*)*$"),
]
Zone = Annotated[
    str, AfterValidator(_check_zone), _said('the IANA name of a time zone this computer knows, such as "Europe/London"')
]
FileName = Annotated[Path, Field(strict=False), AfterValidator(_check_path), _said("the path of a file")]
Span = Annotated[str, AfterValidator(_check_span), _said("HH:MM-HH:MM", r"^\d\d:\d\d *- *\d\d:\d\d$")]
Spans = Annotated[tuple[Span, ...], Field(strict=False), _said('a list of time spans, such as ["09:00-17:00"]')]
Codes = Annotated[tuple[float | str, ...], Field(strict=False), _said("a list of numbers and texts")]
Draw = Annotated[str, AfterValidator(_check_draw), _said("HH:MM LITRES", _DRAW)]
Draws = Annotated[tuple[Draw, ...], Field(strict=False), _said('a list of draws, such as ["07:00 20", "19:30 15.5"]')]
Hours = Annotated[
    tuple[HouseWatts, ...],
    Field(strict=False),
    AfterValidator(_check_hours),
    Field(
        json_schema_extra={
            "x-expected": "a list of 24 numbers from 0 to 100000, from midnight on",
            "x-unit": "W",
            "minItems": 24,
            "maxItems": 24,
        }
    ),
]
