"""The air around the rack: daily course, weather, humidity."""

import math

from simulator.rack.physics import wander
from simulator.rack.seawater import vapour_pressure_hpa
from simulator.scenario.scenario import Room

TEMPERATURE_MEMORY_S = 2 * 3600.0  # common practice, no source: doors, people, sun
PRESSURE_MEMORY_S = 24 * 3600.0  # common practice, no source: a low passes in some days
TIDE_HPA = 0.5  # half-daily air tide of middle latitudes, highest near 10 and 22 h (from memory)


class RoomAir:
    """Temperature (degrees C), pressure (hPa) and water vapour (hPa) of the room, stepped."""

    def __init__(self, room: Room, start_ms: int, utc_offset_h: float) -> None:
        self._room = room
        self._start_ms = start_ms
        self._utc_offset_h = utc_offset_h
        self._warmth_c = 0.0
        self._weather_hpa = 0.0
        self.temperature_c = 0.0
        self.pressure_hpa = 0.0
        self.step(start_ms, 0.0, (0.0, 0.0), 0.0)

    def step(self, time_ms: int, step_s: float, draws: tuple[float, float], rise_c: float) -> None:
        """The room's air at `time_ms`, a step after the last; `rise_c` is what a heat wave adds."""
        room = self._room
        self._warmth_c = wander(self._warmth_c, room.wander_c, TEMPERATURE_MEMORY_S, step_s, draws[0])
        self._weather_hpa = wander(
            self._weather_hpa, room.pressure_wander_hpa, PRESSURE_MEMORY_S, step_s, draws[1]
        )
        hour = time_ms / 3_600_000 + self._utc_offset_h
        daily_c = room.swing_c * math.cos(2 * math.pi * (hour - room.warmest_h) / 24)
        tide_hpa = TIDE_HPA * math.cos(2 * math.pi * (hour - 10) / 12)
        trend_hpa = room.pressure_trend_hpa_per_day * (time_ms - self._start_ms) / 86_400_000
        self.temperature_c = float(room.mean_c + daily_c + self._warmth_c + rise_c)
        self.pressure_hpa = float(room.pressure_hpa + tide_hpa + trend_hpa + self._weather_hpa)

    @property
    def vapour_hpa(self) -> float:
        """Partial pressure of water vapour in the room's air."""
        saturated = float(vapour_pressure_hpa(self.temperature_c, 0.0))
        return saturated * self._room.humidity_percent / 100.0
