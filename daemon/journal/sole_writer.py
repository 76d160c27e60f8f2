"""One daemon to a journal: a second one would number its own readings into the first one's."""

import fcntl
import os
import time
from dataclasses import dataclass
from pathlib import Path

import structlog

from daemon.beat import Beat
from daemon.errors import JournalError
from daemon.files import identity, refused_as_by_sqlite

log = structlog.get_logger()

_TRIES = 25
_TRY_AGAIN_S = 0.02
"""Whoever asks whether the lock is held (`holder_of`) holds it itself for a moment."""


class SoleWriter:
    """Holds the lock beside a journal (PATH.lock) until `release`, or until the process ends in any way.

    JournalError where another daemon holds it. Not a lock on the journal itself: SQLite keeps its own.
    The lock's file names the process and where its beat is.
    """

    def __init__(self, journal: Path) -> None:
        self._journal, self._lock = journal, str(_lock_of(journal))
        self._file = self._taken()
        try:
            self._beat = Beat(journal)
        except JournalError:
            os.close(self._file)
            raise
        self._say_who()

    def _taken(self) -> int:
        journal, lock = self._journal, _lock_of(self._journal)
        try:
            lock.parent.mkdir(parents=True, exist_ok=True)
            file = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise JournalError(
                f"journal {journal}: {lock.name}: {error.strerror}; "
                "its folder must exist, and both be writable by this user"
            ) from error
        for _ in range(_TRIES):
            if _free(file, fcntl.LOCK_EX):
                return file
            time.sleep(_TRY_AGAIN_S)
        holder = _lines(os.pread(file, 4096, 0))[0]
        os.close(file)
        raise JournalError(
            f"journal {journal}: process {holder} is writing it; one `bellwatch run` to a journal, "
            "stop that one first"
        )

    def _say_who(self) -> None:
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n{self._beat.path}\n".encode(), 0)
        self._its = identity(self._file)

    def beat(self) -> None:
        """Say that a turn of the watch is done; a lock that was deleted under us is laid anew.

        JournalError where another daemon was quicker with that, sqlite3.OperationalError where the lock's
        folder may not be entered: that is the journal's, too.
        """
        try:
            if identity(self._lock) != self._its:
                mine, self._file = self._file, self._taken()
                os.close(mine)
                self._say_who()
                log.warning("lock_vanished", journal=str(self._journal), did="laid it again")
            self._beat.strike()
        except OSError as error:
            raise refused_as_by_sqlite(error) from error

    def release(self, on_purpose: bool = True) -> None:
        """Let another daemon have the journal."""
        self._beat.end(on_purpose)
        os.close(self._file)


@dataclass(frozen=True, slots=True)
class Holder:
    """Who watched last into a journal: whether it still holds the lock, which run it was, its beat's file."""

    holds: bool
    run: str
    beat: Path


def holder_of(journal: Path) -> Holder | None:
    """Return who watches, or watched last, into a journal; None where nobody ever did."""
    lock = _lock_of(journal)
    try:
        file = os.open(lock, os.O_RDONLY | os.O_CLOEXEC)
        try:
            process, beat = _lines(os.pread(file, 4096, 0))
            began_ns = os.fstat(file).st_mtime_ns
            return Holder(not _free(file, fcntl.LOCK_SH), f"{process}@{began_ns}", Path(beat))
        finally:
            os.close(file)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise JournalError(
            f"journal {journal}: {lock.name}: {error.strerror}; look at it as the user of the watch"
        ) from error


def _lock_of(journal: Path) -> Path:
    return journal.with_name(journal.name + ".lock")


def _lines(found: bytes) -> tuple[str, str]:
    """Return process and beat of a lock's file; both are empty in one that was just made."""
    process, _, beat = found.decode(errors="replace").partition("\n")
    return process, beat.strip()


def _free(file: int, kind: int) -> bool:
    """Take the lock, and return whether it could be had."""
    try:
        fcntl.flock(file, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
