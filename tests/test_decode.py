"""Bytes to values: only what is plainly a finite number in range, of a known age, becomes a reading."""

import json
import math
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dumpload.core.decode import (
    FUTURE_TOLERANCE_S,
    MAX_PAYLOAD_BYTES,
    Field,
    Reading,
    Reason,
    Rejection,
    Unknown,
    decode,
    parse_json,
    parse_pointer,
    parse_rfc3339,
    resolve,
    to_base_unit,
)
from dumpload.core.signals import QUANTITIES, Signal, in_range, signal_name

# 2025-06-16T12:00:00Z.
NOW = 1_750_075_200.0
SOC = Signal.STATE_OF_CHARGE
MAX_AGE_S = 60.0
WHOLE = Field(SOC, (), "percent", MAX_AGE_S, None, ())
MEMBER = WHOLE._replace(pointer=("soc",))
TIMED = WHOLE._replace(pointer=("soc",), timestamp_pointer=("at",))

Result = float | str


def read(payload: bytes | str, field: Field = WHOLE, wall: float = NOW) -> Result:
    """Return the value read, the word "unknown", or the reason for the rejection."""
    outcomes = decode(payload if isinstance(payload, bytes) else payload.encode(), [field], wall)
    assert len(outcomes) == 1
    outcome = outcomes[0]
    assert outcome.signal == field.signal
    if isinstance(outcome, Reading):
        return outcome.value
    return "unknown" if isinstance(outcome, Unknown) else outcome.reason.value


# Numbers


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        ("95", 95.0),
        ("95.5", 95.5),
        ("0", 0.0),
        ("-0", 0.0),
        ("100", 100.0),
        ("100.0", 100.0),
        ("9.55e1", 95.5),
        ("955E-1", 95.5),
        (" \t\r\n95\n", 95.0),
        ("1e-400", 0.0),
    ],
)
def test_a_plain_number_in_range_is_a_reading(payload: str, value: float) -> None:
    assert read(payload) == value


@pytest.mark.parametrize(
    "payload",
    [
        "NaN",
        "Infinity",
        "-Infinity",
        "1e999",
        "-1e999",
        "1e400",
        "9" * 400,
        "-" + "9" * 400,
        "9" * 5_000,
        "9" * 60_000,
    ],
    ids=lambda payload: payload[:12],
)
def test_what_is_not_finite_is_rejected(payload: str) -> None:
    assert read(payload) == "not_finite"
    assert read(f'{{"soc": {payload}}}', MEMBER) == "not_finite"


@pytest.mark.parametrize("payload", ["100.00000000000002", "-5e-324", "-1", "101", "97.0e2", "9" * 300])
def test_what_is_out_of_range_is_rejected_never_clamped(payload: str) -> None:
    assert read(payload) == "out_of_range"


@pytest.mark.parametrize(
    "payload",
    ['"95"', '"95 %"', '""', "true", "false", "null", "[]", "[95]", "{}", '{"soc": 95}', '"NaN"'],
)
def test_what_is_not_a_number_is_the_wrong_type(payload: str) -> None:
    """Text is never converted: a conversion takes 9_5, Arabic digits and spaces too."""
    assert read(payload) == "wrong_type"
    assert read(f'{{"soc": {payload}}}', MEMBER) == "wrong_type"


@pytest.mark.parametrize(
    "payload",
    [
        "",
        " ",
        "95 %",
        "95%",
        "9_5",
        "95,5",
        "+95",
        "095",
        ".95",
        "95.",
        "0x5F",
        "ninety",
        "nan",
        "inf",
        "True",
        "None",
        "\u0669\u0665",  # Arabic digits
        "\uff19\uff15",  # full-width digits
        "95\x00",
        "\x0095",
        "95 96",
        "95}",
        "[95",
        '{"soc": 95',
        "{'soc': 95}",
        '{"soc": 95,}',
        "95 // percent",
        "\ufeff95",  # byte order mark
        "\xa095",
        "-",
        "1e",
    ],
    ids=repr,
)
def test_what_is_not_json_is_rejected(payload: str) -> None:
    assert read(payload) == "not_json"


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"\xff\xfe9\x005\x00", "not_utf8"),  # UTF-16, little end first, with its mark
        ("95".encode("utf-16-le"), "not_json"),  # without: NULs in between
        ("95".encode("utf-16-be"), "not_json"),
        ("95".encode("utf-32"), "not_utf8"),
        (b"\x8095", "not_utf8"),
        (b'{"soc": 95, "name": "\xe9"}', "not_utf8"),
        (b"\xc0\xb95", "not_utf8"),  # an overlong digit
        (b'"\xed\xa0\x80"', "not_utf8"),  # half a surrogate pair
        (bytes(range(256)), "not_utf8"),
        (b"95" + b"\x00" * 100, "not_json"),
    ],
)
def test_what_is_not_utf_8_is_rejected(payload: bytes, reason: str) -> None:
    assert read(payload, MEMBER) == reason


@pytest.mark.parametrize(
    "bomb",
    ["[" * 60_000, "[" * 30_000 + "]" * 30_000, '{"a":' * 12_000, '[{"a":' * 10_000],
    ids=["open", "closed", "objects", "mixed"],
)
def test_a_deep_document_is_rejected_not_raised(bomb: str) -> None:
    assert read(bomb) == "too_deep"


@pytest.mark.parametrize(
    "payload",
    [
        "[" * 100_000,
        "[" * 50_000 + "]" * 50_000,
        "9" * (MAX_PAYLOAD_BYTES + 1),
        "95" + " " * MAX_PAYLOAD_BYTES,
        '{"soc": 95, "x": "' + "x" * 4_000_000 + '"}',
    ],
    ids=["open", "closed", "digits", "blanks", "megabytes"],
)
def test_a_huge_payload_is_not_even_parsed(payload: str) -> None:
    assert read(payload) == "oversized"


def test_a_payload_of_just_the_greatest_size_is_read() -> None:
    assert read("95".ljust(MAX_PAYLOAD_BYTES)) == 95.0
    assert read("95".ljust(MAX_PAYLOAD_BYTES + 1)) == "oversized"


@pytest.mark.parametrize(
    "payload",
    [
        '{"soc": 10, "soc": 99}',
        '{"soc": 99, "soc": 99}',
        '{"soc": 99, "s\\u006fc": 10}',
        '{"soc": 95, "x": {"y": 1, "y": 2}}',
        '{"soc": 95, "x": [{"y": 1, "y": 2}]}',
    ],
)
def test_a_repeated_key_anywhere_is_rejected(payload: str) -> None:
    assert read(payload, MEMBER) == "duplicate_key"


# Codes for "not known"


SENTINELS = (
    *(255.0, 254.0, 127.5, 127.0, 102.0, 65_535.0, 65_534.0, 6_553.5, 655.35, 163.8375, 327.67, -1.0, -327.68),
    *(float(0x7FFF), float(0x7FFFFFFF), float(0xFFFFFFFF), float(-0x8000), -999.0, 9_999.0, 99_999.0),
)


@pytest.mark.parametrize("signal", list(Signal), ids=signal_name)
@pytest.mark.parametrize("sentinel", SENTINELS)
def test_a_code_at_any_scale_is_a_reading_only_if_it_is_truly_in_range(sentinel: float, signal: Signal) -> None:
    quantity = QUANTITIES[signal]
    for scale in (1.0, 0.1, 0.01, 0.001, 0.4, 0.5, 0.0025, 2.0, 10.0, 100.0):
        raw = sentinel * scale
        for unit, (factor, offset) in quantity.scales.items():
            result = read(repr(raw), Field(signal, (), unit, MAX_AGE_S, None, ()))
            value = round(raw * factor + offset, 9) if unit != quantity.unit else raw
            assert result == (value if quantity.low <= value <= quantity.high else "out_of_range")


@pytest.mark.parametrize(
    "raw",
    [255.0, 254.0, 127.5, 102.0, 65_535.0, 6_553.5, 655.35, 163.8375, 327.67, -1.0, 32_767.0, 3_276.7],
)
def test_the_usual_codes_are_never_a_state_of_charge(raw: float) -> None:
    """Common practice, no source: all ones, or the top of the range, in 8 and 16 bits, and scaled."""
    assert read(repr(raw)) == "out_of_range"
    assert read(repr(raw), WHOLE._replace(unit="ratio")) == "out_of_range"


@pytest.mark.parametrize(
    ("payload", "unknown", "result"),
    [
        ("65535", (65_535,), "unknown"),
        ("65535.0", (65_535.0,), "unknown"),
        ("6.5535e4", (65_535,), "unknown"),
        ("100", (100.0,), "unknown"),  # full scale divided by its own scale is 100 %
        ("99.9", (100.0,), 99.9),
        ("-1", (-1,), "unknown"),
        ("null", ("null",), "unknown"),
        ("null", (65_535,), "wrong_type"),
        ("null", (), "wrong_type"),
        ('"null"', ("null",), "unknown"),
        ('"n/a"', ("n/a", 255), "unknown"),
        ('"N/A"', ("n/a",), "wrong_type"),
        ("true", (1.0, "true"), "wrong_type"),
        ("[]", ("null",), "wrong_type"),
        ("{}", ("null",), "wrong_type"),
        ("0", (65_535,), 0.0),
        # a bare word is not JSON, and may still be a code
        ("unknown", ("unknown",), "unknown"),
        (" unavailable\n", ("unavailable",), "unknown"),
        ("unknown value", ("unknown",), "not_json"),
        ("NaN", ("NaN",), "unknown"),
        ("NaN", (), "not_finite"),
        ("---", ("---",), "unknown"),
        ("", ("",), "unknown"),
        ("", ("null",), "not_json"),
    ],
)
def test_a_configured_code_means_not_known_now(payload: str, unknown: tuple[Any, ...], result: Result) -> None:
    assert read(payload, WHOLE._replace(unknown=unknown)) == result


def test_a_code_is_compared_before_the_unit_is_converted() -> None:
    ratio = WHOLE._replace(unit="ratio", unknown=(255.0,))
    assert read("255", ratio) == "unknown"
    assert read("2.55", ratio) == "out_of_range"


def test_a_bare_word_is_a_code_for_a_whole_payload_only() -> None:
    assert read("unknown", MEMBER._replace(unknown=("unknown",))) == "not_json"


def test_not_known_needs_no_time() -> None:
    """It is the safe direction."""
    timed = TIMED._replace(unknown=("null",))
    assert read('{"soc": null}', timed) == "unknown"
    assert read('{"soc": null, "at": 0}', timed) == "unknown"


# Pointers


RFC_6901_DOCUMENT = r"""
{
   "foo": ["bar", "baz"],
   "": 0,
   "a/b": 1,
   "c%d": 2,
   "e^f": 3,
   "g|h": 4,
   "i\\j": 5,
   "k\"l": 6,
   " ": 7,
   "m~n": 8
}
"""


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", json.loads(RFC_6901_DOCUMENT)),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_rfc_6901_section_5(pointer: str, value: Any) -> None:
    document = parse_json(RFC_6901_DOCUMENT.encode())
    assert resolve(document, parse_pointer(pointer)) == value


def test_a_tilde_is_unescaped_once() -> None:
    """RFC 6901, section 4: ~1 first, then ~0, so that ~01 is ~1."""
    assert parse_pointer("/~01") == ("~1",)
    assert parse_pointer("/~10") == ("/0",)


@pytest.mark.parametrize("text", ["foo", "foo/bar", " /foo", "#/foo", "/~", "/~2", "/a~", "~0"])
def test_what_is_not_a_pointer_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        parse_pointer(text)


@given(tokens=st.lists(st.text()))
def test_any_tokens_written_as_a_pointer_are_read_back(tokens: list[str]) -> None:
    text = "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)
    assert parse_pointer(text) == tuple(tokens)


@pytest.mark.parametrize(
    ("payload", "pointer", "result"),
    [
        ('{"a": {"b": [1, {"c": 95}]}}', "/a/b/1/c", 95.0),
        ("[10, 95]", "/1", 95.0),
        ("[10, 95]", "/01", "missing_pointer"),  # RFC 6901, section 4: no leading zeros
        ("[10, 95]", "/-1", "missing_pointer"),
        ("[10, 95]", "/+1", "missing_pointer"),
        ("[10, 95]", "/-", "missing_pointer"),
        ("[10, 95]", "/2", "missing_pointer"),
        ("[10, 95]", "/999999999999999999999", "missing_pointer"),
        ("[10, 95]", "/\u0661", "missing_pointer"),
        ("[10, 95]", "/", "missing_pointer"),
        ('{"1": 95}', "/1", 95.0),
        ('{"": 95}', "/", 95.0),
        ('{"a": 95}', "/a/b", "missing_pointer"),
        ('{"a": "95"}', "/a/0", "missing_pointer"),
        ('{"a": null}', "/a/b", "missing_pointer"),
        ('{"A": 95}', "/a", "missing_pointer"),
        ('{"a b": 95}', "/a b", 95.0),
        ("95", "/a", "missing_pointer"),
        ('{"a": {"b": 95}}', "/a", "wrong_type"),
    ],
)
def test_a_pointer_leads_to_a_value_or_is_missing(payload: str, pointer: str, result: Result) -> None:
    assert read(payload, WHOLE._replace(pointer=parse_pointer(pointer))) == result


# Units


def test_a_ratio_is_a_percentage_exactly_at_every_hundredth() -> None:
    """0.57 * 100 is 56.99999999999999 in binary; a threshold of 57 must not miss it."""
    ratio = WHOLE._replace(unit="ratio")
    assert 0.57 * 100 != 57.0
    assert read("0.57", ratio) == 57.0
    for k in range(101):
        assert read(repr(k / 100), ratio) == float(k)
        assert read(f"{k / 100:.2f}", ratio) == float(k)


def test_a_ratio_is_a_percentage_exactly_at_every_thousandth() -> None:
    for k in range(1_001):
        assert to_base_unit(SOC, "ratio", k / 1_000) == k / 10


@pytest.mark.parametrize(
    ("signal", "unit", "raw", "value"),
    [
        (SOC, "ratio", "97", "out_of_range"),  # percent published where a ratio is configured
        (SOC, "percent", "9700", "out_of_range"),
        (SOC, "ratio", "1.0", 100.0),
        (SOC, "ratio", "1.00001", "out_of_range"),
        (SOC, "ratio", "-0.0001", "out_of_range"),
        (Signal.BATTERY_VOLTAGE, "mV", "26400", 26.4),
        (Signal.BATTERY_VOLTAGE, "mV", "25999", 25.999),
        (Signal.BATTERY_VOLTAGE, "V", "26400", "out_of_range"),
        (Signal.BATTERY_POWER, "kW", "-0.29", -290.0),
        (Signal.BATTERY_POWER, "kW", "1e308", "out_of_range"),
        (Signal.TANK_TEMPERATURE, "degF", "140", 60.0),
        (Signal.TANK_TEMPERATURE, "degF", "212", 100.0),
        (Signal.TANK_TEMPERATURE, "degF", "-40", -40.0),
        (Signal.TANK_TEMPERATURE, "K", "333.15", 60.0),
        (Signal.TANK_TEMPERATURE, "K", "0", "out_of_range"),
    ],
)
def test_units_are_converted_exactly_at_thresholds(signal: Signal, unit: str, raw: str, value: Result) -> None:
    assert read(raw, Field(signal, (), unit, MAX_AGE_S, None, ())) == value


def test_a_unit_the_signal_is_not_published_in_is_an_error_of_the_set_up() -> None:
    with pytest.raises(KeyError, match="mV"):
        to_base_unit(SOC, "mV", 1.0)


# Time stamps


def with_time(stamp: str, wall: float = NOW) -> Result:
    return read(f'{{"soc": 95, "at": {stamp}}}', TIMED, wall)


@pytest.mark.parametrize(
    ("text", "unix"),
    [
        ("1985-04-12T23:20:50.52Z", 482_196_050.52),
        ("1996-12-19T16:39:57-08:00", 851_042_397.0),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172.13),
        # RFC 3339, section 5.6: t and z may be lower case; a space may stand for the T
        ("1996-12-20t00:39:57z", 851_042_397.0),
        ("1996-12-20 00:39:57Z", 851_042_397.0),
        ("2025-06-16T12:00:00.123456789Z", NOW + 0.123456),
        ("2025-06-16T12:00:00-00:00", NOW),
        ("2025-06-16T23:45:00+11:45", NOW),
    ],
)
def test_the_examples_of_rfc_3339_section_5_8_and_the_like(text: str, unix: float) -> None:
    assert parse_rfc3339(text) == pytest.approx(unix, abs=1e-6)
    assert with_time(f'"{text}"', unix) == 95.0


@pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
def test_a_leap_second_is_rejected(text: str) -> None:
    """The other two examples of RFC 3339, section 5.8. To lose one sample then is safe; to guess is not."""
    assert math.isnan(parse_rfc3339(text))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2025-06-16",
        "2025-06-16T12:00:00",  # no offset: whose time?
        "2025-06-16T12:00Z",
        "2025-06-16T12:00:00,5Z",
        "2025-06-16T12:00:00.Z",
        "2025-06-16T12:00:00+0100",
        "2025-06-16T12:00:00+01",
        "2025-06-16T12:00:00+24:00",
        "2025-06-16T25:00:00Z",
        "2025-06-16T12:60:00Z",
        "2025-02-29T12:00:00Z",
        "2025-13-01T12:00:00Z",
        "0000-01-01T00:00:00Z",
        "0001-01-01T00:00:00+23:59",
        "20250616T120000Z",
        "2025-W25-1T12:00:00Z",
        "2025-06-16T12:00:00Z ",
        "2025-06-16_12:00:00Z",
        "\u0662\u0660\u0662\u0665-06-16T12:00:00Z",
        "now",
        "1750075200",
    ],
)
def test_what_is_not_rfc_3339_is_not_guessed_at(text: str) -> None:
    unix = parse_rfc3339(text)
    assert math.isnan(unix) or unix < -6e10  # the year 1 is a time, if long ago
    assert with_time(json.dumps(text)) in ("bad_timestamp", "too_old")


@pytest.mark.parametrize("stamp", ["null", "true", "[]", "{}", "1e999", '"1e5"', "NaN"])
def test_what_is_no_time_is_rejected(stamp: str) -> None:
    assert with_time(stamp) == ("not_finite" if stamp == "NaN" else "bad_timestamp")


def test_no_time_where_one_is_configured_is_rejected() -> None:
    assert read('{"soc": 95}', TIMED) == "no_timestamp"
    assert read("[95]", WHOLE._replace(pointer=("0",), timestamp_pointer=("1",))) == "no_timestamp"


@pytest.mark.parametrize(
    ("age_s", "result"),
    [
        (0.0, 95.0),
        (59.75, 95.0),
        (60.0, "too_old"),  # lost at max_age_s, not after it
        (61.0, "too_old"),
        (1e9, "too_old"),
        (-FUTURE_TOLERANCE_S, 95.0),
        (-FUTURE_TOLERANCE_S - 0.25, "from_future"),
        (-1e8, "from_future"),
    ],
)
@pytest.mark.parametrize("milliseconds", [False, True])
def test_the_age_by_the_sources_own_clock(age_s: float, result: Result, milliseconds: bool) -> None:
    taken = NOW - age_s
    assert with_time(repr(taken * 1_000.0 if milliseconds else taken)) == result


@pytest.mark.parametrize(
    ("stamp", "age_s"),
    [
        (repr(NOW - 12.5), 12.5),
        (repr((NOW - 12.5) * 1_000.0), 12.5),
        ('"2025-06-16T11:59:47.5Z"', 12.5),
        ('"2025-06-16T13:59:47.5+02:00"', 12.5),
        (repr(NOW + 4.0), 0.0),  # a clock a little ahead never makes a sample younger than now
    ],
)
def test_a_reading_carries_its_age(stamp: str, age_s: float) -> None:
    (reading,) = decode(f'{{"soc": 95, "at": {stamp}}}'.encode(), [TIMED], NOW)
    assert reading == Reading(SOC, 95.0, age_s)


def test_a_reading_without_a_time_is_as_old_as_its_arrival() -> None:
    assert decode(b"95", [WHOLE], NOW) == [Reading(SOC, 95.0, 0.0)]


@pytest.mark.parametrize(
    ("stamp", "result"),
    [
        ("99999999999", "from_future"),  # seconds: the year 5138
        ("1e11", "too_old"),  # milliseconds: 1973
        ("1750075200000000", "from_future"),  # microseconds
        ("-1750075200", "too_old"),
        ("0", "too_old"),
    ],
)
def test_seconds_and_milliseconds_are_told_apart_by_size(stamp: str, result: Result) -> None:
    assert with_time(stamp) == result


# Several values in one message


def test_every_field_has_its_own_outcome_in_order() -> None:
    payload = b'{"soc": 97.5, "u": 26412, "p": "much", "t": null, "at": 1750075190}'
    fields = [
        Field(SOC, ("soc",), "percent", MAX_AGE_S, ("at",), ()),
        Field(Signal.BATTERY_VOLTAGE, ("u",), "mV", MAX_AGE_S, None, ()),
        Field(Signal.BATTERY_POWER, ("p",), "W", MAX_AGE_S, None, ()),
        Field(Signal.TANK_TEMPERATURE, ("t",), "degC", MAX_AGE_S, None, ("null",)),
        Field(Signal.SOLAR_POWER, ("q",), "W", MAX_AGE_S, None, ()),
    ]
    assert decode(payload, fields, NOW) == [
        Reading(SOC, 97.5, 10.0),
        Reading(Signal.BATTERY_VOLTAGE, 26.412, 0.0),
        Rejection(Signal.BATTERY_POWER, Reason.WRONG_TYPE),
        Unknown(Signal.TANK_TEMPERATURE),
        Rejection(Signal.SOLAR_POWER, Reason.MISSING_POINTER),
    ]


def test_a_message_that_cannot_be_read_is_rejected_for_every_field() -> None:
    both = [WHOLE, WHOLE._replace(signal=Signal.SOLAR_POWER, unit="W")]
    assert decode(b"{", both, NOW) == [Rejection(field.signal, Reason.NOT_JSON) for field in both]
    assert decode(b"{", [], NOW) == []


# Documents


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b" " * (MAX_PAYLOAD_BYTES + 1), Reason.OVERSIZED),
        (b"\xff", Reason.NOT_UTF8),
        (b"", Reason.NOT_JSON),
        (b"[NaN]", Reason.NOT_FINITE),
        (b'{"a": 1, "a": 1}', Reason.DUPLICATE_KEY),
        (b"[" * 60_000, Reason.TOO_DEEP),
    ],
    ids=lambda value: "" if isinstance(value, bytes) else value,
)
def test_a_document_that_cannot_be_parsed_raises_its_reason(payload: bytes, reason: Reason) -> None:
    with pytest.raises(ValueError, match=reason.value) as error:
        parse_json(payload)
    assert error.value.args == (reason,)


def test_every_number_of_a_document_is_a_float() -> None:
    assert repr(parse_json(b'{"a": [1, 2.5, -3]}')) == "{'a': [1.0, 2.5, -3.0]}"


# Anything at all


fields = st.builds(
    Field,
    signal=st.sampled_from(list(Signal)),
    pointer=st.lists(st.sampled_from(["a", "b", "0", "1", ""]), max_size=2).map(tuple),
    unit=st.just(""),
    max_age_s=st.floats(1.0, 1e4),
    timestamp_pointer=st.none() | st.lists(st.sampled_from(["a", "b", "0", "1"]), max_size=2).map(tuple),
    unknown=st.lists(st.sampled_from([0.0, 65_535.0, "null", "unknown", ""]), max_size=2).map(tuple),
).flatmap(
    lambda field: st.sampled_from(sorted(QUANTITIES[field.signal].scales)).map(lambda unit: field._replace(unit=unit))
)
numbers = st.floats() | st.integers() | st.sampled_from([*SENTINELS, NOW, NOW * 1_000.0])
documents = st.recursive(
    st.none() | st.booleans() | numbers | st.text(max_size=5) | st.sampled_from(["2025-06-16T12:00:00Z", "unknown"]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["a", "b", "0", "1", ""]), inner, max_size=3)
    ),
    max_leaves=8,
)
payloads = (
    st.binary(max_size=64)
    | documents.map(lambda document: json.dumps(document).encode())
    | st.tuples(documents, st.binary(max_size=3), st.integers(0, 99)).map(
        lambda parts: json.dumps(parts[0]).encode()[: parts[2]] + parts[1]
    )
)


@settings(max_examples=600)
@given(payload=payloads, asked=st.lists(fields, max_size=3), wall=st.floats(0.0, 4e9))
def test_any_bytes_give_one_outcome_per_field_and_any_reading_is_finite_in_range_and_young(
    payload: bytes, asked: list[Field], wall: float
) -> None:
    outcomes = decode(payload, asked, wall)
    assert [outcome.signal for outcome in outcomes] == [field.signal for field in asked]
    for outcome, field in zip(outcomes, asked, strict=True):
        if isinstance(outcome, Reading):
            assert math.isfinite(outcome.value)
            assert in_range(outcome.signal, outcome.value)
            assert 0.0 <= outcome.source_age_s < field.max_age_s
        elif isinstance(outcome, Unknown):
            assert field.unknown


@given(value=st.floats(0.0, 100.0))
def test_every_number_in_range_is_read_as_it_was_written(value: float) -> None:
    assert read(repr(value)) == value
    assert read(json.dumps({"soc": value}), MEMBER) == value


@given(st.from_regex(r"-?(0|[1-9][0-9]{0,20})(\.[0-9]{1,20})?", fullmatch=True))
def test_a_bare_number_is_what_json_says_it_is(text: str) -> None:
    assert parse_json(text.encode()) == json.loads(text, parse_int=float)


# The heartbeat: any number or text that changes


def heartbeat(pointer: str = "", unknown: tuple[float | str, ...] = ()) -> Field:
    return Field(Signal.HEARTBEAT, parse_pointer(pointer), "any", 60.0, None, unknown)


def beat_of(payload: bytes, pointer: str = "") -> object:
    (outcome,) = decode(payload, [heartbeat(pointer)], 1.75e9)
    return outcome.value if isinstance(outcome, Reading) else outcome


def test_a_heartbeat_is_a_number_as_it_is_or_a_text_by_its_number() -> None:
    assert beat_of(b"41") == 41.0
    assert beat_of(b'{"uptime_s": 1e9}', "/uptime_s") == 1e9
    texts = [b'"12:00:01"', b"12:00:01", b"12:00:02", b"2026-06-16T12:00:01Z", b'"x"']
    beats = [beat_of(text) for text in texts]
    assert beats[0] == beats[1]
    assert len(set(beats)) == 4
    assert all(isinstance(beat, float) and beat == int(beat) for beat in beats)


def test_the_number_of_a_text_is_the_same_on_every_computer() -> None:
    """BLAKE2b (RFC 7693) of 48 bits, as `printf a | b2sum -l 48` of GNU coreutils prints it."""
    assert beat_of(b'"a"') == beat_of(b"a") == 0x433911C6EB0D


@pytest.mark.parametrize("payload", [b"true", b"[1]", b"{}", b"NaN", b"\xff\xfe"])
def test_what_is_neither_a_number_nor_a_text_is_no_heartbeat(payload: bytes) -> None:
    assert isinstance(beat_of(payload), Rejection)
    assert decode(b"gone", [heartbeat(unknown=("gone",))], 1.75e9) == [Unknown(Signal.HEARTBEAT)]
