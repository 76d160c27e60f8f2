"""Readings and alarm events in InfluxDB's line protocol (version 2 of the write interface).

    reading,probe=k1-ct,quantity=temperature,rack=north,vessel=k1 value=15.25 1760000000000000000
    alarm,condition=high,quantity=temperature,rack=north,vessel=k1 priority=3.0,standing=1.0,... <time>

Tags are few and bounded: they name parts of the rack. Every number is written as a float, since
a field keeps the type of its first value for ever. Times are nanoseconds; events of the same
millisecond stay apart by the nanosecond of their number.
"""

import math
from collections.abc import Mapping

from daemon.words import quantity_if_any
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import State

NS_PER_MS = 1_000_000


def reading_prefix(rack: str, probe: str, quantity: str, vessel: str) -> str:
    """Return what every reading of a source begins with."""
    return f"reading{_tags({'probe': probe, 'quantity': quantity, 'rack': rack, 'vessel': vessel})} value="


def reading_line(prefix: str, value: float, utc_ms: int) -> str | None:
    """Return the line of a reading; None where the value is no finite number, which has no place there."""
    return f"{prefix}{value!r} {utc_ms * NS_PER_MS}" if math.isfinite(value) else None


def event_line(rack: str, event: AlarmEvent) -> str:
    """Return the line of an alarm event whose times are UTC."""
    quantity = quantity_if_any(event)
    tags = {"condition": event.condition, "rack": rack, "vessel": event.vessel}
    tags |= {"quantity": quantity} if quantity else {"cause": event.channel}
    fields = {
        "number": repr(float(event.number)),
        "priority": repr(float(event.priority)),
        "standing": "0.0" if event.state is State.NORMAL else "1.0",
        "event": _text(event.trigger),
        "state": _text(event.state),
    }
    value = event.evidence.value
    if value is not None and math.isfinite(value):
        fields["value"] = repr(float(value))
    written = ",".join(f"{key}={value}" for key, value in fields.items())
    return f"alarm{_tags(tags)} {written} {event.at_ms * NS_PER_MS + event.number % NS_PER_MS}"


def _tags(tags: Mapping[str, str]) -> str:
    return "".join(f",{key}={_escaped(value)}" for key, value in sorted(tags.items()))


def _escaped(value: str) -> str:
    """Escape what parts tags; a line break or a backslash at the end cannot be escaped, and goes."""
    plain = " ".join(str(value).splitlines()).rstrip("\\")
    for mark in (",", "=", " "):
        plain = plain.replace(mark, f"\\{mark}")
    return plain


def _text(value: str) -> str:
    escaped = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
