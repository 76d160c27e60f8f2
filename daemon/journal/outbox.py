"""The journal's outbox: messages until the broker has confirmed them, and how far the mirror has come."""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass

REFUSED_KEPT = 10_000
"""So many of the newest points that the mirror's server refused are kept with its words."""


@dataclass(frozen=True, slots=True)
class Message:
    """Something to publish: an empty retained payload takes a topic's retained message away."""

    topic: str
    payload: str
    retain: bool


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message in the outbox that nobody has confirmed yet."""

    id: int
    message: Message


@dataclass(frozen=True, slots=True)
class Progress:
    """The newest reading and event that the mirror's server has taken, when, and what is in the way now."""

    reading: int = 0
    event: int = 0
    taken_ms: int | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class RefusedPoint:
    """A point that the mirror's server does not want, and the server's words."""

    line: str
    reason: str


class Outbox:
    """Owns the tables `outbox`, `mirror` and `mirror_refused`."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def put(self, messages: Iterable[Message]) -> None:
        """Let messages wait for their confirmation."""
        self._db.executemany(
            "INSERT INTO outbox (topic, payload, retain) VALUES (?, ?, ?)", map(astuple, messages)
        )

    def waiting(self, after_id: int, at_most: int) -> list[Waiting]:
        """Return the oldest messages after `after_id` that nobody has confirmed."""
        rows = self._db.execute(
            "SELECT id, topic, payload, retain FROM outbox WHERE delivered_ms IS NULL AND id > ?"
            " ORDER BY id LIMIT ?",
            (after_id, at_most),
        )
        return [Waiting(key, Message(topic, payload, bool(retain))) for key, topic, payload, retain in rows]

    def refusals(self) -> list[tuple[str, str]]:
        """Return topic and reason of every message that waits because it was refused, each pair once."""
        rows = self._db.execute(
            "SELECT DISTINCT topic, refusal FROM outbox WHERE delivered_ms IS NULL AND refusal IS NOT NULL"
            " ORDER BY topic"
        )
        return [(str(topic), str(refusal)) for topic, refusal in rows]

    def counts(self) -> tuple[int, int]:
        """Return how many messages wait for their confirmation, and how many of them were refused."""
        waiting, refused = self._db.execute(
            "SELECT count(*), count(refusal) FROM outbox WHERE delivered_ms IS NULL"
        ).fetchone()
        return int(waiting), int(refused)

    def confirmed_ms(self, event: int) -> int | None:
        """Return when the broker confirmed an event, by its number; None where it has not, or long ago."""
        row = self._db.execute(
            "SELECT delivered_ms FROM outbox WHERE topic LIKE '%/event' AND instr(payload, ?) > 0",
            (f':{event}", "rack"',),
        ).fetchone()
        return None if row is None else row[0]

    def mark_delivered(self, message_id: int, at_ms: int) -> None:
        """Note that the other side has confirmed a message.

        A retained message says how things stand: older ones that still wait on its topic are void.
        """
        self._db.execute(
            "UPDATE outbox SET delivered_ms = ?, refusal = NULL WHERE id = ?", (at_ms, message_id)
        )
        self._db.execute(
            "UPDATE outbox SET delivered_ms = ?, refusal = 'overtaken by a newer one'"
            " WHERE delivered_ms IS NULL AND id < ? AND retain = 1"
            " AND topic = (SELECT topic FROM outbox WHERE id = ? AND retain = 1)",
            (at_ms, message_id, message_id),
        )

    def mark_refused(self, message_id: int, reason: str) -> None:
        """Note the words with which the other side refused a message; it goes on waiting."""
        self._db.execute("UPDATE outbox SET refusal = ? WHERE id = ?", (reason, message_id))

    def forget_delivered(self, before_ms: int, at_most: int) -> None:
        """Let go of messages that were delivered before a moment."""
        self._db.execute(
            "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE delivered_ms < ? LIMIT ?)",
            (before_ms, at_most),
        )

    # The mirror

    def mirrored(self) -> Progress:
        """Return how far the mirror has come."""
        row = self._db.execute("SELECT reading, event, taken_ms, trouble FROM mirror").fetchone()
        return Progress(*row) if row else Progress()

    def keep_mirrored(self, progress: Progress, refused: Sequence[RefusedPoint], at_ms: int) -> None:
        """Write down how far the mirror has come, with points that were refused on the way."""
        self._db.execute("INSERT OR REPLACE INTO mirror VALUES (1, ?, ?, ?, ?)", astuple(progress))
        self._db.executemany(
            "INSERT INTO mirror_refused (line, reason, at_ms) VALUES (?, ?, ?)",
            [(point.line, point.reason, at_ms) for point in refused],
        )
        self._db.execute(
            "DELETE FROM mirror_refused WHERE id <= (SELECT max(id) FROM mirror_refused) - ?", (REFUSED_KEPT,)
        )

    def refused_by_mirror(self) -> tuple[int, str]:
        """Return how many points the mirror's server has refused, and its words on the last one."""
        row = self._db.execute("SELECT id, reason FROM mirror_refused ORDER BY id DESC LIMIT 1").fetchone()
        return (int(row[0]), str(row[1])) if row else (0, "")
