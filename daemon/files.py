"""Files that a power cut leaves whole: the old one or the new one, and what was said to be written is."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO


@contextmanager
def replacing(path: Path, suffix: str) -> Iterator[TextIO]:
    """Give a file to write, and put it in the place of `path` once it is on the disk; OSError if not."""
    new = path.with_name(path.name + suffix)
    with new.open("w", encoding="utf-8", newline="") as file:
        yield file
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)


def sync(path: Path) -> None:
    """See a file, or what a folder lists, onto the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def identity(file: Path | str | int) -> tuple[int, int] | None:
    """Return what tells a file (or an open one) from another of its name; None where there is none."""
    try:
        found = os.stat(file)  # noqa: PTH116 - asked each second
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


def refused_as_by_sqlite(error: OSError) -> sqlite3.OperationalError:
    """Return what the disk refuses to a look as SQLite would say it: one trouble, whoever finds it first."""
    what = f"{error.filename}: " if error.filename else ""
    return sqlite3.OperationalError(f"{what}{error.strerror}")
