"""When a probe in a standard has settled: its newest readings no longer move."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

WINDOW = 6
"""So many of the newest readings are looked at, or more (project judgement)."""

SPAN_MS = 30_000
"""In a standard over no less time, however often a probe is read: one that takes 30 s for 63 % of a step
is then nearer than half of what it may be off (common practice, no source)."""

SHARE = 0.25
"""They may move by so much of what the probe may be off (project judgement)."""


@dataclass(frozen=True, slots=True)
class Settled:
    """The mean of `count` readings, how far it is known, and by how much they moved from half to half."""

    mean: float
    uncertainty: float
    moved: float
    count: int

    def within(self, allowed: float) -> bool:
        """Return whether they stand still, for a probe that may be off by `allowed`."""
        return abs(self.moved) <= SHARE * allowed and self.uncertainty <= 2.0 * SHARE * allowed


def over_the_span(reports: Sequence[tuple[int, float]]) -> list[float]:
    """Return the newest values to look at in a standard, of (ms, value); none before its time."""
    first = sum(1 for time_ms, _ in reports if time_ms <= reports[-1][0] - SPAN_MS) - 1
    return [value for _, value in reports[min(first, len(reports) - WINDOW) :]] if first >= 0 else []


def settled(newest: Sequence[float]) -> Settled | None:
    """Return how the newest readings stand, oldest first; None where there are too few."""
    count = len(newest)
    if count < WINDOW:
        return None
    half, mean = count // 2, math.fsum(newest) / count
    moved = (math.fsum(newest[-half:]) - math.fsum(newest[:half])) / half
    deviation = math.sqrt(math.fsum((value - mean) ** 2 for value in newest) / (count - 1))
    return Settled(mean, 2.0 * deviation / math.sqrt(count), moved, count)
