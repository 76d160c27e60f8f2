"""Oxygen in seawater under moist air: solubility and saturation.

Sources: Garcia & Gordon 1992, Limnol. Oceanogr. 37:1307-1312, equation 8 with the coefficients of Table 1
fitted to Benson & Krause's data (without the misprinted term A3 Ts²); pressure by Benson & Krause 1984,
Limnol. Oceanogr. 29:620-632, the form of APHA Standard Methods 4500-O.
"""

import numpy as np
from numpy.typing import ArrayLike

from rules.water.arrays import FloatArray, columns, ipts68, polynomial, silent_outside
from rules.water.density import density_kg_m3
from rules.water.validity import Limits, blank

# Garcia & Gordon 1992, Table 1, Benson & Krause fit in µmol/kg
_A = (5.80871, 3.20291, 4.17887, 5.10006, -9.86643e-2, 3.80369)
_B = (-7.01577e-3, -7.70028e-3, -1.13864e-2, -9.51519e-3)
_C0 = -2.75915e-7
# second virial effect of oxygen's solubility, per atm (APHA 4500-O)
_THETA = (9.75e-4, -1.426e-5, 6.436e-8)

HPA_PER_ATM = 1013.25
STANDARD_AIR_PRESSURE_HPA = HPA_PER_ATM
"""Stands in where a rack has no barometer or has lost it; weather then moves saturation by up to 5 %."""
OXYGEN_MG_PER_UMOL = 31.9988e-3

TEMPERATURE = Limits(-2.0, 40.0)
SALINITY = Limits(0.0, 42.0)
AIR_PRESSURE = Limits(500.0, 1100.0)


@silent_outside
def oxygen_solubility_umol_kg(
    temperature_c: ArrayLike, salinity: ArrayLike, air_pressure_hpa: ArrayLike
) -> FloatArray:
    """Return the oxygen (µmol per kg of seawater) in balance with moist air, n values or one for all.

    Temperature in °C, ITS-90, -2 to 40; practical salinity 0 to 42; air pressure in hPa at the station,
    500 to 1100, not reduced to sea level. NaN outside.
    Source: Garcia & Gordon 1992, equation 8; pressure by Benson & Krause 1984.
    """
    t, S, P = columns(temperature=temperature_c, salinity=salinity, air_pressure=air_pressure_hpa)
    t68 = ipts68(t)
    scaled = np.log((298.15 - t68) / (273.15 + t68))
    logarithm = polynomial(scaled, _A) + S * (polynomial(scaled, _B) + _C0 * S)
    solubility = np.exp(logarithm) * _pressure_factor(t68, S, P)
    return blank(solubility, (t, TEMPERATURE), (S, SALINITY), (P, AIR_PRESSURE))


def oxygen_solubility_mg_l(
    temperature_c: ArrayLike, salinity: ArrayLike, air_pressure_hpa: ArrayLike
) -> FloatArray:
    """Return the oxygen (mg per litre of seawater) in balance with moist air, n values or one for all.

    Inputs and range as in `oxygen_solubility_umol_kg`; a litre weighs what EOS-80 says at the sample's
    temperature and salinity.
    """
    per_kg = oxygen_solubility_umol_kg(temperature_c, salinity, air_pressure_hpa)
    return per_kg * density_kg_m3(salinity, temperature_c) / 1000.0 * OXYGEN_MG_PER_UMOL


@silent_outside
def oxygen_saturation_percent(
    oxygen_mg_l: ArrayLike, temperature_c: ArrayLike, salinity: ArrayLike, air_pressure_hpa: ArrayLike
) -> FloatArray:
    """Return the saturation (%) of oxygen in mg/L; 100 is balance with moist air at this station pressure.

    Other inputs and range as in `oxygen_solubility_umol_kg`; n values or one for all.
    """
    oxygen, t, S, P = columns(
        oxygen=oxygen_mg_l, temperature=temperature_c, salinity=salinity, air_pressure=air_pressure_hpa
    )
    return 100.0 * oxygen / oxygen_solubility_mg_l(t, S, P)


@silent_outside
def oxygen_mg_l(
    saturation_percent: ArrayLike, temperature_c: ArrayLike, salinity: ArrayLike, air_pressure_hpa: ArrayLike
) -> FloatArray:
    """Return the oxygen (mg/L) of a saturation (%), the inverse of `oxygen_saturation_percent`."""
    saturation, t, S, P = columns(
        saturation=saturation_percent,
        temperature=temperature_c,
        salinity=salinity,
        air_pressure=air_pressure_hpa,
    )
    return saturation / 100.0 * oxygen_solubility_mg_l(t, S, P)


def _pressure_factor(t68: FloatArray, S: FloatArray, P_hpa: FloatArray) -> FloatArray:
    """Return solubility at station pressure over that at one atmosphere, both under moist air."""
    P = P_hpa / HPA_PER_ATM
    theta = polynomial(t68, _THETA)
    vapour = _water_vapour_atm(t68, S)
    return (P - vapour) * (1.0 - theta * P) / ((1.0 - vapour) * (1.0 - theta))


def _water_vapour_atm(t68: FloatArray, S: FloatArray) -> FloatArray:
    """Return water's vapour pressure (atm): Benson & Krause 1984, less by salt as in Green & Carritt 1967."""
    per_kelvin = 1.0 / (t68 + 273.15)
    fresh = np.exp(polynomial(per_kelvin, (11.8571, -3840.70, -216961.0)))
    return fresh * (1.0 - 5.37e-4 * S)
