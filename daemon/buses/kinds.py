"""The table of the kinds of bus; a kind more is a module here, one of `drivers`, and a line of it."""

from collections.abc import Iterable, Mapping
from typing import Annotated, Any

from daemon.buses.modbus_rtu import ModbusBus
from daemon.buses.mqtt import MqttBus
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.tables.choice import Choice
from daemon.tables.words import quoted

KINDS: dict[str, type[BusSettings]] = {
    "modbus-rtu": ModbusBus,
    "mqtt": MqttBus,
}


def kinds_for(probe: ProbeSettings) -> str:
    """Say which kinds of bus a probe can be on."""
    return _or(quoted(kind) for kind, bus in KINDS.items() if isinstance(probe, bus.probe_table))


def _or(texts: Iterable[str], parting: str = " or ") -> str:
    return parting.join(dict.fromkeys(texts))


def _bus_meant(table: Mapping[str, Any]) -> type[BusSettings] | None:
    return next((bus for kind, bus in KINDS.items() if kind == table.get("kind")), None)


def _probe_meant(table: Mapping[str, Any]) -> type[ProbeSettings] | None:
    """Return the kind of probe with the most of the keys that probes of other kinds need not have."""
    shared = ProbeSettings.model_fields.keys()
    own = {
        bus.probe_table: table.keys() & (bus.probe_table.model_fields.keys() - shared)
        for bus in KINDS.values()
    }
    meant = max(own, key=lambda probe: len(own[probe]))
    return meant if own[meant] else None


def _no_bus() -> dict[str, Any]:
    return {"key": "kind", "expected": _or(map(quoted, KINDS))}


def _no_probe() -> dict[str, Any]:
    probes = [(bus.called, bus.probe_table) for bus in KINDS.values()]
    ways = (f"{probe.address_key} and {probe.entries_key} (on {bus})" for bus, probe in probes)
    found = "neither " + _or((probe.known_by for _, probe in probes), " nor ")
    return {"found": found, "expected": _or(ways, ", or ")}


AnyBus = Annotated[BusSettings, Choice(KINDS.values, _bus_meant, _no_bus)]
AnyProbe = Annotated[
    ProbeSettings,
    Choice(lambda: dict.fromkeys(bus.probe_table for bus in KINDS.values()), _probe_meant, _no_probe),
]
