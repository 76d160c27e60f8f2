"""Practice: an invented problem that goes the way of a real one, and shows whether people can be reached.

1. A rack asks for it. There is one at a time, and none while somebody is called about something real.
2. By day it calls as a critical alarm does, until somebody answers, but for `GIVEN_MS` at most.
3. The first call about something real ends it. It takes no place of a real call, and no answer is for both.
4. Where nobody has answered one for `EVERY_MS`, the digest says so, and again after as long.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

from rules.calling.records import Answer, Word

GIVEN_MS = 30 * 60_000
EVERY_MS = 31 * 86_400_000


class Outcome(StrEnum):
    """How a drill ended."""

    ANSWERED = "answered"
    NOT_ANSWERED = "nobody answered"
    BROKEN_OFF = "broken off, something real was called about"


@dataclass(frozen=True, slots=True)
class Drill:
    """A drill that a `rack` asked for under `id`: its problem's key and number, how it ended, if it did."""

    id: str
    rack: str
    key: str
    begun_ms: int
    number: int = 0
    ended_ms: int | None = None
    outcome: Outcome | None = None
    answer: Answer | None = None


@dataclass(slots=True)
class Practice:
    """The newest drill, when one was answered last, and since when none was (`lacking_ms`)."""

    lacking_ms: int = 0
    newest: Drill | None = None
    passed_ms: int | None = None

    @property
    def going_on(self) -> Drill | None:
        """Return the drill that has not ended."""
        return self.newest if self.newest and self.newest.outcome is None else None

    def begin(self, asked: Word, key: str, number: int, begun_ms: int) -> None:
        """Begin the drill that a rack asked for."""
        self.newest = Drill(asked.event.cause, asked.rack, key, begun_ms, number)

    def end(self, outcome: Outcome, at_ms: int, answer: Answer | None = None) -> None:
        """Note how the drill ended."""
        if self.newest:
            self.newest = replace(self.newest, ended_ms=at_ms, outcome=outcome, answer=answer)
        if outcome is Outcome.ANSWERED:
            self.passed_ms = self.lacking_ms = at_ms

    def due_ms(self) -> int:
        """Return when the drill ends unanswered, or people are told that there was none."""
        drill = self.going_on
        return drill.begun_ms + GIVEN_MS if drill else self.lacking_ms + EVERY_MS
