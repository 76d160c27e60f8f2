"""What a life stage tolerates of one quantity: bands, rates, deadband and delays.

The alarm terms (deadband, on-delay, off-delay) are those of IEC 62682.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Band:
    """The range from `low` to `high`, in the quantity's unit; None leaves that side open."""

    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Limits of one quantity for one stage; limits in the quantity's unit, durations in milliseconds.

    A value outside `advisory` wants attention, one outside `critical` puts animals at risk.
    Rates are positive numbers per hour. An alarm is raised when its condition has lasted the
    on-delay and returns when the value has been inside the limit by `deadband` for `off_delay_ms`.
    A trend that would reach a critical limit within `lead_time_ms` (0: not watched) is heading out;
    redundant probes that differ by more than `max_disagreement` disagree. `mild` says that what lies outside
    `advisory` is known to be tolerated: it is of low priority. `given` are the keys of the
    settings file that set any of this, such as stages.ephyra.temperature.critical_high; the rest is built in.
    """

    target: float | None = None
    advisory: Band = Band()
    critical: Band = Band()
    max_rise_per_hour: float | None = None
    max_fall_per_hour: float | None = None
    deadband: float = 0.0
    rate_window_ms: int = 1_800_000
    on_delay_ms: int = 120_000
    critical_on_delay_ms: int = 60_000
    off_delay_ms: int = 120_000
    lead_time_ms: int = 7_200_000
    max_disagreement: float | None = None
    mild: bool = False
    given: tuple[str, ...] = ()

    def origin(self, limit: str) -> str:
        """Return the key of the settings file that gave a limit, such as critical_high, or built-in."""
        return next((key for key in self.given if key.endswith(f".{limit}")), "built-in")
