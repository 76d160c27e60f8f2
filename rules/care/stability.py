"""When a probe in a standard has settled: its newest readings no longer move."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

WINDOW = 6
"""So many of the newest readings are looked at (project judgement)."""

SHARE = 0.25
"""They may move by so much of what the probe may be off (project judgement)."""


@dataclass(frozen=True, slots=True)
class Settled:
    """The mean of the newest readings, how far it is known, and by how much they moved from half to half."""

    mean: float
    uncertainty: float
    moved: float

    def within(self, allowed: float) -> bool:
        """Return whether they stand still, for a probe that may be off by `allowed`."""
        return abs(self.moved) <= SHARE * allowed and self.uncertainty <= 2.0 * SHARE * allowed


def settled(values: Sequence[float]) -> Settled | None:
    """Return how the newest of the readings stand, oldest first; None where there are too few."""
    newest = values[-WINDOW:]
    if len(newest) < WINDOW:
        return None
    half = WINDOW // 2
    mean = math.fsum(newest) / WINDOW
    moved = (math.fsum(newest[half:]) - math.fsum(newest[:half])) / half
    deviation = math.sqrt(math.fsum((value - mean) ** 2 for value in newest) / (WINDOW - 1))
    return Settled(mean, 2.0 * deviation / math.sqrt(WINDOW), moved)
