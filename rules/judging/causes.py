"""What alarms share: alarms with the same cause are one problem, told once (see `rules.alarms.book`)."""

from rules.alarms.life_cycle import Condition
from rules.judging.silence import Scope
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.limits import Level
from rules.rack.plan import RackPlan

_FAMILY = {Quantity.OXYGEN_SATURATION: Quantity.OXYGEN, Quantity.CONDUCTIVITY: Quantity.SALINITY}
"""Quantities that move together, being the same thing in other units."""

_UPWARDS = (Condition.HIGH_HIGH, Condition.HIGH, Condition.RISING)


def water_cause(plan: RackPlan, channel: Channel, condition: Condition, level: Level) -> str:
    """Return what a condition shares with others: of the water where (a shared supply or the vessel), what,
    which way; of a probe, that it is this probe.
    """
    family = _FAMILY.get(channel.quantity, channel.quantity)
    if condition is Condition.SILENT:
        return silence_cause(channel, Scope.PROBE)
    if condition is Condition.PROBE_FAULT:
        return f"probe/{channel.source.probe}/fault"
    if condition is Condition.DISAGREEMENT:
        return f"{channel.vessel}/{family}/disagreement"
    where = next(
        (
            supply.name
            for supply in plan.supplies
            if channel.vessel in supply.vessels and _FAMILY.get(supply.quantity, supply.quantity) is family
        ),
        channel.vessel,
    )
    up = level is Level.ABOVE if condition is Condition.HEADING_OUT else condition in _UPWARDS
    return f"{where}/{family}/{'up' if up else 'down'}"


def silence_cause(channel: Channel, scope: Scope) -> str:
    """Return what a silence shares: all buses or the bus where nothing on it answers, else the probe."""
    if scope is Scope.RACK:
        return "rack/silent"
    return f"bus/{channel.source.bus}" if scope is Scope.BUS else f"probe/{channel.source.probe}/silent"
