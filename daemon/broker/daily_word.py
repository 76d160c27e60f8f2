"""The daily word of a rack: what nobody watches, or only roughly, said each morning for the digest on call.

It is no alarm: whoever is on call reads it with what could wait.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.broker.notices import Notices
from daemon.words import clock_time, label
from rules.judging.watched import DangerNow, WatchedState

DAILY_WORD = "daily word"
_DAY_MS, _BEGINS_AT = 86_400_000, timedelta(hours=8)
"""Half an hour before the digest on call, unless that is set otherwise."""

_LONGEST, _OFTEN = 190, 3
_NOTE = "daily_word"


class DailyWord:
    """A chore of the service; `faults` are those of the rack by its settings, `utc_ms` dates the axis."""

    def __init__(
        self,
        notices: Notices,
        dangers: Callable[[], Sequence[DangerNow]],
        faults: Sequence[str],
        utc_ms: Callable[[int], int],
        zone: ZoneInfo,
    ) -> None:
        self._notices = notices
        self._dangers = dangers
        self._faults = faults
        self._utc_ms = utc_ms
        self._zone = zone
        self._said_on = notices.journal.state.note(_NOTE)

    def step(self, now_ms: int) -> None:
        """Say it once a day, from eight in the morning on; a new journal begins with the next morning."""
        local = datetime.fromtimestamp(self._utc_ms(now_ms) / 1000, self._zone)
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
        dangers = sorted(self._dangers(), key=lambda danger: -danger.priority)
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
