"""How far a value can be trusted that is made of others, from the accuracy stated for the probes.

First-order propagation by JCGM 100:2008 (GUM), equation 10, with the sensitivities as central differences.
Errors of different inputs count as independent. Give every accuracy at the same level of confidence: the
result is at that level.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from rules.water.arrays import FloatArray, columns, silent_outside

_STEP = 0.01
_STEP_HPA = 0.1
"""Small beside the curvature of any formula here, and large beside rounding."""


@silent_outside
def propagated(function: Callable[..., FloatArray], *inputs: tuple[str, ArrayLike, ArrayLike]) -> FloatArray:
    """Return the uncertainty of `function` of the inputs: each a quantity, its n values and its accuracy.

    Accuracies in the unit of their input. NaN where the function is; at the edge of its range the difference
    is taken inwards.
    """
    named: dict[str, ArrayLike] = {}
    for place, (name, value, accuracy) in enumerate(inputs, 1):
        named |= {f"{name} {place}": value, f"accuracy of {name} {place}": accuracy}
    arrays = columns(**named)
    values, accuracies = arrays[::2], arrays[1::2]
    at_point = function(*values)
    variance = np.zeros(np.broadcast_shapes(at_point.shape, *(it.shape for it in accuracies)))
    for position, ((name, *_), accuracy) in enumerate(zip(inputs, accuracies, strict=True)):
        if not accuracy.any():
            continue
        step = _STEP_HPA if name == "air_pressure" else _STEP
        below, above = (
            function(*values[:position], values[position] + by, *values[position + 1 :])
            for by in (-step, step)
        )
        steps = 2.0 - np.isnan(below) - np.isnan(above)
        rise = np.where(np.isnan(above), at_point, above) - np.where(np.isnan(below), at_point, below)
        variance = variance + np.square(rise / (steps * step) * accuracy)
    return np.where(np.isnan(at_point), np.nan, np.sqrt(variance))
