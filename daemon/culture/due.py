"""All that falls due in one list: alarms and work, and what the animals are likely to do next."""

from threading import Lock

from daemon.culture.record import record_of
from daemon.culture.words import ahead_lines
from daemon.settings.rack import Settings
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from daemon.view.today import open_notices, to_do

AGAIN_MS = 600_000


class Due:
    """All that falls due at a rack, for any thread.

    What is likely rests on weeks of water, which one at a time judges again, when something was written down
    or after ten minutes: who looks often takes no time from the watch.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings, self._one = settings, Lock()
        self._of: object = None
        self._likely: list[str] = []

    def lines(self, now_ms: int) -> list[str]:
        """Return each thing in a line."""
        work = to_do(rack_now(JournalView(self._settings), now_ms), open_notices(self._settings))
        with self._one:
            record = record_of(self._settings, now_ms)
            of = (now_ms // AGAIN_MS, record.acts, record.entries)
            if of != self._of:
                self._likely, self._of = list(ahead_lines(record)), of
            return [*work, *self._likely] or ["Nothing but the daily round."]
