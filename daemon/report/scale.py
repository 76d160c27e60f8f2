"""Scales and ticks of a report's drawings, the same on the page and on a slide."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

import numpy as np

from daemon.as_read import shown
from daemon.report.trace import ChannelTrace
from rules.rack.tolerance import Tolerance

HOUR_S = 3600
_TICK_EVERY_S = [
    *(minutes * 60 for minutes in (5, 15, 30)),
    *(hours * HOUR_S for hours in (1, 3, 6, 12)),
    *(days * 24 * HOUR_S for days in (1, 2, 7, 14, 30, 91)),
]
_MOST_TICKS = 9


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a number stands in a drawing: `first` at `start`, `last` at `stop`."""

    first: float
    last: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        """Return the place of a value."""
        return self.start + (value - self.first) / (self.last - self.first) * (self.stop - self.start)

    def clipped(self, value: float) -> float:
        """Return the place of a value, at the border where it lies outside."""
        return self.at(min(max(value, self.first), self.last))


def as_read(y: Scale, quantity: str) -> Scale:
    """Return a scale of a quantity's values for those that people read."""
    return Scale(shown(y.first, quantity), shown(y.last, quantity), y.start, y.stop)


def value_range(trace: ChannelTrace) -> tuple[float, float]:
    """Return from where to where to draw: nearly all values and the advisory limits beside them.

    A probe in air must not flatten the rest: the outermost hundredth of the columns may be clipped.
    """
    known = ~np.isnan(trace.low)
    if not known.any():
        return 0.0, 1.0
    low = float(np.percentile(trace.low[known], 1))
    high = float(np.percentile(trace.high[known], 99))
    room = max(high - low, 1e-6)
    for _, tolerance in trace.bands:
        for limit in (tolerance.advisory.low, tolerance.advisory.high) if tolerance else ():
            if limit is not None and low - 2 * room <= limit <= high + 2 * room:
                low, high = min(low, limit), max(high, limit)
    margin = 0.08 * (high - low) or 0.5
    return low - margin, high + margin


def limit_steps(
    bands: Sequence[tuple[int, Tolerance | None]], level: str, side: str, stop_ms: int
) -> Iterator[tuple[int, int, float]]:
    """Go through one limit of a channel as it was: from, to, value; where there was none it is left out."""
    ends = [*(start for start, _ in bands[1:]), stop_ms][: len(bands)]
    for (start_ms, tolerance), end_ms in zip(bands, ends, strict=True):
        limit = None if tolerance is None else getattr(getattr(tolerance, level), side)
        if limit is not None:
            yield start_ms, end_ms, limit


def round_steps(first: float, last: float, about: int = 5) -> list[float]:
    """Return round numbers between two values, about so many."""
    raw = (last - first) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw)
    start = math.ceil(first / step - 1e-9)
    stop = math.floor(last / step + 1e-9)
    return [round(count * step, 9) for count in range(start, stop + 1)]


def time_ticks(first_ms: float, last_ms: float, zone: tzinfo) -> list[tuple[int, str]]:
    """Return times to name on an axis, round where the rack stands, with their names."""
    span_s = (last_ms - first_ms) / 1000
    every_s = next((each for each in _TICK_EVERY_S if span_s / each <= _MOST_TICKS), _TICK_EVERY_S[-1])
    begin = datetime.fromtimestamp(first_ms / 1000, zone)
    midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    ticks: list[tuple[int, str]] = []
    count = math.ceil((begin - midnight).total_seconds() / every_s)
    while True:
        local = (midnight.replace(tzinfo=None) + timedelta(seconds=count * every_s)).replace(tzinfo=zone)
        at_ms = round(local.timestamp() * 1000)
        if at_ms > last_ms:
            return ticks
        if at_ms >= first_ms:
            at_midnight = (local.hour, local.minute) == (0, 0)
            ticks.append((at_ms, f"{local:%d %b}" if at_midnight else f"{local:%H:%M}"))
        count += 1
