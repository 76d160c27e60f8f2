"""What the daemon does when its journal cannot be written: a full disk, damage, a file that is gone.

Nothing that was accepted is dropped meanwhile: readings wait in memory and are judged again once
the journal can be written. What does not get better within `GIVES_UP_AFTER_S` ends the process with
a clear line; the supervisor starts it again, and the broker says "gone" for it.
"""

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import structlog

from daemon.errors import JournalError
from daemon.files import identity, refused_as_by_sqlite, sync
from daemon.journal.damage import replace_damaged
from daemon.journal.dating import Dating
from daemon.journal.journal import Journal
from daemon.journal.retention import let_go
from daemon.journal.schema import WAL_BYTES_KEPT
from daemon.transaction import error_code, is_damage

log = structlog.get_logger()

ROOM_MADE, PUT_BACK = "room made", "journal put back"
"""What was done to a journal's file, of which people are told."""
GIVES_UP_AFTER_S = 5.0
BALLAST_BYTES = 1_048_576
"""A file of this size lies beside the journal, so that a full disk leaves room to make room."""

_SHED_SHARE = 0.02
_SHED_AT_LEAST = 5_000


def release_ballast(path: Path) -> None:
    """Let the reserve beside a journal go where there is less room than it, to open the journal with."""
    with suppress(OSError):  # what is wrong with the folder is told when the journal is opened
        disk = os.statvfs(path.parent)
        if disk.f_bavail * disk.f_frsize < BALLAST_BYTES:
            _ballast_of(path).unlink(missing_ok=True)


def _ballast_of(path: Path) -> Path:
    return path.with_name(path.name + ".ballast")


def _take_away(path: Path) -> None:
    """Delete a file; a folder of its name, in which something may lie, is only put aside."""
    if path.is_dir() and not path.is_symlink():
        path.rename(path.with_name(f"{path.name}.{_replaced()}"))
    else:
        path.unlink(missing_ok=True)


def _replaced() -> str:
    return f"replaced-{datetime.now(UTC):%Y%m%dT%H%M%S}"


class JournalRepair:
    """Looks after the file of a journal in use; `dating` gives the dating of the moment.

    What was `done` to it, kind by kind, waits until people are told.
    """

    def __init__(self, journal: Journal, dating: Callable[[], Dating]) -> None:
        self._journal = journal
        self._dating = dating
        self._failing_since_s: float | None = None
        self._commits = 0
        self._said = ""
        self.done: dict[str, dict[str, Any]] = {}
        self._ballast = _ballast_of(journal.path)
        self._wal, self._shm = (journal.path.with_name(journal.path.name + end) for end in ("-wal", "-shm"))
        self._know_files()
        self._keep_ballast()

    def _know_files(self) -> None:
        path = self._journal.path
        self._file, self._log, self._linked = identity(path), self._log_now(), path.is_symlink()
        self._log_bytes = 0

    def look(self) -> bool:
        """Write the journal to its path again where it, or its write-ahead log, was taken away under us.

        Return whether that was so; what was not committed has no number then.
        JournalError where the log was cut: what it held is lost, and the watch begins anew.
        """
        try:
            return self._look()
        except OSError as error:
            raise refused_as_by_sqlite(error) from error

    def _look(self) -> bool:
        path, log_now = self._journal.path, self._log_now()
        now = identity(path)
        # Whoever opens our file by a link looks for its log beside where it really lies, and finds none.
        new_link = not self._linked and path.is_symlink()
        apart = new_link or (self._log is not None and log_now != self._log)
        if now is None or (now == self._file and apart):
            self._write_again()
            return True
        if now == self._file:
            self._log = log_now
            self._look_at_size()
            return False
        kept = path.with_name(f"{path.name}.{_replaced()}")
        self._copy_to(kept)
        raise JournalError(
            f"journal {path}: another file lies there now; what was in the journal is in {kept}; "
            "stop the daemon before you replace it"
        )

    def _log_now(self) -> tuple[object, object] | None:
        """Return what tells the log and its index from any other; None before SQLite has made them."""
        found = identity(self._wal), identity(self._shm)
        return None if found == (None, None) else found

    def _look_at_size(self) -> None:
        """SQLite begins its log again from the top and leaves it as long as it was, down to a limit.

        What was written since it was cut may have made it as long again; then it begins with nothing.
        """
        before = self._log_bytes
        try:
            log_file = os.open(self._wal, os.O_RDONLY | os.O_CLOEXEC)
        except FileNotFoundError:
            return  # not made yet, or taken away this moment: the next look writes the journal again
        try:
            self._log_bytes, beginning = os.fstat(log_file).st_size, os.read(log_file, 4)
        finally:
            os.close(log_file)
        if self._log_bytes < min(before, WAL_BYTES_KEPT) or (self._log_bytes and not any(beginning)):
            reason = f"its write-ahead log was cut to {self._log_bytes} bytes"
            replace_damaged(self._journal, reason)
            raise JournalError(f"journal {self._journal.path}: {reason}; what could be read is in a new one")

    def is_mended(self) -> bool:
        """Return whether the journal can be written: it never failed, or something was written since."""
        if self._failing_since_s is None:
            return True
        if self._journal.commits == self._commits:
            return False
        log.warning("journal_writable_again", after_s=round(time.monotonic() - self._failing_since_s, 1))
        self._failing_since_s, self._said = None, ""
        self._keep_ballast()
        return True

    def mend(self, error: sqlite3.Error) -> None:
        """Do what can be done about an error; raise JournalError when it has lasted too long."""
        self._failing_since_s = self._failing_since_s or time.monotonic()
        self._commits = self._journal.commits
        if is_damage(error):
            replace_damaged(self._journal, str(error))
            self._know_files()
            return
        if str(error) != self._said:
            self._said = str(error)
            log.error("journal_not_writable", journal=str(self._journal.path), why=str(error))
        with suppress(sqlite3.Error, OSError):  # tried again at the next turn, until that has lasted too long
            if error_code(error) == sqlite3.SQLITE_FULL:
                self._make_room()
            elif not os.path.exists(self._journal.path):  # noqa: PTH110  (that of Path raises without rights)
                self._write_again()
        lasted_s = time.monotonic() - self._failing_since_s
        if lasted_s > GIVES_UP_AFTER_S:
            raise JournalError(
                f"journal {self._journal.path}: {error}, for {lasted_s:.0f} s now; "
                "this user must be able to write there, and its disk must be writable and have room"
            ) from error

    # A full disk

    def _make_room(self) -> None:
        """Shed the oldest raw readings, keeping their hourly summaries.

        The reserve is laid again once something was written: what waits needs the room first.
        """
        self._ballast.unlink(missing_ok=True)
        self._journal.checkpoint()
        span, shed = self._journal.inputs.span(), 0
        if span is not None:
            upto = span[0] + max(_SHED_AT_LEAST, int((span[1] - span[0]) * _SHED_SHARE))
            while gone := let_go(self._journal, upto, self._dating(), at_once=1_000):
                shed += gone
        self._journal.checkpoint()
        self._log_bytes = 0
        if shed:
            before = self.done.get(ROOM_MADE, {"readings": 0})
            self.done[ROOM_MADE] = {"readings": before["readings"] + shed}
        log.error(
            "disk_full", journal=str(self._journal.path), shed_readings=shed, kept="their hourly summaries"
        )

    def _keep_ballast(self) -> None:
        try:
            if self._ballast.exists():
                return
            with self._ballast.open("wb") as ballast:
                ballast.write(os.urandom(BALLAST_BYTES))
                ballast.flush()
                os.fsync(ballast.fileno())
        except OSError:
            with suppress(OSError):  # a disk that is only read refuses this, too
                self._ballast.unlink(missing_ok=True)

    # A file that is gone

    def _copy_to(self, target: Path) -> None:
        """Copy what the vanished file holds, which is still open; its log is taken away from the path."""
        self._journal.copy_to(target)
        sync(target)
        for suffix in ("-wal", "-shm"):
            _take_away(self._journal.path.with_name(self._journal.path.name + suffix))

    def _write_again(self) -> None:
        path = self._journal.path
        fresh = path.with_name(path.name + ".again")
        path.parent.mkdir(parents=True, exist_ok=True)
        _take_away(fresh)
        self._copy_to(fresh)
        fresh.rename(path)
        sync(path.parent)
        self._journal.reopen()
        self._know_files()
        self.done[PUT_BACK] = {}
        log.error("journal_vanished", journal=str(path), did="wrote it there again, with everything in it")
