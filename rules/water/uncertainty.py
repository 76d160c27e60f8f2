"""How far salinity and saturation can be trusted, from the accuracy stated for the probes.

First-order propagation by JCGM 100:2008 (GUM), equation 10, with the sensitivities as central differences.
Errors of different inputs count as independent. Give every accuracy at the same level of confidence: the
result is at that level.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from rules.water import oxygen, seawater
from rules.water.arrays import FloatArray, columns, silent_outside

_STEPS = {
    "oxygen": (0.01, -np.inf, np.inf),
    "oxygen_saturation": (0.01, -np.inf, np.inf),
    "temperature": (0.01, seawater.TEMPERATURE.low, seawater.TEMPERATURE.high),
    "conductivity": (0.01, seawater.CONDUCTIVITY.low, seawater.CONDUCTIVITY.high),
    "salinity": (0.01, oxygen.SALINITY.low, oxygen.SALINITY.high),
    "air_pressure": (0.1, oxygen.AIR_PRESSURE.low, oxygen.AIR_PRESSURE.high),
}
"""For each input a step, small beside the formula's curvature and large beside rounding, and its range."""


def salinity_uncertainty(
    conductivity_ms_cm: ArrayLike,
    temperature_c: ArrayLike,
    *,
    conductivity_accuracy_ms_cm: ArrayLike,
    temperature_accuracy_c: ArrayLike,
) -> FloatArray:
    """Return the uncertainty of practical salinity from conductivity, n values or one for all.

    Inputs and range as in `practical_salinity`; accuracies in the unit of their input. NaN outside.
    """
    return propagated(
        seawater.practical_salinity,
        ("conductivity", conductivity_ms_cm, conductivity_accuracy_ms_cm),
        ("temperature", temperature_c, temperature_accuracy_c),
    )


def saturation_uncertainty(
    oxygen_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    salinity: ArrayLike,
    air_pressure_hpa: ArrayLike,
    *,
    oxygen_accuracy_mg_l: ArrayLike,
    temperature_accuracy_c: ArrayLike,
    salinity_accuracy: ArrayLike,
    air_pressure_accuracy_hpa: ArrayLike,
) -> FloatArray:
    """Return the uncertainty (percentage points) of oxygen saturation, n values or one for all.

    Inputs and range as in `oxygen_saturation_percent`; accuracies in the unit of their input. The salinity
    is one that was measured or set apart from the thermometer. NaN outside.
    """
    return propagated(
        oxygen.oxygen_saturation_percent,
        ("oxygen", oxygen_mg_l, oxygen_accuracy_mg_l),
        ("temperature", temperature_c, temperature_accuracy_c),
        ("salinity", salinity, salinity_accuracy),
        ("air_pressure", air_pressure_hpa, air_pressure_accuracy_hpa),
    )


@silent_outside
def propagated(function: Callable[..., FloatArray], *inputs: tuple[str, ArrayLike, ArrayLike]) -> FloatArray:
    """Return the uncertainty of `function` of the inputs: each a quantity, its n values and its accuracy."""
    named: dict[str, ArrayLike] = {}
    for place, (name, value, accuracy) in enumerate(inputs, 1):
        named |= {f"{name} {place}": value, f"accuracy of {name} {place}": accuracy}
    arrays = columns(**named)
    values, accuracies = arrays[::2], arrays[1::2]
    at_point = function(*values)
    variance = np.zeros(at_point.shape)
    for position, ((name, *_), accuracy) in enumerate(zip(inputs, accuracies, strict=True)):
        step, low, high = _STEPS[name]
        below, above = np.maximum(values[position] - step, low), np.minimum(values[position] + step, high)
        lower = function(*values[:position], below, *values[position + 1 :])
        upper = function(*values[:position], above, *values[position + 1 :])
        variance = variance + np.square((upper - lower) / (above - below) * accuracy)
    return np.where(np.isnan(at_point), np.nan, np.sqrt(variance))
