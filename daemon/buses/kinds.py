"""The table of the kinds of bus; a kind more is a module here, one of `drivers`, and a line of it."""

from collections.abc import Callable, Iterable
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetPydanticSchema
from pydantic_core import CoreSchema, core_schema

from daemon.buses.modbus_rtu import ModbusBus
from daemon.buses.modbus_tcp import ModbusTcpBus
from daemon.buses.mqtt import MqttBus
from daemon.buses.sdi12 import Sdi12Bus
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.buses.text import TextBus
from daemon.tables.faults import NO_KIND, tag_of
from daemon.tables.types import Table
from daemon.tables.words import quoted

KINDS: dict[str, type[BusSettings]] = {
    "modbus-rtu": ModbusBus,
    "modbus-tcp": ModbusTcpBus,
    "mqtt": MqttBus,
    "sdi-12": Sdi12Bus,
    "text-lines": TextBus,
}


def kinds_for(probe: ProbeSettings) -> str:
    """Say which kinds of bus a probe can be on."""
    return " or ".join(quoted(kind) for kind, bus in KINDS.items() if isinstance(probe, bus.probe_table))


def _one_of(
    tables: Iterable[type[Table]],
    meant: Callable[[dict[str, Any]], type[Table] | None],
    handler: GetCoreSchemaHandler,
    refusal: dict[str, Any],
) -> CoreSchema:
    """Return the schema of a table that is one of several; `meant` tells which, by its keys and values."""

    def tag(value: object) -> str | None:
        table = meant(value) if isinstance(value, dict) else type(value)
        return None if table is None else tag_of(table)

    return core_schema.tagged_union_schema(
        {tag_of(table): handler.generate_schema(table) for table in tables},
        tag,
        custom_error_type=NO_KIND,
        custom_error_message="{expected}",
        custom_error_context=refusal,
    )


def _bus_schema(_source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
    def meant(table: dict[str, Any]) -> type[BusSettings] | None:
        return next((bus for kind, bus in KINDS.items() if kind == table.get("kind")), None)

    refusal = {"key": "kind", "found": "", "expected": " or ".join(map(quoted, KINDS))}
    return _one_of(KINDS.values(), meant, handler, refusal)


def _probe_schema(_source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
    """Tell probes apart by the keys that not all of them have: the kind that has most of those given."""
    probes = {bus.probe_table: bus.called for bus in KINDS.values()}

    def meant(table: dict[str, Any]) -> type[ProbeSettings] | None:
        own = table.keys() - ProbeSettings.model_fields.keys()
        best = max(probes, key=lambda probe: len(own & probe.model_fields.keys()))
        return best if own & best.model_fields.keys() else None

    found = "neither " + " nor ".join(probe.known_by for probe in probes)
    ways = (f"{probe.address_key} and {probe.entries_key} (on {bus})" for probe, bus in probes.items())
    return _one_of(probes, meant, handler, {"key": "", "found": found, "expected": ", or ".join(ways)})


AnyBus = Annotated[BusSettings, GetPydanticSchema(_bus_schema)]
AnyProbe = Annotated[ProbeSettings, GetPydanticSchema(_probe_schema)]
