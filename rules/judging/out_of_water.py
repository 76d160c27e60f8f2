"""When a probe is out of the water: its conductivity cell tells, for everything that the probe measures."""

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from rules.judging.channel import Series
from rules.quantities import Quantity
from rules.rack.plan import Source

DRY_BELOW_MS_CM = 1.0
"""Salinity 0.5: no sea water conducts less. A film on a cell in air leaves some 0.01 mS/cm, and 0.2 to 0.8
is a probe being rinsed in fresh water (common practice, no source)."""

SETTLES_WITHIN_MS = 120_000
"""A probe that is back in the water is not believed before (common practice, no source: eight times the
15 s in which a slow thermometer goes 63 % of the way)."""

Bools = NDArray[np.bool_]


def cells_of(sources: Iterable[Source]) -> Mapping[str, int]:
    """Return the source that is the conductivity cell of each probe that has one."""
    return {source.probe: source.id for source in sources if source.quantity is Quantity.CONDUCTIVITY}


def last_dry(cell: Series, before_ms: int) -> NDArray[np.int64]:
    """Return, for the time before each reading of a cell and after the last, when it was last found dry.

    `cell` are its readings as it gives them (shape n), `before_ms` when it was last dry before them. The
    result has shape n + 1: element k is what is known after k readings.
    """
    dry_ms = np.where(cell.value < DRY_BELOW_MS_CM, cell.time_ms, np.int64(-1))
    known: NDArray[np.int64] = np.maximum.accumulate(np.concatenate([[before_ms], dry_ms]))
    return known


def dry_at(here: NDArray[np.intp], time_ms: NDArray[np.int64], cell: Series, before_ms: int) -> Bools | None:
    """Return whether the probe was out of the water, or just back, at each of its readings (shape m).

    `here` and `time_ms` are where in the block these are and when they were measured. None where the
    probe never was.
    """
    dry_ms = last_dry(cell, before_ms)
    if dry_ms[-1] < 0 or time_ms[0] - dry_ms[-1] > SETTLES_WITHIN_MS:
        return None
    known = dry_ms[np.searchsorted(cell.index, here, side="right")]
    dry: Bools = (known >= 0) & (time_ms - known <= SETTLES_WITHIN_MS)
    return dry
