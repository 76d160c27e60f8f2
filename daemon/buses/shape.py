"""What every kind of bus says of itself and of its probes, so that nobody else need tell kinds apart."""

from abc import abstractmethod
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar

from pydantic import Field

from daemon.buses.measurement import Measurement
from daemon.errors import Finding
from daemon.tables.types import Days, Name, Seconds, Table
from drivers.readings import Bus, Emit, Surroundings
from rules.plain import taken_over
from rules.quantities import Quantity
from rules.rack.plan import FRESH

_Value = TypeVar("_Value")


def _time_to_fall_silent(probe: dict[str, Any]) -> float:
    return float(max(3 * probe["every_s"], 120))


@dataclass(frozen=True, slots=True)
class Sent:
    """What a probe sends for a measurement: raw, as set (its value, and `how` read), and read otherwise."""

    raw: str
    value: float
    how: str
    others: tuple[tuple[str, float], ...]


class ProbeSettings(Table):
    """A device that measures, on a bus of any kind."""

    entries_key: ClassVar[str]  # of the list of what it measures
    address_key: ClassVar[str]  # of where on its bus it is
    known_by: ClassVar[str]  # what tells that it is of this kind, in words
    asked_first: ClassVar[tuple[str, ...]] = ()  # by `bellwatch init`, beside what must be given

    bus: Name = Field(description="The bus that the probe is on")
    vessel: Name | None = Field(
        None, description="The vessel that the probe is in; absent for the rack's air pressure"
    )
    every_s: Seconds = Field(30.0, description="How often the probe is polled or publishes [s]")
    silent_after_s: Seconds = Field(
        default_factory=_time_to_fall_silent,
        description="Without a reading for this long it is silent [s]; absent: three polls, at least 120 s",
    )
    fresh_by: Table | None = Field(None, description="What must change from answer to answer")
    calibrate_every_days: Days | None = Field(
        None, description="How long a calibration holds [days]; absent: until its drift is known"
    )

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """What the probe measures, in the order of the file."""
        entries: tuple[Measurement, ...] = getattr(self, self.entries_key)
        return entries

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The quantities that the probe measures, in the order of the file."""
        return tuple(entry.quantity for entry in self.measurements)

    @property
    def places(self) -> dict[tuple[str | int, ...], Any]:
        """What it reads, by the keys of the settings: its measurements, then what must change."""
        entries = {(self.entries_key, index): entry for index, entry in enumerate(self.measurements)}
        return entries | ({} if self.fresh_by is None else {("fresh_by",): self.fresh_by})

    def taken(self, kind: type[_Value]) -> tuple[_Value, ...]:
        """Return the same as values of the driver."""
        own = [taken_over(kind, entry) for entry in self.measurements]
        return (*own, *([] if self.fresh_by is None else [taken_over(kind, self.fresh_by, quantity=FRESH)]))

    @abstractmethod
    def reads(self) -> set[Hashable]:
        """Return what it reads on its bus, part by part; no other probe is to read the same."""

    def as_sent(self) -> "ProbeSettings":
        """Return the same probe read so that `sent` can tell what it really sends."""
        return self

    def sent(self, index: int, came: Mapping[str, float]) -> Sent | None:
        """Return what it sends for a measurement, of what `came` from `as_sent`; None where nothing did."""
        measurement = self.measurements[index]
        value = came.get(measurement.quantity)
        raw = None if value is None else (value - measurement.offset) / measurement.scale
        return None if value is None or raw is None else Sent(f"{raw:g}", value, "", ())

    @abstractmethod
    def findings(self, name: str) -> Iterator[Finding]:
        """Yield what is wrong within the probe, apart from what can be wrong with any."""


class BusSettings(Table):
    """A port that probes share, of any kind."""

    called: ClassVar[str]  # in a message
    probe_table: ClassVar[type[ProbeSettings]]  # of the probes that can be on it
    asked_first: ClassVar[tuple[str, ...]] = ()  # as of a probe

    kind: str

    @property
    def serial_port(self) -> str | None:
        """What the key `port` says where that is a serial port, which no other bus may use; else None."""
        return None

    @property
    def reached_at(self) -> tuple[str, int] | None:
        """Where on the network it is, if two buses may be one there; else None."""
        return None

    def to_scan(self, name: str) -> "tuple[BusSettings, dict[str, ProbeSettings]] | None":
        """Return this bus and a probe at each address that there can be; None where there are none."""
        return None

    @abstractmethod
    def findings(self, name: str, probes: Mapping[str, ProbeSettings]) -> Iterator[Finding]:
        """Yield what is wrong with the bus, and with its probes taken together."""

    @abstractmethod
    def driver(self, name: str, probes: Mapping[str, ProbeSettings], around: Surroundings, emit: Emit) -> Bus:
        """Return what reads the probes; SettingsError or SetupError where that cannot be."""
