"""Small disks of a test's own: one in memory to fill up, one that fails as a worn card does. Needs root."""

import errno
import os
import shutil
import subprocess
from contextlib import contextmanager
from pathlib import Path

import pytest

needs_mount = pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk of its own")


class SmallDisk:
    """A tmpfs at `path`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._filler = path / "filler"

    def fill(self, leave_bytes: int = 0) -> None:
        """Fill the disk up, as some other program does; others may write meanwhile."""
        rest = b"\xff" * max(self._free() - leave_bytes, 0)
        with self._filler.open("wb", buffering=0) as filler:
            try:
                while rest:
                    rest = rest[filler.write(rest) :]
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    raise

    def make_room(self) -> None:
        self._filler.unlink(missing_ok=True)

    def _free(self) -> int:
        found = os.statvfs(self.path)
        return found.f_bavail * found.f_frsize


@contextmanager
def small_disk(path: Path, megabytes: int):
    """Mount a disk of so many megabytes at `path` for as long as the block lasts."""
    path.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(path)], check=True)
    try:
        yield SmallDisk(path)
    finally:
        subprocess.run(["umount", "-l", str(path)], check=True)


class FailingDisk:
    """An ext4 file system in a file, mounted with errors=remount-ro at `path`."""

    def __init__(self, folder: Path, megabytes: int) -> None:
        self.path = folder / "card"
        self._image = folder / "card.img"
        self.path.mkdir()
        with self._image.open("wb") as image:
            image.truncate(megabytes * 1_048_576)
        subprocess.run(["mkfs.ext4", "-q", str(self._image)], check=True)
        self.mount()

    def mount(self) -> None:
        command = ["mount", "-o", "loop,errors=remount-ro", str(self._image), str(self.path)]
        mounted = subprocess.run(command, capture_output=True, text=True, check=False)
        if mounted.returncode != 0:
            pytest.skip(f"no loop device to mount a disk on: {mounted.stderr.strip()}")

    def unmount(self) -> None:
        subprocess.run(["umount", str(self.path)], check=True)

    def device(self) -> str:
        """Return the name of the block device that the disk is."""
        found = subprocess.run(
            ["findmnt", "-no", "SOURCE", str(self.path)], capture_output=True, text=True, check=True
        )
        return Path(found.stdout.strip()).name

    def fail(self) -> None:
        """Make the kernel meet an error: from now on the disk is read-only, for open files too."""
        (Path("/sys/fs/ext4") / self.device() / "trigger_fs_error").write_text("1")

    def repair(self) -> None:
        """Check and repair the file system, as at the next start of the machine."""
        self.unmount()
        # 1: errors were found and corrected (fsck(8))
        assert subprocess.run(["fsck.ext4", "-p", str(self._image)], check=False).returncode in (0, 1)
        self.mount()


@contextmanager
def failing_disk(folder: Path, megabytes: int):
    """Give a disk that can fail; it is gone when the block ends."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("mkfs.ext4 is not installed (package e2fsprogs)")
    disk = FailingDisk(folder, megabytes)
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk.path)], check=True)
