"""The water of all vessels: masses of water and salt, heat, oxygen, stepped together.

States are arrays with one element per vessel in the scenario's order. Salinity is not a state:
it follows from the masses, so that evaporation and top-off cannot make or lose salt.
"""

from typing import Any

import numpy as np

from simulator.rack import seawater
from simulator.rack.conditions import Conditions
from simulator.rack.equipment import Loops, Thermostats, TopOffs, of_each
from simulator.rack.physics import evaporation_kg_per_s, metabolic_factor, relax, relax_mean
from simulator.rack.room import RoomAir
from simulator.scenario.scenario import Scenario

Array = Any

LATENT_J_PER_KG = 2.46e6  # heat of evaporation near 15 degrees C (handbook value, from memory)


class Vessels:
    """Every vessel's water and the equipment that acts on it."""

    def __init__(self, scenario: Scenario, air: RoomAir) -> None:
        vessels = list(scenario.vessels.values())
        self._air = air
        self._surface_m2 = of_each(vessels, "surface_m2") * of_each(vessels, "cover")
        self._ua = of_each(vessels, "ua_w_per_k")
        self._pump_w = of_each(vessels, "pump_heat_w")
        self._kla_per_s = of_each(vessels, "kla_per_h") / 3600.0
        self._kla_still_per_s = of_each(vessels, "kla_still_per_h") / 3600.0
        self._respiration_mg_per_s = of_each(vessels, "respiration_mg_per_h") / 3600.0
        self._brim_l = of_each(vessels, "volume_l") * of_each(vessels, "brim")
        self._chillers = Thermostats([vessel.chiller for vessel in vessels], "power_w")
        self._coils = Thermostats([vessel.coil for vessel in vessels], "ua_w_per_k")
        loops = list(scenario.loops)
        self._loop_of = np.array([loops.index(v.coil.loop) if v.coil else 0 for v in vessels], dtype=int)
        self._top_offs = TopOffs(vessels)
        self.loops = Loops(list(scenario.loops.values()))
        self.temperature_c = of_each(vessels, "temperature_c")
        volume_l = of_each(vessels, "volume_l")
        self.water_kg, self.salt_g = seawater.masses(
            volume_l, of_each(vessels, "salinity"), self.temperature_c
        )
        self.oxygen_mg = self.saturated_mg_l() * of_each(vessels, "oxygen_percent") / 100.0 * volume_l

    def step(self, here: Conditions, step_s: float) -> None:
        """All vessels and loops one step on, under the conditions that act during it."""
        evaporated_kg = self._evaporate(step_s)
        self._exchange_water(here, step_s)
        self._exchange_heat(here, evaporated_kg / step_s * LATENT_J_PER_KG, step_s)
        self._exchange_oxygen(here, step_s)

    @property
    def volume_l(self) -> Array:
        """Litres of water."""
        return seawater.volume_l(self.salt_g, self.water_kg, self.temperature_c)

    @property
    def salinity(self) -> Array:
        """Practical salinity."""
        return seawater.practical_salinity(self.salt_g, self.water_kg)

    @property
    def oxygen_mg_l(self) -> Array:
        """Dissolved oxygen in mg/L."""
        return self.oxygen_mg / self.volume_l

    def saturated_mg_l(self) -> Array:
        """Oxygen in mg/L that the water would hold in balance with the room's air."""
        return seawater.oxygen_saturation_mg_l(self.salinity, self.temperature_c, self._air.pressure_hpa)

    def _evaporate(self, step_s: float) -> Array:
        over_water = seawater.vapour_pressure_hpa(self.temperature_c, self.salinity)
        rate = evaporation_kg_per_s(self._surface_m2, over_water, self._air.vapour_hpa)
        # A vessel that stood for months keeps its last tenth of a litre as brine.
        lost_kg = np.minimum(rate * step_s, np.maximum(self.water_kg - 0.1, 0.0))
        self.water_kg = self.water_kg - lost_kg
        return lost_kg

    def _exchange_water(self, here: Conditions, step_s: float) -> None:
        volume_l = self.volume_l
        able = here.top_off_able
        fresh_l = self._top_offs.poured_l(volume_l, able, here.top_off_stuck, step_s)
        if here.drain_l_per_s.any():
            self._keep(1.0 - here.drain_l_per_s * step_s / volume_l)
        if here.fill_l_per_s.any():
            self._pour(here.fill_l_per_s * step_s, here.fill_salinity, here.fill_temperature_c)
        if fresh_l.any():
            self._pour(fresh_l, np.zeros_like(fresh_l), np.full_like(fresh_l, self._air.temperature_c))
        if (volume_l + fresh_l > self._brim_l).any():
            self._keep(np.minimum(1.0, self._brim_l / self.volume_l))

    def _keep(self, share: Array) -> None:
        """Mixed water leaves: what stays has the same salinity, temperature and oxygen."""
        self.water_kg = self.water_kg * share
        self.salt_g = self.salt_g * share
        self.oxygen_mg = self.oxygen_mg * share

    def _pour(self, poured_l: Array, salinity: Array, temperature_c: Array) -> None:
        """Water runs in, at air saturation, and is mixed at once."""
        water_kg, salt_g = seawater.masses(1.0, salinity, temperature_c)
        before = seawater.heat_capacity_j_per_k(self.salt_g, self.water_kg, self.temperature_c)
        added = poured_l * seawater.heat_capacity_j_per_k(salt_g, water_kg, temperature_c)
        saturated = seawater.oxygen_saturation_mg_l(salinity, temperature_c, self._air.pressure_hpa)
        self.temperature_c = (before * self.temperature_c + added * temperature_c) / (before + added)
        self.water_kg = self.water_kg + water_kg * poured_l
        self.salt_g = self.salt_g + salt_g * poured_l
        self.oxygen_mg = self.oxygen_mg + saturated * poured_l

    def _exchange_heat(self, here: Conditions, latent_w: Array, step_s: float) -> None:
        capacity = seawater.heat_capacity_j_per_k(self.salt_g, self.water_kg, self.temperature_c)
        chiller_w = self._chillers.acting(self.temperature_c, here.chiller_able, step_s)
        coil_ua = self._coils.acting(self.temperature_c, here.power, step_s)
        loop_c = self.loops.temperature_c[self._loop_of]
        ua = self._ua + coil_ua
        drive_w = self._ua * self._air.temperature_c + coil_ua * loop_c
        drive_w = drive_w + self._pump_w * here.power - latent_w - chiller_w
        mean_c = relax_mean(self.temperature_c, drive_w / ua, ua / capacity, step_s)
        self.temperature_c = relax(self.temperature_c, drive_w / ua, ua / capacity, step_s)
        given_w = coil_ua * (mean_c - loop_c)
        to_loops_w = np.bincount(self._loop_of, given_w, minlength=len(self.loops.temperature_c))
        self.loops.step(to_loops_w, self._air.temperature_c, here.loop_able, step_s)

    def _exchange_oxygen(self, here: Conditions, step_s: float) -> None:
        volume_l = self.volume_l
        kla = np.where(here.air, self._kla_per_s, self._kla_still_per_s)
        uptake_mg_l_s = self._respiration_mg_per_s * metabolic_factor(self.temperature_c) / volume_l
        balance = self.saturated_mg_l() * here.bubble_factor - uptake_mg_l_s / kla
        oxygen_mg_l = relax(self.oxygen_mg / volume_l, balance, kla, step_s)
        self.oxygen_mg = np.maximum(oxygen_mg_l, 0.0) * volume_l
