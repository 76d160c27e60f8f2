"""Whether the backup is made: what the newest one said of itself, in a small file beside the journal.

The watch looks at that file only: a folder of another machine that does not answer must not hold it up.
"""

import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from daemon.broker.notices import Notices
from daemon.files import replacing
from daemon.settings.rack import BackupSettings

BACKUP_FAILED, BACKUP_OLD = "backup failed", "backup old"
MINUTE_MS, HOUR_MS = 60_000, 3_600_000


@dataclass(frozen=True, slots=True)
class LastBackup:
    """When the newest sound copy was made (UTC, 0: none yet), its name, and why the try after it failed."""

    at_ms: int = 0
    copy: str = ""
    failed: str = ""


def last_backup(journal: Path) -> LastBackup:
    """Return what is noted beside a journal; where that is nothing, or makes no sense, none was made."""
    try:
        return LastBackup(**json.loads(_note_of(journal).read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return LastBackup()


def note_backup(journal: Path, last: LastBackup) -> None:
    """Note it, for the watch to tell."""
    with replacing(_note_of(journal), ".new") as file:
        json.dump(asdict(last), file)
        os.fchmod(file.fileno(), 0o644)


def _note_of(journal: Path) -> Path:
    return journal.with_name(journal.name + ".backup")


def unfit_folder(journal: Path, asked: BackupSettings) -> str:
    """Return why no backup can go where it is to; empty where it can."""
    folder, lost = asked.folder, "is the card, stick or share mounted?"
    if not folder.is_dir():
        return f"{folder}: no such folder; {lost}"
    beside = journal.parent.is_dir() and folder.stat().st_dev == journal.parent.stat().st_dev
    if beside and not asked.same_disk:
        return f"{folder} is on the journal's own disk; {lost}"
    return "" if os.access(folder, os.W_OK | os.X_OK) else f"{folder}: no right to write there"


class BackupWatch:
    """A chore of the service: tells of a backup that failed, and of one older than `old_after_h` hours."""

    def __init__(self, notices: Notices, old_after_h: float, utc_ms: Callable[[int], int]) -> None:
        self._notices, self._old_after_h, self._utc_ms = notices, old_after_h, utc_ms
        self._due_ms = 0

    def step(self, now_ms: int) -> None:
        """Look once a minute."""
        if now_ms < self._due_ms:
            return
        self._due_ms, last = now_ms + MINUTE_MS, last_backup(self._notices.journal.path)
        if last.failed:
            self._notices.say_lasting(BACKUP_FAILED, {"why": last.failed}, now_ms)
        hours = (self._utc_ms(now_ms) - last.at_ms) / HOUR_MS
        if hours > self._old_after_h:
            age = f"{hours:.0f} h old" if last.at_ms else "still to be made"
            self._notices.say_lasting(BACKUP_OLD, {"age": age}, now_ms)
