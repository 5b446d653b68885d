"""Every setting, once: type, unit, bounds, default and a one-line meaning.

File, environment and command line arrive as `layers.Layers` and obey the same rules; everything wrong is reported
together. Nothing but the settings file is opened here (of the others, what they are is looked at), and no secret is
kept.
"""

from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from dumpload.config import errors, named_files, rules
from dumpload.config import types as kind
from dumpload.config.installation import Battery, Contact, Driver, House, Installation, Load, Solar, Tank, Wiring
from dumpload.config.layers import ConfigError, Layers, leaves, load_layers
from dumpload.config.types import Table, WhenSet


class Mqtt(Table):
    """Broker and credentials."""

    host: kind.Host = Field("localhost", description="Name or address of the MQTT broker.")
    port: kind.Port = Field(1883, description="TCP port of the broker; 8883 is usual with TLS.")
    username: kind.Text | None = Field(None, description="User name for the broker, if it asks for one.")
    password_file: kind.FileName | None = Field(
        None,
        description="File whose first line is the password; relative to the settings file, like every file here.",
    )
    tls: bool = Field(False, description="Encrypt the connection and check the broker's certificate.")
    ca_file: kind.FileName | None = Field(None, description="CA certificate (PEM); default: the system's CAs.")
    client_cert_file: kind.FileName | None = Field(
        None, description="Client certificate (PEM), if the broker requires one."
    )
    client_key_file: kind.FileName | None = Field(None, description="The private key (PEM) that belongs to it.")
    client_id: kind.Text = Field(
        "",
        json_schema_extra={"default": "dumpload-NAME"},
        description="Client identifier; must be unique at the broker.",
    )
    keepalive_s: kind.KeepAlive = Field(
        15,
        description="Silence after which a ping is sent; a dead connection is noticed within about twice this.",
    )
    protocol: Literal["5", "3.1.1"] = Field("5", description="MQTT version to speak.")
    base_topic: kind.BaseTopic = Field(
        "",
        json_schema_extra={"default": "dumpload/NAME"},
        description="Base of our topics: BASE/presence, status, change, alert (published), request (subscribed).",
    )


class Source(Table):
    """Where one signal is published, and how to read it."""

    topic: kind.Topic = Field(description="The exact topic that carries the value.")
    pointer: kind.Pointer = Field(
        "", description="JSON pointer to the value in the payload; empty: the payload is the value."
    )
    unit: str
    max_age_s: kind.Age = Field(
        60.0,
        description="Age from which a value no longer counts. For the state of charge: longest run without fresh data.",
    )
    timestamp_pointer: kind.Pointer | None = Field(
        None, description="JSON pointer to the time of measurement in the payload, if it has one."
    )
    scale: kind.Factor = Field(
        1.0, description="Factor applied to the published number before its unit; -1 reverses the sign of a power."
    )
    offset: kind.Shift = Field(0.0, description="Offset added after that, in the published unit.")
    unknown: kind.Codes = Field(
        (), description='Values that mean "unknown", such as 65535; the text "null" also stands for JSON null.'
    )


class ChargeSource(Source):
    """Where the state of charge is published."""

    unit: Literal["percent", "ratio"] = Field("percent", description="Unit it is published in (ratio: 0 to 1).")


class VoltageSource(Source):
    """Where a voltage is published."""

    unit: Literal["V", "mV"] = Field("V", description="Unit it is published in.")


class PowerSource(Source):
    """Where a power is published."""

    unit: Literal["W", "kW"] = Field("W", description="Unit it is published in.")


class TemperatureSource(Source):
    """Where a temperature is published."""

    unit: Literal["degC", "degF", "K"] = Field("degC", description="Unit it is published in.")


class HeartbeatSource(Source):
    """Where a value is published that changes for as long as the source lives."""

    unit: Literal["any"] = Field("any", description="A heartbeat has none.")
    max_age_s: kind.Age = Field(60.0, description="If it has not changed for this long, no value counts any more.")


class Telemetry(Table):
    """What is measured, and where it is published."""

    presence_topic: kind.Topic | None = Field(
        None, description="Topic on which the source reports its absence, such as its MQTT last will."
    )
    absent_payload: kind.Payload | None = Field(
        None, description="Payload on that topic that means absent: all values are then lost."
    )
    state_of_charge: ChargeSource = Field(description="State of charge of the battery.")
    battery_voltage: VoltageSource | None = Field(None, description="Voltage of the battery.")
    battery_power: PowerSource | None = Field(None, description="Power into the battery, charging positive.")
    load_power: PowerSource | None = Field(None, description="Power drawn by the heater.")
    solar_power: PowerSource | None = Field(None, description="Power from the panels.")
    tank_temperature: TemperatureSource | None = Field(None, description="Temperature of the water.")
    heartbeat: HeartbeatSource | None = Field(
        None, description="A number or text that changes while the source lives: a counter, an uptime, a clock."
    )


class Control(Table):
    """The thresholds and dwells of the control law."""

    cut_in_percent: kind.Percent = Field(97.0, description="Surplus begins at or above this state of charge.")
    cut_out_percent: kind.Percent = Field(93.0, description="Surplus ends below this state of charge.")
    floor_percent: kind.Percent = Field(50.0, description="Below this the heater is off, even by hand.")
    confirm_s: kind.Confirmation = Field(
        30.0, description="How long samples must stay at or above the cut-in before the heater runs."
    )
    min_on_s: kind.Dwell = Field(300.0, description="Minimum on time; every other limit still switches off at once.")
    min_off_s: kind.Dwell = Field(300.0, description="Minimum off time, also counted from the start of the program.")


class Permissive(Table):
    """Conditions that must hold for the heater to run. A condition that is not set always holds."""

    window: kind.Spans = Field(
        ("09:00-17:00",), description="Parts of the day in which the heater may run; empty: always."
    )
    timezone: kind.Zone = Field("UTC", description="Time zone of the window and of the daily limit.")
    voltage_cut_out: kind.Volts | None = Field(None, description="Bus voltage below which the heater goes off.")
    voltage_cut_in: kind.Volts | None = Field(None, description="Bus voltage at or above which it may run again.")
    tank_cut_out_c: kind.Celsius | None = Field(None, description="Water temperature at which the heater goes off.")
    tank_cut_in_c: kind.Celsius | None = Field(
        None, description="Water temperature at or below which it may run again."
    )
    drain_limit_w: kind.Drain | None = Field(
        None, description="Battery discharge power above which the heater goes off."
    )
    drain_limit_s: kind.Dwell = Field(60.0, description="How long the discharge must last for that.")
    drain_rest_s: kind.Dwell = Field(900.0, description="Minimum pause after that.")
    max_on_s: kind.Duration | None = Field(None, description="Longest run; min_off_s, above 0, is the pause after it.")
    max_on_per_day_s: kind.Duration | None = Field(None, description="Longest time on in one local day.")


class Relay(Table):
    """The pin that drives the relay, and the feedback pin."""

    pin: kind.Line = Field(
        description="GPIO number of the relay's line (not the header pin number); a line with no function at boot."
    )
    active_high: bool = Field(
        True, description="Whether a high level closes the contact; with false a floating or reset pin may close it."
    )
    feedback_pin: kind.Line | None = Field(None, description="GPIO line that reads high while the contact is closed.")
    feedback_s: kind.Reaction = Field(0.5, description="Longest time the contact may take to follow.")
    chip_label: kind.Text | None = Field(
        None, description="Label of the GPIO chip as gpiodetect lists it; not set: that of the pin header."
    )
    pin_factory: Literal["lgpio", "mock"] = Field("lgpio", description="Pin driver; mock: no hardware.")


class Request(Table):
    """Requests over MQTT to set the selector."""

    enabled: bool = Field(
        False, description="Whether requests on BASE/request are accepted; anyone who may publish there may send them."
    )
    max_hand_s: kind.Duration = Field(7200.0, description="Longest run by hand that may be requested.")


class History(Table):
    """The record of measurements and decisions."""

    path: kind.FileName | None = Field(None, description="Database file; not set: no history is kept.")
    retain_days: kind.Days = Field(365, description="How long rows are kept.")
    max_size_mb: kind.Megabytes = Field(
        200, description="Maximum size of the file; beyond it the oldest rows are deleted."
    )
    sample_every_s: kind.Interval = Field(60.0, description="How often a sample is kept between changes.")


class Alert(Table):
    """When to alert the owner. A lockout, a pin fault or a history fault always does."""

    data_lost_s: kind.AlertAge = Field(
        3600.0, description="Alert after a required signal has had no valid value for this long."
    )
    no_surplus_days: kind.DaysWithout | None = Field(
        None, description="Alert after this long without surplus; not set: never."
    )
    restarts_per_day: kind.StartsPerDay = Field(5, description="Alert after this many starts within 24 hours.")


class Web(Table):
    """The live page of `dumpload serve`, which reads its settings when it starts."""

    listen: kind.Listen = Field(
        "127.0.0.1:8080",
        description="Address to listen on; any other than a loopback address requires the three files below.",
    )
    host_names: kind.HostNames = Field(
        (), description="Host names under which browsers may reach it, besides localhost and the bare address."
    )
    password_file: kind.FileName | None = Field(None, description="Password file written by `dumpload password`.")
    cert_file: kind.FileName | None = Field(None, description="Certificate of the server with its chain (PEM).")
    key_file: kind.FileName | None = Field(None, description="The private key (PEM) that belongs to it.")


class Settings(BaseSettings):
    """All settings."""

    # The defaults are ours and right (tests/test_config_model.py); to validate them would build what nobody set.
    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, validate_default=False
    )

    name: kind.Name = Field("dumpload", description="Name of this instance, used in its topics and client identifier.")
    mqtt: Mqtt = Field(default_factory=Mqtt.model_construct)
    telemetry: Telemetry
    control: Control = Field(default_factory=Control.model_construct)
    permissive: Permissive = Field(default_factory=Permissive.model_construct)
    relay: Relay
    request: Request = Field(default_factory=Request.model_construct)
    history: History = Field(default_factory=History.model_construct)
    alert: Alert = Field(default_factory=Alert.model_construct)
    web: Annotated[Web, WhenSet(Web)] = Field(default_factory=Web.model_construct)
    installation: Annotated[Installation, WhenSet(Installation)] = Field(default_factory=Installation.model_construct)
    battery: Annotated[Battery, WhenSet(Battery)] = Field(default_factory=Battery.model_construct)
    solar: Annotated[Solar, WhenSet(Solar)] = Field(default_factory=Solar.model_construct)
    house: Annotated[House, WhenSet(House)] = Field(default_factory=House.model_construct)
    load: Annotated[Load, WhenSet(Load)] = Field(default_factory=Load.model_construct)
    tank: Annotated[Tank, WhenSet(Tank)] = Field(default_factory=Tank.model_construct)
    wiring: Annotated[Wiring, WhenSet(Wiring)] = Field(default_factory=Wiring.model_construct)
    contact: Annotated[Contact, WhenSet(Contact)] = Field(default_factory=Contact.model_construct)
    driver: Annotated[Driver, WhenSet(Driver)] = Field(default_factory=Driver.model_construct)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Read nothing but the layers: they have the environment in them already."""
        # The library, and not a plain model, because the project was asked for it: it reads nothing here. `off` must
        # read the file and the environment without it, and its own sources do not say where a value came from.
        return (_LayersSource(settings_cls, init_settings()["layers"]),)


class _LayersSource(PydanticBaseSettingsSource):
    """The one source of settings: values laid over each other by `layers`."""

    def __init__(self, settings_cls: type[BaseSettings], values: dict[str, Any]) -> None:
        super().__init__(settings_cls)
        self._values = values

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        del field
        return self._values.get(field_name), field_name, False

    def __call__(self) -> dict[str, Any]:
        return self._values


@cache
def key_schemas() -> Mapping[str, Mapping[str, Any]]:
    """Return the JSON schema of every setting by its dotted key, in the order of the tables."""
    return errors.list_schemas(Settings.model_json_schema())


@cache
def known_keys() -> Mapping[str, errors.Key]:
    """Return every setting by its dotted key, in the order of the tables."""
    return {key.name: key for key in errors.list_keys(Settings, key_schemas)}


def load_settings(path: Path, environ: Mapping[str, str], sets: Iterable[str] = ()) -> Settings:
    """Return the settings in the file, as overridden by the environment and by `sets` (KEY=VALUE each).

    Raises:
        ConfigError: anything at all is wrong with them; it has every problem.
    """
    return judge(load_layers(path, environ, sets), environ)


def judge(layers: Layers, environ: Mapping[str, str]) -> Settings:
    """Return the validated settings of the layers; the environment says where credentials are.

    Raises:
        ConfigError: anything at all is wrong with them; it has every problem.
    """
    keys = known_keys()
    values = errors.prepare(layers, keys)
    problems = list(layers.problems)
    faults: list[errors.Invalid] = []
    settings = None
    try:
        settings = Settings.model_validate({"layers": values})
    except ValidationError as error:
        faults = [errors.Invalid(fault["loc"], fault["type"], fault["input"]) for fault in error.errors()]
    problems += errors.explain(faults, layers, keys)
    valid = errors.find_valid(values, faults, keys)
    problems += errors.complain(rules.broken(valid), valid, layers)
    if settings is not None:
        problems += named_files.misused(layers, settings, environ)
    if problems or settings is None:
        raise ConfigError(problems)
    return settings


# Keys and tables that a running program cannot take over: pin, broker and topics are claimed at start.
NEEDS_RESTART = ("name", "mqtt", "telemetry", "relay", "request.enabled", "history")

# The one key of the telemetry tables that can be reloaded.
RELOADABLE = "max_age_s"


def needs_restart(key: str) -> bool:
    """Return whether a change of this dotted key needs a restart."""
    is_fixed = any(key == fixed or key.startswith(f"{fixed}.") for fixed in NEEDS_RESTART)
    return is_fixed and key.rpartition(".")[2] != RELOADABLE


def flat(settings: Settings) -> dict[str, Any]:
    """Return every setting that has a value, by its dotted key."""
    return {name: value for name, value in leaves(_as_tables(settings)) if value is not None}


def _as_tables(value: Any) -> Any:
    """Return tables as dictionaries. pydantic's own way would build the serializers of those that nobody set."""
    if isinstance(value, BaseModel):
        return {name: _as_tables(getattr(value, name)) for name in type(value).model_fields}
    return tuple(map(_as_tables, value)) if isinstance(value, tuple) else value


def changed_keys(old: Settings, new: Settings) -> list[tuple[str, Any, Any]]:
    """Return (dotted key, old value, new value) of every setting that differs; None where it is not set."""
    before, after = flat(old), flat(new)
    names = [name for name in known_keys() if before.get(name) != after.get(name)]
    return [(name, before.get(name), after.get(name)) for name in names]


def restart_needed(old: Settings, new: Settings) -> list[str]:
    """Return the dotted keys that differ and cannot be reloaded."""
    return [name for name, _, _ in changed_keys(old, new) if needs_restart(name)]
