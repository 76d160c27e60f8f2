"""Files that a power cut leaves whole: the old one or the new one, and what was said to be written is."""

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TextIO

from daemon.errors import SourceError


@contextmanager
def replacing(path: Path, suffix: str) -> Iterator[TextIO]:
    """Give a file to write, and put it in the place of `path` once it is on the disk; OSError if not."""
    new = path.with_name(path.name + suffix)
    with new.open("w", encoding="utf-8", newline="") as file:
        yield file
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)


@contextmanager
def made_whole(target: Path) -> Iterator[Path]:
    """Give a path to write a new file or folder at, and name it `target` once all of it is there.

    What was cut short there before is let go of. SourceError where another process is at it, or the disk
    will not have it.
    """
    work = target.with_name(target.name + ".part")
    try:
        with ExitStack() as afterwards:
            work.mkdir(exist_ok=True)
            afterwards.callback(os.close, held := os.open(work, os.O_RDONLY))
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            afterwards.callback(shutil.rmtree, work)
            for left in work.iterdir():
                shutil.rmtree(left) if left.is_dir() else left.unlink()
            yield work / target.name
            (work / target.name).rename(target)
    except BlockingIOError:
        raise SourceError(f"{target}: another process is making it; wait for that one") from None
    except OSError as error:
        why = error.strerror or error
        raise SourceError(f"{target}: {why}; its folder must be writable and have room") from error


def sync(path: Path) -> None:
    """See a file, or what a folder lists, onto the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def identity(file: Path | int) -> tuple[int, int] | None:
    """Return what tells a file (or an open one) from another of its name; None where there is none."""
    try:
        found = os.fstat(file) if isinstance(file, int) else file.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino
