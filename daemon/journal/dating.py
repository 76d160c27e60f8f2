"""What time it really was: from the journal's own axis of time to UTC.

A Pi has no battery clock. The times in the journal (`at_ms`) follow the monotonic clock and never
run back, so that every duration is right; they begin at what the system believed at the time. Once
the system's clock is synchronised, the journal learns by how much UTC is ahead of its axis, and
everything since that start of the machine is dated by it: in messages, pages, exports and the
mirror. The rows of the journal are not rewritten, so a replay judges what was judged.
"""

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import AlarmEvent
from rules.readings import Notice


@dataclass(frozen=True, slots=True)
class Stretch:
    """From `from_ms` of the axis on, UTC is `ahead_ms` ahead of it; a guess until `synchronised`."""

    from_ms: int
    ahead_ms: int
    synchronised: bool


class Dating:
    """The stretches of a journal; without any, the axis is taken for UTC."""

    def __init__(self, stretches: Iterable[Stretch] = ()) -> None:
        self._stretches = sorted(stretches, key=lambda stretch: stretch.from_ms)
        self._starts = [stretch.from_ms for stretch in self._stretches]

    def at(self, at_ms: int) -> Stretch:
        """Return the stretch that a moment of the axis falls into."""
        place = bisect_right(self._starts, at_ms)
        return self._stretches[place - 1] if place else Stretch(0, 0, True)

    @property
    def newest(self) -> Stretch:
        """Return the stretch that lasts."""
        return self._stretches[-1] if self._stretches else Stretch(0, 0, True)

    @property
    def largest_ahead_ms(self) -> int:
        """Return how far off the axis was at most; 0 where it is UTC."""
        return max((abs(stretch.ahead_ms) for stretch in self._stretches), default=0)

    def with_stretch(self, stretch: Stretch) -> "Dating":
        """Return a dating in which `stretch` stands in place of one that began at the same moment."""
        others = [other for other in self._stretches if other.from_ms != stretch.from_ms]
        return Dating([*others, stretch])

    def ahead(self, at_ms: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return by how much UTC is ahead at moments of the axis, and whether for certain: shapes n."""
        stretches = [Stretch(0, 0, True), *self._stretches]
        place = np.searchsorted(np.array(self._starts, dtype=np.int64), at_ms, side="right")
        ahead_ms = np.array([stretch.ahead_ms for stretch in stretches], dtype=np.int64)
        return ahead_ms[place], np.array([stretch.synchronised for stretch in stretches])[place]

    @property
    def runs_back(self) -> bool:
        """Return whether UTC runs back somewhere while the axis goes on."""
        ahead_ms = [0, *(stretch.ahead_ms for stretch in self._stretches)]
        return ahead_ms != sorted(ahead_ms)

    def utc_ms(self, at_ms: int) -> int:
        """Return UTC milliseconds of a moment of the axis."""
        return at_ms + self.at(at_ms).ahead_ms

    def axis_ms(self, utc_ms: int) -> int:
        """Return the moment of the axis that `utc_ms` is, by the newest stretch in which it can lie."""
        for stretch in reversed(self._stretches):
            if utc_ms - stretch.ahead_ms >= stretch.from_ms:
                return utc_ms - stretch.ahead_ms
        return utc_ms - self.at(0).ahead_ms

    def surely_before_ms(self, utc_ms: int) -> int:
        """Return the moment of the axis up to which all was before `utc_ms`, by what is synchronised."""
        stretches = [Stretch(0, 0, True), *self._stretches]
        for stretch, end_ms in zip(reversed(stretches), [None, *reversed(self._starts)], strict=True):
            moment_ms = utc_ms - stretch.ahead_ms
            if stretch.synchronised and moment_ms > stretch.from_ms:
                return moment_ms if end_ms is None else min(moment_ms, end_ms)
        return 0

    def unsynchronised_from_ms(self) -> int | None:
        """Return where the axis begins not to be dated for certain; None where all of it is."""
        return None if self.newest.synchronised else self.newest.from_ms

    def dated(self, event: AlarmEvent) -> AlarmEvent:
        """Return an event with its times in UTC, for people."""
        until_ms, reached_ms = (
            None if at_ms is None else self.utc_ms(at_ms)
            for at_ms in (event.until_ms, event.evidence.reached_ms)
        )
        evidence = replace(event.evidence, reached_ms=reached_ms)
        at_ms, since_ms = self.utc_ms(event.at_ms), self.utc_ms(event.since_ms)
        return replace(event, at_ms=at_ms, since_ms=since_ms, until_ms=until_ms, evidence=evidence)

    def dated_notice(self, notice: Notice) -> Notice:
        """Return a notice with its time in UTC, for people."""
        return replace(notice, at_ms=self.utc_ms(notice.at_ms))
