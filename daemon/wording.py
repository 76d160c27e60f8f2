"""An alarm in words: short enough for one text message, in units that the culturist uses."""

from datetime import UTC, datetime, tzinfo

from rules.alarms import Condition, Priority, State, Trigger
from rules.quantities import Quantity, unit_of
from rules.readings import AlarmEvent

SHAPES = {Priority.LOW: "·", Priority.MEDIUM: "▲", Priority.HIGH: "◆", Priority.CRITICAL: "■"}
"""A priority is shown by word and shape as well as by colour."""

_DECIMALS = {
    Quantity.TEMPERATURE: 2,
    Quantity.CONDUCTIVITY: 2,
    Quantity.SALINITY: 2,
    Quantity.OXYGEN: 2,
    Quantity.OXYGEN_SATURATION: 1,
    Quantity.AIR_PRESSURE: 1,
}


def number(value: float, quantity: Quantity) -> str:
    """Write a value with as many decimals as its probes are good for."""
    return f"{value:.{_DECIMALS[quantity]}f}"


def amount(value: float, quantity: Quantity, per: str = "") -> str:
    """Write a value with its unit: 19.24 °C, 33.10, 104.2 %."""
    return f"{number(value, quantity)} {unit_of(quantity)}".rstrip() + per


def quantity_of(channel: str) -> Quantity:
    """Return the quantity of a channel by its name, such as kreisel-1/temperature."""
    return Quantity(channel.split("/")[1])


def label(quantity: Quantity) -> str:
    """Write a quantity as people say it."""
    return quantity.value.replace("_", " ")


def clock_time(time_ms: int, zone: tzinfo = UTC) -> str:
    """Write a moment as hours and minutes where the rack stands."""
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%H:%M}"


def iso_time(time_ms: int) -> str:
    """Write a moment as ISO 8601 in UTC, to the millisecond."""
    return (
        datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    )


def event_text(event: AlarmEvent, zone: tzinfo = UTC) -> str:
    """Say what happened: where, what, how far out, how fast, since when."""
    what = f"{event.vessel} {label(quantity_of(event.channel))} {_said(event.condition)}"
    if event.trigger is Trigger.ACKNOWLEDGED:
        return f"{what}: acknowledged by {event.who}"
    if event.trigger is Trigger.RETURNED:
        unseen = "" if event.state is State.NORMAL else "; nobody has acknowledged it yet"
        return f"{what}: over{unseen}"
    since = f"since {clock_time(event.since_ms, zone)}"
    return f"{what}{_numbers(event)}, {since} ({event.priority.word})"


def _said(condition: Condition) -> str:
    return condition.value.replace("_", " ")


def _numbers(event: AlarmEvent) -> str:
    quantity = quantity_of(event.channel)
    per = "/h" if event.condition in (Condition.RISING, Condition.FALLING) else ""
    text = "" if event.value is None else f" {amount(event.value, quantity, per)}"
    if event.limit is not None:
        text += f", limit {amount(event.limit, quantity, per)}"
    if event.rate_per_hour is not None and not per:
        text += f", moving {event.rate_per_hour:+.2f}/h"
    return text
