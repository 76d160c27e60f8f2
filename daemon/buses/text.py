"""Probes that speak in lines of text: their settings, what can be wrong with them, and how they are read."""

import re
from collections.abc import Hashable, Iterator, Mapping
from itertools import combinations
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from daemon.buses.measurement import Measurement
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.errors import Finding
from daemon.tables.types import Host, SerialPort, Table, TcpPort, Whole, like
from daemon.tables.words import shown, where
from drivers.errors import SetupError
from drivers.readings import Bus, Emit, Surroundings

_A_GROUP = "the name of a group, as in (?P<name>...)"


class TextPlace(Table):
    """Which group of a pattern holds a number."""

    group: Annotated[str, like(r"^[A-Za-z_][A-Za-z0-9_]{0,40}$", _A_GROUP)] = Field(
        description="Name of the group of the pattern that holds the number"
    )


class TextGroupSettings(Measurement, TextPlace):
    """Which group of a pattern holds a quantity. The value is raw * scale + offset."""


class TextProbe(ProbeSettings):
    """A probe that speaks in lines of text."""

    entries_key: ClassVar = "groups"
    address_key: ClassVar = "pattern"
    known_by: ClassVar = "a pattern"

    pattern: Annotated[str, like(r"^[^\x00-\x1f]{1,400}$", "a pattern of 1 to 400 characters")] = Field(
        description="What a whole line of the probe looks like: a regular expression with named groups"
    )
    checksum: Literal["none", "xor"] = Field(
        "none", description='What closes a line: "xor" is "*" and two hexadecimal digits, as in NMEA 0183'
    )
    ask: Annotated[str, like(r"^[^\x80-\U0010ffff]{1,100}$", "1 to 100 ASCII characters")] | None = Field(
        None, description='What the probe is asked with, such as "R\\r"; absent: it sends of its own accord'
    )
    groups: Annotated[tuple[TextGroupSettings, ...], Field(min_length=1)] = Field(
        description="What the probe measures, and in which groups of its pattern"
    )
    fresh_by: TextPlace | None = Field(
        None, description="A group that must change from line to line: a count of samples, uptime, its time"
    )

    def reads(self) -> set[Hashable]:
        """Return what it is asked with, and the groups of its line."""
        return {(self.ask, self.pattern, place.group) for place in self.places.values()}

    def findings(self, name: str) -> Iterator[Finding]:
        """Yield a pattern that is none, and groups that it has not."""
        from drivers.text.line import compiled  # noqa: PLC0415

        if self.ask is not None and re.search(r"\\[rnt]", self.ask):
            expected = (
                "double quotes around it, where \\r is a carriage return; in single ones it is two signs"
            )
            yield Finding(where("probes", name, "ask"), shown(self.ask), expected, is_warning=True)
        path = where("probes", name, "pattern")
        try:
            known = compiled(self.pattern).groupindex
        except SetupError as error:
            yield Finding(path, str(error), "a regular expression, each number in a group (?P<name>...)")
            return
        for key, place in self.places.items():
            if place.group not in known:
                expected = " or ".join(f'"{group}"' for group in known) or "a named group in the pattern"
                yield Finding(where("probes", name, *key, "group"), shown(place.group), expected)


class TextBus(BusSettings):
    """A serial port, or a TCP connection, over which probes send lines of text."""

    called: ClassVar = "a text bus"
    probe_table: ClassVar = TextProbe

    kind: Literal["text-lines"]
    port: SerialPort | None = Field(
        None, description="The serial port; a name under /dev/serial/by-id stays the same after re-plugging"
    )
    baud: Literal[300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200] = Field(
        9600, description="Speed of the port [bit/s]"
    )
    parity: Literal["none", "even", "odd"] = Field("none", description="Parity bit of each character")
    stop_bits: Annotated[Whole, Field(ge=1, le=2)] = Field(1, description="Stop bits of each character")
    host: Host | None = Field(None, description="Name or address of the probe or gateway, instead of a port")
    tcp_port: TcpPort | None = Field(None, description="TCP port of the probe or gateway")
    timeout_ms: Annotated[Whole, Field(ge=10, le=20_000)] = Field(
        1000, description="How long to wait for the answer of a probe that is asked [ms]"
    )
    retries: Annotated[Whole, Field(ge=0, le=10)] = Field(
        2, description="How often to ask again, after a rest, before the poll counts as failed"
    )

    @property
    def serial_port(self) -> str | None:
        """The port, which no other bus may use."""
        return self.port

    def findings(self, name: str, probes: Mapping[str, ProbeSettings]) -> Iterator[Finding]:
        """Yield a bus that is neither or both, and probes of which only some are asked."""
        if (self.port is None) == (self.host is None):
            found = "neither port nor host" if self.port is None else "both port and host"
            yield Finding(
                where("buses", name), found, "port (a serial port), or host and tcp_port (a network)"
            )
        if (self.host is None) != (self.tcp_port is None):
            yield Finding(
                where("buses", name, "tcp_port"), shown(self.tcp_port), "host and tcp_port together"
            )
        mine = [(key, probe) for key, probe in probes.items() if isinstance(probe, TextProbe)]
        for key, probe in mine[1:]:
            if (probe.ask is None) != (mine[0][1].ask is None):
                expected = f"as probes.{mine[0][0]} has it: either all probes of a bus are asked, or none"
                yield Finding(where("probes", key, "ask"), shown(probe.ask), expected)
        for (key, probe), (other, its) in combinations(mine, 2):
            if probe.ask is not None and probe.pattern == its.pattern:
                expected = f"what only its own line says; a late answer of probes.{key} would fit it too"
                path = where("probes", other, "pattern")
                yield Finding(path, shown(its.pattern), expected, is_warning=True)

    def driver(self, name: str, probes: Mapping[str, ProbeSettings], around: Surroundings, emit: Emit) -> Bus:
        """Return what reads the lines; its libraries are loaded only here."""
        from drivers.ports.serial_port import SerialWay  # noqa: PLC0415
        from drivers.ports.tcp_port import TcpWay  # noqa: PLC0415
        from drivers.text import bus, line  # noqa: PLC0415

        asked = []
        for key, probe in probes.items():
            if isinstance(probe, TextProbe):
                pattern = line.LinePattern(probe.pattern, probe.taken(line.TextValue), probe.checksum)
                every_ms = round(probe.every_s * 1000)
                asked.append(bus.TextProbe(key, every_ms, pattern, (probe.ask or "").encode()))
        way = (
            SerialWay(self.port, self.baud, self.parity, self.stop_bits)
            if self.port is not None
            else TcpWay(self.host or "", self.tcp_port or 0)
        )
        return bus.TextBus(name, way, tuple(asked), around.clock, emit, self.timeout_ms, self.retries)
