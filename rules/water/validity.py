"""The ranges in which a formula holds."""

from dataclasses import dataclass

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
    for values, limits in checks:
        result = np.where((values >= limits.low) & (values <= limits.high), result, np.nan)
    return result


def settle(values: FloatArray, limits: Limits) -> FloatArray:
    """Return the values, those that only rounding (1e-9) has carried out of the limits put back on them."""
    nearest = np.clip(values, limits.low, limits.high)
    return np.where(np.abs(values - nearest) <= 1e-9, nearest, values)
