"""The watch's beat: a few bytes in memory that each turn writes anew, so that a hung watch shows.

Never on the card: the file lies in the folder that systemd gives (RuntimeDirectory, below /run), by
hand in that of the user's session, else in shared memory. All of them are empty after a start of the
machine, and the beat shows the monotonic clock, which begins with it. The lock beside the journal
says where the beat is, so that any other process of the user finds it.
"""

import hashlib
import os
import time
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import JournalError
from daemon.files import identity


@dataclass(frozen=True, slots=True)
class Beats:
    """How long ago the watch began, and how long ago it last finished a turn, in seconds."""

    began_s: float
    last_s: float


class Beat:
    """The beat of the watch over one journal, until `end`; JournalError where no folder is in memory."""

    def __init__(self, journal: Path) -> None:
        of_path = hashlib.sha256(str(journal.absolute()).encode()).hexdigest()[:16]
        self.path = _folder_in_memory() / f"bellwatch-{os.getuid()}-{of_path}.beat"
        self._name = str(self.path)
        self._began_s = time.monotonic()
        self._file = self._laid()

    def _laid(self) -> int:
        try:
            file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
            before = beats_at(self.path)  # of a watch that did not end as it should: nothing was done since
            self._write(file, self._began_s - before.last_s if before else self._began_s)
            self._its = identity(file)
        except OSError as error:
            raise JournalError(
                f"beat {self.path}: {error.strerror}; a file of this user must fit there"
            ) from error
        return file

    def strike(self) -> None:
        """Say that a turn is done, with everything in it written down; a file that is gone is laid anew."""
        if identity(self._name) != self._its:
            gone, self._file = self._file, self._laid()
            os.close(gone)
        self._write(self._file, time.monotonic())

    def end(self, on_purpose: bool) -> None:
        """Take the beat away where the watch ends as it should; else it shows when the last turn was done."""
        if on_purpose:
            self.path.unlink(missing_ok=True)
        os.close(self._file)

    def _write(self, file: int, last_s: float) -> None:
        os.pwrite(file, f"{self._began_s:16.3f} {last_s:16.3f}\n".encode(), 0)


def beats_at(path: Path) -> Beats | None:
    """Return the newest beat in a file; None where there is none (any more)."""
    try:
        began_s, last_s = map(float, path.read_text().split())
    except (OSError, ValueError):
        return None
    now_s = time.monotonic()
    return Beats(now_s - began_s, now_s - last_s)


def _folder_in_memory() -> Path:
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    places = [*([given] if given else []), f"/run/user/{os.getuid()}", "/dev/shm"]
    for place in places:
        if os.access(place, os.W_OK | os.X_OK):
            return Path(place)
    raise JournalError(f"no folder in memory for the watch's beat; {' or '.join(places)} must be writable")
