"""All or nothing: what the journal and the on-call state have in common."""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager

LOCKED_AT_MOST_S, LOOKS_AGAIN_S = 10.0, 0.02


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
