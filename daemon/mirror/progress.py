"""How far the mirror has come, as the journal keeps it."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.journal.journal import Journal

REFUSED_KEPT = 10_000
"""So many of the newest points that the server refused are kept with its words."""


@dataclass(frozen=True, slots=True)
class Progress:
    """The newest reading and event that the server has taken, when, and what is in the way now."""

    reading: int = 0
    event: int = 0
    taken_ms: int | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class RefusedPoint:
    """A point that the server does not want, and the server's words."""

    line: str
    reason: str


@dataclass(frozen=True, slots=True)
class Backlog:
    """What a status page says of the mirror."""

    progress: Progress
    readings_behind: int
    events_behind: int
    refused: int
    last_refusal: str


def progress_of(journal: Journal) -> Progress:
    """Return the progress that the journal holds."""
    row = journal.db.execute("SELECT reading, event, taken_ms, trouble FROM mirror").fetchone()
    return Progress(*row) if row else Progress()


def keep_progress(journal: Journal, progress: Progress, refused: Sequence[RefusedPoint], at_ms: int) -> None:
    """Write the progress down, with points that were refused on the way."""
    with journal.transaction():
        journal.db.execute(
            "INSERT OR REPLACE INTO mirror VALUES (1, ?, ?, ?, ?)",
            (progress.reading, progress.event, progress.taken_ms, progress.trouble),
        )
        if refused:
            journal.db.executemany(
                "INSERT INTO mirror_refused (line, reason, at_ms) VALUES (?, ?, ?)",
                [(point.line, point.reason, at_ms) for point in refused],
            )
            journal.db.execute(
                "DELETE FROM mirror_refused WHERE id <= (SELECT max(id) FROM mirror_refused) - ?",
                (REFUSED_KEPT,),
            )


def backlog(journal: Journal) -> Backlog:
    """Return how far the mirror is behind."""
    progress = progress_of(journal)
    (refused,) = journal.db.execute("SELECT ifnull(max(id), 0) FROM mirror_refused").fetchone()
    last = journal.db.execute("SELECT reason FROM mirror_refused ORDER BY id DESC LIMIT 1").fetchone()
    newest = journal.db.execute("SELECT ifnull(max(seq), 0) FROM reading").fetchone()[0]
    return Backlog(
        progress,
        max(newest - progress.reading, 0),
        max(journal.last_event_number() - progress.event, 0),
        int(refused),
        str(last[0]) if last else "",
    )
