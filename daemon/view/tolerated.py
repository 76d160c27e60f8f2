"""Where a value stands between the limits of its stage, and which of them its trend will reach."""

from daemon.view.rack_now import LimitsNow, Reaching
from rules.judging.trend import MS_PER_HOUR
from rules.rack.tolerance import Tolerance

TELLING_SHARE = 0.1
"""A trend is worth a look from this share of what the stage tolerates (project judgement)."""

_Scale = tuple[float, float, float]
"""The middle of a tolerance, and how far its ends are below and above it."""


def limits_now(tolerance: Tolerance | None) -> LimitsNow | None:
    """Return the limits that a tolerance sets; None where there is none."""
    if tolerance is None:
        return None
    advisory, critical = tolerance.advisory, tolerance.critical
    ends = (advisory.low, advisory.high)
    places = (place_of(end, tolerance) for end in ends)
    return LimitsNow(tolerance.target, *ends, critical.low, critical.high, *places)


def place_of(value: float | None, tolerance: Tolerance | None) -> float | None:
    """Return where a value stands: 0 at the target, -1 and 1 at the outermost limits; None without limits."""
    scale = _scale(tolerance) if tolerance else None
    if value is None or scale is None:
        return None
    middle, below, above = scale
    return (value - middle) / (above if value >= middle else below)


def _scale(tolerance: Tolerance) -> _Scale | None:
    """An open side is as wide as the other; without a target between the ends their middle stands for it."""
    advisory, critical = tolerance.advisory, tolerance.critical
    low = critical.low if critical.low is not None else advisory.low
    high = critical.high if critical.high is not None else advisory.high
    middle = tolerance.target
    if low is not None and high is not None and (middle is None or not low < middle < high):
        middle = (low + high) / 2
    ends = [abs(end - middle) for end in (low, high) if end is not None and middle is not None]
    if middle is None or not ends or min(ends) <= 0:
        return None
    return middle, ends[0], ends[-1]


def telling(rate_per_hour: float, tolerance: Tolerance) -> bool:
    """Say whether a rate is worth a look, by the rates that the stage tolerates."""
    rates = [rate for rate in (tolerance.max_rise_per_hour, tolerance.max_fall_per_hour) if rate is not None]
    return bool(rates) and abs(rate_per_hour) >= TELLING_SHARE * min(rates)


def reaching(value: float, rate_per_hour: float, tolerance: Tolerance, time_ms: int) -> Reaching | None:
    """Return the next limit that a value of `time_ms` will cross by its trend; None where there is none."""
    side = "high" if rate_per_hour > 0 else "low"
    bands = {"advisory": tolerance.advisory, "critical": tolerance.critical}
    ahead = [
        ((limit - value) / rate_per_hour, f"{level}_{side}", limit)
        for level, band in bands.items()
        if (limit := getattr(band, side)) is not None
        and rate_per_hour
        and (limit - value) / rate_per_hour > 0
    ]
    if not ahead:
        return None
    hours, name, limit = min(ahead)
    return Reaching(name, limit, time_ms + round(hours * MS_PER_HOUR))
