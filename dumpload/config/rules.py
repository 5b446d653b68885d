"""How settings must fit together. Each rule looks only at valid values, so it speaks even when others are broken."""

from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Any, NamedTuple

from dumpload.config.types import is_loopback
from dumpload.core.signals import Signal, signal_name

OWN_TOPICS = ("presence", "status", "change", "request", "alert")

TOPIC_KEYS = (*(f"telemetry.{signal_name(signal)}.topic" for signal in Signal), "telemetry.presence_topic")


class ValidSettings(NamedTuple):
    """The settings to compare.

    `valid`: dotted key to value, defaults included, of all that is valid by itself. `given`: the dotted keys and
    tables that were set at all, valid or not.
    """

    valid: Mapping[str, Any]
    given: frozenset[str]


class Conflict(NamedTuple):
    """A valid value that does not fit: its key, what was expected, and the key it was compared with (or "")."""

    key: str
    expected: str
    other: str = ""


# (lower key, higher key, whether they may be equal).
ASCENDING = (
    ("control.floor_percent", "control.cut_out_percent", True),
    ("control.cut_out_percent", "control.cut_in_percent", False),
    ("permissive.voltage_cut_out", "permissive.voltage_cut_in", False),
    ("permissive.tank_cut_in_c", "permissive.tank_cut_out_c", False),
    ("control.min_on_s", "permissive.max_on_s", True),
    ("battery.lowest_v", "battery.nominal_v", True),
    ("battery.nominal_v", "battery.highest_v", True),
    ("battery.lowest_v", "battery.highest_v", True),
    ("solar.float_v", "solar.absorption_v", True),
    ("solar.absorption_v", "battery.highest_v", True),
    ("solar.rebulk_v", "solar.absorption_v", False),
)

# (key, key or table that must be set with it).
NEEDS = (
    ("permissive.voltage_cut_out", "permissive.voltage_cut_in"),
    ("permissive.voltage_cut_in", "permissive.voltage_cut_out"),
    ("permissive.voltage_cut_out", "telemetry.battery_voltage"),
    ("permissive.tank_cut_out_c", "permissive.tank_cut_in_c"),
    ("permissive.tank_cut_in_c", "permissive.tank_cut_out_c"),
    ("permissive.tank_cut_out_c", "telemetry.tank_temperature"),
    ("permissive.drain_limit_w", "telemetry.battery_power"),
    ("telemetry.presence_topic", "telemetry.absent_payload"),
    ("telemetry.absent_payload", "telemetry.presence_topic"),
    ("house.day_w", "house.night_w"),
    ("house.night_w", "house.day_w"),
    ("solar.latitude", "solar.longitude"),
    ("solar.longitude", "solar.latitude"),
    ("mqtt.client_cert_file", "mqtt.client_key_file"),
    ("mqtt.client_key_file", "mqtt.client_cert_file"),
    ("mqtt.password_file", "mqtt.username"),
    ("web.cert_file", "web.key_file"),
    ("web.key_file", "web.cert_file"),
)

_SUM_TOLERANCE = 0.001

# Without these the live page is for this computer alone.
WEB_FILES = ("web.password_file", "web.cert_file", "web.key_file")

NEEDS_TLS = ("mqtt.ca_file", "mqtt.client_cert_file", "mqtt.client_key_file")


def broken(settings: ValidSettings) -> Iterator[Conflict]:
    """Yield a conflict for every rule that the valid settings break."""
    yield from _out_of_order(settings)
    yield from _lonely(settings)
    yield from _shared_topics(settings)
    yield from _own_topics(settings)
    pin, feedback_pin = settings.valid.get("relay.pin"), settings.valid.get("relay.feedback_pin")
    if pin is not None and pin == feedback_pin:
        yield Conflict("relay.feedback_pin", "a line other than relay.pin", "relay.pin")
    if settings.valid.get("control.min_off_s") == 0 and settings.valid.get("permissive.max_on_s") is not None:
        # Without a rest the next run could begin at the very next event: the limit would limit nothing.
        yield Conflict("control.min_off_s", "above 0: it is the pause after permissive.max_on_s", "permissive.max_on_s")
    if settings.valid.get("wiring.gauge") is not None and settings.valid.get("wiring.area_mm2") is not None:
        yield Conflict("wiring.gauge", "either this or wiring.area_mm2, not both", "wiring.area_mm2")
    if settings.valid.get("house.hourly_w") is not None and settings.valid.get("house.day_w") is not None:
        yield Conflict("house.day_w", "either this or house.hourly_w, not both", "house.hourly_w")
    yield from _open_page(settings)
    yield from _two_pulls(settings)
    yield from _other_sum(settings)


def _open_page(settings: ValidSettings) -> Iterator[Conflict]:
    """Yield a conflict if the live page can be reached from elsewhere without password or TLS."""
    listen = settings.valid.get("web.listen") if "web.listen" in settings.given else None
    needed = [key for key in WEB_FILES if key not in settings.given]
    if listen is not None and needed and not is_loopback(listen):
        expected = f"127.0.0.1 or [::1], or {' and '.join(needed)} to be set as well"
        yield Conflict("web.listen", expected)


def _other_sum(settings: ValidSettings) -> Iterator[Conflict]:
    """Yield a conflict if the strings of panels do not add up to what is said of all panels."""
    peak_w, strings = settings.valid.get("solar.peak_w"), settings.valid.get("solar.strings")
    if not strings or peak_w is None:
        return
    total_w = sum(string["peak_w"] for string in strings)
    if abs(total_w - peak_w) > _SUM_TOLERANCE * total_w:
        yield Conflict("solar.peak_w", f"the sum of solar.strings, which is {total_w:g}", "solar.strings")


def _two_pulls(settings: ValidSettings) -> Iterator[Conflict]:
    """Yield a conflict if the driver's input is pulled both ways, or pulled and floating."""
    pulls = [key for key in ("driver.pull_down_ohm", "driver.pull_up_ohm") if settings.valid.get(key) is not None]
    if settings.valid.get("driver.input_floats") and pulls:
        yield Conflict("driver.input_floats", f"false where {pulls[0]} is set", pulls[0])
    elif len(pulls) > 1:
        yield Conflict(pulls[1], f"either this or {pulls[0]}, not both", pulls[0])


def _out_of_order(settings: ValidSettings) -> Iterator[Conflict]:
    for lower, higher, may_be_equal in ASCENDING:
        low, high = settings.valid.get(lower), settings.valid.get(higher)
        if low is None or high is None or low < high or (may_be_equal and low == high):
            continue
        relation = "at most" if may_be_equal else "less than"
        yield Conflict(lower, f"{relation} {higher}, which is {high}", higher)


def _lonely(settings: ValidSettings) -> Iterator[Conflict]:
    for key, needed in NEEDS:
        if key in settings.valid and settings.valid[key] is not None and needed not in settings.given:
            yield Conflict(key, f"{needed} to be set as well")
    for key in NEEDS_TLS:
        if settings.valid.get(key) is not None and settings.valid.get("mqtt.tls") is False:
            yield Conflict(key, "mqtt.tls = true as well", "mqtt.tls")


def _shared_topics(settings: ValidSettings) -> Iterator[Conflict]:
    """Yield telemetry topics used twice. Two signals may share a message, but not a place in it."""
    topics = [(key, settings.valid[key]) for key in TOPIC_KEYS if settings.valid.get(key) is not None]
    for (first, topic), (second, other) in combinations(topics, 2):
        if topic != other:
            continue
        if second == TOPIC_KEYS[-1]:
            yield Conflict(second, f"a topic other than that of {first}", first)
        elif _pointer(settings, first) is not None and _pointer(settings, first) == _pointer(settings, second):
            yield Conflict(second, f"a topic or a pointer other than that of {first}", first)


def _pointer(settings: ValidSettings, topic_key: str) -> Any:
    return settings.valid.get(topic_key.removesuffix("topic") + "pointer")


def _own_topics(settings: ValidSettings) -> Iterator[Conflict]:
    base = settings.valid.get("mqtt.base_topic")
    own = {f"{base}/{name}" for name in OWN_TOPICS} if base else set()
    for key in TOPIC_KEYS:
        if settings.valid.get(key) in own:
            yield Conflict(key, "a topic that is not one of our own", "mqtt.base_topic")
