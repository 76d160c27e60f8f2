"""All or nothing: what the journal and the on-call state have in common."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager


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
