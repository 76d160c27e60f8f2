"""Faults of the daily backup: its place, its room, its age, and the copy itself, by the real commands."""

import subprocess
import tarfile
from contextlib import contextmanager

from daemon.commands.install.backup import copies
from tests.faults.inject_doors import bellwatch, refused_line
from tests.faults.inject_rack import and_watches_on, only_root, told_of
from tests.faults.whole_rack import WholeRack
from tests.rigs.parts.small_disk import small_disk

DAY_S, OLD_AFTER_S = 24 * 3600.0, 50 * 3600.0
"""The shipped timer's day, and the age of a copy that the shipped settings tell of."""


@contextmanager
def backed_up(folder, target, more="same_disk = true"):
    """A whole rack that is stopped, and has made a backup in `target`."""
    with WholeRack(folder) as rack:
        rack.watch.stop()
        settings = rack.settings_file.read_text()
        rack.settings_file.write_text(f'{settings}\n[backup]\nfolder = "{target}"\n{more}\n')
        with tarfile.open(folder / "settings.tar.gz", "w:gz") as packed:
            packed.add(rack.settings_file, "bellwatch.toml")
        done, _ = _made(rack)
        assert done.returncode == 0, done.stderr
        yield rack


def _made(rack):
    return bellwatch("backup", "--settings", rack.settings_file)


def _told(rack, kind, words, after_s):
    """Start the watch; return what came of its word at the rack and for the next digest."""
    rack.mark()
    rack.begin_anew()
    came = rack.shown(lambda view: told_of(view, kind), 20.0)
    mentioned = rack.wait_until(lambda: rack.mentioned(kind), 10.0)
    said = [it.text for it in rack.view().said if it.kind == kind]
    wrong = "" if mentioned else "the on-call process does not know"
    if came.after_s is not None and not any(words in text for text in said):
        wrong = f"not why: {said}"
    return and_watches_on(rack, came._replace(after_s=came.after_s and came.after_s + after_s, wrong=wrong))


def _fails(rack, target, words):
    """Let the backup fail: it says why, the copy that was made is left, and the watch tells of it."""
    kept = copies(rack.journal, target) if target.exists() else []
    done, _ = _made(rack)
    came = _told(rack, "backup failed", words, DAY_S)
    sound = done.returncode != 0 and words in done.stderr and "Traceback" not in done.stderr
    left = copies(rack.journal, target) == kept if target.exists() else True
    wrong = "" if sound else f"it says {done.stderr[-200:]}"
    return came._replace(wrong=came.wrong or wrong or ("" if left else "an older copy is gone"))


def disk_backup_gone(folder):
    """The stick is pulled: its folder is not there."""
    target = folder / "stick"
    target.mkdir()
    with backed_up(folder, target) as rack:
        target.rename(folder / "pulled")
        return _fails(rack, target, "is the card, stick or share mounted?")


def disk_backup_full(folder):
    only_root()
    with small_disk(folder / "stick", 8) as disk, backed_up(folder, disk.path, "") as rack:
        disk.fill(4_096)
        return _fails(rack, disk.path, "full")


def disk_backup_read_only(folder):
    only_root()
    with small_disk(folder / "stick", 8) as disk, backed_up(folder, disk.path, "") as rack:
        subprocess.run(["mount", "-o", "remount,ro", str(disk.path)], check=True)
        return _fails(rack, disk.path, "no right to write there")


def disk_backup_too_old(folder):
    """The timer was switched off after the first copy; a moment here stands for the shipped 50 h."""
    target = folder / "stick"
    target.mkdir()
    with backed_up(folder, target, "same_disk = true\nold_after_h = 0.00001") as rack:
        return _told(rack, "backup old", "h old", OLD_AFTER_S)


def disk_backup_torn(folder):
    """The copy on the stick is torn, and somebody puts it back."""
    target = folder / "stick"
    target.mkdir()
    with backed_up(folder, target) as rack:
        (copy,) = copies(rack.journal, target)
        raw = bytearray(copy.read_bytes())
        raw[4096 * 3 : 4096 * 6] = b"\x13" * (4096 * 3)
        copy.write_bytes(raw)
        before, said = rack.readings(), bellwatch("restore", copy, "--journal", rack.journal)
        came = refused_line(*said, "another copy|damage|malformed")
        rack.mark()
        rack.begin_anew()
        kept = "" if rack.readings() >= before else "what lay there is gone"
        return and_watches_on(rack, came._replace(wrong=came.wrong or kept))
