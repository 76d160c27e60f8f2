"""A copy of the journal as it stands, while the daemon goes on writing; and its way back.

The copy is made in one read transaction (VACUUM INTO), so it is consistent, compact, and no commit of
the daemon waits for it. It is checked before it counts as one, and the oldest copies are let go.
`bellwatch restore` puts one in place while no daemon runs. Numbers are given out under a new run id from
then on, since those after the copy were given out once; the journal that lay there stays beside it.
"""

import argparse
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from daemon.commands.engineer.progress import shown
from daemon.commands.options import add_journal, journal_path
from daemon.errors import JournalError
from daemon.files import sync
from daemon.journal.damage import set_aside
from daemon.journal.journal import Journal
from daemon.journal.sole_writer import SoleWriter

_LOOK_EVERY_S = 0.2


def backup(path: Path, folder: Path, now: datetime) -> Path:
    """Copy the journal at `path` into `folder` and return the copy; JournalError where that cannot be."""
    target = folder / f"{path.stem}-{now:%Y%m%dT%H%M%S}.sqlite"
    part = target.with_name(target.name + ".part")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        with closing(Journal(path, writable=False)) as journal, _progress(path, part):
            journal.copy_compactly_to(part)
        sync(part)
        part.replace(target)
        sync(folder)
    except (OSError, sqlite3.Error) as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise JournalError(
            f"backup of {path} to {folder}: {error}; the journal itself is untouched"
        ) from error
    return target


def restore_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `restore`."""
    parser.add_argument("file", type=Path, help="the copy that `bellwatch backup` made")
    add_journal(parser)
    parser.set_defaults(command=_restore)


def _restore(options: argparse.Namespace) -> int:
    path = options.journal or journal_path(options.settings)
    aside = restore(options.file, path, datetime.now(UTC))
    print(f"{path}: as in {options.file}" + (f"; what lay there is {aside} now" if aside else ""))
    return 0


def restore(file: Path, path: Path, now: datetime) -> Path | None:
    """Put a copy in the place of the journal at `path`; return where that one is now, None where none was.

    JournalError where a daemon runs or the copy is not sound; then nothing has changed.
    """
    writer = SoleWriter(path)
    fresh = path.with_name(path.name + ".restored")
    try:
        if not file.is_file():
            raise JournalError(f"{file}: no such file; name a copy that `bellwatch backup` made")
        shutil.copyfile(file, fresh)
        with closing(Journal(fresh, writable=True)) as copy:
            if finding := copy.finding():
                raise JournalError(f"{file}: {finding}; take another copy")
            copy.begin_run(f"restored from {file.name}")
        sync(fresh)
        aside = set_aside(path, now, "before-restore") if path.exists() else None
        fresh.rename(path)
        sync(path.parent)
    except (OSError, sqlite3.Error) as error:
        raise JournalError(f"restore of {file} to {path}: {error}; what lies there is as it was") from error
    finally:
        fresh.unlink(missing_ok=True)
        writer.release()
    return aside


def copies(path: Path, folder: Path) -> list[Path]:
    """Return the copies of a journal in a folder, oldest first."""
    return sorted(folder.glob(f"{path.stem}-????????T??????.sqlite"))


@contextmanager
def _progress(path: Path, part: Path) -> Iterator[None]:
    """Show how far a copy has come, by the size of the file, while the block makes it."""
    over = threading.Event()
    with shown("backup", max(path.stat().st_size, 1)) as show:

        def watch() -> None:
            while not over.wait(_LOOK_EVERY_S):
                if part.exists():
                    show(part.stat().st_size)

        thread = threading.Thread(target=watch, name="backup-progress")
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()
