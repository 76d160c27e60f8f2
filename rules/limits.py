"""The limits of a tolerance, one by one, as the engine checks them."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from rules.alarms import Condition, Priority
from rules.tolerance import Band, Tolerance

RATE_DEADBAND = 0.2
"""Share of a rate limit by which the rate must fall below it to count as over (project judgement)."""


class Level(StrEnum):
    """How far out: an alarm of one condition is at the worst level that it has reached."""

    ADVISORY = "advisory"
    CRITICAL = "critical"


@dataclass(frozen=True, slots=True)
class Limit:
    """One boundary: crossed when the value (or its rate per hour) is above, or below, `value`."""

    condition: Condition
    level: Level
    priority: Priority
    value: float
    above: bool
    of_rate: bool
    deadband: float
    delays_ms: tuple[int, int]

    @property
    def key(self) -> str:
        """Return what the state of this limit is kept under."""
        return f"{self.condition}:{self.level}"


def limits_of(tolerance: Tolerance) -> list[Limit]:
    """Return every limit that a tolerance sets, in a fixed order."""
    return [*_band_limits(tolerance), *_rate_limits(tolerance)]


def worst_priority(tolerance: Tolerance | None) -> Priority:
    """Return the priority of the worst alarm that a channel can raise; LOW where it can raise none."""
    limits = limits_of(tolerance) if tolerance else []
    return max((limit.priority for limit in limits), default=Priority.LOW)


def _band_limits(tolerance: Tolerance) -> Iterator[Limit]:
    levels: tuple[tuple[Level, Priority, Band, int], ...] = (
        (Level.ADVISORY, Priority.MEDIUM, tolerance.advisory, tolerance.on_delay_ms),
        (Level.CRITICAL, Priority.CRITICAL, tolerance.critical, tolerance.critical_on_delay_ms),
    )
    for level, priority, band, on_delay_ms in levels:
        delays = (on_delay_ms, tolerance.off_delay_ms)
        if band.high is not None:
            yield Limit(Condition.HIGH, level, priority, band.high, True, False, tolerance.deadband, delays)
        if band.low is not None:
            yield Limit(Condition.LOW, level, priority, band.low, False, False, tolerance.deadband, delays)


def _rate_limits(tolerance: Tolerance) -> Iterator[Limit]:
    for condition, per_hour in (
        (Condition.RISING, tolerance.max_rise_per_hour),
        (Condition.FALLING, tolerance.max_fall_per_hour),
    ):
        if per_hour is None:
            continue
        above = condition is Condition.RISING
        yield Limit(
            condition,
            Level.ADVISORY,
            Priority.HIGH,
            per_hour if above else -per_hour,
            above,
            True,
            RATE_DEADBAND * per_hour,
            (tolerance.on_delay_ms, tolerance.off_delay_ms),
        )
