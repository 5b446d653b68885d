"""Settings as the core's own tuples; what is not set becomes NaN. Pure, and judges nothing: `config` has done that."""

from dumpload.config.model import Settings, Source
from dumpload.config.types import find_zone
from dumpload.core.alerts import AlertLimits
from dumpload.core.controller import ControllerSettings, Setup
from dumpload.core.decode import Field, parse_pointer
from dumpload.core.freshness import MISSING
from dumpload.core.law import Limits
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal, signal_name
from dumpload.core.window import DAY_S, parse_span


def controller_setup(settings: Settings) -> Setup:
    """Return the settings of the control law and its permissives."""
    control, permissive, relay = settings.control, settings.permissive, settings.relay
    sources = signal_sources(settings)
    rules = ControllerSettings(
        Limits(
            cut_in_percent=control.cut_in_percent,
            cut_out_percent=control.cut_out_percent,
            floor_percent=control.floor_percent,
            confirm_s=control.confirm_s,
            min_on_s=control.min_on_s,
            min_off_s=control.min_off_s,
        ),
        permissive_limits(settings),
        tuple(sources[signal].max_age_s if signal in sources else MISSING for signal in Signal),
        MISSING if relay.feedback_pin is None else relay.feedback_s,
    )
    return Setup(rules, tuple(parse_span(text) for text in permissive.window), find_zone(permissive.timezone))


def permissive_limits(settings: Settings) -> PermissiveLimits:
    """Return the permissives' limits; the drain's times count only with its limit."""
    permissive = settings.permissive
    drains = permissive.drain_limit_w is not None
    return PermissiveLimits(
        voltage_cut_out_v=_or_missing(permissive.voltage_cut_out),
        voltage_cut_in_v=_or_missing(permissive.voltage_cut_in),
        tank_cut_out_c=_or_missing(permissive.tank_cut_out_c),
        tank_cut_in_c=_or_missing(permissive.tank_cut_in_c),
        drain_limit_w=_or_missing(permissive.drain_limit_w),
        drain_limit_s=permissive.drain_limit_s if drains else MISSING,
        drain_rest_s=permissive.drain_rest_s if drains else MISSING,
        max_on_s=_or_missing(permissive.max_on_s),
        max_on_per_day_s=_or_missing(permissive.max_on_per_day_s),
    )


def alert_limits(settings: Settings) -> AlertLimits:
    """Return from when on there is an alert."""
    alert = settings.alert
    return AlertLimits(alert.data_lost_s, _or_missing(alert.no_surplus_days) * DAY_S, alert.restarts_per_day)


def topic_fields(settings: Settings) -> dict[str, tuple[Field, ...]]:
    """Return what each telemetry topic carries, in the order of the signals, but the heartbeat first."""
    fields: dict[str, tuple[Field, ...]] = {}
    sources = signal_sources(settings)
    # The heartbeat first: a message that comes at its last moment renews it before the other values are looked at.
    for signal, source in sorted(sources.items(), key=lambda item: item[0] != Signal.HEARTBEAT):
        stamp = source.timestamp_pointer
        field = Field(
            signal=signal,
            pointer=parse_pointer(source.pointer),
            unit=source.unit,
            max_age_s=source.max_age_s,
            timestamp_pointer=None if stamp is None else parse_pointer(stamp),
            unknown=source.unknown,
            scale=source.scale,
            offset=source.offset,
        )
        fields[source.topic] = (*fields.get(source.topic, ()), field)
    return fields


def signal_sources(settings: Settings) -> dict[Signal, Source]:
    """Return the configured signals and where each is published."""
    sources = {signal: getattr(settings.telemetry, signal_name(signal)) for signal in Signal}
    return {signal: source for signal, source in sources.items() if source is not None}


def _or_missing(value: float | None) -> float:
    return MISSING if value is None else value
