"""One reading of the journal for all who look: a hundred viewers cost what one costs.

A thread looks every other second, in short transactions, and puts the page together once. Whoever is shown a
page gets the newest; whoever looks live waits here for the next.
"""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import structlog

from daemon.errors import BellwatchError, JournalError
from daemon.page.memory import FINE_MS, Memory
from daemon.settings.rack import Settings
from daemon.view.rack import rack_now
from daemon.view.rack_now import RackNow
from daemon.view.reader import JournalView

log = structlog.get_logger()

EVERY_S = 2.0
TOLD_EVERY_S = 0.5
STALE_AFTER_S = 15.0
"""A page that was put together longer ago says so first (project judgement)."""
_QUICK_MS = FINE_MS // 3


@dataclass(frozen=True, slots=True)
class Look:
    """What one look found: the rack, or what is in the way; `parts` are the page, by element id.

    Those before the first one is done have a number below 0, and say how far it has come.
    """

    number: int
    made_s: float
    rack: RackNow | None
    trouble: str
    parts: dict[str, str]


class Pulse:
    """Looks until `stop` is set; `draw` puts the pieces of the page together from what was found."""

    def __init__(
        self,
        settings: Settings,
        stop: threading.Event,
        draw: Callable[[RackNow | None, str, Memory], dict[str, str]],
    ) -> None:
        self.lock = threading.Lock()
        """Held by whoever reads or changes `memory`."""
        self.memory, self.failed = Memory(), False
        self.recalled = 0.0
        """How much of the journal is read anew for `memory`, up to 1."""
        self._settings, self._stop, self._draw = settings, stop, draw
        self._view, self._looking = JournalView(settings), threading.Lock()
        self._path = settings.journal.path
        self._news = threading.Condition()
        self.newest = self._reading()

    def start(self) -> None:
        """Look in a thread of its own, and recall in another one what was."""
        self._begin(self._go_on)
        self._begin(self._tell)
        self._begin(self._recall)

    def newer(self, than: int | None, patience_s: float) -> Look:
        """Return the newest look as soon as it is another than `than`, or after `patience_s` as it is."""
        with self._news:
            self._news.wait_for(lambda: self.newest.number != than or self._stop.is_set(), patience_s)
            return self.newest

    def looks(self, patience_s: float = EVERY_S * 2) -> Iterator[Look]:
        """Go through the looks as they come, the last again where none came in time, until the end."""
        number = None
        while not self._stop.is_set():
            look = self.newer(number, patience_s)
            number = look.number
            yield look

    def _follow(self) -> None:
        try:
            self.memory.follow(self._path)
        except JournalError:  # another journal: what was of the old one is not of this one
            self.memory, self.recalled = Memory(), 0.0
            self._begin(self._recall)
        except sqlite3.Error as error:
            log.info("follow_again", why=str(error))

    def _begin(self, body: Callable[[], None]) -> None:
        """Do something in a thread of its own; what fails there ends the process, to be started again."""

        def guarded() -> None:
            try:
                body()
            except Exception:
                log.exception("page_failed")
                self.failed = True
                self._stop.set()

        threading.Thread(target=guarded, name=body.__name__, daemon=True).start()

    def _go_on(self) -> None:
        self.look_now()
        while not self._stop.wait(EVERY_S):
            self.look_now()
        with self._news:
            self._news.notify_all()

    def look_now(self) -> Look:
        """Look, show it to all who wait, and return it."""
        with self._looking:
            look = self._look(max(self.newest.number + 1, 0))
            with self._news:
                self.newest = look
                self._news.notify_all()
        return look

    def _tell(self) -> None:
        """Say how far the first look has come, until it is there."""
        while not self._stop.wait(TOLD_EVERY_S):
            with self._news:
                if self.newest.number >= 0:
                    return
                self.newest = self._reading()
                self._news.notify_all()

    def _reading(self) -> Look:
        percent = round(100 * self._view.share)
        said = f"Nothing can be shown yet: reading the journal, {percent} %."
        return Look(-1 - percent, time.monotonic(), None, said, self._draw(None, said, self.memory))

    def _look(self, number: int) -> Look:
        rack, trouble = None, ""
        try:
            rack = rack_now(self._view, int(time.time() * 1000))
        except (BellwatchError, sqlite3.Error) as error:
            trouble = f"Nothing can be shown: {error}"
        with self.lock:
            if rack and self.memory.since_ms is not None:
                self._follow()
            return Look(number, time.monotonic(), rack, trouble, self._draw(rack, trouble, self.memory))

    def _recall(self) -> None:
        """Recall the last day for a quick start, then everything; tried again while it cannot be read."""
        for last_ms in (_QUICK_MS, None):
            while not self._stop.is_set():
                memory = Memory()
                try:
                    if last_ms is None:
                        while self.recalled < 1 and not self._stop.is_set():
                            self.recalled = memory.follow(self._path)
                    else:
                        memory.begin(self._path, last_ms)
                except (BellwatchError, sqlite3.Error) as error:
                    log.info("recall_again", why=str(error))
                    self._stop.wait(EVERY_S)
                    continue
                with self.lock:
                    self.memory = memory
                break
