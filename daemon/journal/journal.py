"""The journal: everything the rules may look at, in arrival order, and everything they made of it.

One writer, the daemon, commits readings together with the flags, events and messages that they
cause. Other processes read it, and put what they ask of the daemon into its request table.
"""

import json
import sqlite3
import uuid
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from daemon.journal.schema import open_for_reading, open_for_writing
from daemon.transaction import transaction
from rules.alarms.event import AlarmEvent
from rules.plain import to_plain
from rules.quality.quality import Flag
from rules.readings import Action, Notice, Outcome, Readings

SNAPSHOTS_KEPT = 2

NumberedReading = tuple[int, int, int, int, float]
"""A row of the table `reading`: seq, at_ms, source, lag_ms (behind at_ms), value."""

_WORSE_THAN_PASS = (Flag.SUSPECT, Flag.FAIL, Flag.MISSING)


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
class Request:
    """Something that another process asks of the daemon."""

    id: int
    kind: str
    who: str
    body: dict[str, Any]


class Journal:
    """An open journal; `writable` says whether this process is the one that writes it."""

    def __init__(self, path: Path, *, writable: bool) -> None:
        self.path = path
        self._db = open_for_writing(path) if writable else open_for_reading(path)
        if writable and self.note("id") is None:
            with self.transaction():
                self.keep_note("id", uuid.uuid4().hex)
        self.id = self.note("id") or ""
        self._next_seq = self.last_seq() + 1

    @property
    def db(self) -> sqlite3.Connection:
        """Return the connection, for the modules that keep a table of the journal each."""
        return self._db

    def note(self, key: str) -> str | None:
        """Return what was noted under a key; None where nothing was."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def keep_note(self, key: str, value: str) -> None:
        """Note something under a key, in place of what was noted there before."""
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    def reopen(self) -> None:
        """Go on with the file that lies at the path now; nothing of the old connection is written."""
        self._db.close()
        self._db = open_for_writing(self.path)
        self.id = self.note("id") or self.id
        self._next_seq = self.last_seq() + 1

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def transaction(self) -> AbstractContextManager[None]:
        """Commit everything inside together, or nothing of it."""
        return transaction(self._db)

    # Inputs

    def last_seq(self) -> int:
        """Return the number of the newest input; 0 where there is none."""
        (seq,) = self._db.execute(
            "SELECT max((SELECT ifnull(max(seq), 0) FROM reading), (SELECT ifnull(max(seq), 0) FROM action),"
            " (SELECT ifnull(max(seq), 0) FROM snapshot))"
        ).fetchone()
        return int(seq)

    def last_seq_before(self, at_ms: int) -> int:
        """Return the number of the newest reading taken in before a moment; 0 where there is none.

        Numbers and times rise together, so a search by halves finds it without an index.
        """
        row = self._db.execute("SELECT min(seq), max(seq) FROM reading").fetchone()
        if row[0] is None:
            return 0
        low, high = int(row[0]) - 1, int(row[1])
        while low < high:
            middle = (low + high + 1) // 2
            found = self._db.execute(
                "SELECT seq, at_ms FROM reading WHERE seq <= ? ORDER BY seq DESC LIMIT 1", (middle,)
            ).fetchone()
            if found is not None and found[1] >= at_ms:
                high = int(found[0]) - 1
            else:
                low = middle
        found = self._db.execute("SELECT max(seq) FROM reading WHERE seq <= ?", (low,)).fetchone()
        return int(found[0] or 0)

    def source_id(self, probe: str, quantity: str, vessel: str) -> int:
        """Return the number under which a source is kept, making one for a new source."""
        key = (probe, quantity, vessel)
        self._db.execute("INSERT OR IGNORE INTO source (probe, quantity, vessel) VALUES (?, ?, ?)", key)
        found = self._db.execute("SELECT id FROM source WHERE (probe, quantity, vessel) = (?, ?, ?)", key)
        return int(found.fetchone()[0])

    def sources(self) -> dict[int, tuple[str, str, str]]:
        """Return probe, quantity and vessel of every source, by its number."""
        rows = self._db.execute("SELECT id, probe, quantity, vessel FROM source")
        return {source: (probe, quantity, vessel) for source, probe, quantity, vessel in rows}

    def number(self, readings: Iterable[tuple[int, int, int, float]]) -> list[NumberedReading]:
        """Give readings (at_ms, source, time_ms, value) the next numbers; `write` writes them down."""
        rows = [
            (seq, at_ms, source, at_ms - time_ms, value)
            for seq, (at_ms, source, time_ms, value) in enumerate(readings, self._next_seq)
        ]
        self._next_seq += len(rows)
        return rows

    def number_again(self) -> None:
        """Take back the numbers of what was never written."""
        self._next_seq = self.last_seq() + 1

    def write(self, rows: Iterable[NumberedReading]) -> None:
        """Write down numbered readings."""
        self._db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)

    def append_readings(self, readings: Iterable[tuple[int, int, int, float]]) -> Readings:
        """Write readings (at_ms, source, time_ms, value) down in their order and return them numbered."""
        rows = self.number(readings)
        self.write(rows)
        return as_readings(rows)

    def append_action(self, action: Action) -> int:
        """Write down what a person did, or a change of plan, and return its number."""
        seq, self._next_seq = self._next_seq, self._next_seq + 1
        self._db.execute(
            "INSERT INTO action VALUES (?, ?, ?, ?, ?)",
            (seq, action.at_ms, action.kind, action.who, json.dumps(action.body)),
        )
        return seq

    def actions(self, kind: str) -> list[Action]:
        """Return what people did of one kind, oldest first; also what was refused."""
        rows = self._db.execute(
            "SELECT at_ms, kind, who, body FROM action WHERE kind = ? ORDER BY seq", (kind,)
        )
        return [Action(at_ms, name, who, json.loads(body)) for at_ms, name, who, body in rows]

    def inputs(
        self, after_seq: int, block: int = 100_000, readings_after_seq: int = 0
    ) -> Iterator[Readings | Action]:
        """Go through the inputs after `after_seq` in order, readings in blocks of at most `block`.

        Readings up to `readings_after_seq` are passed over, actions are not.
        """
        actions = self._db.execute(
            "SELECT seq, at_ms, kind, who, body FROM action WHERE seq > ? ORDER BY seq", (after_seq,)
        ).fetchall()
        start = after_seq
        for seq, at_ms, kind, who, body in actions:
            yield from self._reading_blocks(max(start, readings_after_seq), seq, block)
            yield Action(at_ms, kind, who, json.loads(body))
            start = seq
        yield from self._reading_blocks(max(start, readings_after_seq), self.last_seq() + 1, block)

    def _reading_blocks(self, after_seq: int, before_seq: int, block: int) -> Iterator[Readings]:
        rows = self._db.execute(
            "SELECT seq, at_ms, source, lag_ms, value FROM reading WHERE seq > ? AND seq < ? ORDER BY seq",
            (after_seq, before_seq),
        )
        while found := rows.fetchmany(block):
            yield as_readings(found)

    # What came of them

    def record(self, outcome: Outcome, messages: Iterable[Message]) -> None:
        """Write down flags and events, and put messages into the outbox."""
        for flags in outcome.flags:
            worse = np.flatnonzero(np.isin(flags.summary, _WORSE_THAN_PASS))
            self._keep_flags(
                [
                    (int(flags.seq[row]), flags.channel, int(flags.summary[row]), int(flags.tests[row]))
                    for row in worse
                ]
            )
        amended = [(late.seq, late.channel, late.summary, late.tests) for late in outcome.amendments]
        self._keep_flags([row for row in amended if row[2] in _WORSE_THAN_PASS])
        self._db.executemany(
            "DELETE FROM flag WHERE (seq, channel) = (?, ?)",
            [row[:2] for row in amended if row[2] not in _WORSE_THAN_PASS],
        )
        self._db.executemany("INSERT INTO event VALUES (?, ?, ?, ?)", map(_event_row, outcome.events))
        self._db.executemany(
            "INSERT INTO outbox (topic, payload, retain) VALUES (?, ?, ?)",
            [(message.topic, message.payload, message.retain) for message in messages],
        )

    def newest_notice(self, kind: str, about: str) -> Notice | None:
        """Return the newest notice of a kind about something; None where there is none."""
        row = self._db.execute(
            "SELECT body FROM notice WHERE id GLOB ? ORDER BY at_ms DESC LIMIT 1", (f"{kind}:{about}:*",)
        ).fetchone()
        return None if row is None else Notice(**json.loads(row[0]))

    def _keep_flags(self, rows: list[tuple[int, str, int, int]]) -> None:
        self._db.executemany("INSERT OR REPLACE INTO flag VALUES (?, ?, ?, ?)", rows)

    def keep_notices(self, notices: Iterable[Notice]) -> list[Notice]:
        """Write notices down and return those that were not there already, from before a restart."""
        return [
            notice
            for notice in notices
            if self._db.execute(
                "INSERT OR IGNORE INTO notice VALUES (?, ?, ?)",
                (notice.id, notice.at_ms, json.dumps(asdict(notice))),
            ).rowcount
        ]

    def event_bodies(self, after_number: int = 0) -> list[dict[str, Any]]:
        """Return the events after a number, oldest first, as `rules.plain` writes them."""
        rows = self._db.execute("SELECT body FROM event WHERE number > ? ORDER BY number", (after_number,))
        return [json.loads(body) for (body,) in rows]

    def newest_event_of_each_alarm(self) -> list[dict[str, Any]]:
        """Return the newest event of every alarm there ever was, as `event_bodies` does."""
        rows = self._db.execute("SELECT body, max(number) FROM event GROUP BY alarm ORDER BY max(number)")
        return [json.loads(body) for body, _ in rows]

    def differing(self, events: list[AlarmEvent]) -> list[AlarmEvent]:
        """Return those events that the journal holds under the same number but with other words."""
        return [
            event
            for event in events
            if (row := self._db.execute("SELECT * FROM event WHERE number = ?", (event.number,)).fetchone())
            and row != _event_row(event)
        ]

    def last_event_number(self) -> int:
        """Return the number of the newest event; 0 where there is none."""
        return int(self._db.execute("SELECT ifnull(max(number), 0) FROM event").fetchone()[0])

    # Outbox

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

    def outbox_counts(self) -> tuple[int, int]:
        """Return how many messages wait for their confirmation, and how many of them were refused."""
        waiting, refused = self._db.execute(
            "SELECT count(*), count(refusal) FROM outbox WHERE delivered_ms IS NULL"
        ).fetchone()
        return int(waiting), int(refused)

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

    # Requests of other processes

    def ask(self, kind: str, who: str, body: dict[str, Any]) -> int:
        """Put a request to the daemon and return its number (any process may do this)."""
        with self.transaction():
            row = self._db.execute(
                "INSERT INTO request (kind, who, body) VALUES (?, ?, ?)", (kind, who, json.dumps(body))
            )
        return int(row.lastrowid or 0)

    def requests(self) -> list[Request]:
        """Return the requests that nobody has answered, oldest first."""
        rows = self._db.execute(
            "SELECT id, kind, who, body FROM request WHERE answered_ms IS NULL ORDER BY id"
        )
        return [Request(key, kind, who, json.loads(body)) for key, kind, who, body in rows]

    def answer(self, request: Request, at_ms: int, refusal: str) -> None:
        """Answer a request; an empty `refusal` says that it was done."""
        self._db.execute(
            "UPDATE request SET answered_ms = ?, refusal = ? WHERE id = ?", (at_ms, refusal, request.id)
        )

    def answer_to(self, request_id: int) -> str | None:
        """Return the refusal of a request, empty where it was done, None where it is not answered yet."""
        row = self._db.execute(
            "SELECT refusal FROM request WHERE id = ? AND answered_ms IS NOT NULL", (request_id,)
        ).fetchone()
        return None if row is None else str(row[0])

    # State

    def clock_ms(self) -> int:
        """Return the time up to which things are settled; nothing comes before it. 0 for a new journal.

        An event that time alone caused shows that time went on beyond it.
        """
        (newest,) = self._db.execute(
            "SELECT max(ifnull((SELECT at_ms FROM reading ORDER BY seq DESC LIMIT 1), 0),"
            " ifnull((SELECT at_ms FROM action ORDER BY seq DESC LIMIT 1), 0),"
            " ifnull((SELECT at_ms + 1 FROM event ORDER BY number DESC LIMIT 1), 0))"
        ).fetchone()
        return int(newest)

    def keep_snapshot(self, state: dict[str, Any]) -> None:
        """Keep the engine's state after the newest input; the oldest snapshots are dropped."""
        seq = self._next_seq - 1
        self._db.execute("INSERT OR REPLACE INTO snapshot VALUES (?, ?)", (seq, json.dumps(state)))
        self._db.execute(
            "DELETE FROM snapshot WHERE seq NOT IN (SELECT seq FROM snapshot ORDER BY seq DESC LIMIT ?)",
            (SNAPSHOTS_KEPT,),
        )

    def snapshots(self) -> list[tuple[int, str]]:
        """Return each snapshot, newest first, with the number of the input that it stands after."""
        rows = self._db.execute("SELECT seq, state FROM snapshot ORDER BY seq DESC")
        return [(int(seq), str(state)) for seq, state in rows]


def as_readings(rows: list[NumberedReading]) -> Readings:
    """Return rows of the table `reading` as the engine takes them."""
    seq, at_ms, source, lag_ms = np.array([row[:4] for row in rows], dtype=np.int64).reshape(-1, 4).T
    value = np.array([row[4] for row in rows], dtype=np.float64)
    return Readings(seq.copy(), at_ms.copy(), source.copy(), at_ms - lag_ms, value)


def _event_row(event: AlarmEvent) -> tuple[int, int, str, str]:
    return (event.number, event.at_ms, event.alarm, json.dumps(to_plain(event)))
