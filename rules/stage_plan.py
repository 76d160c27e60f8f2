"""Which stage lives in a vessel, and how its limits move while one stage becomes another.

A stage step may take time: over its ramp every limit moves in a straight line from that of the
stage before to that of the stage after, so that a cooling programme carries its bands along and a
stage move at noon is not an alarm at one minute past.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.judgement import Bounds
from rules.limits import Limit, limits_of
from rules.quantities import Quantity
from rules.tolerance import Tolerance

Tolerances = Mapping[str, Mapping[Quantity, Tolerance]]


@dataclass(frozen=True, slots=True)
class StageStep:
    """A planned move: at `at_ms` the vessel begins to become a home of `stage`, within `ramp_ms`."""

    at_ms: int
    stage: str
    ramp_ms: int = 0


@dataclass(frozen=True, slots=True)
class StageNow:
    """The stage in a vessel since `since_ms`; until `ramp_ms` later its limits come from `before`."""

    stage: str
    since_ms: int
    before: str = ""
    ramp_ms: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return asdict(self)


def move(now: StageNow, step: StageStep) -> StageNow:
    """Return the stage after a step."""
    return StageNow(step.stage, step.at_ms, now.stage, step.ramp_ms)


def newest_step(steps: Sequence[StageStep], at_ms: int) -> StageStep | None:
    """Return the last planned step up to `at_ms`; None where there is none."""
    return max((step for step in steps if step.at_ms <= at_ms), key=lambda step: step.at_ms, default=None)


def bounds(tolerances: Tolerances, now: StageNow, quantity: Quantity, time_ms: NDArray[np.int64]) -> Bounds:
    """Return what a channel of `quantity` is judged by at the times `time_ms` (shape m)."""
    tolerance = tolerances.get(now.stage, {}).get(quantity)
    before = tolerances.get(now.before, {}).get(quantity)
    limits = limits_of(tolerance) if tolerance else ()
    if before is None or time_ms[0] >= now.since_ms + now.ramp_ms:
        return Bounds(tolerance, [(limit, float(limit.value)) for limit in limits])
    over = time_ms >= now.since_ms + now.ramp_ms
    share = np.where(over, 1.0, np.clip((time_ms - now.since_ms) / max(now.ramp_ms, 1), 0.0, 1.0))
    old = {limit.key: limit for limit in limits_of(before)}
    return Bounds(tolerance, [(limit, _moving(old.get(limit.key), limit, share)) for limit in limits], ~over)


def _moving(old: Limit | None, new: Limit, share: NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Return a limit on its way from `old`, at each share of the ramp; a new limit holds at once."""
    if old is None:
        return float(new.value)
    return np.where(share < 1.0, old.value + (new.value - old.value) * share, new.value)
