"""A channel's readings in one block, as they go from step to step of the judgement."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.quantities import Quantity

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """A channel's readings in one block: `index` (into the block), `time_ms`, `value`, shapes m.

    Of a derived one that lacks an input: `error` is how far the value may be off for that (0 where nothing
    lacks), `elsewhere` where an input was never measured in the vessel, `lacking` which input lacks where.
    `turns` is by how much an hour a lagging thermometer may make a derived value rise or fall.
    `base` is what it was before a swift move of its own (`rules.quality.swift`), NaN where it makes none.
    `suspect` is where an input is, or the temperature by which the probe itself corrects its value.
    """

    index: NDArray[np.intp]
    time_ms: NDArray[np.int64]
    value: Array
    error: Array | None = None
    suspect: NDArray[np.bool_] | None = None
    elsewhere: NDArray[np.bool_] | None = None
    lacking: Mapping[Quantity, NDArray[np.bool_]] = field(default_factory=dict)
    base: Array | None = None
    turns: Array | None = None

    def lacks(self, index: int) -> tuple[Quantity, ...]:
        """Return what is not measured now at one reading."""
        return tuple(quantity for quantity, where in self.lacking.items() if where[index])


@dataclass(frozen=True, slots=True)
class Samples:
    """One good reading an hour of the last day: the hours (since the epoch) and the values."""

    hour: tuple[int, ...] = ()
    value: tuple[float, ...] = ()


SAMPLES_KEPT = 24


def without(lacks: tuple[Quantity, ...], error: float) -> str:
    """Say in words how far a value may be off for want of inputs that are not measured now."""
    return f"off by up to {error:.2g}, no {' and '.join(lacks)} now".replace("_", " ")
