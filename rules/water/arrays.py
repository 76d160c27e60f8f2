"""The arrays that seawater science computes with.

A result is the same bit for bit however an array is cut into blocks, because only element-wise
operations on contiguous arrays are used: no sums over an array, no matrix products, no general powers.
"""

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules.errors import SeawaterError

FloatArray = NDArray[np.float64]

IPTS68_PER_ITS90 = 1.00024  # Saunders 1990, as in TEOS-10: t68 = 1.00024 t90

P = ParamSpec("P")
R = TypeVar("R")


def silent_outside(function: Callable[P, R]) -> Callable[P, R]:
    """Decorate a function that computes first and blanks afterwards what was outside its range."""

    @wraps(function)
    def silent(*args: P.args, **kwargs: P.kwargs) -> R:
        # one for each call: before numpy 2 an errstate shared by nested calls would stay switched on
        with np.errstate(all="ignore"):
            return function(*args, **kwargs)

    return silent


def columns(**inputs: ArrayLike) -> tuple[FloatArray, ...]:
    """Return the named inputs as contiguous float64 arrays of n values, of one for all n, or of rows of n.

    Raises SeawaterError for inputs of more than two dimensions or of differing lengths.
    """
    arrays = {name: np.ascontiguousarray(values, dtype=np.float64) for name, values in inputs.items()}
    for name, array in arrays.items():
        if array.ndim > 2:
            raise SeawaterError(f"{name} has {array.ndim} dimensions: a list of values is needed")
    if len({array.shape[-1] for array in arrays.values()} - {1}) > 1:
        sizes = ", ".join(f"{name} {array.shape[-1]}" for name, array in arrays.items())
        raise SeawaterError(f"differing numbers of values ({sizes}): give as many of each, or a single one")
    return tuple(arrays.values())


def polynomial(x: FloatArray, coefficients: tuple[float, ...]) -> FloatArray:
    """Return c0 + c1 x + c2 x² + ... by Horner's scheme; `coefficients` from the constant upwards."""
    if x.size == 1:  # plain numbers are rounded alike, at a third of the cost
        at, value = float(x.item()), coefficients[-1]
        for coefficient in coefficients[-2::-1]:
            value = value * at + coefficient
        return np.array((value,))
    result = np.empty(x.shape)
    result.fill(coefficients[-1])
    for coefficient in coefficients[-2::-1]:
        result *= x
        result += coefficient
    return result


def slope_of(coefficients: tuple[float, ...]) -> tuple[float, ...]:
    """Return the coefficients of the derivative of a polynomial."""
    return tuple(order * coefficient for order, coefficient in enumerate(coefficients))[1:]


def ipts68(temperature_c: FloatArray) -> FloatArray:
    """Return the IPTS-68 temperature (°C) of an ITS-90 one; the formulas of 1980 to 1992 take IPTS-68."""
    return IPTS68_PER_ITS90 * temperature_c
