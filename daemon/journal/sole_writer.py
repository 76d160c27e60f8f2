"""One daemon to a journal: a second one would number its own readings into the first one's."""

import fcntl
import os
import time
from dataclasses import dataclass
from pathlib import Path

from daemon.beat import Beat
from daemon.errors import JournalError

_TRIES = 5
_TRY_AGAIN_S = 0.02
"""Whoever asks whether the lock is held (`holder_of`) holds it itself for a moment."""


class SoleWriter:
    """Holds the lock beside a journal (PATH.lock) until `release`, or until the process ends in any way.

    JournalError where another daemon holds it. Not a lock on the journal itself: SQLite keeps its own.
    The lock's file names the process and where its beat is.
    """

    def __init__(self, journal: Path) -> None:
        lock = _lock_of(journal)
        try:
            lock.parent.mkdir(parents=True, exist_ok=True)
            self._file = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise JournalError(
                f"journal {journal}: {lock.name}: {error.strerror}; "
                "the folder must exist and be writable by this user"
            ) from error
        try:
            self._take(journal)
            self._beat = Beat(journal)
        except JournalError:
            os.close(self._file)
            raise
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n{self._beat.path}\n".encode(), 0)

    def _take(self, journal: Path) -> None:
        for _ in range(_TRIES):
            if _free(self._file, fcntl.LOCK_EX):
                return
            time.sleep(_TRY_AGAIN_S)
        holder = _lines(os.pread(self._file, 4096, 0))[0]
        raise JournalError(
            f"journal {journal}: process {holder} is writing it; one `bellwatch run` to a journal, "
            "stop that one first"
        )

    def beat(self) -> None:
        """Say that a turn of the watch is done."""
        self._beat.strike()

    def release(self) -> None:
        """Let another daemon have the journal."""
        self._beat.end()
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
    except FileNotFoundError:
        return None
    except OSError as error:
        raise JournalError(
            f"journal {journal}: {lock.name}: {error.strerror}; look at it as the user of the watch"
        ) from error
    try:
        process, beat = _lines(os.pread(file, 4096, 0))
        began_ns = os.fstat(file).st_mtime_ns
        return Holder(not _free(file, fcntl.LOCK_SH), f"{process}@{began_ns}", Path(beat))
    finally:
        os.close(file)


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
