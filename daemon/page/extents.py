"""The least and the greatest value of a series in each stretch of time, as it is drawn.

A minute is what a drawing of a day can show, an hour what one of a year can; not one spike is lost in them.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.quality.flags import worse_than_pass

MINUTE_MS, HOUR_MS = 60_000, 3_600_000


@dataclass(frozen=True, slots=True)
class Columns:
    """A series in columns of equal width: where each begins, its extent (NaN: nothing), its worst flag."""

    start_ms: NDArray[np.int64]
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    flag: NDArray[np.uint8]


@dataclass(slots=True)
class Extents:
    """Extents of a series by stretches of `every_ms`; where `keep` is not 0, of so many newest ones only."""

    every_ms: int
    keep: int = 0
    first: int = 0
    low: NDArray[np.float32] = field(default_factory=lambda: np.empty(0, np.float32))
    high: NDArray[np.float32] = field(default_factory=lambda: np.empty(0, np.float32))
    flag: NDArray[np.uint8] = field(default_factory=lambda: np.empty(0, np.uint8))

    def add(
        self,
        time_ms: NDArray[np.int64],
        low: NDArray[np.float64],
        high: NDArray[np.float64],
        summary: NDArray[np.uint8],
    ) -> None:
        """Take in values (or extents; NaN: none) of moments that rise, each with QARTOD's flag."""
        stretch = time_ms // self.every_ms
        if self.keep:
            recent = stretch > stretch[-1] - self.keep
            stretch, low, high, summary = stretch[recent], low[recent], high[recent], summary[recent]
        self._make_room(int(stretch[0]), int(stretch[-1]))
        starts = np.flatnonzero(np.diff(stretch, prepend=stretch[0] - 1))
        at = stretch[starts] - self.first
        worst = np.where(worse_than_pass(summary), summary, 0).astype(np.uint8)
        self.low[at] = np.fmin(self.low[at], np.fmin.reduceat(low.astype(np.float32), starts))
        self.high[at] = np.fmax(self.high[at], np.fmax.reduceat(high.astype(np.float32), starts))
        self.flag[at] = np.maximum(self.flag[at], np.maximum.reduceat(worst, starts))

    def _make_room(self, first: int, last: int) -> None:
        """Let the arrays reach over some stretches, with room for more; what is too old is let go then."""
        if not self.low.size:
            self.first = first
        if self.first <= first and last - self.first < self.low.size:
            return
        begin = max(self.first, last - self.keep) if self.keep else min(self.first, first)
        size = max((last - begin + 1) * 5 // 4 + 16, self.first - begin + self.low.size)
        for name, empty in (("low", np.nan), ("high", np.nan), ("flag", 0)):
            old = getattr(self, name)[max(begin - self.first, 0) :]
            new, ahead = np.full(size, empty, old.dtype), max(self.first - begin, 0)
            new[ahead : ahead + old.size] = old
            setattr(self, name, new)
        self.first = begin

    def columns(self, from_ms: int, to_ms: int, at_most: int) -> Columns:
        """Return what there is between two moments, in `at_most` columns or fewer."""
        begin, end = from_ms // self.every_ms, -(-to_ms // self.every_ms)
        width = max(-(-(end - begin) // at_most), 1)
        starts = np.arange(begin, end, width)
        low, high, flag = (
            np.full((starts.size * width,), empty, kind)
            for empty, kind in ((np.nan, np.float32), (np.nan, np.float32), (0, np.uint8))
        )
        here, there = max(begin, self.first), min(end, self.first + self.low.size)
        if here < there:
            into, out = slice(here - begin, there - begin), slice(here - self.first, there - self.first)
            low[into], high[into], flag[into] = self.low[out], self.high[out], self.flag[out]
        places = np.arange(starts.size) * width
        return Columns(
            starts * self.every_ms,
            np.fmin.reduceat(low, places),
            np.fmax.reduceat(high, places),
            np.maximum.reduceat(flag, places),
        )
