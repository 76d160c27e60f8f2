"""What acts on the water: chillers and coils under their thermostats, loops, top-off."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from simulator.rack.physics import relax
from simulator.scenario.scenario import Chiller, Coil, Loop, Vessel

Array = Any

COOLANT_J_PER_L_K = 4180.0  # fresh water near 10 degrees C (handbook value, from memory)


def of_each(items: Sequence[object], name: str, without: float = 0.0) -> Array:
    """One attribute of all items as an array; `without` for those that are not there or have none."""
    return np.array([float(getattr(item, name, without)) for item in items])


class Thermostats:
    """On-off control with hysteresis and a shortest pause, one for each element of the arrays."""

    def __init__(self, fitted: Sequence[Chiller | Coil | None], strength: str) -> None:
        self._strength = of_each(fitted, strength)
        setpoint_c, hysteresis_c = of_each(fitted, "setpoint_c", np.inf), of_each(fitted, "hysteresis_c")
        self._above = setpoint_c + hysteresis_c
        self._below = setpoint_c - hysteresis_c
        self._min_off_s = of_each(fitted, "min_off_s")  # a valve has none
        self.on = np.zeros(self._above.shape, dtype=bool)
        self._off_for_s = np.full(self._above.shape, np.inf)

    def acting(self, temperature_c: Array, able: Array | bool, step_s: float) -> Array:
        """The strength of each that is on for the coming step (a chiller's W, a coil's W/K), 0 of the others.

        One that is not `able` is off and must rest before it starts.
        """
        starts = (temperature_c > self._above) & (self._off_for_s >= self._min_off_s)
        stays = self.on & (temperature_c >= self._below)
        self.on = able & (starts | stays)
        self._off_for_s = np.where(self.on, 0.0, self._off_for_s + step_s)
        return self._strength * self.on


class Loops:
    """Coolant circuits, each with one chiller; at least one slot so that indices always exist."""

    def __init__(self, loops: Sequence[Loop]) -> None:
        self.temperature_c = np.array([loop.temperature_c for loop in loops] or [0.0])
        self._ua = np.array([loop.ua_w_per_k for loop in loops] or [1.0])
        self._capacity_j_per_k = np.array([loop.coolant_l for loop in loops] or [1.0]) * COOLANT_J_PER_L_K
        self._chillers = Thermostats([loop.chiller for loop in loops] or [None], "power_w")

    def step(self, heat_in_w: Array, room_c: float, able: Array, step_s: float) -> None:
        """Coolant after a step in which the vessels gave it `heat_in_w` (W per loop)."""
        heat_out_w = self._chillers.acting(self.temperature_c, able, step_s)
        balance_c = room_c + (heat_in_w - heat_out_w) / self._ua
        rate = self._ua / self._capacity_j_per_k
        self.temperature_c = relax(self.temperature_c, balance_c, rate, step_s)


class TopOffs:
    """Fresh water to the full mark; a stuck one runs on."""

    def __init__(self, vessels: Sequence[Vessel]) -> None:
        fitted = [vessel.top_off for vessel in vessels]
        self._rate_l_per_s = of_each(fitted, "rate_l_per_h") / 3600.0
        self._full_l = of_each(vessels, "volume_l")
        self._band_l = of_each(fitted, "band_l")
        self._filling = np.zeros(len(vessels), dtype=bool)

    def poured_l(self, volume_l: Array, able: Array, stuck_open: Array, step_s: float) -> Array:
        """Litres of fresh water that run in during the coming step, per vessel."""
        missing_l = np.maximum(self._full_l - volume_l, 0.0)
        self._filling = able & ((missing_l > self._band_l) | (self._filling & (missing_l > 0.0)))
        offered_l = self._rate_l_per_s * step_s
        return np.where(stuck_open, offered_l, np.where(self._filling, np.minimum(offered_l, missing_l), 0.0))
