"""A new file or folder that a command makes: whole or not at all, and by one process at a time."""

import fcntl
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from daemon.errors import SourceError


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
    except (OSError, sqlite3.OperationalError) as error:
        why = getattr(error, "strerror", None) or error
        raise SourceError(f"{target}: {why}; its folder must be writable and have room") from error
