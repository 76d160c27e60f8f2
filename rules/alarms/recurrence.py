"""What is lost again within hours of its return comes and goes: one problem, over after a regular time."""

from dataclasses import dataclass
from math import inf

AGAIN_MS = 6 * 3_600_000
MOST_MS = 24 * 3_600_000
LONGEST_GAPS, LONGEST_SPELLS = 3, 2
"""Lost again within `again_ms` it comes and goes. That is over after a time without a gap of three times the
longest gap and twice the longest time between two, `least_ms` at least, a day at most (project judgement)."""


@dataclass(slots=True)
class Recurrence:
    """How often something was lost since `first_ms`, when its last gap ended, how long it must be regular.

    `lost_ms` is since when it was, the last time that this was told; `recurs` is whether it comes and goes,
    and is not over yet. Of a move beyond `limit`, `furthest` is the level to which the water went (turned so
    that more is further), `waits` whether nobody is told of this one yet, `leap` what was before and after
    the leap that it is, `smooth` whether one came and went without; `stands` is the leap of one that moves no
    more, which came at `stands_ms`.
    """

    least_ms: int = 3_600_000
    again_ms: int = AGAIN_MS
    times: int = 0
    first_ms: int = -1
    lost_ms: int = -1
    back_ms: int = -1
    needs_ms: int = 0
    recurs: bool = False
    furthest: float = -inf
    waits: bool = False
    limit: float | None = None
    leap: tuple[float, float] | None = None
    smooth: bool = False
    stands: tuple[float, float] | None = None
    stands_ms: int = -1

    def anew(self) -> "Recurrence":
        """Return that of a move before it is counted; what stands of it is over at the next reading."""
        return self if self.limit is None else Recurrence(limit=self.limit, stands=self.stands)

    @property
    def over_ms(self) -> int:
        """Return from when on it is over, if no gap comes before."""
        return self.back_ms + min(max(self.needs_ms, self.least_ms), MOST_MS)

    def lose(self, since_ms: int, at_ms: int) -> str:
        """Let it be lost at `at_ms`, last seen at `since_ms`; return in words how often, where it recurs."""
        spell_ms, self.lost_ms = since_ms - self.back_ms, since_ms
        self.recurs = self.times > 0 and spell_ms <= self.again_ms
        if not self.recurs:
            self.times, self.first_ms, self.back_ms, self.needs_ms = 1, at_ms, -1, 0
            return ""
        self.times += 1
        self.needs_ms = max(self.needs_ms, LONGEST_SPELLS * spell_ms)
        return self.so_often(at_ms)

    def so_often(self, at_ms: int) -> str:
        """Return in words how often it was lost."""
        return f"{self.times} times within {(at_ms - self.first_ms) / 3_600_000:.1f} h"

    def come_back(self, since_ms: int, at_ms: int) -> None:
        """Let a gap since `since_ms` end, long enough to be told or not."""
        self.back_ms = at_ms
        self.needs_ms = max(self.needs_ms, LONGEST_GAPS * (at_ms - since_ms))


def of_a_probe() -> Recurrence:
    """Return that of a probe's own trouble, which nobody has to answer at once: it lasts longer."""
    return Recurrence(least_ms=4 * 3_600_000, again_ms=12 * 3_600_000)
