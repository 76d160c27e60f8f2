"""The on-call process's own file: its state, the calls that it owes people, and what it is asked.

State and calls are committed together, before a call is sent and before the broker is told that a
message was taken in. So whatever moment the process is killed at, nothing is forgotten: what was
not committed comes again from the broker, what was not marked as sent is sent (again).
"""

import json
import secrets
import sqlite3
import string
import time
import uuid
from collections.abc import Collection, Iterable, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.clock import AHEAD_MS, SYNCHRONISED_MARK, FollowingClock
from daemon.errors import OnCallError
from daemon.tables.values import one_line
from daemon.transaction import connect, is_damage, keep_log_ahead, transaction
from rules.calling.records import Answer, Call, CallKind, Reply

LAYOUT = 3
TOKEN_LENGTH = 16
_TOKEN_LETTERS = string.ascii_letters + string.digits
SENT_KEPT_MS, REPLIES_KEPT_MS = 90 * 86_400_000, 300_000
_SET_ASIDE = "the process sets it aside when it begins anew; else move it away"
WHO_AT_MOST, YEAR_2500_MS = 200, 16_725_225_600_000

_TABLES = f"""
CREATE TABLE state (one INTEGER PRIMARY KEY CHECK (one = 1), body TEXT NOT NULL) STRICT;
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
-- calls to people, under the name that layout 1 gave them, each on its route (channel)
-- fate: waiting, sent, or dropped because a newer one took its place or nobody is called any more
CREATE TABLE page (
    id TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    problem INTEGER NOT NULL,
    person TEXT NOT NULL,
    priority INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    title TEXT NOT NULL,
    text TEXT NOT NULL,
    fate TEXT NOT NULL DEFAULT 'waiting',
    channel INTEGER NOT NULL DEFAULT 0,
    tries INTEGER NOT NULL DEFAULT 0,
    rounds INTEGER NOT NULL DEFAULT 0,
    due_ms INTEGER NOT NULL,
    done_ms INTEGER
) STRICT;
CREATE INDEX page_waiting ON page (priority DESC, at_ms) WHERE fate = 'waiting';
CREATE TABLE request (
    id INTEGER PRIMARY KEY,
    problem INTEGER NOT NULL,
    who TEXT NOT NULL,
    answered_ms INTEGER,
    refusal TEXT,
    reply TEXT NOT NULL DEFAULT 'seen',
    until_ms INTEGER,
    by_link INTEGER NOT NULL DEFAULT 0
) STRICT;
-- where a person answers from a phone; whoever has the token is that person, for those problems only
CREATE TABLE link (
    token TEXT PRIMARY KEY,
    person TEXT NOT NULL,
    problems TEXT NOT NULL,
    until_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
-- acknowledgements to pass on to racks, until they answer or it is too late
CREATE TABLE command (
    id TEXT PRIMARY KEY,
    rack TEXT NOT NULL,
    alarm TEXT NOT NULL,
    who TEXT NOT NULL,
    due_ms INTEGER NOT NULL,
    until_ms INTEGER NOT NULL,
    answer TEXT
) STRICT;
PRAGMA user_version = {LAYOUT}
"""


_FROM_LAYOUT_1 = """
ALTER TABLE request ADD COLUMN reply TEXT NOT NULL DEFAULT 'seen';
ALTER TABLE request ADD COLUMN until_ms INTEGER;
CREATE TABLE link (token TEXT PRIMARY KEY, person TEXT NOT NULL, problems TEXT NOT NULL,
    until_ms INTEGER NOT NULL) STRICT, WITHOUT ROWID;
PRAGMA user_version = 2
"""
_FROM_LAYOUT_2 = "ALTER TABLE request ADD COLUMN by_link INTEGER NOT NULL DEFAULT 0;\nPRAGMA user_version = 3"


@dataclass(frozen=True, slots=True)
class Owed:
    """A call that nobody has taken yet, and how far it is: `tries` on `route`, `rounds` through all."""

    id: str
    person: str
    title: str
    text: str
    route: int
    tries: int
    rounds: int


@dataclass(frozen=True, slots=True)
class Ask:
    """What somebody says to the process about problem `problem`; None where that cannot be understood.

    Its time counts from when it is taken: whoever asks may have another clock than the process.
    """

    id: int
    problem: int
    answer: Answer | None


@dataclass(frozen=True, slots=True)
class Link:
    """Whoever has it is this person, for these problems; without any it is a greeting."""

    person: str
    problems: list[int]


@dataclass(frozen=True, slots=True)
class Passed:
    """An acknowledgement on its way to a rack."""

    id: str
    rack: str
    alarm: str
    who: str


class OnCallStore:
    """The open file; raises OnCallError where it cannot be used."""

    def __init__(self, path: Path) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with ExitStack() as unless_ready:
                self._db = connect(path, isolation_level=None, timeout=10)
                unless_ready.callback(self._db.close)
                keep_log_ahead(self._db)
                self._db.execute("PRAGMA synchronous = FULL")
                self._prepare(path)
                unless_ready.pop_all()
        except (OSError, sqlite3.Error) as error:
            right = _SET_ASIDE if is_damage(error) else "its folder must exist and be writable by this user"
            raise OnCallError(f"on-call state {path}: {error}; {right}") from error

    def _prepare(self, path: Path) -> None:
        with self.transaction():
            if not self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
                self._run(_TABLES)
                self._db.execute("INSERT INTO meta VALUES ('id', ?)", (uuid.uuid4().hex,))
            for older, statements in ((1, _FROM_LAYOUT_1), (2, _FROM_LAYOUT_2)):
                if self._db.execute("PRAGMA user_version").fetchone()[0] == older:
                    self._run(statements)
            self._run("CREATE INDEX IF NOT EXISTS page_problem ON page (problem) WHERE fate = 'waiting'")
        if (layout := self._db.execute("PRAGMA user_version").fetchone()[0]) != LAYOUT:
            raise OnCallError(f"on-call state {path}: layout {layout}; this bellwatch reads layout {LAYOUT}")
        if (found := self._db.execute("SELECT value FROM meta WHERE key = 'id'").fetchone()) is None:
            raise OnCallError(f"on-call state {path}: its id is gone; {_SET_ASIDE}")
        self.id = str(found[0])

    def _run(self, statements: str) -> None:
        for statement in statements.split(";\n"):
            self._db.execute(statement)

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def transaction(self) -> AbstractContextManager[None]:
        """Commit everything inside together, or nothing of it."""
        return transaction(self._db)

    def keep_mark(self, settings: str) -> None:
        """Keep a mark of the settings that the process runs by."""
        self._db.execute("INSERT OR REPLACE INTO meta VALUES ('settings', ?)", (settings,))

    def runs_by(self, settings: str) -> bool:
        """Return whether the process that ran last went by these settings, known by their mark."""
        row = self._db.execute("SELECT value FROM meta WHERE key = 'settings'").fetchone()
        return row is None or row[0] == settings

    # State

    def keep_state(self, state: dict[str, Any]) -> None:
        """Keep the state of the calling."""
        self._db.execute("INSERT OR REPLACE INTO state VALUES (1, ?)", (json.dumps(state),))

    def state(self) -> dict[str, Any] | None:
        """Return the state that was kept last; None for a new file."""
        row = self._db.execute("SELECT body FROM state").fetchone()
        return None if row is None else json.loads(row[0])

    def clock(self) -> FollowingClock:
        """Return a clock that is not behind the state that was kept last, unless that ran far ahead."""
        kept_ms = (self.state() or {}).get("clock_ms", 0)
        ahead = kept_ms - time.time() * 1000 > AHEAD_MS and SYNCHRONISED_MARK.exists()
        return FollowingClock.not_before(0 if ahead else kept_ms)

    # Calls

    def owe(self, call: Call, title: str, text: str) -> None:
        """Write down a call to send, in its words.

        One that waits for the same person about the same problem is dropped: the new one says the same of
        now, goes on where that one stood (repeats do not restart its tries), and waits for no further round.
        """
        stood = self._db.execute(
            "UPDATE page SET fate = 'dropped', done_ms = ? WHERE fate = 'waiting' AND problem = ?"
            " AND problem > 0 AND person = ? RETURNING channel, tries, rounds, due_ms",
            (call.at_ms, call.problem, call.person),
        ).fetchall()
        channel, tries, rounds, due_ms = stood[-1] if stood else (0, 0, 0, call.at_ms)
        how_far = channel, tries, rounds, due_ms if channel or tries else call.at_ms
        self._db.execute(
            "INSERT INTO page (id, kind, problem, person, priority, at_ms, title, text,"
            " channel, tries, rounds, due_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (call.id, call.kind, call.problem, call.person, call.priority, call.at_ms, title, text, *how_far),
        )

    def drop(self, problem: int, at_ms: int) -> None:
        """Drop the calls about a problem that calls nobody any more; word of its end is still owed."""
        self._db.execute(
            "UPDATE page SET fate = 'dropped', done_ms = ?"
            " WHERE fate = 'waiting' AND problem = ? AND kind IN (?, ?)",
            (at_ms, problem, CallKind.ALARM, CallKind.DRILL),
        )

    def revoke(self, at_ms: int) -> None:
        """Revoke what goes by numbers that may be another's now: links, and calls that wait."""
        self._db.execute("DELETE FROM link")
        self._db.execute("UPDATE page SET fate = 'dropped', done_ms = ? WHERE fate = 'waiting'", (at_ms,))

    def drop_all_but(self, people: Collection[str], at_ms: int) -> None:
        """Drop the calls that wait for somebody who has left."""
        left = "fate = 'waiting' AND person NOT IN (SELECT value FROM json_each(?))"
        said = at_ms, json.dumps(list(people))
        self._db.execute(f"UPDATE page SET fate = 'dropped', done_ms = ? WHERE {left}", said)

    def owed(self, now_ms: int, at_most: int) -> list[Owed]:
        """Return the calls to try now, the most urgent first; one rack's keep no other's back."""
        rows = self._db.execute(
            "SELECT id, person, title, text, channel, tries, rounds FROM page WHERE fate = 'waiting'"
            " AND due_ms <= ? ORDER BY priority DESC, row_number() OVER"
            " (PARTITION BY priority, title ORDER BY at_ms, id), at_ms, id LIMIT ?",
            (now_ms, at_most),
        )
        return [Owed(*row) for row in rows]

    def mark_sent(self, call_id: str, at_ms: int) -> None:
        """Note that a call was taken; what was sent long ago is forgotten."""
        self._db.execute("UPDATE page SET fate = 'sent', done_ms = ? WHERE id = ?", (at_ms, call_id))
        self._db.execute("DELETE FROM page WHERE fate <> 'waiting' AND done_ms < ?", (at_ms - SENT_KEPT_MS,))

    def newest_sent(self, since_ms: int) -> list[tuple[int, str, int, int]]:
        """Return problem, kind, priority and time of the newest call of each kind that a route took."""
        return self._db.execute(
            "SELECT problem, kind, priority, max(done_ms) FROM page WHERE fate = 'sent' AND done_ms > ?"
            " GROUP BY problem, kind ORDER BY max(done_ms) DESC",
            (since_ms,),
        ).fetchall()

    def routes_of(self, problem: int) -> list[tuple[str, int, int, int]]:
        """Return person, route, and when a call about a problem was owed and taken, the first one first."""
        return self._db.execute(
            "SELECT person, channel, at_ms, done_ms FROM page"
            " WHERE problem = ? AND fate = 'sent' ORDER BY at_ms",
            (problem,),
        ).fetchall()

    def try_later(self, call_id: str, route: int, tries: int, rounds: int, due_ms: int) -> None:
        """Note how far a call has come without being taken, and when it is tried again."""
        self._db.execute(
            "UPDATE page SET channel = ?, tries = ?, rounds = ?, due_ms = ? WHERE id = ?",
            (route, tries, rounds, due_ms, call_id),
        )

    def waiting(self) -> int:
        """Return how many calls nobody has taken yet."""
        return int(self._db.execute("SELECT count(*) FROM page WHERE fate = 'waiting'").fetchone()[0])

    # What people ask

    def ask(self, problem: int, answer: Answer) -> int:
        """Say something about a problem (any process may do this); return the request's number."""
        asked = "INSERT INTO request (problem, who, reply, until_ms, by_link) VALUES (?, ?, ?, ?, ?)"
        said = (problem, answer.who, answer.reply, answer.until_ms, answer.by_link)
        with self.transaction():
            row = self._db.execute(asked, said)
        return int(row.lastrowid or 0)

    def asked(self) -> list[Ask]:
        """Return what nobody has answered yet, oldest first."""
        rows = self._db.execute(
            "SELECT id, problem, reply, who, until_ms, by_link FROM request"
            " WHERE answered_ms IS NULL ORDER BY id"
        )
        return [Ask(number, problem, _answer(*answer)) for number, problem, *answer in rows]

    def answer(self, ask: Ask, at_ms: int, refusal: str) -> None:
        """Answer a request; an empty `refusal` says that it was done."""
        answered = "UPDATE request SET answered_ms = ?, refusal = ? WHERE id = ?"
        self._db.execute(answered, (at_ms, refusal, ask.id))

    def answer_to(self, request: int) -> str | None:
        """Return the refusal of a request, empty where it was done, None where it is not answered yet."""
        row = self._db.execute(
            "SELECT refusal FROM request WHERE id = ? AND answered_ms IS NOT NULL", (request,)
        ).fetchone()
        return None if row is None else str(row[0])

    def replied(self, said: str) -> str | None:
        """Return what was replied to an answer over the broker, by its person and id; None to a new one."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (f"said {said}",)).fetchone()
        return None if row is None else row[0].partition(" ")[2]

    def keep_reply(self, said: str, refusal: str, at_ms: int) -> None:
        """Keep what was replied to an answer, for as long as a repeat may come."""
        old_ms = at_ms - REPLIES_KEPT_MS
        self._db.execute("DELETE FROM meta WHERE key LIKE 'said %' AND CAST(value AS INTEGER) < ?", (old_ms,))
        self._db.execute("INSERT INTO meta VALUES (?, ?)", (f"said {said}", f"{at_ms} {refusal}"))

    # Where people answer from a phone

    def link_for(self, person: str, problems: Sequence[int], now_ms: int, until_ms: int) -> str:
        """Return the token by which a person answers for problems, a new one where there is none yet."""
        self._db.execute("DELETE FROM link WHERE until_ms <= ?", (now_ms,))
        numbers = json.dumps(sorted(problems))
        known = "UPDATE link SET until_ms = ? WHERE person = ? AND problems = ? RETURNING token"
        found = self._db.execute(known, (until_ms, person, numbers)).fetchall()
        token = found[0][0] if found else "".join(secrets.choice(_TOKEN_LETTERS) for _ in range(TOKEN_LENGTH))
        if not found:
            self._db.execute("INSERT INTO link VALUES (?, ?, ?, ?)", (token, person, numbers, until_ms))
        return str(token)

    def link(self, token: str, now_ms: int) -> Link | None:
        """Return what a token is good for, None where it is none or is over."""
        valid = "SELECT person, problems FROM link WHERE token = ? AND until_ms > ?"
        row = self._db.execute(valid, (token, now_ms)).fetchone()
        return row and Link(row[0], json.loads(row[1]))

    def reached(self, person: str, at_ms: int) -> None:
        """Note that a person answered through a link: it opens on their phone."""
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (f"reached {person}", str(at_ms)))

    def when_reached(self, person: str) -> int | None:
        """Return when a person last answered through a link."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (f"reached {person}",)).fetchone()
        return None if row is None else int(row[0])

    # Acknowledgements on their way to racks

    def pass_on(self, commands: Iterable[Passed], now_ms: int, until_ms: int) -> None:
        """Write down acknowledgements to pass on to racks."""
        self._db.executemany(
            "INSERT INTO command VALUES (?, ?, ?, ?, ?, ?, NULL)",
            [(passed.id, passed.rack, passed.alarm, passed.who, now_ms, until_ms) for passed in commands],
        )

    def to_pass_on(self, now_ms: int) -> list[Passed]:
        """Return the acknowledgements that are due to be sent (again)."""
        rows = self._db.execute(
            "SELECT id, rack, alarm, who FROM command WHERE answer IS NULL AND due_ms <= ? AND until_ms > ?",
            (now_ms, now_ms),
        )
        return [Passed(*row) for row in rows]

    def not_taken(self, since_ms: int) -> list[tuple[Passed, str]]:
        """Return what a rack has not answered (empty) or refused, why, since then; the oldest first."""
        rows = self._db.execute(
            "SELECT id, rack, alarm, who, coalesce(answer, '') FROM command"
            " WHERE (answer IS NULL OR answer <> '') AND until_ms > ? ORDER BY until_ms",
            (since_ms,),
        )
        return [(Passed(*row[:4]), row[4]) for row in rows]

    def passed_on(self, command: str, due_ms: int) -> None:
        """Note when an acknowledgement is sent again, should nobody answer."""
        self._db.execute("UPDATE command SET due_ms = ? WHERE id = ?", (due_ms, command))

    def answered(self, command: str, answer: str) -> bool:
        """Keep a rack's answer; return whether it was still awaited."""
        awaited = "UPDATE command SET answer = ? WHERE id = ? AND answer IS NULL"
        return self._db.execute(awaited, (answer, command)).rowcount > 0


def _answer(reply: str, who: str, until_ms: int | None, by_link: int) -> Answer | None:
    """Return a row as an answer: other programs write here, too, and none may end the process."""
    if reply not in list(Reply) or not 0 <= (until_ms or 0) < YEAR_2500_MS:
        return None
    return Answer(Reply(reply), one_line(who)[:WHO_AT_MOST], until_ms, bool(by_link))
