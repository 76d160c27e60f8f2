"""How far salinity and saturation can be trusted, from the accuracy stated for the probes.

First-order propagation by JCGM 100:2008 (GUM), equation 10, with the sensitivities as central differences.
Errors of different inputs count as independent. Give every accuracy at the same level of confidence: the
result is at that level.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rules.water import oxygen, seawater
from rules.water.arrays import FloatArray, columns, silent_outside
from rules.water.validity import Limits


@dataclass(frozen=True, slots=True)
class _Input:
    """An input with its accuracy; `step` is small beside the formula's curvature, large beside rounding."""

    values: FloatArray
    accuracy: FloatArray
    step: float
    limits: Limits | None = None

    def neighbours(self) -> tuple[FloatArray, FloatArray]:
        below, above = self.values - self.step, self.values + self.step
        if self.limits is None:
            return below, above
        return np.maximum(below, self.limits.low), np.minimum(above, self.limits.high)


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
    C, t, C_accuracy, t_accuracy = columns(
        conductivity=conductivity_ms_cm,
        temperature=temperature_c,
        conductivity_accuracy=conductivity_accuracy_ms_cm,
        temperature_accuracy=temperature_accuracy_c,
    )
    return _propagate(seawater.practical_salinity, _conductivity(C, C_accuracy), _temperature(t, t_accuracy))


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
    O2, t, S, P, O2_accuracy, t_accuracy, S_accuracy, P_accuracy = columns(
        oxygen=oxygen_mg_l,
        temperature=temperature_c,
        salinity=salinity,
        air_pressure=air_pressure_hpa,
        oxygen_accuracy=oxygen_accuracy_mg_l,
        temperature_accuracy=temperature_accuracy_c,
        salinity_accuracy=salinity_accuracy,
        air_pressure_accuracy=air_pressure_accuracy_hpa,
    )
    return _propagate(
        oxygen.oxygen_saturation_percent,
        _oxygen(O2, O2_accuracy),
        _temperature(t, t_accuracy),
        _Input(S, S_accuracy, 0.01, oxygen.SALINITY),
        _air_pressure(P, P_accuracy),
    )


def saturation_uncertainty_with_conductivity(
    oxygen_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    conductivity_ms_cm: ArrayLike,
    air_pressure_hpa: ArrayLike,
    *,
    oxygen_accuracy_mg_l: ArrayLike,
    temperature_accuracy_c: ArrayLike,
    conductivity_accuracy_ms_cm: ArrayLike,
    air_pressure_accuracy_hpa: ArrayLike,
) -> FloatArray:
    """Return the uncertainty (percentage points) of saturation whose salinity comes from conductivity.

    As `saturation_uncertainty`, but an error of the one thermometer acts on salinity and on solubility at
    once; the two effects pull against each other, which makes the result smaller.
    """
    O2, t, C, P, O2_accuracy, t_accuracy, C_accuracy, P_accuracy = columns(
        oxygen=oxygen_mg_l,
        temperature=temperature_c,
        conductivity=conductivity_ms_cm,
        air_pressure=air_pressure_hpa,
        oxygen_accuracy=oxygen_accuracy_mg_l,
        temperature_accuracy=temperature_accuracy_c,
        conductivity_accuracy=conductivity_accuracy_ms_cm,
        air_pressure_accuracy=air_pressure_accuracy_hpa,
    )
    return _propagate(
        _saturation_by_conductivity,
        _oxygen(O2, O2_accuracy),
        _temperature(t, t_accuracy),
        _conductivity(C, C_accuracy),
        _air_pressure(P, P_accuracy),
    )


def _saturation_by_conductivity(O2: FloatArray, t: FloatArray, C: FloatArray, P: FloatArray) -> FloatArray:
    return oxygen.oxygen_saturation_percent(O2, t, seawater.practical_salinity(C, t), P)


@silent_outside
def _propagate(function: Callable[..., FloatArray], *inputs: _Input) -> FloatArray:
    values = [given.values for given in inputs]
    at_point = function(*values)
    variance = np.zeros(at_point.shape)
    for position, given in enumerate(inputs):
        below, above = given.neighbours()
        lower = function(*values[:position], below, *values[position + 1 :])
        upper = function(*values[:position], above, *values[position + 1 :])
        variance = variance + np.square((upper - lower) / (above - below) * given.accuracy)
    return np.where(np.isnan(at_point), np.nan, np.sqrt(variance))


def _temperature(values: FloatArray, accuracy: FloatArray) -> _Input:
    return _Input(values, accuracy, 0.01, seawater.TEMPERATURE)


def _conductivity(values: FloatArray, accuracy: FloatArray) -> _Input:
    return _Input(values, accuracy, 0.01, seawater.CONDUCTIVITY)


def _oxygen(values: FloatArray, accuracy: FloatArray) -> _Input:
    return _Input(values, accuracy, 0.01)


def _air_pressure(values: FloatArray, accuracy: FloatArray) -> _Input:
    return _Input(values, accuracy, 0.1, oxygen.AIR_PRESSURE)
