"""What all files of SQLite's have in common here: damage is an error of SQLite's, and all or nothing."""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial, wraps
from typing import ParamSpec, TypeVar

LOCKED_AT_MOST_S, LOOKS_AGAIN_S = 10.0, 0.02
_P = ParamSpec("_P")
_Found = TypeVar("_Found")


def _telling_damage(ask: Callable[_P, _Found]) -> Callable[_P, _Found]:
    """Make damage of what Python says where a damaged schema, which SQLite's message quotes, is no text."""

    @wraps(ask)
    def asked(*args: _P.args, **kwargs: _P.kwargs) -> _Found:
        try:
            return ask(*args, **kwargs)
        except UnicodeDecodeError as error:
            damage = sqlite3.DatabaseError(f"malformed database schema ({error})")
            damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise damage from error

    return asked


def is_damage(error: Exception) -> bool:
    """Return whether SQLite says that the file itself is broken."""
    return error_code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def error_code(error: Exception) -> int:
    """Return SQLite's primary result code; 0 where an error is of another kind."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


class _Connection(sqlite3.Connection):
    execute = _telling_damage(sqlite3.Connection.execute)
    executescript = _telling_damage(sqlite3.Connection.executescript)


connect = partial(sqlite3.connect, factory=_Connection)
"""Open a file as sqlite3.connect does."""


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """Commit everything inside together, or nothing of it; the connection must be in autocommit mode."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def keep_log_ahead(db: sqlite3.Connection) -> None:
    """Write ahead into a log, so that readers keep no writer waiting; sqlite3.Error where it cannot be.

    Two that make one file at the same moment lock each other out; SQLite's own time-out is not for this.
    """
    until_s = time.monotonic() + LOCKED_AT_MOST_S
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until_s:
                raise
            time.sleep(LOOKS_AGAIN_S)
        else:
            return
