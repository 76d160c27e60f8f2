"""Where the daemon takes its time from.

A Pi has no battery clock, and the system clock may be stepped while the daemon runs. So the time
is read once, and from then on follows the monotonic clock: it never runs backwards. That of the on-call
process follows the system's where that is ahead.
"""

import threading
import time
from pathlib import Path
from typing import Self

import structlog

log = structlog.get_logger()

SYNCHRONISED_MARK = Path("/run/systemd/timesync/synchronized")
"""systemd-timesyncd touches this file at each synchronisation (systemd-timesyncd.service(8))."""

STEPPED_MS = 1_000
"""A clock was set, not slewed, when it is this far from where it should be."""

AHEAD_MS = 86_400_000
"""So far from a time that was kept only a clock that was synchronised is the one to be believed."""


class SteadyClock:
    """UTC milliseconds that follow the monotonic clock from the moment of construction.

    `scale` makes time run that many times faster; only the demonstration and the tests use it.
    `epoch_s` is the monotonic time at which the clock shows `start_ms`, so that several processes
    of one machine can share a scaled clock.
    """

    def __init__(self, start_ms: int | None = None, scale: float = 1.0, epoch_s: float | None = None) -> None:
        self.epoch_s = time.monotonic() if epoch_s is None else epoch_s
        self._start_ms = int(time.time() * 1000) if start_ms is None else start_ms
        self._scale = scale

    @classmethod
    def not_before(cls, earliest_ms: int) -> Self:
        """Return a clock that starts at the system's time, or at `earliest_ms` if that is later."""
        return cls(max(int(time.time() * 1000), earliest_ms))

    def now_ms(self) -> int:
        """Return UTC milliseconds that never run backwards."""
        return self._start_ms + int((time.monotonic() - self.epoch_s) * 1000 * self._scale)

    def shown_ms(self) -> int:
        """Return UTC milliseconds as others have them, who compare their own clocks with it."""
        return self.now_ms()

    def wait(self, stop: threading.Event, until_ms: int) -> bool:
        """Sleep until `now_ms()` reaches `until_ms`; return True at once when `stop` is set."""
        while (left_s := self.seconds_until(until_ms)) > 0:
            if stop.wait(left_s):
                return True
        return stop.is_set()

    def seconds_until(self, until_ms: int) -> float:
        """Return how long it is by the monotonic clock until `now_ms()` reaches `until_ms`."""
        return (until_ms - self.now_ms()) / 1000 / self._scale


def ahead_of_people_ms(clock: SteadyClock) -> int:
    """Return how far a clock is ahead of the system's, which was set back.

    0 where that begins years ago, as it does on a machine without a battery until it is synchronised.
    """
    ahead_ms = max(clock.now_ms() - clock.shown_ms(), 0)
    return ahead_ms if ahead_ms <= AHEAD_MS or SYNCHRONISED_MARK.exists() else 0


class FollowingClock(SteadyClock):
    """A steady clock for who goes by the time of day: where the system's is ahead, it goes on from there.

    That was set then, or the machine slept, which the monotonic clock does not count. It never goes back.
    """

    def now_ms(self) -> int:
        """Return UTC milliseconds that never run backwards."""
        system_ms, passed_ms = int(time.time() * 1000), int((time.monotonic() - self.epoch_s) * 1000)
        if (ahead_ms := system_ms - passed_ms - self._start_ms) >= STEPPED_MS:
            log.warning("clock_was_behind", by_s=ahead_ms / 1000)
            self._start_ms = system_ms - passed_ms  # set, not added to: two threads may find it at once
        return super().now_ms()

    def shown_ms(self) -> int:
        """Return the system's time, which may have been set back."""
        return int(time.time() * 1000)
