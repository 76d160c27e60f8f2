"""The journal's tables, and how its file is opened.

One file holds everything that a decision may rest on (readings and actions, numbered together in
the order of their arrival) and everything that came of it (flags, events, messages to send).
"""

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

from daemon.errors import DamagedJournalError, JournalError
from daemon.journal.asking import RequestBox
from daemon.journal.history import History, entry_of
from daemon.journal.inputs import Inputs
from daemon.transaction import connect, error_code, is_damage

SCHEMA_VERSION = 3

_FIRST_TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE source (
    id INTEGER PRIMARY KEY,
    probe TEXT NOT NULL,
    quantity TEXT NOT NULL,
    vessel TEXT NOT NULL,
    UNIQUE (probe, quantity, vessel)
) STRICT;
-- value: as the probe gave it, in the quantity's unit; measured at at_ms - lag_ms
CREATE TABLE reading (
    seq INTEGER PRIMARY KEY,
    at_ms INTEGER NOT NULL,
    source INTEGER NOT NULL REFERENCES source (id),
    lag_ms INTEGER NOT NULL,
    value REAL NOT NULL
) STRICT;
-- what people did, and changes of the plan (kind 'configure'); seq is shared with reading
CREATE TABLE action (
    seq INTEGER PRIMARY KEY,
    at_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    who TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
-- only flags worse than pass (3 suspect, 4 fail, 9 missing)
CREATE TABLE flag (
    seq INTEGER NOT NULL,
    channel TEXT NOT NULL,
    summary INTEGER NOT NULL,
    tests INTEGER NOT NULL,
    PRIMARY KEY (seq, channel)
) STRICT, WITHOUT ROWID;
CREATE TABLE event (
    number INTEGER PRIMARY KEY,
    at_ms INTEGER NOT NULL,
    alarm TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    topic TEXT NOT NULL,
    payload TEXT NOT NULL,
    retain INTEGER NOT NULL,
    delivered_ms INTEGER,
    refusal TEXT
) STRICT;
CREATE INDEX outbox_waiting ON outbox (id) WHERE delivered_ms IS NULL;
-- what other processes ask of the daemon, and its answer
CREATE TABLE request (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    who TEXT NOT NULL,
    body TEXT NOT NULL,
    answered_ms INTEGER,
    refusal TEXT
) STRICT;
CREATE TABLE snapshot (
    seq INTEGER PRIMARY KEY,
    state TEXT NOT NULL
) STRICT;
"""

_STEPS = {
    1: """
-- utc = at_ms + ahead_ms, for every at_ms from from_ms on (see daemon/journal/dating.py)
CREATE TABLE dating (
    from_ms INTEGER PRIMARY KEY, ahead_ms INTEGER NOT NULL, synchronised INTEGER NOT NULL
) STRICT;
-- what is kept of readings that are too old to keep: per source and hour (UTC); failed ones only counted
CREATE TABLE hourly (
    source INTEGER NOT NULL REFERENCES source (id), hour_ms INTEGER NOT NULL, readings INTEGER NOT NULL,
    failed INTEGER NOT NULL, total REAL NOT NULL, lowest REAL, highest REAL, PRIMARY KEY (source, hour_ms)
) STRICT, WITHOUT ROWID;
-- how far the mirror has come: the newest reading and event that the server has taken
CREATE TABLE mirror (
    one INTEGER PRIMARY KEY CHECK (one = 1), reading INTEGER NOT NULL, event INTEGER NOT NULL,
    taken_ms INTEGER, trouble TEXT NOT NULL
) STRICT;
INSERT INTO mirror VALUES (1, 0, 0, NULL, '');
-- what is worth knowing but no alarm; the id tells a repeat
CREATE TABLE notice (id TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT, WITHOUT ROWID;
-- commands through the broker by their id, so that a repeat does nothing
CREATE TABLE command (
    id TEXT PRIMARY KEY, request INTEGER NOT NULL, at_ms INTEGER NOT NULL, kind TEXT NOT NULL,
    who TEXT NOT NULL, body TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE mirror_refused (
    id INTEGER PRIMARY KEY, line TEXT NOT NULL, reason TEXT NOT NULL, at_ms INTEGER NOT NULL
) STRICT;
""",
    2: """
-- requests that became actions, by their id, with the answer, so that none is done twice
CREATE TABLE taken (id TEXT PRIMARY KEY, seq INTEGER NOT NULL, refusal TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT OR IGNORE INTO taken
    SELECT ifnull(c.id, ifnull((SELECT value FROM meta WHERE key = 'id'), '') || '-' || r.id),
    a.seq, r.refusal
    FROM request r LEFT JOIN command c ON c.request = r.id
    JOIN action a ON (a.at_ms, a.kind, a.who, a.body) = (r.answered_ms, r.kind, r.who, r.body);
DROP TABLE request;
DROP TABLE command;
-- what people wrote down, by kind; seq is that of the action it came with, corrects that of an earlier entry
CREATE TABLE entry (
    seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, at_ms INTEGER NOT NULL, who TEXT NOT NULL,
    vessel TEXT NOT NULL, corrects INTEGER, body TEXT NOT NULL
) STRICT;
CREATE INDEX entry_by_kind ON entry (kind);
-- under which id numbers were given out, from which on; see daemon/journal/state.py
CREATE TABLE run (
    number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, first_seq INTEGER NOT NULL,
    first_event INTEGER NOT NULL, reason TEXT NOT NULL
) STRICT;
-- checksums over each commit: its readings (NULL once they are gone), and its actions and events
CREATE TABLE seal (
    first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, first_event INTEGER NOT NULL,
    last_event INTEGER NOT NULL, readings INTEGER, rest INTEGER, PRIMARY KEY (last_seq, last_event)
) STRICT, WITHOUT ROWID;
""",
}
"""The step from each layout to the next."""

OPEN_REQUESTS = """
SELECT ifnull(c.id, ifnull((SELECT value FROM meta WHERE key = 'id'), '') || '-' || r.id),
    r.kind, r.who, r.body
FROM request r LEFT JOIN command c ON c.request = r.id WHERE r.answered_ms IS NULL ORDER BY r.id
"""
"""What a journal of the second layout was asked and had not answered yet: id, kind, who, body."""

WAL_BYTES_KEPT = 1_048_576
"""Until the log has grown to that, each commit also writes how long it is now, as much again. With 4 MB that
took a rack the first five hours of each start; a shorter log is folded into the file more often: from then on
a few per cent more (counted at a block device)."""
PAGE_BYTES = 512
"""Of a new file, an eighth of SQLite's own: a commit writes whole pages, and half of those that it touches
hold little that is new. With 1024 a tenth to a third more goes to the card (counted at a block device). To
read all readings takes as long, a search of SQLite's own through them a tenth longer, its check a fifth."""
_FRAME_HEADER_BYTES = 24
SAVED_BY = (
    "a watch sets it aside as it starts, or within a day; `bellwatch import FILE NEW` saves what can be read"
)
"""What may be done about a journal that is damaged."""


def open_for_writing(path: Path) -> sqlite3.Connection:
    """Open the journal, making it where there is none; raise JournalError where that cannot be.

    WAL with synchronous=FULL: what is committed survives a power cut. Pages that retention frees
    can be given back to the disk a few at a time (incremental vacuum), in files made by this layout.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _refuse_folder(path)
        if path.exists():  # the bytes of a journal that we cannot read stay
            layout_of(path)
        with ExitStack() as unless_sound:
            db = unless_sound.enter_context(closing(connect(path, isolation_level=None, timeout=10)))
            db.executescript(
                f"PRAGMA page_size = {PAGE_BYTES}; PRAGMA auto_vacuum = INCREMENTAL;"
                "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                f"PRAGMA journal_size_limit = {WAL_BYTES_KEPT}; PRAGMA foreign_keys = ON"
            )
            (page_bytes,) = db.execute("PRAGMA page_size").fetchone()  # an older file keeps its own
            frames = WAL_BYTES_KEPT // (page_bytes + _FRAME_HEADER_BYTES)
            db.execute(f"PRAGMA wal_autocheckpoint = {frames}").fetchall()
            db.text_factory = _text
            _prepare(db, path)
            unless_sound.pop_all()
    except (OSError, sqlite3.Error) as error:
        if is_damage(error):
            raise DamagedJournalError(f"journal {path}: {error}") from error
        raise JournalError(
            f"journal {path}: {error}; its folder must exist, be writable by this user and have room"
        ) from error
    return db


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open a journal that another process may be writing, without changing it."""
    try:
        if not path.exists():
            raise JournalError(f"journal {path}: no such file; `bellwatch run` makes it, or name another")
        _refuse_folder(path)
        with ExitStack() as unless_sound:
            address = f"{path.absolute().as_uri()}?mode=ro"
            db = unless_sound.enter_context(closing(connect(address, uri=True, timeout=10)))
            db.text_factory = _text
            _refuse_other_version(db, path)
            unless_sound.pop_all()
    except OSError as error:
        raise JournalError(f"journal {path}: {error.strerror}; this user must be able to read it") from error
    except sqlite3.Error as error:
        raise unreadable(path, error) from error
    return db


def unreadable(path: Path, error: sqlite3.Error) -> JournalError:
    """Return what to say of a journal that cannot be read, and what may be done."""
    if is_damage(error):
        return DamagedJournalError(f"journal {path}: {error}; {SAVED_BY}")
    table_gone = error_code(error) == sqlite3.SQLITE_ERROR
    then = SAVED_BY if table_gone else "look again in a moment"
    return JournalError(f"journal {path}: {error}; {then}")


@contextmanager
def readable(path: Path) -> Iterator[None]:
    """Make a JournalError of what SQLite says of a journal that cannot be read."""
    try:
        yield
    except sqlite3.Error as error:
        raise unreadable(path, error) from error


def _refuse_folder(path: Path) -> None:
    """SQLite would call it an error of the disk."""
    if path.is_dir():
        raise JournalError(f"journal {path}: a folder lies there; put it elsewhere, or name a file in it")


def copy_as_it_is(path: Path, target: Path) -> None:
    """Copy a journal of whatever layout, also one that is being written to; sqlite3.Error as it comes."""
    address = f"{path.absolute().as_uri()}?mode=ro"
    with closing(connect(address, uri=True)) as db, closing(sqlite3.connect(target)) as copy:
        db.backup(copy)


def layout_of(path: Path) -> int:
    """Return the layout of a journal, writing nothing; JournalError where it is newer than ours."""
    with closing(connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=10)) as db:
        if (version := _version(db)) > SCHEMA_VERSION:
            _refuse_other_version(db, path)
    return version


def _text(stored: bytes) -> str:
    """Read text also where a bit has flipped in it: who reads it says whether it still makes sense."""
    return stored.decode(errors="replace")


def finding_of(db: sqlite3.Connection) -> str:
    """Read the whole file; return what is wrong with it in one line, empty where nothing is."""
    (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
    return "" if verdict == "ok" else " ".join(str(verdict).split())


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a new file, and bring an older layout up to this one, all or nothing."""
    if _version(db) == SCHEMA_VERSION:
        return
    db.execute("BEGIN IMMEDIATE")
    if db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        _run(db, _FIRST_TABLES)
        db.execute("PRAGMA user_version = 1")
    while (version := _version(db)) in _STEPS:
        waiting = db.execute(OPEN_REQUESTS).fetchall() if version == 2 else []
        _run(db, _STEPS[version])
        if version == 2:
            _write_entries(db)
            # Before the commit, under ids that stay: what is cut short is done again and adds nothing.
            RequestBox(path).put_first(waiting)
        db.execute(f"PRAGMA user_version = {version + 1}")
    db.execute("COMMIT")
    _refuse_other_version(db, path)


def _run(db: sqlite3.Connection, script: str) -> None:
    for statement in script.split(";\n"):
        db.execute(statement)


def _write_entries(db: sqlite3.Connection) -> None:
    """Write an entry for everything in the actions that is one and was not refused."""
    inputs, history = Inputs(db), History(db)
    refused = {seq for (seq,) in db.execute("SELECT seq FROM taken WHERE refusal <> ''")}
    for seq, action in inputs.numbered_actions():
        entry = entry_of(seq, action)
        if entry is not None and seq not in refused:
            history.keep_entry(entry)


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def _refuse_other_version(db: sqlite3.Connection, path: Path) -> None:
    version = _version(db)
    older = f"; the next `bellwatch run` brings it up to {SCHEMA_VERSION}"
    newer = f", of a newer bellwatch; this one reads {SCHEMA_VERSION}"
    if version != SCHEMA_VERSION:
        raise JournalError(f"journal {path}: layout {version}{older if version < SCHEMA_VERSION else newer}")
