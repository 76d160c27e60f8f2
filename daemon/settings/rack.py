"""The shape of the settings file: the rack, its journal and broker, buses, probes, vessels and stages."""

from dataclasses import replace
from difflib import get_close_matches
from functools import cache
from itertools import product
from typing import Annotated, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, Field, SecretStr

from daemon.buses.broker_link import BrokerLink
from daemon.buses.kinds import AnyBus, AnyProbe
from daemon.buses.shape import ProbeSettings
from daemon.settings.alarms import AlarmSettings, RecordSettings, StageStepSettings, SupplySettings
from daemon.settings.commands import CommandSettings
from daemon.settings.page import PageSettings
from daemon.settings.quality import QualityTables
from daemon.settings.stages import OFF, StageSettings, ToleranceSettings, given_by
from daemon.tables.types import (
    FilePath,
    Label,
    Name,
    Number,
    Seconds,
    ServerUrl,
    Switch,
    Table,
    TopicRoot,
    Whole,
)
from rules.care.rationale import SHARES, Record, record_of
from rules.quantities import Quantity
from rules.rack.limits import asks_for_watch
from rules.rack.lineages import Lineage, LineageName, tolerances_of
from rules.rack.stages import DEFAULT_TOLERANCES, USUAL_STAY_DAYS, WITHOUT_LIMITS
from rules.rack.tolerance import Tolerance

_time_zones = cache(available_timezones)  # it searches the disk, slowly on a Pi


def _known_zone(value: str) -> str:
    zones = _time_zones()
    if value not in zones:
        nearest = get_close_matches(value, zones, 1) or ["Europe/Berlin"]
        raise ValueError(f'a time zone of the IANA database, such as "{nearest[0]}"')
    return value


TimeZone = Annotated[str, AfterValidator(_known_zone)]


class LineageSettings(Table):
    """Which moon jellyfish it is: the built-in limits are those of its lineage."""

    lineage: LineageName | None = Field(
        default=None, description="Which moon jellyfish it is; where unknown, one column of limits serves all"
    )
    baltic: Switch = Field(
        False, description="The strain is from brackish water: limits of salinity for such"
    )


class RackSettings(LineageSettings):
    """The rack as a whole."""

    name: Name = Field(description="Name of the rack; part of every topic")
    time_zone: TimeZone = Field(description="Time zone of the people at the rack (IANA name)")
    temperatures_in: Literal["C", "F"] = Field(
        "C", description="What screens and messages show temperatures in: degrees Celsius or Fahrenheit"
    )
    people: tuple[Label, ...] = Field((), description="Who works here, as the logbook is to name them")
    altitude_m: Annotated[Number, Field(ge=-500, le=5000)] | None = Field(
        default=None, description="Altitude: what the air pressure can be, or is without a barometer [m]"
    )


class JournalSettings(Table):
    """The journal: everything that was measured and done, in one SQLite file."""

    path: FilePath = Field(description="The SQLite file; on a local disk, not a network share")
    commit_every_s: Seconds = Field(
        10.0, description="Readings are written down this often [s]; alarms always at once"
    )
    keep_days: Annotated[Whole, Field(ge=1, le=36_500)] = Field(
        1_825, description="Older readings are replaced by hourly summaries [days]"
    )
    trust_clock: Switch = Field(
        False, description="The machine's clock is right without synchronisation (battery clock, set by hand)"
    )


class BackupSettings(Table):
    """The copy that `bellwatch-backup.timer` makes each day."""

    folder: FilePath = Field(
        description="Where copies go: a second card, a stick or a share of another machine, mounted"
    )
    keep: Annotated[Whole, Field(ge=1, le=1_000)] = Field(14, description="So many copies are kept")
    old_after_h: Annotated[Number, Field(gt=0, le=10_000)] = Field(
        50.0, description="A newest copy older than this is told [h]"
    )
    same_disk: Switch = Field(
        False, description="The folder may lie on the journal's own disk, which dies with it"
    )


class MirrorSettings(Table):
    """A server that accepts InfluxDB 2's write interface and keeps a copy of readings and alarms."""

    url: ServerUrl = Field(description="Address of the server")
    org: Label = Field("bellwatch", description="Organisation at the server")
    bucket: Label = Field("bellwatch", description="Bucket to write to; it must exist")
    token_file: FilePath | None = Field(
        None, description="File that holds the access token alone and that only the daemon's user may read"
    )
    ca_file: FilePath | None = Field(
        None, description="Certificate authority of the server, if it is not one that the system knows"
    )

    def token(self) -> SecretStr:
        """Read the token from its file now; empty without a `token_file`. OSError if unreadable."""
        file = self.token_file
        return SecretStr(file.read_text(encoding="utf-8").strip() if file else "")


HEARTBEAT_AT_MOST_S = 600
"""With fewer signs of life a rack could be dead for hours before anybody knows (project judgement)."""


class BrokerSettings(BrokerLink):
    """The broker that readings and alarms are told to."""

    topic_root: TopicRoot = Field(
        "bellwatch", description="First levels of every topic that the daemon publishes"
    )
    heartbeat_s: Annotated[Seconds, Field(le=HEARTBEAT_AT_MOST_S)] = Field(
        30.0, description="How often the daemon says that it is alive [s]"
    )
    oncall: Switch = Field(
        False, description="An on-call process must take alarms on; expected anyway once one was heard"
    )


class VesselSettings(LineageSettings):
    """A vessel of the rack; its own lineage goes over that of the rack."""

    kind: Literal["kreisel", "pseudokreisel", "tray", "dish", "tank"] = Field(description="What it is")
    stage: Name = Field(description="The life stage in it when the daemon first starts")
    label: Label | None = Field(default=None, description="What people call it")
    plan: tuple[StageStepSettings, ...] = Field(default=(), description="Planned moves to other stages")
    usual_temperature_c: Annotated[Number, Field(ge=-2, le=40)] | None = Field(
        default=None, description="Usual value, for salinity and oxygen while no thermometer tells it [°C]"
    )
    usual_salinity: Annotated[Number, Field(ge=0, le=42)] | None = Field(
        default=None, description="Usual value, for oxygen while no probe tells it [no unit]"
    )

    def usual(self) -> dict[Quantity, float]:
        """Return the usual values that are given."""
        given = {Quantity.TEMPERATURE: self.usual_temperature_c, Quantity.SALINITY: self.usual_salinity}
        return {quantity: value for quantity, value in given.items() if value is not None}


class Settings(Table):
    """The settings of one rack."""

    rack: RackSettings
    journal: JournalSettings
    mirror: MirrorSettings | None = Field(None, description="Where a copy of everything goes")
    backup: BackupSettings | None = Field(None, description="The daily copy on another disk")
    broker: BrokerSettings = Field(default_factory=BrokerSettings)
    commands: CommandSettings = Field(default_factory=CommandSettings)
    page: PageSettings = Field(default_factory=PageSettings)
    buses: dict[Name, AnyBus] = Field({}, description="The ports that probes share")
    probes: dict[Name, AnyProbe] = Field({}, description="The devices that measure")
    vessels: dict[Name, VesselSettings] = Field({}, description="The vessels of the rack")
    quality: QualityTables = Field(
        default_factory=QualityTables,
        description="When a reading is believed, where it differs from the built-in",
    )
    alarms: AlarmSettings = Field(default_factory=AlarmSettings)
    records: dict[str, RecordSettings] = Field(
        {}, description="Why alarms exist, by STAGE/QUANTITY/CONDITION; without a stage for every one"
    )
    supplies: dict[Name, SupplySettings] = Field(
        {}, description="What vessels share: alarms from one supply are one problem"
    )
    stages: dict[Name, StageSettings] = Field(
        {}, description="Limits that differ from the built-in ones, and stages of your own"
    )

    def probes_on(self, bus: str) -> dict[str, ProbeSettings]:
        """Return the probes that name a bus, by their names."""
        return {name: probe for name, probe in self.probes.items() if probe.bus == bus}

    def lineage_in(self, vessel: str | None = None) -> Lineage:
        """Return which moon jellyfish lives in a vessel; in the rack where the vessel does not say so."""
        own = self.vessels.get(vessel or "")
        table = self.rack if own is None or own.lineage is None else own
        return Lineage(table.lineage or "unknown", table.baltic)

    def stage_names(self, vessel: str | None = None) -> list[str]:
        """Return the stages that a vessel, or the rack, may be in, built-in ones first."""
        return list(dict.fromkeys([*tolerances_of(self.lineage_in(vessel)), *self.stages]))

    def own_records(self) -> dict[str, Record]:
        """Return the records of alarms that the file changes; what names no alarm is passed over.

        What it leaves open is as built in for each stage and quantity: small animals leave less time.
        """
        found = {}
        for key, table in sorted(self.records.items(), key=lambda item: item[0].count("/")):
            stage, quantity, condition = (["", "", *key.split("/")])[-3:]
            for its in product(
                [stage] if stage else ["", *SHARES], [quantity] if quantity else ["", *Quantity]
            ):
                if (built_in := record_of(*its, condition, {})) is not None:
                    name = "/".join(part for part in (*its, condition) if part)
                    found[name] = replace(built_in, **given_by(table))
        return found

    def bases(self, stage: str) -> list[str]:
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
        """Return how long a stage usually lasts; None where nobody has said so. KeyError as `bases`."""
        line = self.bases(stage)
        given = (self.stages[name].usual_stay_days for name in line if name in self.stages)
        return next((days for days in given if days is not None), USUAL_STAY_DAYS.get(line[-1]))

    def tolerance_of(self, stage: str, quantity: Quantity, vessel: str | None = None) -> Tolerance | None:
        """Return what a stage tolerates in a vessel, or in the rack.

        Its limits in the file go over those of its base, and those over the built-in ones.
        None if the stage does not care for the quantity. KeyError as `bases`.
        """
        line = self.bases(stage)
        tolerance = tolerances_of(self.lineage_in(vessel)).get(line[-1], {}).get(quantity)
        for name in reversed(line):
            limits = self.stages[name].limits(quantity) if name in self.stages else None
            if limits == OFF:
                tolerance = None
            elif isinstance(limits, ToleranceSettings):
                tolerance = limits.over(tolerance or WITHOUT_LIMITS[quantity], f"stages.{name}.{quantity}")
        return tolerance if tolerance is not None and asks_for_watch(tolerance) else None
