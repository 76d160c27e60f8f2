"""Scaled time: one clock for all processes of a machine that are told the same three numbers."""

import time
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ScaledTime:
    """Simulated time that began at `start_ms` (UTC) when the monotonic clock stood at the epoch.

    now = start_ms + scale * (monotonic - epoch_monotonic_s) * 1000. CLOCK_MONOTONIC is one clock
    for all processes, so another process computes the same time from the same numbers.
    """

    start_ms: int
    scale: float
    epoch_monotonic_s: float

    def now_ms(self) -> int:
        """Simulated UTC milliseconds now."""
        return self.start_ms + int(self.scale * (time.monotonic() - self.epoch_monotonic_s) * 1000)

    def wall_s_until(self, time_ms: int) -> float:
        """Seconds of the wall clock until a simulated time, 0 if it has passed."""
        due = self.epoch_monotonic_s + (time_ms - self.start_ms) / 1000 / self.scale
        return max(0.0, due - time.monotonic())
