"""How far the mirror is behind, for a status page."""

from dataclasses import dataclass

from daemon.journal.journal import Journal
from daemon.journal.outbox import Progress


@dataclass(frozen=True, slots=True)
class Backlog:
    """What a status page says of the mirror."""

    progress: Progress
    readings_behind: int
    events_behind: int
    refused: int
    last_refusal: str


def backlog(journal: Journal) -> Backlog:
    """Return how far the mirror is behind."""
    progress = journal.outbox.mirrored()
    _, newest = journal.inputs.span() or (0, 0)
    return Backlog(
        progress,
        max(newest - progress.reading, 0),
        max(journal.history.last_event_number() - progress.event, 0),
        *journal.outbox.refused_by_mirror(),
    )
