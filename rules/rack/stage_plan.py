"""Which stage lives in a vessel, and how its limits move while one stage becomes another.

A stage step may take time: over its ramp every limit moves in a straight line from that of the
stage before to that of the stage after, so that a cooling programme carries its bands along and a
stage move at noon is not an alarm at one minute past.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rules.alarms.life_cycle import Condition
from rules.quantities import Quantity
from rules.rack.limits import Bounds, Level, band_condition, limits_of
from rules.rack.tolerance import Band, Tolerance

Tolerances = Mapping[str, Mapping[Quantity, Tolerance]]


@dataclass(frozen=True, slots=True)
class StageStep:
    """A planned move: at `at_ms` the vessel begins to become a home of `stage`, within `ramp_ms`."""

    at_ms: int
    stage: str
    ramp_ms: int = 0


@dataclass(frozen=True, slots=True)
class StageNow:
    """The stage in a vessel since `since_ms`; until `ramp_ms` later its limits come from those of `before`.

    A move in the middle of a ramp begins where the limits then are: `before` is on its ramp still.
    """

    stage: str
    since_ms: int
    before: "StageNow | None" = None
    ramp_ms: int = 0

    @property
    def settled_ms(self) -> int:
        """Return from when on the limits are those of the stage."""
        return self.since_ms + self.ramp_ms


class Moved(NamedTuple):
    """A vessel in which another stage has begun."""

    vessel: str
    before: StageNow
    now: StageNow


def move(now: StageNow, step: StageStep) -> StageNow:
    """Return the stage after a step."""
    before = now if step.at_ms < now.settled_ms else replace(now, before=None, ramp_ms=0)
    return StageNow(step.stage, step.at_ms, before, step.ramp_ms)


def steps_between(steps: Iterable[StageStep], after_ms: int, until_ms: int) -> list[StageStep]:
    """Return the planned steps after a time and up to another one, in the order in which they are due."""
    return sorted((step for step in steps if after_ms < step.at_ms <= until_ms), key=lambda step: step.at_ms)


def bounds(tolerances: Tolerances, now: StageNow, quantity: Quantity, time_ms: NDArray[np.int64]) -> Bounds:
    """Return what a channel of `quantity` is judged by at the times `time_ms` (shape m)."""
    tolerance = tolerances.get(now.stage, {}).get(quantity)
    if tolerance is None or now.before is None or time_ms[0] >= now.settled_ms:
        return _settled(tolerance)
    values = _values(tolerances, now, quantity, time_ms)
    limits = [(limit, values[limit.key]) for limit in limits_of(tolerance)]
    return Bounds(tolerance, limits, time_ms < now.settled_ms)


@lru_cache(maxsize=256)
def _settled(tolerance: Tolerance | None) -> Bounds:
    limits = limits_of(tolerance) if tolerance else ()
    return Bounds(tolerance, tuple((limit, float(limit.value)) for limit in limits))


def _values(
    tolerances: Tolerances, now: StageNow, quantity: Quantity, time_ms: NDArray[np.int64]
) -> dict[str, float | NDArray[np.float64]]:
    """Return each limit at the times; one that only the new stage has holds at once."""
    tolerance = tolerances.get(now.stage, {}).get(quantity)
    new = {limit.key: float(limit.value) for limit in limits_of(tolerance)} if tolerance else {}
    if now.before is None or time_ms[0] >= now.settled_ms:
        return dict(new)
    old = _values(tolerances, now.before, quantity, time_ms)
    over = time_ms >= now.settled_ms
    share = np.where(over, 1.0, np.clip((time_ms - now.since_ms) / max(now.ramp_ms, 1), 0.0, 1.0))
    return {
        key: np.where(share < 1.0, old[key] + (value - old[key]) * share, value) if key in old else value
        for key, value in new.items()
    }


def tolerance_at(tolerances: Tolerances, now: StageNow, quantity: Quantity, at_ms: int) -> Tolerance | None:
    """Return what is tolerated at one moment, target and bands where they are on a ramp, for people."""
    tolerance = tolerances.get(now.stage, {}).get(quantity)
    if tolerance is None or now.before is None or at_ms >= now.settled_ms:
        return tolerance
    values = _values(tolerances, now, quantity, np.array([at_ms], dtype=np.int64))

    def limit(side: Condition, level: Level) -> float | None:
        value = values.get(f"{band_condition(side, level)}:{level}")
        return None if value is None else float(np.ravel(value)[0])

    bands = {
        level: Band(limit(Condition.LOW, level), limit(Condition.HIGH, level))
        for level in (Level.ADVISORY, Level.CRITICAL)
    }
    target = _target_at(tolerances, now, quantity, at_ms)
    return replace(tolerance, target=target, advisory=bands[Level.ADVISORY], critical=bands[Level.CRITICAL])


def _target_at(tolerances: Tolerances, now: StageNow, quantity: Quantity, at_ms: int) -> float | None:
    tolerance = tolerances.get(now.stage, {}).get(quantity)
    new = tolerance.target if tolerance else None
    if new is None or now.before is None or at_ms >= now.settled_ms:
        return new
    old = _target_at(tolerances, now.before, quantity, at_ms)
    return new if old is None else old + (new - old) * (at_ms - now.since_ms) / now.ramp_ms
