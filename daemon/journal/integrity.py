"""Is the journal's file sound? A quick look before the watch starts, the whole file beside it.

Reading a year of data takes an SD card a minute; the watch does not wait for that.
"""

import queue
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import structlog

from daemon.errors import DamagedJournalError, JournalError
from daemon.journal.damage import begin_anew
from daemon.journal.journal import Journal
from daemon.journal.schema import finding_of, open_for_reading
from daemon.journal.state import Place
from daemon.transaction import is_damage

log = structlog.get_logger()

CHECKED_AT_ONCE_BYTES = 32 * 1_048_576
AGAIN_AFTER_S = 24 * 3_600
SEALS_AT_ONCE = 100
BREATHES_S = 0.1


def open_journal(path: Path) -> Journal:
    """Open the daemon's journal; a damaged file is set aside, and logging goes on in a new one."""
    try:
        journal = Journal(path, writable=True)
    except DamagedJournalError as error:
        return begin_anew(path, str(error))
    with closing(open_for_reading(path)) as db:
        small = path.stat().st_size <= CHECKED_AT_ONCE_BYTES
        finding = _unreadable(db) or (_finding(db) if small else "")
    if finding:
        journal.close()
        return begin_anew(path, finding)
    return journal


class IntegrityCheck:
    """Reads the whole file at the start and once a day, in a thread of its own."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._findings: queue.SimpleQueue[str] = queue.SimpleQueue()

    def run(self, stop: threading.Event) -> None:
        """Check now and every day until `stop` is set."""
        while True:
            finding = self._look(stop)
            if stop.is_set():
                return
            if finding:
                self._findings.put(finding)
            elif finding is not None:
                log.info("journal_sound", journal=str(self._path))
            if stop.wait(AGAIN_AFTER_S):
                return

    def _look(self, stop: threading.Event) -> str | None:
        """Look at the file, then at what is sealed in it: a little at a time, beside the watch.

        Return what is wrong in one line, empty where it is sound; None where it could not be read now.
        """
        try:
            with closing(open_for_reading(self._path)) as db:
                db.set_progress_handler(stop.is_set, 10_000)
                finding = _finding(db)
            place: Place | None = Place()
            while not finding and place is not None and not stop.wait(BREATHES_S):
                with closing(Journal(self._path, writable=False)) as journal, journal.standing_still():
                    place, finding = journal.state.broken_seal(place, SEALS_AT_ONCE)
        except (JournalError, sqlite3.DatabaseError) as error:
            if is_damage(error) or isinstance(error, DamagedJournalError):
                return str(error)
            log.warning("journal_not_checked", why=str(error), again_after_s=AGAIN_AFTER_S)
            return None
        return finding

    def step(self, _now_ms: int) -> None:
        """Raise sqlite3.DatabaseError, as reading the place would, where the check found damage."""
        if not self._findings.empty():
            error = sqlite3.DatabaseError(self._findings.get())
            error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise error


def _unreadable(db: sqlite3.Connection) -> str:
    """Return which action or event is no JSON any more, in one line: the watch could not go on from it."""
    try:
        for table, number in (("action", "seq"), ("event", "number")):
            (first,) = db.execute(f"SELECT min({number}) FROM {table} WHERE NOT json_valid(body)").fetchone()
            if first is not None:
                return f"{table} {first}: what is stored is not what was written (no JSON)"
    except sqlite3.DatabaseError as error:
        return str(error) if is_damage(error) else ""
    return ""


def _finding(db: sqlite3.Connection) -> str:
    """Return what is wrong with a file in one line; empty where it is sound, or the check was interrupted."""
    try:
        return finding_of(db)
    except sqlite3.OperationalError:
        return ""
    except sqlite3.DatabaseError as error:
        return str(error) if is_damage(error) else ""
