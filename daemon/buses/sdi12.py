"""Probes on an SDI-12 line: their settings, what can be wrong with them, and how they are read."""

from collections.abc import Hashable, Iterator, Mapping
from string import ascii_lowercase, ascii_uppercase, digits
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from daemon.buses.measurement import Measurement
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.errors import Finding
from daemon.tables.types import SerialPort, Switch, Table, Whole, like
from daemon.tables.words import shown, where
from drivers.readings import Bus, Emit, Surroundings
from drivers.sdi12.telegram import ADDRESSES, MOST_BY_M, READS
from rules.quantities import Quantity

_READS = "M, M1 to M9, C, C1 to C9 or R0 to R9; nothing else is ever sent, least of all a change of address"


class Sdi12Place(Table):
    """Which value of a probe holds a number."""

    command: Annotated[str, like(READS, _READS)] = Field(
        "M", description="The command that brings it: M (measure), C (measure meanwhile), R (read at once)"
    )
    index: Annotated[Whole, Field(ge=1, le=99)] = Field(
        description="Its place among the values that come on this command, from 1"
    )


class Sdi12ValueSettings(Measurement, Sdi12Place):
    """Which value of a probe holds a quantity. The value is raw * scale + offset."""


class Sdi12Probe(ProbeSettings):
    """A probe on an SDI-12 line."""

    entries_key: ClassVar = "values"
    address_key: ClassVar = "address"
    known_by: ClassVar = "values"

    address: Annotated[str, like(f"^[{ADDRESSES}]$", "one of 0 to 9, A to Z or a to z")] = Field(
        description="Its address on the line, one character"
    )
    crc: Switch = Field(True, description="Ask for answers with a CRC; probes before SDI-12 1.3 have none")
    values: Annotated[tuple[Sdi12ValueSettings, ...], Field(min_length=1)] = Field(
        description="What the probe measures, and as which of its values"
    )
    fresh_by: Sdi12Place | None = Field(
        None, description="A value that must change from poll to poll: a count of samples, uptime, its time"
    )

    def reads(self) -> set[Hashable]:
        """Return its address: what one asks there breaks off what another has begun."""
        return {self.address}

    def findings(self, name: str) -> Iterator[Finding]:
        """Yield values that are read twice, or that cannot come."""
        taken: set[tuple[str, int]] = set()
        for key, place in self.places.items():
            if (place.command, place.index) in taken:
                path = where("probes", name, *key, "index")
                yield Finding(path, shown(place.index), f"each value of {place.command} once")
            if place.command[0] == "M" and place.index > MOST_BY_M:
                path, most = where("probes", name, *key, "index"), f"{MOST_BY_M} or less for {place.command}"
                yield Finding(path, shown(place.index), f"{most}; more values come on C or R only")
            taken.add((place.command, place.index))


class Sdi12Bus(BusSettings):
    """A line of SDI-12 probes at a serial adapter."""

    called: ClassVar = "an SDI-12 bus"
    probe_table: ClassVar = Sdi12Probe

    kind: Literal["sdi-12"]
    port: SerialPort = Field(
        description="The adapter's port; a name under /dev/serial/by-id stays the same after re-plugging"
    )
    adapter: Literal["makes-break", "bare"] = Field(
        "makes-break",
        description="Whether the adapter makes the break before a command itself (recommended), or is a bare "
        "serial port with inverted levels",
    )
    baud: Literal[1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200] | None = Field(
        None, description="Speed between us and the adapter [bit/s]; absent: 9600, or 1200 where it is bare"
    )
    timeout_ms: Annotated[Whole, Field(ge=100, le=10_000)] = Field(
        1000, description="How long to wait for an answer through the adapter [ms]; not used where it is bare"
    )
    retries: Annotated[Whole, Field(ge=0, le=10)] = Field(
        2, description="How often to ask again, after a rest, before the poll counts as failed"
    )

    @property
    def serial_port(self) -> str:
        """The port, which no other bus may use."""
        return self.port

    def to_scan(self, name: str) -> tuple[BusSettings, dict[str, ProbeSettings]]:
        """Return the line asked once, and a probe at each address that is asked to measure (M)."""
        one = Sdi12ValueSettings(quantity=Quantity.TEMPERATURE, index=1)
        probes: dict[str, ProbeSettings] = {
            address: Sdi12Probe(
                bus=name, address=address, crc=False, values=(one,), every_s=86_400, silent_after_s=86_400
            )
            for address in digits + ascii_uppercase + ascii_lowercase
        }
        return self.model_copy(update={"retries": 0}), probes

    def findings(self, name: str, _probes: Mapping[str, ProbeSettings]) -> Iterator[Finding]:
        """Yield a speed that a bare line cannot have."""
        if self.adapter == "bare" and self.baud not in (None, 1200):
            expected = '1200, the only speed of SDI-12, as the adapter is "bare"'
            yield Finding(where("buses", name, "baud"), shown(self.baud), expected)

    def driver(self, name: str, probes: Mapping[str, ProbeSettings], around: Surroundings, emit: Emit) -> Bus:
        """Return what polls the probes; its library for serial ports is loaded only here."""
        from drivers.ports.serial_port import SerialWay  # noqa: PLC0415
        from drivers.sdi12 import bus  # noqa: PLC0415

        is_bare = self.adapter == "bare"
        form = (self.baud or 1200, "even", 1, 7) if is_bare else (self.baud or 9600, "none", 1, 8)
        asked = []
        for key, probe in probes.items():
            if isinstance(probe, Sdi12Probe):
                every_ms, values = round(probe.every_s * 1000), probe.taken(bus.Sdi12Value)
                asked.append(bus.Sdi12Probe(key, probe.address, every_ms, values, probe.crc))
        way = SerialWay(self.port, *form, makes_break=not is_bare)
        within_ms = None if is_bare else self.timeout_ms
        return bus.Sdi12Bus(name, way, tuple(asked), around.clock, emit, within_ms, self.retries)
