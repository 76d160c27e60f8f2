"""In-situ conductivity of a probe that reports specific conductance, its reading compensated to 25 °C.

Practical salinity takes the conductivity at the water's own temperature. A reading compensated to 25 °C must
first be put back by the probe's own algorithm; that is exact, whatever the algorithm's fit to seawater.
"""

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from rules.errors import SeawaterError
from rules.water.arrays import FloatArray, columns, silent_outside
from rules.water.validity import Limits, blank

# ISO 7888:1985: share of the conductivity that follows the water's viscosity, and with which power
_SHARE = 0.962144
_POWER = 0.965078

LINEAR_TEMPERATURE = Limits(-2.0, 40.0)
ISO_7888_TEMPERATURE = Limits(0.0, 35.9)


class Compensation(StrEnum):
    """How a probe turns the conductivity that it measures into one at 25 °C."""

    NONE = "none"
    LINEAR = "linear"
    ISO_7888 = "iso-7888"


@silent_outside
def in_situ_conductivity(
    reading: ArrayLike, temperature_c: ArrayLike, compensation: Compensation, per_kelvin: float = 0.0
) -> FloatArray:
    """Return the in-situ conductivity of a reading, whatever the probe did to it; n values or one for all.

    Reading and result in the same unit; temperature in °C, -2 to 40 where the reading is compensated by a
    straight line, 0 to 35.9 by ISO 7888 (non-linear, "nLF"), NaN outside. `per_kelvin` is the coefficient of
    the line as a fraction: 0.02 for 2 % per kelvin. SeawaterError for one that is not from 0 to 0.05.
    """
    if compensation is Compensation.NONE:
        return columns(reading=reading)[0]
    given, t = columns(specific_conductance=reading, temperature=temperature_c)
    if compensation is Compensation.ISO_7888:
        return given / iso_7888_factor(t)
    if not 0.0 <= per_kelvin <= 0.05:
        raise SeawaterError(
            f"coefficient {per_kelvin:g} per kelvin: give a fraction up to 0.05, as 0.02 for 2 %/K"
        )
    return blank(given * (1.0 + per_kelvin * (t - 25.0)), (t, LINEAR_TEMPERATURE))


@silent_outside
def iso_7888_factor(temperature_c: ArrayLike) -> FloatArray:
    """Return f25 of ISO 7888:1985, the conductivity at 25 °C over that at a temperature; n values, no unit.

    Temperature in °C, 0 to 35.9, NaN outside. This is the formula behind the standard's table, scaled to be
    1 at 25 °C. It gives the table to its last digit, so a probe that looks up the table agrees within 0.0005.
    """
    (t,) = columns(temperature=temperature_c)
    factor = _relative_resistance(t) / _relative_resistance(np.array([25.0]))
    return blank(factor, (t, ISO_7888_TEMPERATURE))


def _relative_resistance(t: FloatArray) -> FloatArray:
    """Return the resistance of natural water relative to 20 °C."""
    viscosity = np.exp(231.17628 / (t + 86.39123) - 1.992186) - 0.198058  # water's, relative to 20 °C
    return (1.0 - _SHARE) + _SHARE * np.exp(_POWER * np.log(viscosity))
