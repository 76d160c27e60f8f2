"""The rack that is not there: room, vessels and probes stepped on one grid of time.

A scenario and a seed fix every value: the world moves only in whole steps from its start, so
when somebody reads a probe changes nothing.
"""

from typing import Any

import numpy as np

from simulator.rack import seawater
from simulator.rack.conditions import conditions_at
from simulator.rack.probes import IN_AIR, Probes, channels_of
from simulator.rack.room import RoomAir
from simulator.rack.vessel import Vessels
from simulator.scenario.faults import acting
from simulator.scenario.scenario import Scenario

Array = Any


class Rack:
    """The state of a scenario's world at `time_ms`."""

    def __init__(self, scenario: Scenario, seed: int | None = None, start_ms: int | None = None) -> None:
        self.scenario = scenario
        self.start_ms = scenario.start_ms if start_ms is None else start_ms
        self.time_ms = self.start_ms
        self._step_s = scenario.course.step_s
        self._step_ms = round(scenario.course.step_s * 1000)
        self._steps = 0
        self._draws = np.random.default_rng(scenario.course.seed if seed is None else seed)
        self.air = RoomAir(scenario.room, self.start_ms, scenario.utc_offset_h)
        self.vessels = Vessels(scenario, self.air)
        names = list(scenario.vessels)
        self._rows = [(c.quantity, names.index(c.vessel) if c.vessel else 0) for c in channels_of(scenario)]
        self.probes = Probes(scenario, self.start_ms, self.truth())
        self._read_probes(0.0)

    def step(self) -> None:
        """One step on: equipment and water under what acts now, then the probes at the step's end."""
        here = conditions_at(self.scenario, self.start_ms, self.time_ms)
        self._steps += 1
        self.time_ms = self.start_ms + self._steps * self._step_ms
        draws = self._draws.standard_normal(2)
        self.air.step(self.time_ms, self._step_s, (draws[0], draws[1]), here.room_rise_c)
        self.vessels.step(here, self._step_s)
        self._read_probes(self._step_s)

    def advance_to(self, time_ms: int) -> None:
        """Steps until the next step would go past `time_ms`."""
        while self.time_ms + self._step_ms <= time_ms:
            self.step()

    def truth(self) -> Array:
        """What each channel would read if its probe were perfect, in the channels' order."""
        vessels, salinity, oxygen = self.vessels, self.vessels.salinity, self.vessels.oxygen_mg_l
        true = {
            "temperature": vessels.temperature_c,
            "conductivity": seawater.conductivity_ms_cm(salinity, vessels.temperature_c),
            "salinity": salinity,
            "oxygen": oxygen,
            "oxygen_saturation": 100.0 * oxygen / vessels.saturated_mg_l(),
            "air_pressure": [self.air.pressure_hpa],
        }
        return np.array([true[quantity][vessel] for quantity, vessel in self._rows])

    def reading(self, probe: str) -> dict[str, float]:
        """The probe's values by quantity before the wire, whether it answers or not."""
        rows = zip(self.probes.channels, self.probes.values, strict=True)
        return {channel.quantity: float(value) for channel, value in rows if channel.probe == probe}

    def disturbance(self, probe: str) -> tuple[bool, bool]:
        """Whether the probe gives no answer now, and whether its answers are damaged."""
        first = next(i for i, channel in enumerate(self.probes.channels) if channel.probe == probe)
        return bool(self.probes.silent[first]), bool(self.probes.garbled[first])

    def _read_probes(self, step_s: float) -> None:
        events = list(acting(self.scenario.events, self.start_ms, self.time_ms))
        room_c = self.air.temperature_c
        dry_oxygen = float(seawater.oxygen_saturation_mg_l(0.0, room_c, self.air.pressure_hpa))
        in_air = {**IN_AIR, "temperature": room_c, "oxygen": dry_oxygen}
        draws = self._draws.standard_normal(len(self.probes.channels))
        self.probes.step(self.truth(), in_air, events, self.time_ms, step_s, draws)
