"""How far a value can be trusted that is made of others, from the accuracy stated for the probes.

First-order propagation by JCGM 100:2008 (GUM), equation 10, with the sensitivities as central differences.
Errors of different inputs count as independent. Give every accuracy at the same level of confidence: the
result is at that level.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from rules.water.arrays import FloatArray, columns, silent_outside

_STEP = 0.01
_STEP_HPA = 0.1
"""Small beside the curvature of any formula here, and large beside rounding."""

_AT_ONCE = 4_096
"""Values worked out at a time: what all inputs make of them stays in the processor's cache."""


def propagated(function: Callable[..., FloatArray], *inputs: tuple[str, ArrayLike, ArrayLike]) -> FloatArray:
    """Return the uncertainty of `function` of the inputs, as `with_uncertainty`."""
    return with_uncertainty(function, *inputs)[1]


@silent_outside
def with_uncertainty(
    function: Callable[..., FloatArray], *inputs: tuple[str, ArrayLike, ArrayLike]
) -> tuple[FloatArray, FloatArray]:
    """Return `function` of the inputs and its uncertainty: each a quantity, its n values and its accuracy.

    Accuracies in the unit of their input. NaN where the function is; at the edge of its range the difference
    is taken inwards.
    """
    named: dict[str, ArrayLike] = {}
    for place, (name, value, accuracy) in enumerate(inputs, 1):
        named |= {f"{name} {place}": value, f"accuracy of {name} {place}": accuracy}
    arrays: Sequence[FloatArray] = columns(**named)
    if len({array.size for array in arrays}) > 1:
        arrays = np.broadcast_arrays(*arrays)
    steps = [_STEP_HPA if name == "air_pressure" else _STEP for name, *_ in inputs]
    found = [
        _propagated(function, steps, [array[start : start + _AT_ONCE] for array in arrays])
        for start in range(0, max(arrays[0].size, 1), _AT_ONCE)
    ]
    value, uncertainty = found[0] if len(found) == 1 else np.concatenate(found, axis=1)
    return value, uncertainty


def _propagated(
    function: Callable[..., FloatArray], steps: list[float], arrays: list[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Work it out for few enough values; `arrays` are those of each input and its accuracy in turn."""
    # What is exact adds nothing.
    off = [place for place, accuracy in enumerate(arrays[1::2]) if accuracy.any()]
    rows = 1 + 2 * len(off)
    # The point itself, then below and above it by each input: one call costs little more for all of them,
    # and what is made of those alone that stay is worked out once.
    at = [value[np.newaxis] for value in arrays[::2]]
    for row, place in enumerate(off):
        at[place] = at[place].repeat(rows, axis=0)
        at[place][1 + 2 * row] += -steps[place]
        at[place][2 + 2 * row] += steps[place]
    found = np.broadcast_to(function(*at), (rows, arrays[0].size))
    at_point = found[0]
    variance = np.zeros(at_point.shape)
    for row, place in enumerate(off):
        step, accuracy = steps[place], arrays[1 + 2 * place]
        below, above = found[1 + 2 * row : 3 + 2 * row]
        taken = 2.0 - np.isnan(below) - np.isnan(above)
        rise = np.where(np.isnan(above), at_point, above) - np.where(np.isnan(below), at_point, below)
        variance = variance + np.square(rise / (taken * step) * accuracy)
    return at_point, np.where(np.isnan(at_point), np.nan, np.sqrt(variance))
