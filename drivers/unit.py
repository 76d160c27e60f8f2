"""What a line knows of one unit address: how fast it answers, what it still owes, when to ask it again.

An RTU answer carries no number that ties it to its question: only unit, function and length. So after
a failure nothing is asked of the unit until what it owes has come, or can be taken as lost.
"""

from collections import deque

from drivers.modbus import Read, find_answer
from drivers.schedule import LEAST_REST_MS, OWED_FOR_MS, Conduct

REST_PER_LATENCY = 2
_REMEMBERED = 8
_LATENCIES_REMEMBERED = 64


class Unit:
    """One unit address; all times are milliseconds of the line's clock."""

    def __init__(self, unit_id: int) -> None:
        self.unit_id = unit_id
        self._asked: Read | None = None
        self._asked_ms = 0
        self._in_time_ms: deque[int] = deque([0], _LATENCIES_REMEMBERED)
        self._late_ms: deque[int] = deque([0], _LATENCIES_REMEMBERED)
        self._owed: deque[tuple[Read, int]] = deque(maxlen=_REMEMBERED)
        self._conduct = Conduct()
        self._rests_until_ms = 0

    def owes(self, now_ms: int) -> bool:
        """Return whether a question is open that may still be answered."""
        while self._owed and now_ms > self._owed[0][1] + OWED_FOR_MS:
            self._owed.popleft()
        return bool(self._owed)

    def ready_ms(self, read: Read) -> int:
        """Return when `read` may be asked for.

        Two questions of one shape are kept apart by time, so that a second answer to the first shows.
        """
        ready_ms = max(self._rests_until_ms, self._conduct.demoted_until_ms)
        if self._asked is None or self._asked.shape != read.shape:
            return ready_ms
        return max(ready_ms, self._asked_ms + REST_PER_LATENCY * max(self._in_time_ms))

    def asked(self, read: Read, now_ms: int) -> None:
        """Note a question."""
        self._asked, self._asked_ms = read, now_ms

    def answered(self, now_ms: int) -> None:
        """Note an answer in time, also a refusal."""
        self._in_time_ms.append(now_ms - self._asked_ms)
        self._conduct.answered()
        self._owed.clear()

    def failed(self, now_ms: int) -> None:
        """Note that a question was not answered, or by what cannot be trusted."""
        if self._asked is not None:
            self._owed.append((self._asked, self._asked_ms))
        self.rest(now_ms)
        self._conduct.failed(now_ms - self._asked_ms, now_ms)

    def take_late(self, data: bytes, now_ms: int) -> tuple[slice, Read, int] | None:
        """Find among stray bytes an answer of this unit; return where, to what, and how long after.

        The last that it owes ends its rest. One that it does not owe begins a rest: what is taken for
        an answer to one question may be that to another.
        """
        for owed in self._owed if self.owes(now_ms) else ():
            if found := find_answer(data, self.unit_id, owed[0]):
                self._owed.remove(owed)
                self._late_ms.append(now_ms - owed[1])
                if self._owed:
                    self.rest(now_ms)
                else:
                    self._rests_until_ms = now_ms
                return found, owed[0], now_ms - owed[1]
        if self._asked and (found := find_answer(data, self.unit_id, self._asked)):
            self.rest(now_ms)
            return found, self._asked, now_ms - self._asked_ms
        return None

    def rest(self, now_ms: int) -> None:
        """Leave the unit alone for twice its longest time to answer, and for two seconds at least."""
        longest_ms = max(*self._in_time_ms, *self._late_ms)
        self._rests_until_ms = now_ms + max(LEAST_REST_MS, REST_PER_LATENCY * longest_ms)
