"""The settings of probes that exist only as columns of a table: they speak for no wire."""

from collections.abc import Iterable
from typing import Any

from rules.quantities import Quantity

BUS = "columns"
SETTINGS: dict[str, Any] = {BUS: {"kind": "mqtt"}}
_MISSED_AFTER = 5
"""So many intervals without a reading are silence."""


def probe_of(name: str, quantities: Iterable[Quantity], every_s: float) -> dict[str, Any]:
    """Return the settings of a probe that gives these quantities each `every_s`, but for its vessel."""
    return {
        "bus": BUS,
        "topic": f"{BUS}/{name}",
        "format": "json",
        "every_s": every_s,
        "silent_after_s": _MISSED_AFTER * every_s,
        "fields": [{"quantity": each.value, "pointer": f"/{each}"} for each in quantities],
    }
