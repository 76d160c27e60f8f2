"""What happened to a vessel on one axis of time, as lines and areas: pure geometry over what was.

x runs with the journal's axis of time, y with a channel's values; a column holds the least and the greatest
value in its time. What lies outside a plot is drawn at its edge.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

import numpy as np

from daemon.page.extents import Columns
from daemon.report.scale import Scale, as_read, round_steps
from rules.quality.flags import Flag
from rules.rack.tolerance import Band, Tolerance

WIDTH, LEFT, RIGHT = 960.0, 56.0, 936.0
PLOT_HEIGHT, PLOT_EVERY = 120.0, 156.0
_MARGIN = 0.08
_EVENING_H, _NIGHT_H = 22, 8  # common practice, no source: who sleeps does so from ten to six
_NIGHTS_UPTO_MS = 14 * 86_400_000

Limits = Sequence[Tolerance | None]
"""What was tolerated, column by column."""


@dataclass(frozen=True, slots=True)
class Plot:
    """A channel's drawing: SVG paths and places; `hatched` are (x, width) of what nobody watched."""

    top: float
    known: str
    inner: str
    outer: str
    target: str
    trace: str
    suspect: str
    failed: str
    hatched: tuple[tuple[float, float], ...]
    rungs: tuple[tuple[float, str], ...]


def plot_of(columns: Columns, limits: Limits, x: Scale, top: float, quantity: str) -> Plot:
    """Return the drawing of a channel whose plot begins at `top`."""
    y = Scale(*value_range(columns, limits), top + PLOT_HEIGHT, top)
    read = as_read(y, quantity)
    middles = [x.at(at) for at in _middles(columns)]
    # Where the same limits last, their ends are enough.
    last = len(limits) - 1
    kept = [at for at in range(last + 1) if at in (0, last) or len({*map(id, limits[at - 1 : at + 2])}) > 1]
    there = [middles[at] for at in kept]
    moved = [limits[at] for at in kept]
    edges = {
        level: [_ends(None if it is None else getattr(it, level), y) for it in moved]
        for level in ("advisory", "critical")
    }
    ends = [np.interp(it, (y.first, y.last), (y.start, y.stop)) for it in (columns.low, columns.high)]
    values = [None if np.isnan(low) else (low, high) for low, high in zip(*ends, strict=True)]
    targets = [None if it is None or it.target is None else y.clipped(it.target) for it in moved]
    flagged = {flag: [middles[at] for at in np.flatnonzero(columns.flag == flag)] for flag in Flag}
    foot = top + PLOT_HEIGHT
    return Plot(
        top,
        area(there, [None if it is None else (y.start, y.stop) for it in moved]),
        area(there, edges["advisory"]),
        area(there, edges["critical"]),
        area(there, [None if it is None else (it, it) for it in targets]),
        area(middles, values),
        "".join(f"M{at:.1f} {foot + 3:.0f}v7" for at in flagged[Flag.SUSPECT]),
        "".join(f"M{at - 2:.1f} {foot + 3:.0f}l4 7m0 -7l-4 7" for at in flagged[Flag.FAIL]),
        tuple((x.at(start), x.at(stop) - x.at(start)) for start, stop in unwatched(columns, limits)),
        tuple((read.at(value), f"{value:g}") for value in round_steps(read.first, read.last, 4)),
    )


def _ends(band: Band | None, y: Scale) -> tuple[float, float] | None:
    """Return where a band ends in a plot; an open side reaches to its edge."""
    if band is None:
        return None
    ends = (band.low, y.start), (band.high, y.stop)
    low, high = (edge if end is None else y.clipped(end) for end, edge in ends)
    return low, high


def area(x: Sequence[float], ends: Sequence[tuple[float, float] | None]) -> str:
    """Return the path around what lies between two ends at each x; where there are none it is broken off."""
    path, run = "", list[tuple[float, float, float]]()
    for at, end in [*zip(x, ends, strict=True), (0.0, None)]:
        if end is not None:
            run.append((at, end[0], end[1]))
        elif run:
            there = "L".join(f"{it[0]:.1f} {it[2]:.1f}" for it in run)
            back = "L".join(f"{it[0]:.1f} {it[1]:.1f}" for it in reversed(run))
            path, run = f"{path}M{there}L{back}z", []
    return path


def value_range(columns: Columns, limits: Limits) -> tuple[float, float]:
    """Return from where to where to draw: nearly all values (a probe in air is clipped), advisory limits."""
    known = ~np.isnan(columns.low)
    found = list[float]()
    if known.any():
        found = [float(np.percentile(columns.low[known], 1)), float(np.percentile(columns.high[known], 99))]
    found += [
        end for it in set(limits) if it for end in (it.advisory.low, it.advisory.high) if end is not None
    ]
    low, high = min(found, default=0.0), max(found, default=1.0)
    margin = _MARGIN * (high - low) or 0.5
    return low - margin, high + margin


def unwatched(columns: Columns, limits: Limits) -> Iterator[tuple[int, int]]:
    """Go through the stretches in which nothing usable was read for longer than the limits allow."""
    end_ms = int(columns.start_ms[-1]) + _width(columns)
    begun, patience_ms = -1, 0
    for start, low, it in [
        *zip(columns.start_ms.tolist(), columns.low, limits, strict=True),
        (end_ms, 0.0, None),
    ]:
        blind = it is not None and bool(np.isnan(low))
        if it is not None and blind and begun < 0:
            begun, patience_ms = start, it.unwatched_after_ms
        elif not blind and begun >= 0:
            if start - begun >= patience_ms:
                yield begun, start
            begun = -1


def nights(from_ms: int, to_ms: int, zone: tzinfo) -> Iterator[tuple[int, int]]:
    """Go through the nights where the rack stands (UTC); of long stretches none are told."""
    if to_ms - from_ms > _NIGHTS_UPTO_MS:
        return
    first = datetime.fromtimestamp(from_ms / 1000, zone).replace(tzinfo=None)
    evening = first.replace(hour=_EVENING_H, minute=0, second=0, microsecond=0) - timedelta(days=1)
    while (start := evening.replace(tzinfo=zone)).timestamp() * 1000 < to_ms:
        stop = (evening + timedelta(hours=_NIGHT_H)).replace(tzinfo=zone)
        found = max(round(start.timestamp() * 1000), from_ms), min(round(stop.timestamp() * 1000), to_ms)
        if found[0] < found[1]:
            yield found
        evening += timedelta(days=1)


def _width(columns: Columns) -> int:
    """Return how long a column lasts; there are at least two."""
    return int(columns.start_ms[1] - columns.start_ms[0])


def _middles(columns: Columns) -> list[float]:
    return [start + _width(columns) / 2 for start in columns.start_ms.tolist()]
