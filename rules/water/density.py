"""Density of seawater at the surface, and salinity from it or from a specific gravity.

Source: the one-atmosphere international equation of state of seawater 1980 (EOS-80), Millero & Poisson
1981, as in Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44.
"""

import re
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from rules.errors import SeawaterError
from rules.water.arrays import FloatArray, columns, ipts68, polynomial, silent_outside
from rules.water.validity import Limits, blank, settle

# UNESCO 44: pure water (SMOW), then the terms in S, S^1.5 and S²; powers of IPTS-68 temperature
_PURE_WATER = (999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9)
_A = (8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9)
_B = (-5.72466e-3, 1.0227e-4, -1.6546e-6)
_C = 4.8314e-4

_NEWTON_STEPS = 3  # after two 4e-12 of salinity is left anywhere in the range, after three only rounding

TEMPERATURE = Limits(-2.0, 40.0)
SALINITY = Limits(0.0, 42.0)

SODA_LIME_GLASS_PER_K = 25e-6  # cubic expansion of hydrometer glass; value from memory of ISO 649

_SCALE = re.compile(r"\s*(-?\d+(?:\.\d+)?)\s*°?\s*([CF]?)\s*/\s*(-?\d+(?:\.\d+)?)\s*°?\s*([CF]?)\s*", re.I)


@dataclass(frozen=True, slots=True)
class SpecificGravityScale:
    """The reference temperatures (°C) of a specific gravity: of the sample, and of the pure water.

    SG(25/4) is the density of the sample at 25 °C over that of pure water at 4 °C.
    """

    sample_c: float
    water_c: float

    def __post_init__(self) -> None:
        for temperature in (self.sample_c, self.water_c):
            if not 0.0 <= temperature <= TEMPERATURE.high:
                raise SeawaterError(
                    f"{temperature:g} as a reference temperature of a specific gravity: 0 to 40 would be"
                    " right; Fahrenheit is written 60F/60F"
                )

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read reference temperatures as printed on the instrument: 25/25, 20/4, 60F/60F, 60/60 °F.

        Raises SeawaterError when there are none: the same number then means salinities 5 apart.
        """
        match = _SCALE.fullmatch(text)
        if match is None:
            raise SeawaterError(
                f"reference temperatures {text!r} of a specific gravity not understood: write them as"
                " printed on the instrument, for example 25/25, 20/4 or 60F/60F"
            )
        sample, sample_unit, water, water_unit = match.groups()
        return cls(_celsius(sample, sample_unit or water_unit), _celsius(water, water_unit or sample_unit))


@silent_outside
def density_kg_m3(salinity: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """Return the density (kg/m³) of seawater at one atmosphere, n values or one for all.

    Practical salinity 0 to 42, temperature in °C, ITS-90, -2 to 40; NaN outside.
    Source: EOS-80, UNESCO 44, equation 13 (page 17).
    """
    S, t = columns(salinity=salinity, temperature=temperature_c)
    t68 = ipts68(t)
    dissolved = polynomial(t68, _A) + polynomial(t68, _B) * np.sqrt(S) + _C * S
    return blank(polynomial(t68, _PURE_WATER) + S * dissolved, (t, TEMPERATURE), (S, SALINITY))


@silent_outside
def salinity_from_density(density: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """Return the practical salinity of seawater of a density (kg/m³) at one atmosphere and °C, ITS-90.

    The inverse of `density_kg_m3`, in the same range, by Newton's method in a fixed number of steps.
    """
    rho, t = columns(density=density, temperature=temperature_c)
    t68 = ipts68(t)
    A, B = polynomial(t68, _A), polynomial(t68, _B)
    surplus = rho - polynomial(t68, _PURE_WATER)
    S = surplus / A
    for _ in range(_NEWTON_STEPS):
        root = np.sqrt(np.maximum(S, 0.0))
        excess = S * (A + B * root + _C * S) - surplus
        S = S - excess / (A + 1.5 * B * root + 2.0 * _C * S)
    S = settle(S, SALINITY)
    return blank(S, (t, TEMPERATURE), (S, SALINITY))


@silent_outside
def salinity_from_hydrometer(
    reading: ArrayLike, scale: SpecificGravityScale | None, temperature_c: ArrayLike
) -> FloatArray:
    """Return the practical salinity of a hydrometer's reading in water at `temperature_c`.

    Reading without unit, marked for `scale`; temperature in °C, ITS-90; n values or one for all. Warm
    glass displaces more, so it reads high by its cubic expansion. NaN where S leaves 0 to 42. Raises
    SeawaterError without a scale: 1.025 alone means anything from S = 32.6 to 37.2.
    """
    if scale is None:
        raise SeawaterError(
            "a specific gravity without its reference temperatures says nothing (1.025 means salinity 32.6"
            " to 37.2): give those printed on the instrument, for example 25/25"
        )
    SG, t = columns(reading=reading, temperature=temperature_c)
    glass = 1.0 + SODA_LIME_GLASS_PER_K * (t - scale.sample_c)
    return salinity_from_density(SG * density_kg_m3(0.0, scale.water_c) / glass, t)


def _celsius(number: str, unit: str) -> float:
    return (float(number) - 32.0) / 1.8 if unit.upper() == "F" else float(number)
