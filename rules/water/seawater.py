"""Practical salinity from conductivity and temperature, and back (PSS-78).

Sources: Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44, equations 1 to 4 of its
section on salinity, for S from 2 to 42; below 2 the formula of Hill et al. 1986, IEEE J. Oceanic Eng.
11:109-112, scaled to meet PSS-78 at S = 2 as TEOS-10 does.
"""

import numpy as np
from numpy.typing import ArrayLike

from rules.water.arrays import FloatArray, columns, ipts68, polynomial, silent_outside, slope_of
from rules.water.validity import Limits, blank, settle

C_35_15_0 = 42.9140  # mS/cm, conductivity of seawater of S = 35 at 15 °C (IPTS-68) and no sea pressure

# UNESCO 44: salinity of the root of the conductivity ratio Rt, at 15 °C (a) and its change beside 15 °C (b)
_A = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
_B = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
_K = 0.0162
# ratio of the conductivity of S = 35 at t to that at 15 °C
_C = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
# effect of pressure
_D12 = (1.0, 3.426e-2, 4.464e-4)
_D34 = (4.215e-1, -3.107e-3)
_E = (0.0, 2.070e-5, -6.370e-10, 3.989e-15)

_HILL_BELOW = 2.0
_NEWTON_STEPS = 4  # after three 1e-8 mS/cm is left anywhere in the range, after four only rounding

TEMPERATURE = Limits(-2.0, 35.0)
SALINITY = Limits(0.0, 42.0)
CONDUCTIVITY = Limits(0.0, 200.0)
SEA_PRESSURE = Limits(0.0, 10_000.0)


@silent_outside
def practical_salinity(
    conductivity_ms_cm: ArrayLike, temperature_c: ArrayLike, pressure_dbar: ArrayLike = 0.0
) -> FloatArray:
    """Return the practical salinity (PSS-78, no unit) of in-situ conductivity, n values or one for all.

    Conductivity in mS/cm, not compensated to 25 °C; temperature in °C, ITS-90, -2 to 35; sea pressure in
    dbar. S is 2 to 42, extended to 0 to 2 (Hill et al. 1986). NaN outside.
    Source: UNESCO 44 (Fofonoff & Millard 1983).
    """
    C, t, p = columns(conductivity=conductivity_ms_cm, temperature=temperature_c, pressure=pressure_dbar)
    t68 = ipts68(t)
    R = C / C_35_15_0
    Rp = 1.0 + polynomial(p, _E) / (polynomial(t68, _D12) + polynomial(t68, _D34) * R)
    Rt = R / (Rp * polynomial(t68, _C))
    S = settle(_salinity_of_root(np.sqrt(Rt), t68), SALINITY)
    return blank(S, (t, TEMPERATURE), (C, CONDUCTIVITY), (p, SEA_PRESSURE), (S, SALINITY))


@silent_outside
def conductivity_from_salinity(
    salinity: ArrayLike, temperature_c: ArrayLike, pressure_dbar: ArrayLike = 0.0
) -> FloatArray:
    """Return the in-situ conductivity (mS/cm) of practical salinity, n values or one for all.

    The inverse of `practical_salinity`, in the same units and range; NaN outside. It is found by Newton's
    method in a fixed number of steps.
    """
    S, t, p = columns(salinity=salinity, temperature=temperature_c, pressure=pressure_dbar)
    t68 = ipts68(t)
    Rt = np.square(_root_ratio(S, t68))
    ratio = _add_pressure(Rt * polynomial(t68, _C), t68, p)
    return blank(C_35_15_0 * ratio, (t, TEMPERATURE), (S, SALINITY), (p, SEA_PRESSURE))


def _salinity_of_root(root: FloatArray, t68: FloatArray) -> FloatArray:
    """Return the salinity of the root of the conductivity ratio Rt, below S = 2 by Hill et al. 1986."""
    beside_15 = _beside_15(t68)
    S = polynomial(root, _A) + beside_15 * polynomial(root, _B)
    low = S < _HILL_BELOW
    if low.any():
        x, f = root[low], np.broadcast_to(beside_15, S.shape)[low]
        # within 1.5 µS/cm of nothing the formula dips below zero, by less than 0.0003
        S[low] = np.maximum(_hill_scale(f) * (S[low] - _hill_excess(x, f)[0]), 0.0)
    return S


def _root_ratio(S: FloatArray, t68: FloatArray) -> FloatArray:
    """Return the root of the conductivity ratio Rt of salinity S, the inverse of `_salinity_of_root`."""
    beside_15 = _beside_15(t68)
    S, beside_15 = np.broadcast_arrays(S, beside_15)
    root = _solve(S, beside_15, np.sqrt(S / 35.0))
    low = S < _HILL_BELOW
    if low.any():
        raw = S[low] / _hill_scale(beside_15[low])
        start = np.sqrt((S[low] + 0.0015) / 35.0)  # right of the dip, so that the steps cannot fall into it
        root[low] = _solve(raw, beside_15[low], start, hill=True)
    return root


def _beside_15(t68: FloatArray) -> FloatArray:
    return (t68 - 15.0) / (1.0 + _K * (t68 - 15.0))


def _solve(S: FloatArray, beside_15: FloatArray, start: FloatArray, hill: bool = False) -> FloatArray:
    """Return the root of Rt at which PSS-78, less Hill's excess where that is asked for, gives S."""
    root = start
    for _ in range(_NEWTON_STEPS):
        excess = polynomial(root, _A) + beside_15 * polynomial(root, _B)
        slope = polynomial(root, slope_of(_A)) + beside_15 * polynomial(root, slope_of(_B))
        if hill:
            taken_off, its_slope = _hill_excess(root, beside_15)
            excess, slope = excess - taken_off, slope - its_slope
        root = root - (excess - S) / slope
    return root


def _hill_excess(root: FloatArray, beside_15: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what Hill et al. 1986 take off PSS-78 at low salinity, and its slope with the root of Rt."""
    x = 400.0 * root * root
    y = 10.0 * root
    part1 = 1.0 + x * (1.5 + x)
    part2 = 1.0 + y * (1.0 + y * (1.0 + y))
    first = _A[0] / part1
    second = _B[0] * beside_15 / part2
    slope1 = -first / part1 * (1.5 + 2.0 * x) * 800.0 * root
    slope2 = -second / part2 * (1.0 + y * (2.0 + 3.0 * y)) * 10.0
    return first + second, slope1 + slope2


def _hill_scale(beside_15: FloatArray) -> FloatArray:
    """Return the factor that makes Hill's formula meet PSS-78 at S = 2, which depends on temperature."""
    meeting = np.full(beside_15.shape, _HILL_BELOW)
    root = _solve(meeting, beside_15, np.full(beside_15.shape, 0.265))
    return _HILL_BELOW / (_HILL_BELOW - _hill_excess(root, beside_15)[0])


def _add_pressure(R_surface: FloatArray, t68: FloatArray, p: FloatArray) -> FloatArray:
    """Return the conductivity ratio under pressure: the positive root of UNESCO 44's relation of R and Rp."""
    A, B, C = polynomial(t68, _D12), polynomial(t68, _D34), polynomial(p, _E)
    half = 0.5 * (A - B * R_surface)
    return (np.sqrt(half * half + B * R_surface * (A + C)) - half) / B
