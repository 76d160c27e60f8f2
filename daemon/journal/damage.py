"""A damaged journal: set aside as it is, and what can be read of it saved into a new one.

All alarm history, actions, summaries and unsent messages are saved as far as they can be read, and
of the readings those that the engine needs to go on. The rest stays in the file that was set aside.
"""

import json
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import structlog

from daemon.journal.asking import RequestBox
from daemon.journal.history import UNUSABLE, History
from daemon.journal.inputs import CONFIGURE, Inputs
from daemon.journal.journal import Journal
from daemon.journal.schema import OPEN_REQUESTS, open_for_writing
from daemon.journal.state import Place, State
from daemon.transaction import connect, transaction

log = structlog.get_logger()

_SIDE_FILES = ("", "-wal", "-shm")
_NOT_SAVED = ("meta", "reading", "flag", "seal")
"""Tables of which less is saved than can be read, or nothing; `_save` says what."""
_WHICH = {"outbox": "delivered_ms IS NULL", "action": "json_valid(body)", "event": "json_valid(body)"}
"""Which rows of a table are saved, where not all are."""


def set_aside(path: Path, now: datetime, why: str = "damaged") -> Path:
    """Rename a journal and what belongs to it; return the new name."""
    name = path.with_name(f"{path.name}.{why}-{now:%Y%m%dT%H%M%S}")
    for suffix in _SIDE_FILES:
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(name.with_name(name.name + suffix))
    return name


def begin_anew(path: Path, reason: str) -> Journal:
    """Set the damaged file at `path` aside, and return a new journal with what could be saved of it."""
    damaged = set_aside(path, datetime.now(UTC))
    with closing(open_for_writing(path)) as new, transaction(new):
        saved = _save(damaged, new)
        state, place = State(new), Place(Inputs(new).last_seq(), History(new).last_event_number())
        state.seal(Place(), place)
        state.begin_run(
            place, f"damaged ({reason}), set aside as {damaged.name}; older readings are in there"
        )
    journal = Journal(path, writable=True)
    RequestBox(path).put_first(_open_requests(damaged))
    log.error("journal_damaged", reason=reason, set_aside=str(damaged), saved=saved, goes_on_in=str(path))
    return journal


def replace_damaged(journal: Journal, reason: str) -> None:
    """Do what `begin_anew` does for a journal that is in use, which goes on with the new file."""
    journal.close()
    begin_anew(journal.path, reason).close()
    journal.reopen()


def _save(damaged: Path, new: sqlite3.Connection) -> dict[str, int]:
    """Copy what can be read, and return how many rows of each table that were."""
    new.execute("DELETE FROM mirror")
    tables = [table for (table,) in new.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    with _opened(damaged) as old:
        rows = {table: _readable(old, table) for table in tables if table not in _NOT_SAVED}
        after_seq = min((row[0] for row in rows["snapshot"]), default=0)
        rows["reading"] = _readable(old, "reading", f"seq > {after_seq}")
        notes = _readable(old, "meta")
    rows["source"] = [*_planned_sources(rows["action"]), *rows["source"]]
    if not rows["source"]:
        rows["snapshot"] = []  # which probe a number of a source stood for is not known any more
    saved = {table: _insert(new, table, found) for table, found in rows.items()}
    if rows["event"] or rows["snapshot"]:
        # Event numbers go on, so that the ids that people know stay unique under the same journal id.
        _insert(new, "meta", notes)
    new.execute("INSERT OR IGNORE INTO mirror VALUES (1, 0, 0, NULL, '')")
    return {table: count for table, count in saved.items() if count}


def _planned_sources(actions: list[tuple[Any, ...]]) -> list[tuple[int, str, str, str]]:
    """Return the sources as the plans have them: where their table is lost, readings keep their probe."""
    found: dict[int, tuple[int, str, str, str]] = {}
    for *_, kind, _who, body in actions:
        with suppress(*UNUSABLE):  # a plan that is damaged itself
            planned = json.loads(body)["sources"] if kind == CONFIGURE else ()
            found |= {it["id"]: (it["id"], it["probe"], it["quantity"], it["vessel"]) for it in planned}
    return list(found.values())


def _open_requests(damaged: Path) -> list[tuple[Any, ...]]:
    """Return what a journal of an earlier layout, which had requests in it, was still asked."""
    with _opened(damaged) as old:
        had_requests = _until_damage(old, "SELECT 1 FROM sqlite_schema WHERE name = 'command'")[0]
        return _until_damage(old, OPEN_REQUESTS)[0] if had_requests else []


def _insert(new: sqlite3.Connection, table: str, rows: list[tuple[Any, ...]]) -> int:
    """Write those rows that make sense in their table; return how many that are."""
    count = 0
    for row in rows:
        with suppress(sqlite3.IntegrityError):  # of a source that is lost, or no number where one belongs
            new.execute(f"INSERT OR REPLACE INTO {table} VALUES ({', '.join('?' * len(row))})", row)
            count += 1
    return count


def _opened(damaged: Path) -> "closing[sqlite3.Connection]":
    return closing(connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True))


def _readable(old: sqlite3.Connection, table: str, which: str = "") -> list[tuple[Any, ...]]:
    """Return the rows before the first damaged page, and those after the last, by the first columns."""
    which = which or _WHICH.get(table, "true")
    rows, is_whole = _until_damage(old, f"SELECT * FROM {table} WHERE {which} ORDER BY 1, 2")
    if not is_whole:
        rest, _ = _until_damage(old, f"SELECT * FROM {table} WHERE {which} ORDER BY 1 DESC, 2 DESC")
        rows += [row for row in reversed(rest) if row not in rows[-1:]]
    return rows


def _until_damage(old: sqlite3.Connection, question: str) -> tuple[list[tuple[Any, ...]], bool]:
    rows: list[tuple[Any, ...]] = []
    try:
        rows.extend(old.execute(question))
    except sqlite3.Error as error:
        log.warning("journal_unreadable", question=question, why=str(error), rows_before=len(rows))
        return rows, False
    return rows, True
