"""`bellwatch backup`: a copy of the journal in a folder, or all that `[backup]` of the settings asks for.

The latter is what a timer makes: journal, settings and passwords, on another disk. What came of it is noted
beside the journal, so that the watch tells of a failure, and of an age.
"""

import argparse
import os
import shutil
import tarfile
import time
import zlib
from contextlib import closing, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from daemon.commands.install.backup import backup, copies
from daemon.commands.options import add_journal, journal_path
from daemon.errors import JournalError, SettingsError
from daemon.files import sync
from daemon.journal.journal import Journal
from daemon.settings.draft import draft_of
from daemon.settings.file import read_values
from daemon.settings.rack import BackupSettings
from daemon.watch.backup_watch import LastBackup, last_backup, note_backup, unfit_folder

PACKED = "settings.tar.gz"
"""What the unit packs before, as root, in the folder of the state: not all of it is for us to read."""


def backup_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `backup`."""
    parser.add_argument(
        "folder", type=Path, nargs="?", help="where the copy goes (default: all that [backup] asks for)"
    )
    add_journal(parser)
    parser.add_argument("--keep", type=int, default=7, help="so many copies are kept (default: %(default)s)")
    parser.set_defaults(command=_backup)


def _backup(options: argparse.Namespace) -> int:
    if options.folder is None:
        print(daily_backup(options.settings))
        return 0
    path = options.journal or journal_path(options.settings)
    if options.keep < 1:
        raise JournalError(f"--keep {options.keep}: at least 1 copy must be kept")
    copy = backup(path, options.folder, datetime.now(UTC))
    _let_go(copies(path, options.folder), options.keep)
    print(copy)
    return 0


def _let_go(made: list[Path], keep: int) -> None:
    for old in made[:-keep]:
        old.unlink()


def daily_backup(file: Path) -> Path:
    """Make the backup that a settings file asks for and return the copy of the journal.

    JournalError where that cannot be; the reason is noted either way.
    """
    draft, faults = draft_of(read_values(file))  # what else is wrong there keeps nobody from a backup
    if own := [fault.finding for fault in faults if fault.keys[0] in ("backup", "journal")]:
        raise SettingsError(own)
    if draft.settings.backup is None:
        raise JournalError(f"{file}: there is no [backup]; name the folder that copies go to there")
    journal = draft.settings.journal.path
    try:
        copy = _backed_up(journal, draft.settings.backup)
    except (JournalError, OSError) as error:
        with suppress(OSError):
            note_backup(journal, replace(last_backup(journal), failed=str(error)))
        raise JournalError(f"backup: {error}") from error
    note_backup(journal, LastBackup(time.time_ns() // 1_000_000, copy.name))
    return copy


def _backed_up(journal: Path, asked: BackupSettings) -> Path:
    folder, now = asked.folder, datetime.now(UTC)
    if unfit := unfit_folder(journal, asked):
        raise JournalError(unfit)
    copy = backup(journal, folder, now)
    with closing(Journal(copy, writable=False)) as opened:
        finding = opened.finding()
    if finding:
        copy.unlink()
        raise JournalError(f"{copy}: {finding}")
    _keep_settings(Path(os.environ.get("STATE_DIRECTORY", journal.parent)), folder, now)
    _let_go(copies(journal, folder), asked.keep)
    _let_go(sorted(folder.glob("settings-????????T??????.tar.gz")), asked.keep)
    return copy


def _keep_settings(state: Path, folder: Path, now: datetime) -> None:
    """Copy what root has packed for us: settings, passwords, the broker's users; and open the copy."""
    packed, target = state / PACKED, folder / f"settings-{now:%Y%m%dT%H%M%S}.tar.gz"
    if not packed.exists():
        raise JournalError(f"{packed}: not there; `systemctl start bellwatch-backup` packs it first")
    part = Path(shutil.copy(packed, target.with_name(target.name + ".part")))  # with its mode, 0600
    try:
        with tarfile.open(part, "r:gz") as files:
            held = [it.name for it in files]  # to its end, by its checksum
    except (tarfile.TarError, EOFError, OSError, zlib.error) as error:
        part.unlink()
        raise JournalError(f"{packed}: {error}") from error
    if not held:
        raise JournalError(f"{packed}: nothing is in it")
    sync(part)
    part.replace(target)
    sync(folder)
