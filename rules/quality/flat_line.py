"""QARTOD test 8, flat line, by count and by time.

The manuals flag a reading that equals, within EPS, the REP_CNT readings before it. Their text and
their example disagree by one ("five most recent observations are equal", but five comparisons); here
it is the number of *previous* readings compared, as in the manuals' loop. A count says little where
poll periods differ, so a time may be asked for as well: no reading within that time disagrees, and
the record goes back that far. Missing readings neither count nor interrupt; a gap in the record does.

What is carried is small: of the past only those readings matter that stand out above or below
everything after them, since only such a reading can be the last that disagrees.
"""

from dataclasses import dataclass, field
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from rules.quality.flags import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT, Flags
from rules.quality.settings import QualitySettings, Repeats

Ints: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]

LONG_AGO_MS: Final = -(2**62)


@dataclass(frozen=True, slots=True)
class FlatRun:
    """What is remembered of a channel's usable readings.

    count: how many there were. barrier_ms, barrier_count: time and number of the last one that no
    reading to come can agree with (or just before the record began). time_ms, value, number: the
    readings since then that stand out, oldest first, shape (kept,).
    """

    count: int = 0
    barrier_ms: int = LONG_AGO_MS
    barrier_count: int = 0
    time_ms: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    value: Floats = field(default_factory=lambda: np.empty(0, dtype=np.float64))
    number: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))


NO_RUN: Final = FlatRun()


@dataclass(frozen=True, slots=True)
class _Segments:
    """The carried and new readings, cut where neighbours disagree so much that no reading agrees with both.

    start, stop: positions of each segment. barrier_ms, barrier: time and number before each.
    """

    start: Ints
    stop: Ints
    barrier_ms: Ints
    barrier: Ints


def flat_line_test(
    time_ms: Ints, value: Floats, settings: QualitySettings, run: FlatRun
) -> tuple[Flags, FlatRun]:
    """Return the flag of each reading and the run to carry on; NaN values are missing. Shapes (readings,).

    With neither count set every reading is 2, and nothing is remembered.
    """
    missing = np.isnan(value)
    if settings.flat_line_suspect is None and settings.flat_line_fail is None:
        return np.where(missing, MISSING, NOT_EVALUATED), NO_RUN
    if not missing.any():
        return _flag_usable(time_ms, value, settings, run)
    flags = np.full(value.size, MISSING, dtype=np.uint8)
    usable = ~missing
    flags[usable], run = _flag_usable(time_ms[usable], value[usable], settings, run)
    return flags, run


def _flag_usable(
    time_ms: Ints, value: Floats, settings: QualitySettings, run: FlatRun
) -> tuple[Flags, FlatRun]:
    flags = np.full(value.size, PASS, dtype=np.uint8)
    if not value.size:
        return flags, run
    kept = run.time_ms.size
    t = np.concatenate((run.time_ms, time_ms))
    x = np.concatenate((run.value, value))
    segments = _cut(t, x, kept, settings, run)
    for repeats, flag in ((settings.flat_line_suspect, SUSPECT), (settings.flat_line_fail, FAIL)):
        if repeats is not None:
            found = _reached(t, segments, kept, run, repeats)
            if found.size and settings.flat_line_eps > 0.0:
                found = found[_all_agree(t, x, found, kept, run, repeats, settings.flat_line_eps)]
            flags[found - kept] = flag
    return flags, _carry_on(t, x, segments, kept, settings, run)


def _cut(t: Ints, x: Floats, kept: int, settings: QualitySettings, run: FlatRun) -> _Segments:
    before = max(kept - 1, 0)
    # The least slack keeps rounding from cutting between two readings that one may just agree with.
    apart = np.abs(x[before + 1 :] - x[before:-1]) > 2.0 * settings.flat_line_eps * (1.0 + 1e-9)
    gaps = np.empty(0, dtype=np.int64)
    if settings.max_gap_ms is not None:
        late = t[before + 1 :] - t[before:-1] > settings.max_gap_ms
        apart |= late
        gaps = late.nonzero()[0] + before + 1
    cuts = apart.nonzero()[0] + before + 1
    first_ms, first = (run.barrier_ms, run.barrier_count) if run.count else (int(t[0]) - 1, 0)
    barrier_ms = t[cuts - 1]
    barrier_ms[cuts.searchsorted(gaps)] = t[gaps] - 1
    return _Segments(
        start=np.concatenate(([0], cuts)),
        stop=np.concatenate((cuts, [t.size])),
        barrier_ms=np.concatenate(([first_ms], barrier_ms)),
        barrier=np.concatenate(([first], _numbers(cuts - 1, kept, run))),
    )


def _numbers(positions: Ints, kept: int, run: FlatRun) -> Ints:
    """Return the number of the readings at positions from the last carried one on."""
    return positions - kept + (run.count + 1)


def _reached(t: Ints, segments: _Segments, kept: int, run: FlatRun, repeats: Repeats) -> Ints:
    """Return the positions of the new readings with enough of their segment before them."""
    last = segments.stop - 1
    far = _numbers(last, kept, run) - segments.barrier > repeats.count
    far &= t[last] - segments.barrier_ms > repeats.duration_ms
    far &= last >= kept
    chosen = far.nonzero()[0]
    if not chosen.size:
        return chosen
    by_count = segments.barrier[chosen] + repeats.count - run.count + kept
    by_time = t.searchsorted(segments.barrier_ms[chosen] + repeats.duration_ms, side="right")
    return _ranges(np.maximum(np.maximum(by_count, by_time), kept), segments.stop[chosen])


def _ranges(start: Ints, stop: Ints) -> Ints:
    """Return start[0], ..., stop[0] - 1, start[1], ... in one array."""
    length = stop - start
    offset = np.repeat(start - np.concatenate(([0], np.cumsum(length)[:-1])), length)
    return offset + np.arange(offset.size)


def _all_agree(
    t: Ints, x: Floats, at: Ints, kept: int, run: FlatRun, repeats: Repeats, eps: float
) -> npt.NDArray[np.bool_]:
    """Tell for each position whether every reading that it must agree with does, within eps."""
    number = np.concatenate((run.number, _numbers(np.arange(kept, t.size), kept, run)))
    start = np.minimum(
        t.searchsorted(t[at] - repeats.duration_ms), number.searchsorted(number[at] - repeats.count)
    )
    low, high = _extremes(x, start, at)
    return (high - x[at] <= eps) & (x[at] - low <= eps)


def _extremes(x: Floats, start: Ints, stop: Ints) -> tuple[Floats, Floats]:
    """Return minimum and maximum of x[start:stop] for each window, from windows of doubling length."""
    level = np.frexp((stop - start).astype(np.float64))[1] - 1
    low, high = np.empty(start.size), np.empty(start.size)
    lows = highs = x
    for doubling in range(int(level.max()) + 1):
        width = 1 << doubling
        here = (level == doubling).nonzero()[0]
        first, second = start[here], stop[here] - width
        low[here] = np.minimum(lows[first], lows[second])
        high[here] = np.maximum(highs[first], highs[second])
        lows = np.minimum(lows[:-width], lows[width:])
        highs = np.maximum(highs[:-width], highs[width:])
    return low, high


def _carry_on(
    t: Ints, x: Floats, segments: _Segments, kept: int, settings: QualitySettings, run: FlatRun
) -> FlatRun:
    count = run.count + t.size - kept
    start = max(int(segments.start[-1]), _still_needed(t, kept, settings, run))
    number = np.concatenate((run.number[start:], _numbers(np.arange(max(start, kept), t.size), kept, run)))
    standing = _standing_out(x[start:])
    return FlatRun(
        count=count,
        barrier_ms=int(segments.barrier_ms[-1]),
        barrier_count=int(segments.barrier[-1]),
        time_ms=t[start:][standing],
        value=x[start:][standing],
        number=number[standing],
    )


def _still_needed(t: Ints, kept: int, settings: QualitySettings, run: FlatRun) -> int:
    """Return the position of the oldest reading that a later one may have to agree with."""
    both = [r for r in (settings.flat_line_suspect, settings.flat_line_fail) if r is not None]
    duration_ms = max((repeats.duration_ms for repeats in both), default=0)
    count = max((repeats.count for repeats in both), default=1)
    by_time = int(t.searchsorted(t[-1] - duration_ms, side="right"))
    oldest = run.count + t.size - kept - count + 1  # its number
    by_count = oldest - run.count - 1 + kept if oldest > run.count else int(run.number.searchsorted(oldest))
    return min(by_time, by_count, t.size - 1)


def _standing_out(x: Floats) -> Ints:
    """Return the positions of values above all, or below all, that come after them."""
    backwards = x[::-1]
    above = backwards[1:] > np.maximum.accumulate(backwards)[:-1]
    below = backwards[1:] < np.minimum.accumulate(backwards)[:-1]
    positions = np.concatenate(([True], above | below)).nonzero()[0]
    return (x.size - 1 - positions)[::-1]
