"""Sea water for the simulator, from the TEOS-10 reference library (gsw), arrays in and out.

Independent of `rules/` on purpose: a mistake in one cannot hide a mistake in the other.
Temperatures are in degrees Celsius (ITS-90), pressures of the air in hPa at the station.
"""

from typing import Any

import gsw
import numpy as np

Array = Any  # numpy array or float

OXYGEN_G_PER_MOL = 31.9988
STANDARD_AIR_HPA = 1013.25


def absolute_salinity(salt_g: Array, water_kg: Array) -> Array:
    """Salt in g per kg of sea water, from the masses of salt and of fresh water."""
    return salt_g / (water_kg + salt_g / 1000.0)


def practical_salinity(salt_g: Array, water_kg: Array) -> Array:
    """Practical salinity of water with the reference composition (gsw.SP_from_SR)."""
    return gsw.SP_from_SR(absolute_salinity(salt_g, water_kg))


def masses(volume_l: Array, salinity: Array, temperature_c: Array) -> tuple[Array, Array]:
    """Fresh water in kg and salt in g of a volume in litres at a practical salinity."""
    SA = gsw.SR_from_SP(salinity)
    total_kg = volume_l * gsw.rho_t_exact(SA, temperature_c, 0.0) / 1000.0
    salt_g = total_kg * SA
    return total_kg - salt_g / 1000.0, salt_g


def volume_l(salt_g: Array, water_kg: Array, temperature_c: Array) -> Array:
    """Volume in litres of a mass of salt and of fresh water."""
    density = gsw.rho_t_exact(absolute_salinity(salt_g, water_kg), temperature_c, 0.0)
    return 1000.0 * (water_kg + salt_g / 1000.0) / density


def heat_capacity_j_per_k(salt_g: Array, water_kg: Array, temperature_c: Array) -> Array:
    """Heat capacity in J/K of a mass of salt and of fresh water (gsw.cp_t_exact)."""
    SA = absolute_salinity(salt_g, water_kg)
    return (water_kg + salt_g / 1000.0) * gsw.cp_t_exact(SA, temperature_c, 0.0)


def conductivity_ms_cm(salinity: Array, temperature_c: Array) -> Array:
    """In-situ conductivity in mS/cm at the surface (gsw.C_from_SP)."""
    return gsw.C_from_SP(salinity, temperature_c, 0.0)


def vapour_pressure_hpa(temperature_c: Array, salinity: Array) -> Array:
    """Saturation vapour pressure over sea water in hPa (Weiss & Price 1980, from memory)."""
    T = temperature_c + 273.15
    return STANDARD_AIR_HPA * np.exp(
        24.4543 - 67.4509 * (100.0 / T) - 4.8489 * np.log(T / 100.0) - 0.000544 * salinity
    )


def oxygen_saturation_mg_l(salinity: Array, temperature_c: Array, pressure_hpa: Array) -> Array:
    """Oxygen in mg/L of water in balance with moist air at a pressure.

    gsw.O2sol_SP_pt (umol/kg at 1 atm, Garcia & Gordon 1992) times density, then the
    pressure factor of Benson & Krause 1980 as in APHA 4500-O (from memory).
    """
    umol_per_kg = gsw.O2sol_SP_pt(salinity, temperature_c)
    density = gsw.rho_t_exact(gsw.SR_from_SP(salinity), temperature_c, 0.0)
    at_one_atm = umol_per_kg * density * OXYGEN_G_PER_MOL * 1e-6
    return at_one_atm * _pressure_factor(salinity, temperature_c, pressure_hpa)


def _pressure_factor(salinity: Array, temperature_c: Array, pressure_hpa: Array) -> Array:
    P = pressure_hpa / STANDARD_AIR_HPA
    Pwv = vapour_pressure_hpa(temperature_c, salinity) / STANDARD_AIR_HPA
    theta = 9.75e-4 - 1.426e-5 * temperature_c + 6.436e-8 * temperature_c**2
    return P * ((1.0 - Pwv / P) * (1.0 - theta * P)) / ((1.0 - Pwv) * (1.0 - theta))
