"""When each probe of a bus is polled: a fixed grid per probe, one poll at a time."""

from collections import deque

LEAST_REST_MS = 2_000
# An answer that has not come after so long never will (project judgement).
OWED_FOR_MS = 30_000
# A probe that keeps failing gets at most one part in so many of the line's time.
REST_PER_COST = 20
TOLERATED_FAILURES = 2
_REMEMBERED = 8


class Conduct:
    """How a probe has answered lately; one that keeps failing is left alone, so that others have the line."""

    def __init__(self) -> None:
        self._failed: deque[bool] = deque(maxlen=_REMEMBERED)
        self.demoted_until_ms = 0

    def answered(self) -> None:
        """Note an answer."""
        self._failed.append(False)

    def failed(self, cost_ms: int, now_ms: int) -> None:
        """Note a failure that took the line for so long."""
        self._failed.append(True)
        if sum(self._failed) > TOLERATED_FAILURES:
            self.demoted_until_ms = now_ms + REST_PER_COST * cost_ms


class Schedule:
    """Picks the probe that is due the longest and keeps each on its own grid of `every_ms`.

    A poll that overruns skips the slots that it missed; it never shifts the grid. A probe just
    polled is due in the future, so any other that is waiting comes first: no probe can starve
    another, however long its own poll takes. A probe that is held until later waits outside the queue.
    """

    def __init__(self, every_ms: list[int], start_ms: int) -> None:
        self._every_ms = every_ms
        self._due_ms = [start_ms] * len(every_ms)
        self._not_before_ms = [start_ms] * len(every_ms)

    def next(self) -> tuple[int, int]:
        """Return the index of the probe to poll next, and when (UTC milliseconds)."""
        starts_ms = list(map(max, self._due_ms, self._not_before_ms))
        index = min(range(len(starts_ms)), key=starts_ms.__getitem__)
        return index, starts_ms[index]

    def hold(self, index: int, until_ms: int) -> None:
        """Leave a probe alone until then, whatever is due; its grid stays."""
        self._not_before_ms[index] = until_ms

    def polled(self, index: int, now_ms: int) -> None:
        """Move a probe that has had its turn on to its first slot after `now_ms`."""
        every = self._every_ms[index]
        slots = max((now_ms - self._due_ms[index]) // every + 1, 1)
        self._due_ms[index] += slots * every
