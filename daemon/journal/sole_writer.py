"""One daemon to a journal: a second one would number its own readings into the first one's."""

import fcntl
import os
from pathlib import Path

from daemon.errors import JournalError


class SoleWriter:
    """Holds the lock beside a journal (PATH.lock) until `release`, or until the process ends in any way.

    JournalError where another daemon holds it. Not a lock on the journal itself: SQLite keeps its own.
    """

    def __init__(self, journal: Path) -> None:
        lock = journal.with_name(journal.name + ".lock")
        try:
            lock.parent.mkdir(parents=True, exist_ok=True)
            self._file = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise JournalError(
                f"journal {journal}: {lock.name}: {error.strerror}; "
                "the folder must exist and be writable by this user"
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(self._file, 20, 0).decode().strip()
            os.close(self._file)
            raise JournalError(
                f"journal {journal}: process {holder} is writing it; one `bellwatch run` to a journal, "
                "stop that one first"
            ) from None
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let another daemon have the journal."""
        os.close(self._file)
