"""How a probe drifts from calibration to calibration: what age adds to its error, and when it is due."""

import math
from dataclasses import dataclass

from rules.care.calibration import Calibration
from rules.care.drift import error_found

DAY_MS = 86_400_000
LEAST_MS, GREATEST_MS = 7 * DAY_MS, 366 * DAY_MS
"""No forecast is shorter or longer (project judgement)."""

WORN = (0.8, 1.25)
"""A slope outside of these is that of a probe to be replaced (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Wear:
    """What the visits found, all of it without signs: gain (as a share) and zero, over how long."""

    over_ms: int = 0
    gain: float = 0.0
    zero: float = 0.0

    def after(self, before: Calibration, visit: Calibration) -> "Wear":
        """Return the wear with what one more visit found; within a day it is another try of the last.

        A new probe has worn in nothing.
        """
        if visit.replaced:
            return NO_WEAR
        age_ms = visit.at_ms - before.at_ms
        if age_ms < DAY_MS:
            return self
        gain, zero = error_found(before, visit)
        return Wear(self.over_ms + age_ms, self.gain + abs(gain - 1.0), self.zero + abs(zero))

    def error_at(self, value: float, age_ms: int) -> float:
        """Return by how much a value may have drifted at an age, at the pace seen; 0 where none was."""
        if not self.over_ms:
            return 0.0
        return age_ms / self.over_ms * (self.gain * abs(value) + self.zero)

    def lasts_ms(self, value: float, allowed: float) -> int | None:
        """Return how long it takes until a value may be off by `allowed`; None where nobody knows."""
        if not self.over_ms:
            return None
        pace = self.error_at(value, DAY_MS)
        days_ms = math.inf if pace == 0.0 else allowed / pace * DAY_MS
        return round(min(max(days_ms, LEAST_MS), GREATEST_MS))


NO_WEAR = Wear()


def worn(made: Calibration) -> bool:
    """Return whether the slope of a calibration is that of a probe to be replaced."""
    return not WORN[0] <= made.line.slope <= WORN[1]
