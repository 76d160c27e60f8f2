"""The daily word of a rack: what nobody watches, or only roughly, whose answers are missing, each morning.

It is no alarm: whoever is on call reads it in the digest with what could wait.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.broker.notices import Notices
from daemon.words import clock_time, label
from drivers.errors import GarbledAnswerError, NoAnswerError, SlowAnswerError
from rules.engine import Engine
from rules.judging.watched import WatchedState
from rules.rack.limits import Level

DAILY_WORD = "daily word"
_DAY_MS, _BEGINS_AT = 86_400_000, timedelta(hours=8)
"""Half an hour before the digest on call, unless that is set otherwise."""

_LONGEST, _OFTEN = 190, 3
MANY = 20
"""So often is worth a word, though each was asked again and none may be missing (project judgement)."""

OF_ANSWERS = {
    NoAnswerError.kind: "no answer",
    GarbledAnswerError.kind: "an answer garbled",
    SlowAnswerError.kind: "an answer near the time-out",
}
_NOTE = "daily_word"


class DailyWord:
    """A chore of the service; `faults` are those of the rack by its settings, `utc_ms` dates the axis."""

    def __init__(
        self,
        notices: Notices,
        engine: Callable[[], Engine],
        faults: Sequence[str],
        utc_ms: Callable[[int], int],
        zone: ZoneInfo,
    ) -> None:
        self._notices = notices
        self._engine = engine
        self._faults = faults
        self._utc_ms = utc_ms
        self._zone = zone
        self._said_on = notices.journal.state.note(_NOTE)
        self._minute = 0

    def step(self, now_ms: int) -> None:
        """Say it once a day, from eight in the morning on; a new journal begins with the next morning."""
        before, self._minute = self._minute, self._utc_ms(now_ms) // 60_000
        if before == self._minute:  # a day, here and anywhere, begins with a minute
            return
        local = datetime.fromtimestamp(60 * self._minute, self._zone)
        day = (local - _BEGINS_AT).date().isoformat()
        if day == self._said_on:
            return
        first, self._said_on = self._said_on is None, day
        parts = [] if first else list(self._parts(now_ms))
        if parts:
            self._notices.say(DAILY_WORD, {"said": _shortened(parts)}, now_ms, (_NOTE, day))
        else:
            with self._notices.journal.transaction():
                self._notices.journal.state.keep_note(_NOTE, day)

    def _parts(self, now_ms: int) -> Iterator[str]:
        """Go through what is worth a word, the worst first."""
        dangers = sorted(self._engine().dangers(), key=lambda danger: -danger.priority)
        for state, called in (
            (WatchedState.UNWATCHED, "unwatched"),
            (WatchedState.WATCHED_ROUGHLY, "watched roughly"),
        ):
            for danger in dangers:
                its = danger.watched
                if its.state is state:
                    since = ""
                    if its.since_ms is not None:
                        since = f" since {clock_time(self._utc_ms(its.since_ms), self._zone)}"
                    yield f"{danger.vessel} {label(danger.quantity)} {called}{since}: {its.why}"
        yield from self._faults
        for trouble in self._notices.journal.state.troubles():
            what, late = OF_ANSWERS.get(trouble.kind), trouble.last_ms > now_ms - _DAY_MS
            if what and late and trouble.times >= MANY:
                yield f"{trouble.probe or trouble.bus}: {what} {trouble.times} times"
        standing = [alarm for alarm in self._engine().alarms() if Level.GAPS in alarm.active]
        missing = {alarm.cause: alarm.evidence.reason for alarm in standing}
        yield from (f"{cause.partition('/')[2]}: {reason}" for cause, reason in missing.items())
        for alarm, times in self._notices.journal.history.times_begun("silent", now_ms - _DAY_MS):
            if times >= _OFTEN:
                yield f"{alarm.removesuffix('/silent')} silent at least {times} times in a day"


def _shortened(parts: Sequence[str]) -> str:
    """Write as much as a message on call has room for, and how much there is beside."""
    said, left = parts[0][:_LONGEST], len(parts) - 1
    for part in parts[1:]:
        if len(said) + len(part) > _LONGEST - 20:
            break
        said, left = f"{said}; {part}", left - 1
    return f"{said[: _LONGEST - 20]}; and {left} more" if left else said
