"""Modbus probes behind a gateway: its settings, what can be wrong with them, and how they are read."""

from collections.abc import Iterator, Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from daemon.buses.modbus_rtu import UNITS, ModbusProbe, asked, modbus_probes, scanned, unit_findings
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.errors import Finding
from daemon.tables.types import Host, TcpPort, Whole
from drivers.readings import Bus, Emit, Surroundings
from rules.plain import taken_over


class ModbusTcpBus(BusSettings):
    """A gateway with Modbus probes behind it, or a probe with a network socket."""

    called: ClassVar = "a Modbus bus"
    probe_table: ClassVar = ModbusProbe

    kind: Literal["modbus-tcp"]
    host: Host = Field(description="Name or address of the gateway")
    tcp_port: TcpPort = Field(502, description="TCP port of the gateway")
    frames: Literal["tcp", "rtu"] = Field(
        "tcp", description='How it speaks: Modbus TCP, or the frames of the serial line as they are ("rtu")'
    )
    timeout_ms: Annotated[Whole, Field(ge=10, le=20_000)] = Field(
        2000, description="How long to wait for an answer, the wire behind the gateway included [ms]"
    )
    retries: Annotated[Whole, Field(ge=0, le=10)] = Field(
        2, description="How often to ask again before the poll counts as failed"
    )

    def to_scan(self, name: str) -> tuple[BusSettings, dict[str, ProbeSettings]]:
        """Return the gateway asked once, and a probe of one register at each address."""
        return self.model_copy(update={"retries": 0}), scanned(name)

    def findings(self, _name: str, probes: Mapping[str, ProbeSettings]) -> Iterator[Finding]:
        """Yield unit addresses that cannot be."""
        units = (0, *UNITS, 255) if self.frames == "tcp" else UNITS
        yield from unit_findings(modbus_probes(probes), units)

    def driver(self, name: str, probes: Mapping[str, ProbeSettings], around: Surroundings, emit: Emit) -> Bus:
        """Return what polls the probes; the driver is loaded only here."""
        from drivers import modbus_bus, modbus_tcp  # noqa: PLC0415

        line = taken_over(modbus_tcp.GatewayLine, self)
        return modbus_bus.ModbusBus(name, line, asked(probes), around.clock, emit)
