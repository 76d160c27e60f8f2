"""The shape of the settings file: the rack, its journal and broker, buses, probes, vessels and stages."""

from collections.abc import Callable
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, Discriminator, Field, SecretStr, StringConstraints, Tag

from daemon.errors import Problem, SettingsError
from daemon.settings import types
from daemon.settings.alarms import AlarmSettings, StageStepSettings, SupplySettings
from daemon.settings.commands import CommandSettings
from daemon.settings.measurements import Measurement, PayloadFieldSettings, RegisterSettings
from daemon.settings.stages import OFF, StageSettings, ToleranceSettings
from daemon.settings.types import Days, FilePath, Host, Name, Seconds, Switch, Table, TcpPort, Whole
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES, USUAL_STAY_DAYS, WITHOUT_LIMITS
from rules.rack.tolerance import Tolerance


def _one_of(*allowed: int) -> Callable[[int], int]:
    def check(value: int) -> int:
        if value not in allowed:
            raise ValueError("one of " + ", ".join(map(str, allowed)))
        return value

    return check


_time_zones = cache(available_timezones)  # it searches the disk, slowly on a Pi


def _known_zone(value: str) -> str:
    zones = _time_zones()
    if value not in zones:
        nearest = get_close_matches(value, zones, 1) or ["Europe/Berlin"]
        raise ValueError(f'a time zone of the IANA database, such as "{nearest[0]}"')
    return value


def _time_to_fall_silent(probe: dict[str, Any]) -> float:
    return float(max(3 * probe["every_s"], 120))


BAUD_RATES = (1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200)
_BaudRate = Annotated[
    Whole, AfterValidator(_one_of(*BAUD_RATES)), Field(json_schema_extra={"enum": list(BAUD_RATES)})
]
_StopBits = Annotated[Whole, AfterValidator(_one_of(1, 2)), Field(json_schema_extra={"enum": [1, 2]})]
TimeZone = Annotated[str, AfterValidator(_known_zone)]
_Label = Annotated[str, StringConstraints(pattern=types.LABEL_PATTERN)]


class RackSettings(Table):
    """The rack as a whole."""

    name: Name = Field(description="Name of the rack; part of every topic")
    time_zone: TimeZone = Field(description="Time zone of the people at the rack (IANA name)")


class JournalSettings(Table):
    """The journal: everything that was measured and done, in one SQLite file."""

    path: FilePath = Field(description="The SQLite file; on a local disk, not a network share")
    commit_every_s: Seconds = Field(
        default=10.0, description="Readings are written down this often [s]; alarms always at once"
    )
    keep_days: Annotated[Whole, Field(ge=1, le=36_500)] = Field(
        default=1_825, description="Older readings are replaced by hourly summaries [days]"
    )
    trust_clock: Switch = Field(
        default=False,
        description="The machine's clock is right without synchronisation (battery clock, set by hand)",
    )


class MirrorSettings(Table):
    """A server that accepts InfluxDB 2's write interface and keeps a copy of readings and alarms."""

    url: Annotated[str, StringConstraints(pattern=types.SERVER_URL_PATTERN)] = Field(
        description="Address of the server"
    )
    org: _Label = Field(default="bellwatch", description="Organisation at the server")
    bucket: _Label = Field(default="bellwatch", description="Bucket to write to; it must exist")
    token_file: FilePath | None = Field(
        default=None,
        description="File that holds the access token alone and that only the daemon's user may read",
    )
    ca_file: FilePath | None = Field(
        default=None,
        description="Certificate authority of the server, if it is not one that the system knows",
    )

    def token(self) -> SecretStr:
        """Read the token from its file now; empty without a `token_file`. OSError if unreadable."""
        if self.token_file is None:
            return SecretStr("")
        return SecretStr(self.token_file.read_text(encoding="utf-8").strip())


class BrokerLink(Table):
    """How to reach an MQTT broker."""

    host: Host = Field(default="localhost", description="Name or address of the broker")
    port: TcpPort = Field(default=1883, description="TCP port of the broker; 8883 is usual with TLS")
    username: _Label | None = Field(default=None, description="User name at the broker")
    password_file: FilePath | None = Field(
        default=None,
        description="File that holds the password alone and that only the daemon's user may read",
    )
    tls: Switch = Field(default=False, description="Encrypt the connection")
    ca_file: FilePath | None = Field(
        default=None,
        description="Certificate authority of the broker, if it is not one that the system knows",
    )

    def password(self) -> SecretStr | None:
        """Read the password from its file now, None without one; SettingsError if it is unreadable."""
        if self.password_file is None:
            return None
        try:
            return SecretStr(self.password_file.read_text(encoding="utf-8").rstrip("\r\n"))
        except (OSError, UnicodeDecodeError) as error:
            why = (error.strerror or "an error").lower() if isinstance(error, OSError) else "not UTF-8"
        expected = "a file that holds the password alone and that the daemon's user may read"
        raise SettingsError([Problem("password_file", f"a file that cannot be read ({why})", expected)])


class BrokerSettings(BrokerLink):
    """The broker that readings and alarms are told to."""

    topic_root: Annotated[str, StringConstraints(pattern=types.TOPIC_ROOT_PATTERN)] = Field(
        default="bellwatch", description="First levels of every topic that the daemon publishes"
    )
    heartbeat_s: Seconds = Field(default=30.0, description="How often the daemon says that it is alive [s]")


class ModbusBus(Table):
    """A serial line with Modbus RTU probes on it."""

    kind: Literal["modbus-rtu"]
    port: Annotated[str, StringConstraints(pattern=types.PORT_PATTERN)] = Field(
        description="The serial port; a name under /dev/serial/by-id stays the same after re-plugging"
    )
    baud: _BaudRate = Field(default=9600, description="Speed of the line [bit/s]")
    parity: Literal["none", "even", "odd"] = Field(default="none", description="Parity bit of each character")
    stop_bits: _StopBits = Field(default=1, description="Stop bits of each character")
    timeout_ms: Annotated[Whole, Field(ge=10, le=10_000)] = Field(
        default=300, description="How long to wait for an answer [ms]"
    )
    retries: Annotated[Whole, Field(ge=0, le=10)] = Field(
        default=2, description="How often to ask again before the poll counts as failed"
    )


class MqttBus(BrokerLink):
    """A broker on which probes publish."""

    kind: Literal["mqtt"]


class _Probe(Table):
    bus: Name = Field(description="The bus that the probe is on")
    vessel: Name | None = Field(
        default=None, description="The vessel that the probe is in; absent for the rack's air pressure"
    )
    every_s: Seconds = Field(default=30.0, description="How often the probe is polled or publishes [s]")
    silent_after_s: Seconds = Field(
        default_factory=_time_to_fall_silent,
        description="Without a reading for this long it is silent [s]; absent: three polls, at least 120 s",
    )
    calibrate_every_days: Days | None = Field(
        default=None, description="How long a calibration holds [days]; absent: nobody is reminded"
    )


class ModbusProbe(_Probe):
    """A probe on a Modbus RTU bus."""

    unit_id: Annotated[Whole, Field(ge=1, le=247)] = Field(description="Modbus unit address, 1 to 247")
    registers: Annotated[tuple[RegisterSettings, ...], Field(min_length=1)] = Field(
        description="What the probe measures, and where"
    )

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """What the probe measures, in the order of the file."""
        return self.registers

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The quantities that the probe measures, in the order of the file."""
        return tuple(register.quantity for register in self.registers)


class MqttProbe(_Probe):
    """A probe that publishes to a topic."""

    topic: Annotated[str, StringConstraints(pattern=types.TOPIC_PATTERN)] = Field(
        description="The topic that the probe publishes to"
    )
    format: Literal["plain", "json", "senml"] = Field(
        default="plain", description="How its payload is written"
    )
    max_age_s: Seconds = Field(default=120.0, description="An older reading is refused as stale [s]")
    fields: Annotated[tuple[PayloadFieldSettings, ...], Field(min_length=1)] = Field(
        description="What the payload holds, and where"
    )

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """What the probe measures, in the order of the file."""
        return self.fields

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The quantities that the probe measures, in the order of the file."""
        return tuple(field.quantity for field in self.fields)


class VesselSettings(Table):
    """A vessel of the rack."""

    kind: Literal["kreisel", "pseudokreisel", "tray", "dish", "tank"] = Field(description="What it is")
    stage: Name = Field(description="The life stage in it when the daemon first starts")
    label: _Label | None = Field(default=None, description="What people call it")
    plan: tuple[StageStepSettings, ...] = Field(default=(), description="Planned moves to other stages")


def _bus_kind(value: object) -> str | None:
    kind = value.get("kind") if isinstance(value, dict) else getattr(value, "kind", None)
    return f"<{kind}>" if kind in ("modbus-rtu", "mqtt") else None


def _probe_kind(value: object) -> str | None:
    """Tell the two kinds of probe apart by the keys that only one of them has."""
    keys = set(value) if isinstance(value, dict) else set(getattr(value, "model_fields_set", ()))
    if keys & {"unit_id", "registers"}:
        return "<modbus-rtu>"
    return "<mqtt>" if keys & {"topic", "format", "fields", "max_age_s"} else None


BusSettings = Annotated[
    Annotated[ModbusBus, Tag("<modbus-rtu>")] | Annotated[MqttBus, Tag("<mqtt>")], Discriminator(_bus_kind)
]
ProbeSettings = Annotated[
    Annotated[ModbusProbe, Tag("<modbus-rtu>")] | Annotated[MqttProbe, Tag("<mqtt>")],
    Discriminator(_probe_kind),
]


class Settings(Table):
    """The settings of one rack."""

    rack: RackSettings
    journal: JournalSettings
    mirror: MirrorSettings | None = Field(default=None, description="Where a copy of everything goes")
    broker: BrokerSettings = Field(default_factory=BrokerSettings)
    commands: CommandSettings = Field(default_factory=CommandSettings)
    buses: dict[Name, BusSettings] = Field(default={}, description="The ports that probes share")
    probes: dict[Name, ProbeSettings] = Field(default={}, description="The devices that measure")
    vessels: dict[Name, VesselSettings] = Field(default={}, description="The vessels of the rack")
    alarms: AlarmSettings = Field(default_factory=AlarmSettings)
    supplies: dict[Name, SupplySettings] = Field(
        default={}, description="What vessels share: alarms from one supply are one problem"
    )
    stages: dict[Name, StageSettings] = Field(
        default={}, description="Limits that differ from the built-in ones, and stages of your own"
    )

    def stage_names(self) -> list[str]:
        """Return the stages that a vessel may be in, built-in ones first."""
        return list(dict.fromkeys([*DEFAULT_TOLERANCES, *self.stages]))

    def lineage(self, stage: str) -> list[str]:
        """Return the stages that `stage` takes its limits from, itself first, its last base at the end.

        KeyError if there is no such stage, or if `based_on` leads to none or in a circle.
        """
        line = [stage]
        while (table := self.stages.get(line[-1])) is not None and table.based_on is not None:
            if table.based_on in line:
                raise KeyError(f"stage {stage} is based on itself: {' > '.join([*line, table.based_on])}")
            line.append(table.based_on)
        if line[-1] not in self.stages and line[-1] not in DEFAULT_TOLERANCES:
            raise KeyError(f"no stage {line[-1]}")
        return line

    def usual_stay_days(self, stage: str) -> float | None:
        """Return how long a stage usually lasts; None where nobody has said so. KeyError as `lineage`."""
        for name in self.lineage(stage):
            own = self.stages[name].usual_stay_days if name in self.stages else None
            if own is not None:
                return own
        return USUAL_STAY_DAYS.get(self.lineage(stage)[-1])

    def tolerance_of(self, stage: str, quantity: Quantity) -> Tolerance | None:
        """Return what a stage tolerates: its limits in the file over those of its base, over built-in ones.

        None if the stage does not care for the quantity. KeyError as `lineage`.
        """
        line = self.lineage(stage)
        tolerance = DEFAULT_TOLERANCES.get(line[-1], {}).get(quantity)
        for name in reversed(line):
            limits = self.stages[name].limits(quantity) if name in self.stages else None
            if limits == OFF:
                tolerance = None
            elif isinstance(limits, ToleranceSettings):
                tolerance = limits.over(tolerance or WITHOUT_LIMITS[quantity], f"stages.{name}.{quantity}")
        return tolerance if tolerance is not None and sets_a_limit(tolerance) else None


def sets_a_limit(tolerance: Tolerance) -> bool:
    """Whether a value of the quantity can raise an alarm at all."""
    bands = (tolerance.advisory, tolerance.critical)
    rates = (tolerance.max_rise_per_hour, tolerance.max_fall_per_hour)
    edges = [edge for band in bands for edge in (band.low, band.high)]
    return any(limit is not None for limit in (*edges, *rates))
