"""The few laws the rack obeys, each exact over a step in which its inputs stand still."""

from typing import Any

import numpy as np

Array = Any  # numpy array or float


def relax(value: Array, balance: Array, rate_per_s: Array, step_s: float) -> Array:
    """A value after a step towards its balance at a first-order rate; exact, stable at any step."""
    return balance + (value - balance) * np.exp(-rate_per_s * step_s)


def relax_mean(value: Array, balance: Array, rate_per_s: Array, step_s: float) -> Array:
    """The mean over the step of what `relax` does, for what flows because of it."""
    turns = rate_per_s * step_s
    return balance + (value - balance) * -np.expm1(-turns) / turns


def wander(value: Array, spread: Array, memory_s: float, step_s: float, draw: Array) -> Array:
    """A step of an Ornstein-Uhlenbeck process about zero, exact; `draw` is standard normal."""
    kept = np.exp(-step_s / memory_s)
    return value * kept + spread * np.sqrt(1.0 - kept * kept) * draw


def evaporation_kg_per_s(surface_m2: Array, over_water_hpa: Array, in_air_hpa: Array) -> Array:
    """Water lost by a still open surface, negative where the room's moisture condenses on cold water.

    Carrier's formula for still air, E = A (pw - pa) 0.089 / Y, with pressures in kPa and Y = 2450
    kJ/kg, halved for an undisturbed indoor surface (ASHRAE HVAC Applications, from memory).
    """
    return 0.5 * surface_m2 * 0.1 * (over_water_hpa - in_air_hpa) * 0.089 / 2450.0


def metabolic_factor(temperature_c: Array) -> Array:
    """Respiration against that at 15 degrees C, with a Q10 of 2 (common practice, no source)."""
    return 2.0 ** ((temperature_c - 15.0) / 10.0)
