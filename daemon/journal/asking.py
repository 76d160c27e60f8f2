"""Asking the daemon to do something, by a box of requests beside the journal, and waiting for its answer.

This is the one way in for people and for the broker's commands alike. Who asks never opens the journal
to write: the box is a small file of its own (JOURNAL.requests), and what lies in it is taken up when the
daemon runs. A request has an id, which the journal keeps with the action: none is done twice, also where
the answer got lost on its way back.
"""

import json
import os
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from daemon.errors import RequestError, UnansweredError, UsedIdError
from daemon.tables.values import number as finite_number
from daemon.tables.values import one_line
from daemon.transaction import connect, is_damage

ANSWER_WITHIN_S = 10.0
ANSWERS_KEPT_MS = 86_400_000
BODY_AT_MOST = 65_536
"""Characters of a request's body; what people do needs a few hundred."""
TEXT_AT_MOST, DEEP_AT_MOST = 200, 8

TAKEN_AT_ONCE = 200
"""Requests that one turn of the watch takes up, so that alarms never wait long for those of others."""

_LAYOUT = 1
_NO_TEXT = "a character that cannot be written down"
_LOOK_EVERY_S = 0.05
ASKER_WAITS_S, DESK_WAITS_S, WATCH_WAITS_S = 10.0, 2.0, 0.2
"""For another process that is writing the box; the watch tries again in its next turn."""

_TABLES = (
    "CREATE TABLE request (number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, kind TEXT NOT NULL,"
    " who TEXT NOT NULL, body TEXT NOT NULL, answered_ms INTEGER, refusal TEXT)",
    "CREATE INDEX open_request ON request (number) WHERE answered_ms IS NULL",
)


@dataclass(frozen=True, slots=True)
class Request:
    """Something that another process asks of the daemon; `fault` says why it cannot be read."""

    number: int
    id: str
    kind: str
    who: str
    body: dict[str, Any]
    fault: str = ""


class RequestBox:
    """The box beside a journal, opened anew for each look: it may be made, moved or locked at any time.

    `set_aside` is the name that a damaged one was given, until somebody takes it from here to tell people.
    """

    def __init__(self, journal: Path, wait_s: float = ASKER_WAITS_S) -> None:
        self._wait_s = wait_s
        self.path = journal.with_name(journal.name + ".requests")
        self._trouble = ""
        self.set_aside = ""

    # For who asks

    def ask(self, kind: str, who: str, body: Mapping[str, Any], request_id: str = "") -> str:
        """Put a request in, under its own id where it has one, and return its id.

        The same request under the same id is one request; another one under it raises UsedIdError.
        """
        if not _is_text(who) or not _is_text(json.dumps(body, ensure_ascii=False)):
            raise RequestError(f"{kind}: {_NO_TEXT}; is this terminal set to UTF-8?")
        asked = (request_id or uuid.uuid4().hex, kind, one_line(who), json.dumps(body))
        with self._open(make=True) as db:
            db.execute("INSERT OR IGNORE INTO request (id, kind, who, body) VALUES (?, ?, ?, ?)", asked)
            found = db.execute("SELECT id, kind, who, body FROM request WHERE id = ?", asked[:1]).fetchone()
        if found != asked:
            raise UsedIdError(used_before(request_id))
        return asked[0]

    def put_first(self, older: Iterable[tuple[str, str, str, str]]) -> None:
        """Put requests (id, kind, who, body as JSON) in before all others, unless their ids are there."""
        rows = list(older)
        if rows:
            with self._open(make=True) as db:
                (first,) = db.execute("SELECT coalesce(min(number), 1) FROM request").fetchone()
                db.executemany(
                    "INSERT OR IGNORE INTO request (number, id, kind, who, body) VALUES (?, ?, ?, ?, ?)",
                    [(first - len(rows) + place, *row) for place, row in enumerate(rows)],
                )

    def answer_to(self, request_id: str) -> str | None:
        """Return the refusal of a request, empty where it was done, None where it is not answered yet."""
        with self._open() as db:
            row = db.execute(
                "SELECT refusal FROM request WHERE id = ? AND answered_ms IS NOT NULL", (request_id,)
            ).fetchone()
        return None if row is None else str(row[0])

    # For the daemon, which goes on whatever is wrong with the box

    def waiting(self) -> list[Request]:
        """Return the next requests that nobody has answered, oldest first; none while it cannot be read."""
        try:
            if not os.path.lexists(self.path):
                return []
            with self._open() as db:
                rows = db.execute(
                    "SELECT number, substr(id, 1, :text), substr(kind, 1, :text), substr(who, 1, :text),"
                    " substr(body, 1, :body) FROM request WHERE answered_ms IS NULL"
                    " ORDER BY number LIMIT :most",
                    {"text": TEXT_AT_MOST + 1, "body": BODY_AT_MOST + 1, "most": TAKEN_AT_ONCE},
                ).fetchall()
        except RequestError as error:
            self._say(error)
            return []
        self._trouble = ""
        return [_request(*row) for row in rows]

    def known_answer(self, request_id: str) -> str | None:
        """Return what `answer_to` does; None also while the box cannot be read."""
        try:
            return self.answer_to(request_id)
        except RequestError as error:
            self._say(error)
            return None

    def answer(self, answers: Mapping[int, str], at_ms: int) -> None:
        """Answer requests, by number; an empty refusal says that it was done. Old answers are let go."""
        try:
            with self._open() as db:
                db.executemany(
                    "UPDATE request SET answered_ms = ?, refusal = ? WHERE number = ?",
                    [(at_ms, refusal, number) for number, refusal in answers.items()],
                )
                db.execute("DELETE FROM request WHERE answered_ms < ?", (at_ms - ANSWERS_KEPT_MS,))
        except RequestError as error:  # the next turn finds them in the journal and answers then
            self._say(error)

    def _say(self, error: RequestError) -> None:
        """Log what is wrong, once, and put a box aside that no process of ours can use."""
        import structlog  # noqa: PLC0415 (who asks waits for no library)

        log = structlog.get_logger()
        if isinstance(error.__cause__, sqlite3.OperationalError):
            if str(error) != self._trouble:
                log.warning("request_box_not_usable", why=str(error))
            self._trouble = str(error)
            return
        aside = f"{self.path.name}.unusable-{datetime.now(UTC):%Y%m%dT%H%M%S}"
        for suffix in ("-journal", ""):
            with suppress(FileNotFoundError):
                self.path.with_name(self.path.name + suffix).rename(self.path.with_name(aside + suffix))
        self.set_aside = aside
        log.error("request_box_set_aside", why=str(error), set_aside=aside)

    @contextmanager
    def _open(self, make: bool = False) -> Iterator[sqlite3.Connection]:
        """Open the box for one transaction; RequestError where it cannot be used or has another layout."""
        try:
            if make:
                self._make()
            address = f"{self.path.absolute().as_uri()}?mode=rw"
            with closing(connect(address, uri=True, isolation_level=None, timeout=self._wait_s)) as db:
                db.text_factory = partial(str, encoding="utf-8", errors="replace")
                db.execute("PRAGMA synchronous = FULL")
                db.execute("BEGIN IMMEDIATE" if make else "BEGIN")
                self._refuse_other_layout(db)
                yield db
                db.execute("COMMIT")
        except (OSError, sqlite3.Error) as error:
            damaged = "a running watch sets it aside; then ask again"
            right = damaged if is_damage(error) else "it and its folder must be writable by this user"
            raise RequestError(f"requests {self.path}: {error}; {right}") from error

    def _make(self) -> None:
        made = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o660)
        with suppress(PermissionError):  # it is another user's, who has done so
            os.fchmod(made, 0o660)
            if os.geteuid() == 0:  # the watch, whose folder it is, must open it too
                folder = self.path.parent.stat()
                os.fchown(made, folder.st_uid, folder.st_gid)
        os.close(made)

    def _refuse_other_layout(self, db: sqlite3.Connection) -> None:
        (layout,) = db.execute("PRAGMA user_version").fetchone()
        if layout == 0 and not db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
            for table in _TABLES:
                db.execute(table)
            db.execute(f"PRAGMA user_version = {_LAYOUT}")
        elif layout != _LAYOUT:
            raise RequestError(
                f"requests {self.path}: layout {layout}; this bellwatch reads {_LAYOUT}: "
                "ask with the version that `bellwatch run` has"
            )


def ask_daemon(
    journal_path: Path,
    kind: str,
    body: Mapping[str, Any],
    who: str,
    within_s: float = ANSWER_WITHIN_S,
    request_id: str = "",
) -> None:
    """Ask for an action (`rules.deeds.DEEDS`); raise RequestError where it is refused or not answered.

    What is asked again under the same id is done once.
    """
    if not journal_path.exists():
        raise RequestError(f"journal {journal_path}: no such file; is this the daemon's settings file?")
    if os.access(journal_path, os.R_OK):  # who may ask need not be allowed to read it
        with journal_path.open("rb") as file:
            if file.read(16) not in (b"SQLite format 3\0", b""):
                raise RequestError(f"journal {journal_path}: file is not a database; name the daemon's own")
    box = RequestBox(journal_path)
    request = box.ask(kind, who, body, request_id)
    refusal = awaited(lambda: box.answer_to(request), within_s)
    if refusal is None:
        raise UnansweredError(
            f"{kind}: no answer from the daemon in {within_s:.0f} s; it takes this up when it runs"
        )
    if refusal:
        raise (UsedIdError if refusal == used_before(request) else RequestError)(refusal)


def used_before(request_id: str) -> str:
    """Refuse what is asked under the id of something else."""
    return f"id: {request_id} was used for another command; each needs a new one"


def awaited(answer: Callable[[], str | None], within_s: float) -> str | None:
    """Look for an answer until it is there; None where none came in time."""
    deadline = time.monotonic() + within_s
    while (found := answer()) is None and time.monotonic() <= deadline:
        time.sleep(_LOOK_EVERY_S)
    return found


def _is_text(words: str) -> bool:
    """Return whether every character can be written down (half of a pair of UTF-16 cannot)."""
    try:
        words.encode()
    except UnicodeEncodeError:
        return False
    return True


def _request(number: int, *stored: object) -> Request:
    """Return a row as a request, its texts on one line each, with its fault where it is none."""
    request_id, kind, who, body = map(str, stored)
    found: object = None
    if not all(isinstance(part, str) for part in stored):
        fault = "id, kind, who and body must be text"
    elif max(map(len, (request_id, kind, who))) > TEXT_AT_MOST:
        fault = f"id, kind and who: at most {TEXT_AT_MOST} characters each"
    elif len(body) > BODY_AT_MOST:
        fault = f"body: {len(body)} characters; at most {BODY_AT_MOST}"
    else:
        try:
            read = json.loads(body, parse_float=finite_number, parse_constant=finite_number)
            found = _cleaned(read, DEEP_AT_MOST)
            fault = "" if isinstance(found, dict) else "body: must be a JSON object"
        except (ValueError, RecursionError) as error:
            fault = f"body: no JSON: {error}"
    known = found if isinstance(found, dict) else {}
    return Request(number, request_id, one_line(kind), one_line(who), known, fault)


def _cleaned(value: Any, deep: int) -> Any:  # noqa: ANN401  (whatever JSON can hold)
    """Return a value with each text on one line; ValueError where it is nested deeper than `deep`."""
    if isinstance(value, str):
        return one_line(value)
    if isinstance(value, dict | list) and not deep:
        raise ValueError(f"nested deeper than {DEEP_AT_MOST}")
    if isinstance(value, dict):
        return {one_line(key): _cleaned(each, deep - 1) for key, each in value.items()}
    return [_cleaned(each, deep - 1) for each in value] if isinstance(value, list) else value
