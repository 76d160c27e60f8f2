"""Why a computed value is missing: the range that an input or the result has left."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from rules.water.arrays import FloatArray

CodeArray = NDArray[np.uint8]


class Validity(IntEnum):
    """The reason why a result is NaN, or OK."""

    OK = 0
    MISSING = 1
    TEMPERATURE_OUT_OF_RANGE = 2
    CONDUCTIVITY_OUT_OF_RANGE = 3
    SALINITY_OUT_OF_RANGE = 4
    PRESSURE_OUT_OF_RANGE = 5


@dataclass(frozen=True, slots=True)
class Limits:
    """The range from `low` to `high`, both included, and what to call a value outside it."""

    low: float
    high: float
    outside: Validity


def judge(*checks: tuple[FloatArray, Limits]) -> CodeArray:
    """Return a Validity code per element: that of the first check that fails, MISSING where it met a NaN.

    Values are arrays of n values or of one; the codes are uint8, n long.
    """
    shape = np.broadcast_shapes(*(values.shape for values, _ in checks))
    codes = np.zeros(shape, dtype=np.uint8)
    for values, limits in reversed(checks):
        inside = (values >= limits.low) & (values <= limits.high)
        if not inside.all():
            reasons = np.where(np.isnan(values), Validity.MISSING, limits.outside)
            np.copyto(codes, reasons, where=~inside, casting="unsafe")
    return codes


def settle(values: FloatArray, limits: Limits) -> FloatArray:
    """Return the values, those that only rounding (1e-9) has carried out of the limits put back on them."""
    nearest = np.clip(values, limits.low, limits.high)
    return np.where(np.abs(values - nearest) <= 1e-9, nearest, values)


def blank(values: FloatArray, codes: CodeArray) -> FloatArray:
    """Return the values with NaN wherever the code is not OK."""
    return np.where(codes == Validity.OK, values, np.nan)
