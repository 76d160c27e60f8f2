"""The journal's file as another program finds it, also while the daemon is making or writing it."""

import sqlite3
from contextlib import closing
from pathlib import Path

from daemon.journal.schema import PAGE_BYTES


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


def pages_of_readings(path: Path) -> list[int]:
    """Which pages hold readings, from the last to the first; those above them in the tree are among them."""
    with sqlite3.connect(path) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'reading'").fetchone()
    db.close()
    content = path.read_bytes()
    pages = [content[at : at + PAGE_BYTES] for at in range(0, len(content), PAGE_BYTES)]
    found, waiting = [], [root]
    while waiting:
        number = waiting.pop()
        found.append(number)
        page = pages[number - 1]
        if page[0] == 5:  # an interior page of a table, by SQLite's file format 1.6
            count, right = int.from_bytes(page[3:5], "big"), int.from_bytes(page[8:12], "big")
            cells = [int.from_bytes(page[12 + 2 * it : 14 + 2 * it], "big") for it in range(count)]
            waiting += [right, *(int.from_bytes(page[cell : cell + 4], "big") for cell in cells)]
    return found
