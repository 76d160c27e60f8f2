"""Keeps the journal's axis of time over restarts, and learns what time it really was.

The axis goes on by the monotonic clock as long as the machine runs, also when the daemon is
started again. After a start of the machine it goes on from what the system believes, but never
before the newest entry of the journal. See daemon/journal/dating.py for what is made of it.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace

import structlog

from daemon.clock import STEPPED_MS, SteadyClock
from daemon.journal.dating import Dating, Stretch
from daemon.journal.journal import Journal
from daemon.watch.wall_clock import WallClock
from drivers.readings import Clock

log = structlog.get_logger()

_AXIS = "axis"


@dataclass(frozen=True, slots=True)
class _Axis:
    boot_id: str | None = None
    start_ms: int = 0
    epoch_s: float = 0.0


class TimeKeeper:
    """The clock of the axis, and its dating; `check` looks at the system's clock.

    `set_by_ms` is by how much that was set since somebody told people, `left_alone_ms` since when no time
    service looks after it that once did.
    """

    def __init__(self, journal: Journal, wall: WallClock) -> None:
        self._wall = wall
        self.set_by_ms = 0
        self.left_alone_ms: int | None = None
        self.dating = journal.state.dating()
        self.clock = self._same_axis(journal) or self._new_axis(journal)

    def _same_axis(self, journal: Journal) -> SteadyClock | None:
        """Return the clock of the axis that a run since the machine's start has begun, if there was one."""
        axis = journal.state.record(_AXIS, _Axis())
        if axis.boot_id != self._wall.boot_id():
            return None
        clock = SteadyClock(axis.start_ms, epoch_s=axis.epoch_s)
        return clock if clock.now_ms() >= journal.state.clock_ms() else None

    def _new_axis(self, journal: Journal) -> SteadyClock:
        utc_ms = self._wall.utc_ms()
        former_ahead_ms = self.dating.newest.ahead_ms
        start_ms = max(utc_ms - former_ahead_ms, journal.state.clock_ms() + 1)
        synchronised = self._wall.is_synchronised()
        ahead_ms = utc_ms - start_ms if synchronised else former_ahead_ms
        stretch = Stretch(start_ms, ahead_ms, synchronised)
        clock = SteadyClock(start_ms)
        axis = _Axis(self._wall.boot_id(), start_ms, clock.epoch_s)
        with journal.transaction():
            journal.state.keep_record(_AXIS, axis)
            journal.state.keep_stretch(stretch)
        self.dating = self.dating.with_stretch(stretch)
        if not synchronised:
            log.warning("clock_not_synchronised", readings="marked so until it is, and dated then")
        return clock

    def check(self, redate: Callable[[Stretch, int], None]) -> None:
        """Look at the system's clock; what it teaches goes to `redate` (a stretch, and the moment now)."""
        now_ms = self.clock.now_ms()
        ahead_ms = self._wall.utc_ms() - now_ms
        former, synchronised = self.dating.newest, self._wall.is_synchronised()
        left = former.synchronised and not synchronised
        self.left_alone_ms = (self.left_alone_ms or now_ms) if left else None
        if former.synchronised and abs(ahead_ms - former.ahead_ms) < STEPPED_MS:
            return
        if not synchronised:
            return
        found = replace(former, ahead_ms=ahead_ms, synchronised=True)
        if former.synchronised:
            found = replace(found, from_ms=now_ms)
            self.set_by_ms += ahead_ms - former.ahead_ms
        redate(found, now_ms)
        self.dating = self.dating.with_stretch(found)
        log.warning(
            "clock_synchronised" if not former.synchronised else "clock_stepped",
            by_s=(ahead_ms - former.ahead_ms) / 1000,
            dated_anew_from_ms=found.from_ms,
        )

    def utc_clock(self) -> Clock:
        """Return a clock that shows UTC as far as it is known."""
        return UtcClock(self)


class GivenTime:
    """A clock that is taken for UTC, such as that of a demonstration in fast motion."""

    def __init__(self, clock: SteadyClock) -> None:
        self.clock = clock
        self.dating = Dating()
        self.set_by_ms, self.left_alone_ms = 0, None

    def check(self, redate: Callable[[Stretch, int], None]) -> None:
        """There is nothing to learn."""

    def utc_clock(self) -> Clock:
        """Return the clock itself."""
        return self.clock


class UtcClock:
    """The axis, seen as UTC; it jumps when the axis is dated anew."""

    def __init__(self, keeper: TimeKeeper) -> None:
        self._keeper = keeper

    def now_ms(self) -> int:
        """Return UTC milliseconds as far as they are known."""
        return self._keeper.clock.now_ms() + self._keeper.dating.newest.ahead_ms

    def wait(self, stop: threading.Event, until_ms: int) -> bool:
        """Sleep until `now_ms()` would reach `until_ms` by the axis; return True when `stop` is set."""
        clock: Clock = self._keeper.clock
        return clock.wait(stop, until_ms - self._keeper.dating.newest.ahead_ms)
