"""The band strip: where a value stands between the limits of its stage, where it came from and where it goes.

Its scale is the stage's own tolerance, so that every strip of a rack at ease has its mark in the middle. Time
runs downwards: the trail of the last hours above the band, what is to come below it. Pure geometry.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.view.rack_now import ChannelNow, LimitsNow
from daemon.view.tolerated import place_of
from rules.rack.tolerance import Band, Tolerance

WIDTH, HEIGHT = 200, 46
BAND_TOP, BAND_HEIGHT = 20, 12
TRAIL_MS = 3 * 3_600_000
_MIDDLE, _UNIT, _EDGE = WIDTH / 2, 80.0, 3.0
_LEAST_MARK = 4.0


@dataclass(frozen=True, slots=True)
class Strip:
    """What is drawn, in units of the drawing: fields from left to right, the mark, two lines (SVG points).

    `mark` is None where there is no value; what has no limit on a side has no field on it.
    """

    critical: tuple[float, float]
    advisory: tuple[float, float]
    mark: tuple[float, float] | None
    trail: str
    ahead: str


def x_of(place: float) -> float:
    """Return where a place is drawn: 0 in the middle, -1 and 1 at the outermost limits."""
    return min(max(_MIDDLE + _UNIT * place, _EDGE), WIDTH - _EDGE)


def strip_of(
    channel: ChannelNow, lead_time_ms: int, past: Iterable[tuple[float, float]] = ()
) -> Strip | None:
    """Return the strip of a channel; None where its stage sets no limits that make a scale.

    `past` holds values of the last hours, each with how long ago it was as a share of `TRAIL_MS`.
    """
    limits, value = channel.limits, channel.value
    if limits is None or (tolerance := _tolerance(limits)) is None:
        return None
    advisory = _field(limits.advisory_low_place, limits.advisory_high_place)
    outer = (limits.critical_low, limits.critical_high)
    critical = _field(*(None if end is None else place_of(end, tolerance) for end in outer))
    if value is None or channel.place is None:
        return Strip(critical, advisory, None, "", "")
    x = x_of(channel.place)
    ends = [x_of(_place(value + sign * (channel.uncertainty or 0.0), tolerance)) for sign in (-1, 1)]
    half = _LEAST_MARK / 2
    mark = min(ends[0], x - half), max(ends[1], x + half)
    points = [f"{x_of(_place(it, tolerance)):.1f},{BAND_TOP * (1 - share):.1f}" for it, share in past]
    trail = " ".join([*points, f"{x:.1f},{BAND_TOP}"]) if points else ""
    ahead = ""
    if channel.trend_tells and channel.trend_per_hour is not None and lead_time_ms:
        then = x_of(_place(value + channel.trend_per_hour * lead_time_ms / 3_600_000, tolerance))
        ahead = f"{x:.1f},{BAND_TOP + BAND_HEIGHT} {then:.1f},{HEIGHT - 1}"
    return Strip(critical, advisory, mark, trail, ahead)


def _tolerance(limits: LimitsNow) -> Tolerance | None:
    """Return the limits as a tolerance that makes a scale; None where they make none."""
    bands = Band(limits.advisory_low, limits.advisory_high), Band(limits.critical_low, limits.critical_high)
    tolerance = Tolerance(limits.target, *bands)
    return None if place_of(0.0, tolerance) is None else tolerance


def _place(value: float, tolerance: Tolerance) -> float:
    place = place_of(value, tolerance)
    return 0.0 if place is None else place


def _field(low: float | None, high: float | None) -> tuple[float, float]:
    return 0.0 if low is None else x_of(low), WIDTH if high is None else x_of(high)
