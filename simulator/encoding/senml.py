"""SenML packs in JSON (RFC 8428), the simulator's own writer."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

# Unit on the wire and the factor from it to the quantity's own unit. mS/cm is no registered SenML unit,
# so conductivity goes as S/m; practical salinity has no unit at all. Names from the IANA SenML registry.
UNITS: dict[str, tuple[str | None, float]] = {
    "temperature": ("Cel", 1.0),
    "conductivity": ("S/m", 10.0),
    "salinity": (None, 1.0),
    "oxygen": ("mg/l", 1.0),
    "oxygen_saturation": ("/100", 1.0),
    "air_pressure": ("hPa", 1.0),
}


@dataclass(frozen=True, slots=True)
class Record:
    """One measurement: resolved name, quantity, the number on the wire."""

    name: str
    quantity: str
    value: float


def pack(records: Sequence[Record], time_ms: int) -> bytes:
    """A pack of records of one time; base name and base time stand in the first record."""
    base = _common_base([record.name for record in records])
    entries: list[dict[str, Any]] = []
    for record in records:
        entry: dict[str, Any] = {"bn": base, "bt": time_ms / 1000} if not entries else {}
        entry["n"] = record.name[len(base) :]
        unit = UNITS[record.quantity][0]
        if unit is not None:
            entry["u"] = unit
        entry["v"] = record.value
        entries.append({key: value for key, value in entry.items() if value != "" or key == "v"})
    return json.dumps(entries, allow_nan=False, separators=(",", ":")).encode()


def _common_base(names: Sequence[str]) -> str:
    """What all names share up to a colon, so that base name + name gives each name back."""
    base = names[0].rpartition(":")[0]
    base = base + ":" if base else ""
    return base if all(name.startswith(base) for name in names) else ""
