"""How far a journal had come, in a few bytes beside it (JOURNAL.newest): an older copy in its place shows.

Written when an event is, which never is often, else every ten minutes; never waited for, since what it names
is on the disk already. What it does not see, the broker or the on-call process may remember.
"""

import os
from pathlib import Path

import structlog

from daemon.journal.journal import FIRST_RUN, Journal

log = structlog.get_logger()

EVERY_MS = 600_000


class NewestMark:
    """A chore of the service."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._path = mark_of(journal.path)
        self._kept: tuple[str, int] = ("", -1)
        self._seen: tuple[str, int] | None = None
        self._due_ms = 0

    def went_back(self) -> str:
        """Return, before the watch begins, how an older or another journal lies there; else nothing."""
        journal, place = self._journal, self._journal.place()
        try:
            of, run, seq, event = self._path.read_text("ascii").split()
            lost = max(int(event) - place.event, 0), max(int(seq) - place.seq, 0)
        except (OSError, ValueError):  # none yet, or cut short by a power cut
            return ""
        if of != journal.id and journal.state.runs()[-1].reason != FIRST_RUN:
            return ""  # it is known already why
        if of != journal.id:
            return f"another journal lies there than before, which had come to event {int(event)}"
        if run == journal.run_id and not any(lost):
            return ""
        if run == journal.run_id:
            return f"the newest {lost[0]} events and at least {lost[1]} inputs are gone"
        known = run in {known.id for known in journal.state.runs()}
        return "" if known else "a copy from before its numbers were begun anew lies there"

    def step(self, now_ms: int) -> None:
        """Write down how far the journal has come, if it is time."""
        journal, seen = self._journal, (self._journal.run_id, self._journal.commits)
        if seen == self._seen and now_ms < self._due_ms:
            return
        self._seen, place = seen, journal.place()
        if (journal.run_id, place.event) == self._kept and now_ms < self._due_ms:
            return
        line = f"{journal.id} {journal.run_id} {place.seq:16} {place.event:16}\n".encode()
        self._kept, self._due_ms = (journal.run_id, place.event), now_ms + EVERY_MS
        try:
            file = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o644)
            try:
                os.pwrite(file, line, 0)  # one length always: a cut leaves the old line or the new one
            finally:
                os.close(file)
        except OSError as error:  # a disk that takes no mark takes no journal: that is told by its repair
            log.warning("mark_not_written", why=str(error))


def mark_of(journal: Path) -> Path:
    """Return where the mark of a journal is."""
    return journal.with_name(journal.name + ".newest")
