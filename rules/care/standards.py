"""The usual standards: what is true in them, by temperature and air pressure, and how sure that is.

Potassium chloride: the temperature table of the 0.01 and 0.1 molal solutions (NIST/CRC, ITS-90; read, second
hand), as a ratio to 25 °C, on the label of the bottle; commercial bottles are near these molalities, not at
them, and manuals print values within 0.15 % of these. Standard seawater: PSS-78 of the salinity on its label.
Oxygen: Benson & Krause 1984, as `rules.water.oxygen`; in air saturated with vapour a probe reads what it does
in water at balance with it. How sure each is: common practice, no source; a label's own figure goes over it.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rules.care.calibration import Point, air_saturated
from rules.errors import CalibrationError
from rules.quantities import Quantity
from rules.water.seawater import conductivity_from_salinity

_TABLE_C = (15.0, 18.0, 20.0, 25.0, 30.0)
_KCL = {
    1.413: (1141.45, 1219.93, 1273.03, 1408.23, 1546.63),
    12.88: (10.4371, 11.1406, 11.6159, 12.8246, 14.0592),
}
"""By the label at 25 °C in mS/cm: the conductivity at `_TABLE_C`, each row in a unit of its own."""

_SURE = 0.01
"""Of a bottle of conductivity and of air, as a share of the value."""

_SURE_C, _SURE_ICE_C, _SURE_SALINITY, _SURE_ZERO = 0.1, 0.05, 0.005, 0.05
"""Of the standard's temperature, an ice bath, standard seawater, and what is left in a zero solution."""

_STEP_C = 0.5


class Standard(StrEnum):
    """What probes are put into."""

    ICE = "ice"
    KCL_LOW = "kcl-1.413"
    KCL = "kcl-12.88"
    SEAWATER = "seawater"
    WATER_IN_AIR = "air-saturated-water"
    MOIST_AIR = "moist-air"
    ZERO = "zero-oxygen"


_OF = {
    Quantity.TEMPERATURE: (Standard.ICE,),
    Quantity.CONDUCTIVITY: (Standard.KCL_LOW, Standard.KCL, Standard.SEAWATER),
    Quantity.SALINITY: (Standard.SEAWATER,),
    Quantity.OXYGEN: (Standard.WATER_IN_AIR, Standard.MOIST_AIR, Standard.ZERO),
    Quantity.OXYGEN_SATURATION: (Standard.WATER_IN_AIR, Standard.MOIST_AIR, Standard.ZERO),
    Quantity.AIR_PRESSURE: (),
}


@dataclass(frozen=True, slots=True)
class Around:
    """What a standard is in: temperature in °C, air pressure in hPa (NaN: not known), its own salinity.

    `sure` is the uncertainty that its label states, plus or minus in the quantity's unit.
    """

    temperature_c: float = math.nan
    air_pressure_hpa: float = math.nan
    salinity: float = math.nan
    sure: float | None = None


def check_standard(standard: str, quantity: Quantity) -> None:
    """Raise CalibrationError where the standard is none for the quantity."""
    usual = _OF[quantity]
    if standard not in usual:
        raise CalibrationError(
            f"{standard} is no standard for {quantity}; there are: {', '.join(usual) or 'none'}"
        )


def point_in(standard: str, quantity: Quantity, read: float, around: Around) -> Point:
    """Return the point of a probe that reads `read` in a standard.

    Raises CalibrationError where the standard is none for the quantity, or a condition is not known.
    """
    check_standard(standard, quantity)
    true, sure = _true_in(Standard(standard), quantity, around)
    if math.isnan(true):
        here = "" if math.isnan(around.temperature_c) else f" at {around.temperature_c:g} °C"
        raise CalibrationError(f"{standard}{here}: {_RIGHT}")
    return Point(read, true, sure if around.sure is None else around.sure)


_RIGHT = "give its temperature (15 to 30 °C for potassium chloride), the salinity on a bottle of seawater"


def _true_in(standard: Standard, quantity: Quantity, around: Around) -> tuple[float, float]:
    at_c = around.temperature_c
    if standard is Standard.ICE:
        return 0.0, _SURE_ICE_C
    if standard is Standard.ZERO:
        return 0.0, _SURE_ZERO if quantity is Quantity.OXYGEN else 10.0 * _SURE_ZERO
    if standard in (Standard.WATER_IN_AIR, Standard.MOIST_AIR):
        salinity = 0.0 if standard is Standard.MOIST_AIR or math.isnan(around.salinity) else around.salinity
        true = air_saturated(quantity, 0.0, at_c, salinity, around.air_pressure_hpa).true
        return true, _SURE * true
    if quantity is Quantity.SALINITY:
        return around.salinity, _SURE_SALINITY
    if standard is Standard.SEAWATER:
        here, near = (conductivity_from_salinity(around.salinity, at).item() for at in (at_c, at_c + _STEP_C))
        sure = here / around.salinity * _SURE_SALINITY
    else:
        label = float(standard.removeprefix("kcl-"))
        here, near = (_kcl(label, at) for at in (at_c, at_c - math.copysign(_STEP_C, at_c - 20.0)))
        sure = _SURE * here
    return here, math.hypot(sure, (near - here) / _STEP_C * _SURE_C)


def _kcl(label: float, at_c: float) -> float:
    """Return the conductivity of a bottle of potassium chloride in mS/cm; NaN outside of the table."""
    row = _KCL[label]
    at_25 = row[_TABLE_C.index(25.0)]
    return label * float(np.interp(at_c, _TABLE_C, row, math.nan, math.nan)) / at_25
