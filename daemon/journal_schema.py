"""The journal's tables, and how its file is opened.

One file holds everything that a decision may rest on (readings and actions, numbered together in
the order of their arrival) and everything that came of it (flags, events, messages to send).
"""

import sqlite3
from pathlib import Path

from daemon.errors import JournalError

SCHEMA_VERSION = 1

_TABLES = """
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


def open_for_writing(path: Path) -> sqlite3.Connection:
    """Open the journal, making it where there is none; raise JournalError where that cannot be.

    WAL with synchronous=FULL: a committed reading survives a power cut.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, isolation_level=None, timeout=10)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        _prepare(connection, path)
    except (OSError, sqlite3.Error) as error:
        raise JournalError(
            f"journal {path}: {error}; its folder must exist and be writable by this user"
        ) from error
    return connection


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open a journal that another process may be writing, without changing it."""
    if not path.exists():
        raise JournalError(f"journal {path}: no such file; `bellwatch run` makes it, or name another")
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=10)
        _refuse_other_version(connection, path)
    except sqlite3.Error as error:
        raise JournalError(f"journal {path}: {error}") from error
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("BEGIN IMMEDIATE")
    if connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        for statement in _TABLES.split(";\n"):
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    connection.execute("COMMIT")
    _refuse_other_version(connection, path)


def _refuse_other_version(connection: sqlite3.Connection, path: Path) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version != SCHEMA_VERSION:
        raise JournalError(f"journal {path}: layout {version}; this bellwatch reads layout {SCHEMA_VERSION}")
