"""A damaged journal: set aside as it is, and what can be read of it saved into a new one.

All alarm history, actions, summaries and unsent messages are saved as far as they can be read, and
of the readings those that the engine needs to go on. The rest stays in the file that was set aside, until
somebody has a journal made of the whole of it.
"""

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np
import structlog
from numpy.typing import NDArray

from daemon.journal.asking import RequestBox
from daemon.journal.history import UNUSABLE, History
from daemon.journal.inputs import CONFIGURE, READING_ROW, Inputs
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
_NUMBERED = ("reading", "seq"), ("seal", "last_seq"), ("snapshot", "seq")
"""What says how far the readings go."""
_READING = (int, int, int, int, float)
_AT_ONCE = 10_000


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
    why = f"damaged ({reason}), set aside as {damaged.name}; older readings are in there"
    saved = save(damaged, path, why)
    journal = Journal(path, writable=True)
    RequestBox(path).put_first(_open_requests(damaged))
    log.error("journal_damaged", reason=reason, set_aside=str(damaged), saved=saved, goes_on_in=str(path))
    return journal


def replace_damaged(journal: Journal, reason: str) -> None:
    """Do what `begin_anew` does for a journal that is in use, which goes on with the new file."""
    journal.close()
    begin_anew(journal.path, reason).close()
    journal.reopen()


def save(damaged: Path, path: Path, why: str, *, whole: bool = False) -> dict[str, int]:
    """Make a new journal of what can be read of a damaged one; return how many rows of each table that is.

    Its numbers go on under another run id, because of `why`. `whole`: with all readings.
    """
    with suppress(OSError):
        _as_long_as_it_says(damaged)
    with closing(open_for_writing(path)) as new, _opened(damaged) as old, transaction(new):
        saved = _save(old, new)
        after = 0 if whole else min((row[0] for row in _readable(new, "snapshot")), default=0)
        state, place = State(new), Place()
        for rows in _readings(old, after, set(Inputs(new).sources())):
            Inputs(new).write_array(rows)
            place, before = Place(int(rows["seq"][-1])), place
            state.seal(before, place, rows.tobytes())
            saved["reading"] = saved.get("reading", 0) + rows.size
        end = Place(Inputs(new).last_seq(), History(new).last_event_number())
        state.seal(place, end)
        state.begin_run(end, why)
    return {table: count for table, count in saved.items() if count}


def _as_long_as_it_says(damaged: Path) -> None:
    """Put nothing in the place of pages that were cut off: else SQLite reads nothing of the file.

    Where its first page says how large a page is, and how many there are: SQLite's file format, 1.3.
    """
    with damaged.open("rb") as file:
        head = file.read(32)
    size = int.from_bytes(head[16:18], "big") * int.from_bytes(head[28:32], "big")
    if damaged.stat().st_size < size < 2**40:
        os.truncate(damaged, size)


def _readings(old: sqlite3.Connection, after: int, sources: set[int]) -> Iterator[NDArray[np.void]]:
    """Give the readings after a number that can be read; past what cannot, each try goes twice as far."""
    found = [_until_damage(old, f"SELECT max({seq}) FROM {table}")[0] for table, seq in _NUMBERED]
    upto, step = max((seq for rows in found for (seq,) in rows if type(seq) is int), default=0), 1
    while sources and after < upto:
        between = f"seq > {after} AND seq <= {upto} ORDER BY seq LIMIT {_AT_ONCE}"
        read, _ = _until_damage(old, f"SELECT * FROM reading WHERE {between}")
        sound = [row for row in read if tuple(map(type, row)) == _READING]
        highest = accumulate((row[0] for row in sound), max, initial=after)
        rising = [row for row, before in zip(sound, highest, strict=False) if row[0] > before]
        after, step = (rising[-1][0], 1) if rising else (after + step, step * 2)
        if known := [row for row in rising if row[2] in sources]:
            yield np.array(known, dtype=READING_ROW)


def _save(old: sqlite3.Connection, new: sqlite3.Connection) -> dict[str, int]:
    """Copy all but the readings that can be read, and return how many rows of each table that were."""
    new.execute("DELETE FROM mirror")
    tables = [table for (table,) in new.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    rows = {table: _readable(old, table) for table in tables if table not in _NOT_SAVED}
    notes = _readable(old, "meta")
    rows["source"] = [*_planned_sources(rows["action"]), *rows["source"]]
    if not rows["source"]:
        rows["snapshot"] = []  # which probe a number of a source stood for is not known any more
    saved = {table: _insert(new, table, found) for table, found in rows.items()}
    if rows["event"] or rows["snapshot"]:
        # Event numbers go on, so that the ids that people know stay unique under the same journal id.
        _insert(new, "meta", notes)
    new.execute("INSERT OR IGNORE INTO mirror VALUES (1, 0, 0, NULL, '')")
    return saved


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


def _readable(old: sqlite3.Connection, table: str) -> list[tuple[Any, ...]]:
    """Return the rows before the first damaged page, and those after the last, by the first columns."""
    asked = f"SELECT * FROM {table} WHERE {_WHICH.get(table, 'true')} ORDER BY"
    rows, is_whole = _until_damage(old, f"{asked} 1, 2")
    if not is_whole:
        rest, _ = _until_damage(old, f"{asked} 1 DESC, 2 DESC")
        rows += [row for row in reversed(rest) if row not in rows[-1:]]
    return rows


def _until_damage(old: sqlite3.Connection, question: str) -> tuple[list[tuple[Any, ...]], bool]:
    rows: list[tuple[Any, ...]] = []
    try:
        rows.extend(old.execute(question))
    except sqlite3.Error:
        return rows, False
    return rows, True
