"""The limits of a tolerance, one by one, as the engine checks them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum, StrEnum, auto
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rules.alarms.life_cycle import WORSE, Condition, Priority
from rules.rack.tolerance import Band, Tolerance

RATE_DEADBAND = 0.2
"""Share of a rate limit by which the rate must fall below it to count as over (project judgement)."""


class Level(StrEnum):
    """How far, or to which side: an alarm of one condition is as urgent as its most urgent level."""

    ADVISORY = "advisory"
    CRITICAL = "critical"
    LIKELY_ADVISORY = "likely_advisory"
    LIKELY_CRITICAL = "likely_critical"
    AWAY = "away"
    ABOVE = "above"
    BELOW = "below"
    DOUBTFUL = "doubtful"
    GAPS = "gaps"
    WORSE = "worse"


LIKELY = (Level.LIKELY_ADVISORY, Level.LIKELY_CRITICAL)
"""What lies beyond by its best value, and may be off by so much that it is not sure."""


class Basis(Enum):
    """What of a channel a limit is compared with."""

    VALUE = auto()
    LIKELY_VALUE = auto()
    RATE = auto()
    PROJECTION = auto()
    DIFFERENCE = auto()


@dataclass(frozen=True, slots=True)
class Limit:
    """One boundary: crossed when what it is compared with is above, or below, `value`.

    Where `past` is set, only a level beyond that counts: what comes back to its target is on the mend.
    `origin` is the key of the settings file that gave it, or built-in.
    """

    condition: Condition
    level: Level
    priority: Priority
    basis: Basis
    value: float
    above: bool
    deadband: float
    delays_ms: tuple[int, int]
    past: float | None = None
    origin: str = ""

    key: str = field(init=False)
    """What the state of this limit is kept under."""

    kind: str = field(init=False)
    """Limits of one kind are compared with the same, from the same side."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", f"{self.condition}:{self.level}")
        doubted = self.level is Level.LIKELY_CRITICAL
        object.__setattr__(self, "kind", f"{self.basis.name}:{self.above}:{doubted}")

    @property
    def of_moves(self) -> bool:
        """Return whether it is about how fast the water moves, not where it is or is going to be."""
        return self.basis is Basis.RATE

    @property
    def is_told_twice(self) -> bool:
        """Return whether what comes and goes is told twice: nothing that is critical, or will be soon."""
        return self.of_moves or (self.basis is Basis.VALUE and self.level is Level.ADVISORY)


FAULT_KEY = f"{Condition.PROBE_FAULT}:{Level.ADVISORY}"
DISAGREEMENT_KEY = f"{Condition.DISAGREEMENT}:{Level.ADVISORY}"
STUCK_KEY = f"{Condition.PROBE_FAULT}:{Level.DOUBTFUL}"
"""A probe that repeats itself for suspiciously long: still believed, but somebody should look by day."""
GAPS_KEY = f"{Condition.PROBE_FAULT}:{Level.GAPS}"
"""A probe of which many answers are missing one by one."""


@lru_cache(maxsize=256)
def limits_of(tolerance: Tolerance) -> tuple[Limit, ...]:
    """Return every limit that a tolerance sets, in a fixed order."""
    return (
        *_band_limits(tolerance),
        *_rate_limits(tolerance),
        *_projection_limits(tolerance),
        *_difference_limits(tolerance),
    )


def worst_priority(tolerance: Tolerance | None) -> Priority:
    """Return the priority of the worst alarm that a channel can raise; LOW where it can raise none."""
    limits = limits_of(tolerance) if tolerance else ()
    return max((limit.priority for limit in limits), default=Priority.LOW)


def asks_for_watch(tolerance: Tolerance) -> bool:
    """Return whether a tolerance sets a limit on the water itself, not only on probes among each other."""
    return any(limit.basis is not Basis.DIFFERENCE for limit in limits_of(tolerance))


def tells_limits(tolerance: Tolerance, error: float) -> bool:
    """Return whether a value that may be off by `error` still tells the worst limits from the target."""
    return all(error < distance for distance in distances_to_worst(tolerance))


def distances_to_worst(tolerance: Tolerance) -> list[float]:
    """Return how far the target is from the most urgent band limits; without one half the band's width."""
    limits = [limit for limit in limits_of(tolerance) if limit.basis is Basis.VALUE]
    worst = max((limit.priority for limit in limits), default=Priority.LOW)
    values = [limit.value for limit in limits if limit.priority == worst]
    if tolerance.target is None:
        return [(max(values) - min(values)) / 2] if len(values) > 1 else []
    return [abs(value - tolerance.target) for value in values]


def _band_limits(tolerance: Tolerance) -> Iterator[Limit]:
    """Every limit twice: where the value is beyond it for sure, and one priority lower where it likely is."""
    advisory = Priority.LOW if tolerance.mild else Priority.MEDIUM
    levels: tuple[tuple[Level, Level, Priority, Band, int], ...] = (
        (Level.ADVISORY, Level.LIKELY_ADVISORY, advisory, tolerance.advisory, tolerance.on_delay_ms),
        (
            Level.CRITICAL,
            Level.LIKELY_CRITICAL,
            Priority.CRITICAL,
            tolerance.critical,
            tolerance.critical_on_delay_ms,
        ),
    )
    for level, likely, priority, band, on_delay_ms in levels:
        for side, value in ((Condition.HIGH, band.high), (Condition.LOW, band.low)):
            if value is not None:
                sure = Limit(
                    band_condition(side, level),
                    level,
                    priority,
                    Basis.VALUE,
                    value,
                    above=side is Condition.HIGH,
                    deadband=tolerance.deadband,
                    delays_ms=(on_delay_ms, tolerance.off_delay_ms),
                    origin=tolerance.origin(f"{level}_{side}"),
                )
                yield sure
                lower = Priority(max(priority - 1, Priority.LOW))
                yield replace(sure, level=likely, priority=lower, basis=Basis.LIKELY_VALUE)


def band_condition(side: Condition, level: Level) -> Condition:
    """Return what it is to be beyond a band on one side (high or low): the worse of two if it is critical."""
    return WORSE[side] if level is Level.CRITICAL else side


def _past_target(tolerance: Tolerance, above: bool) -> float | None:
    """Return from where on a level is away from the target to one side; None where there is no target."""
    if tolerance.target is None:
        return None
    return tolerance.target + tolerance.deadband if above else tolerance.target - tolerance.deadband


def _rate_limits(tolerance: Tolerance) -> Iterator[Limit]:
    """A rate away from the target is urgent; one back to it is a strain for the animals, but no call.

    (Project judgement: a chiller that is repaired brings the water back faster than it should change,
    and woke people for that. The more urgent limit comes first, so that it is told at once.)
    """
    rates = (
        (Condition.RISING, tolerance.max_rise_per_hour, tolerance.origin("max_rise_per_hour")),
        (Condition.FALLING, tolerance.max_fall_per_hour, tolerance.origin("max_fall_per_hour")),
    )
    levels = ((Level.AWAY, Priority.HIGH), (Level.ADVISORY, Priority.MEDIUM))
    for condition, per_hour, origin in rates:
        if per_hour is None:
            continue
        above = condition is Condition.RISING
        for level, priority in levels:
            yield Limit(
                condition,
                level,
                priority,
                Basis.RATE,
                per_hour if above else -per_hour,
                above=above,
                deadband=RATE_DEADBAND * per_hour,
                delays_ms=(tolerance.on_delay_ms, tolerance.off_delay_ms),
                past=_past_target(tolerance, above) if level is Level.AWAY else None,
                origin=origin,
            )


def _projection_limits(tolerance: Tolerance) -> Iterator[Limit]:
    if not tolerance.lead_time_ms:
        return
    for level, value in ((Level.ABOVE, tolerance.critical.high), (Level.BELOW, tolerance.critical.low)):
        if value is not None:
            yield Limit(
                Condition.HEADING_OUT,
                level,
                Priority.HIGH,
                Basis.PROJECTION,
                value,
                above=level is Level.ABOVE,
                deadband=tolerance.deadband,
                delays_ms=(tolerance.on_delay_ms, tolerance.off_delay_ms),
                past=_past_target(tolerance, level is Level.ABOVE),
                origin=tolerance.origin("critical_high" if level is Level.ABOVE else "critical_low"),
            )


def _difference_limits(tolerance: Tolerance) -> Iterator[Limit]:
    if tolerance.max_disagreement is not None:
        yield Limit(
            Condition.DISAGREEMENT,
            Level.ADVISORY,
            Priority.MEDIUM,
            Basis.DIFFERENCE,
            tolerance.max_disagreement,
            above=True,
            deadband=RATE_DEADBAND * tolerance.max_disagreement,
            delays_ms=(tolerance.on_delay_ms, tolerance.off_delay_ms),
            origin=tolerance.origin("max_disagreement"),
        )


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a channel is judged by in one block: each limit with its value, on a ramp values (shape m).

    `ramp` (shape m) says at which readings the target moves as well, so that neither side of it is the
    way back; None where it never does. Where somebody is at work (`maintained`, shape m; None: nowhere), the
    water moves.
    """

    tolerance: Tolerance | None
    limits: Sequence[tuple[Limit, float | NDArray[np.float64]]]
    ramp: NDArray[np.bool_] | None = None
    maintained: NDArray[np.bool_] | None = None
