"""The kinds of scripted event, what each needs, and which events act at a time."""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from simulator.scenario.scenario import Event


@dataclass(frozen=True, slots=True)
class Kind:
    """What an event of a kind acts on (exactly one of `targets`) and which keys it needs or may have."""

    targets: tuple[str, ...] = ()
    target_optional: bool = False
    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()


KINDS: dict[str, Kind] = {
    "chiller_fails": Kind(("vessel", "loop")),
    "top_off_stuck_open": Kind(("vessel",)),
    "air_stops": Kind(("vessel",), target_optional=True),  # without a vessel: the rack's air supply
    "fine_bubbles": Kind(("vessel",), needs=("percent",)),
    "power_dip": Kind(may=("probes_too",)),
    "water_change": Kind(("vessel",), needs=("fraction", "salinity", "temperature_c", "lasts_min")),
    "heat_wave": Kind(needs=("rise_c", "ramp_min")),
    "probe_in_air": Kind(("probe",)),
    "probe_stuck": Kind(("probe",), may=("quantity",)),
    "probe_spike": Kind(("probe",), needs=("quantity", "size", "lasts_min")),
    "probe_fouling": Kind(("probe",), needs=("quantity", "per_day")),
    "probe_silent": Kind(("probe",)),
    "probe_garbled": Kind(("probe",)),
    "bus_unplugged": Kind(("bus",)),
}


@dataclass(frozen=True, slots=True)
class Change:
    """The beginning or the end of an event, for whoever watches."""

    time_ms: int
    phase: str
    event: Event

    def as_record(self) -> dict[str, Any]:
        """The line's content: kind, phase, time and every key that the event states."""
        stated = {field.name: getattr(self.event, field.name) for field in fields(Event)}
        details = {
            key: value for key, value in stated.items() if value is not None and key not in ("kind", "at_min")
        }
        return {"event": self.event.kind, "phase": self.phase, "time_ms": self.time_ms, **details}


def begin_ms(event: Event, start_ms: int) -> int:
    """UTC milliseconds at which an event begins."""
    return start_ms + round(event.at_min * 60_000)


def end_ms(event: Event, start_ms: int) -> int | None:
    """UTC milliseconds at which an event is over, or None for one that stays."""
    return None if event.lasts_min is None else begin_ms(event, start_ms) + round(event.lasts_min * 60_000)


def changes(events: tuple[Event, ...], start_ms: int) -> list[Change]:
    """Every beginning and end in order of time."""
    found = [Change(begin_ms(event, start_ms), "begins", event) for event in events]
    for event in events:
        over = end_ms(event, start_ms)
        if over is not None:
            found.append(Change(over, "ends", event))
    return sorted(found, key=lambda change: change.time_ms)


def acting(events: tuple[Event, ...], start_ms: int, time_ms: int) -> Iterator[Event]:
    """The events that act at a time: from their beginning to just before their end."""
    for event in events:
        over = end_ms(event, start_ms)
        if begin_ms(event, start_ms) <= time_ms and (over is None or time_ms < over):
            yield event
