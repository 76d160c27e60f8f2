"""A process that is killed, and what it leaves running."""

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import ROOT

WORKER = b"spawn_main"
GONE_WITHIN_S = 15


def left_by(folder, *command, workers=2):
    """Start a command, kill it by SIGKILL once it has so many workers; return what lives on of it then."""
    folder.mkdir()
    known = os.environ | {"PYTHONPATH": str(ROOT), "TMPDIR": str(folder)}
    killed = subprocess.Popen([sys.executable, *command], env=known, stdout=subprocess.DEVNULL)
    try:
        wait_for(lambda: killed.poll() is not None or working(folder) >= workers, 60)
        assert killed.poll() is None, "it ended by itself, so nothing was seen"
        killed.kill()
        killed.wait(GONE_WITHIN_S)
        with contextlib.suppress(AssertionError):
            wait_for(lambda: not marked(folder), GONE_WITHIN_S)
        return sorted(marked(folder).values())
    finally:
        killed.kill()
        killed.wait(GONE_WITHIN_S)
        for pid in marked(folder):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


def working(folder):
    return sum(WORKER in said for said in marked(folder).values())


def marked(folder):
    """Give what is running under this folder of temporary files, by process, whoever its parent is now."""
    mark = f"TMPDIR={folder}".encode()
    found = {}
    for process in Path("/proc").iterdir():
        with contextlib.suppress(OSError):
            if process.name.isdecimal() and mark in (process / "environ").read_bytes().split(b"\0"):
                found[int(process.name)] = (process / "cmdline").read_bytes()
    return found
