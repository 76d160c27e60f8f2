"""The real `bellwatch run` as a process of its own, on a settings file that a test writes."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.rigs.places import ROOT

PATIENCE_S = 30.0

SETTINGS = """\
[rack]
name = "bench"
time_zone = "Europe/Copenhagen"

[journal]
path = "{folder}/journal.sqlite"
commit_every_s = {commit_every_s}
{journal}

[broker]
host = "127.0.0.1"
port = {port}
heartbeat_s = 1

[buses.line]
kind = "modbus-rtu"
port = "{serial}"
baud = 115200
timeout_ms = 200
retries = 0

[vessels.k1]
kind = "kreisel"
stage = "bench"

[probes.k1-ct]
bus = "line"
vessel = "k1"
unit_id = 1
every_s = {every_s}
silent_after_s = {silent_after_s}
registers = [{{ quantity = "temperature", address = 0, type = "int16", scale = 0.01 }}]

[stages.bench.temperature]
advisory_low_c = 10
advisory_high_c = 20
critical_low_c = 5
critical_high_c = 25
deadband_c = 0.5
on_delay_s = 0.2
critical_on_delay_s = 0.1
off_delay_s = 0.2
[quality.temperature]
max_jump_c = "none"   # the water is changed at once

{more}
"""


def write_settings(
    folder: Path,
    serial: Path,
    port: int,
    commit_every_s=0.05,
    silent_after_s=1.0,
    every_s=0.05,
    journal="",
    more="",
    name="bellwatch.toml",
) -> Path:
    """Write the settings of a rack with one probe and quick alarms; return the file."""
    path = folder / name
    path.write_text(
        SETTINGS.format(
            folder=folder,
            serial=serial,
            port=port,
            commit_every_s=commit_every_s,
            silent_after_s=silent_after_s,
            every_s=every_s,
            journal=journal,
            more=more,
        )
    )
    return path


class DaemonRun:
    """Starts, kills and stops `bellwatch run`; its log is kept over all of its lives."""

    def __init__(self, settings: Path, as_user: Sequence[str] = ()) -> None:
        self._command = [*as_user, sys.executable, "-m", "daemon", "run", "--settings", str(settings)]
        self._log = settings.with_suffix(".log")
        self._process: subprocess.Popen[bytes] | None = None
        self.environment: dict[str, str] = {}

    @property
    def log(self) -> str:
        """Return everything that the daemon has said so far."""
        return self._log.read_text() if self._log.exists() else ""

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command, stdout=log, stderr=log, cwd=ROOT, env=os.environ | self.environment
            )

    def kill_after(self, seconds: float) -> None:
        """End the process as a power cut does, after a while that is part of the test's chance."""
        assert self._process is not None
        try:
            code = self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait(PATIENCE_S)
        else:
            raise AssertionError(f"the daemon ended by itself with {code}:\n{self.log[-3000:]}")

    def pause(self) -> None:
        """Let the process hang, holding what it holds."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def stop(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Ask the process to end, as a supervisor does, and return its exit status."""
        assert self._process is not None
        self._process.send_signal(how)
        return self._process.wait(PATIENCE_S)

    def wait_for_end(self) -> int:
        """Return the exit status of a process that must end by itself."""
        assert self._process is not None
        return self._process.wait(2 * PATIENCE_S)

    def wait_for(self, condition, what: str) -> None:
        """Return when `condition()` holds; fail with the daemon's log when it never does."""
        until = time.monotonic() + PATIENCE_S
        while not condition():
            assert self._process is not None
            assert self._process.poll() is None, (
                f"the daemon ended while waiting for {what}:\n{self.log[-3000:]}"
            )
            assert time.monotonic() < until, f"{what} never came:\n{self.log[-3000:]}"
            time.sleep(0.01)

    def end_by_force(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait(PATIENCE_S)


def chance(seed: int) -> random.Random:
    """Return the test's own source of chance, so that a failure can be repeated."""
    return random.Random(seed)
