"""The ranges in which a formula holds."""

from dataclasses import dataclass
from functools import reduce

import numpy as np

from rules.water.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class Limits:
    """The range from `low` to `high`, both included."""

    low: float
    high: float


def blank(result: FloatArray, *checks: tuple[FloatArray, Limits]) -> FloatArray:
    """Return the results with NaN wherever a value that is checked has left its limits, or is NaN itself.

    Values are arrays of n values or of one.
    """
    within = [it for values, limits in checks for it in (values >= limits.low, values <= limits.high)]
    good = reduce(np.logical_and, within)
    return result if np.count_nonzero(good) == good.size else np.where(good, result, np.nan)


def settle(values: FloatArray, limits: Limits) -> FloatArray:
    """Return the values, those that only rounding (1e-9) has carried out of the limits put back on them."""
    nearest = np.clip(values, limits.low, limits.high)
    return np.where(np.abs(values - nearest) <= 1e-9, nearest, values)
