"""The journal's file as another program finds it, also while the daemon is making or writing it."""

import sqlite3
from contextlib import closing
from pathlib import Path


def asked(path: Path, question: str, *values: object) -> list[tuple]:
    """The rows that answer a question; none where the file or its tables are not there yet."""
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=20)) as db:
            return db.execute(question, values).fetchall()
    except sqlite3.OperationalError as error:
        if "unable to open" in str(error) or "no such table" in str(error):
            return []
        raise


def readings_in(path: Path) -> int:
    """How many readings are committed."""
    return sum(count for (count,) in asked(path, "SELECT count(*) FROM reading"))


def waiting_in(path: Path) -> int:
    """How many messages nobody has confirmed yet."""
    return sum(count for (count,) in asked(path, "SELECT count(*) FROM outbox WHERE delivered_ms IS NULL"))
