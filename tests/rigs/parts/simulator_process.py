"""A simulator command as a process of its own, its lines read as they come."""

import json
import queue
import subprocess
import sys
import threading
import time

from tests.rigs.places import ROOT

PATIENCE_S = 20.0


def wait_for(condition, seconds=PATIENCE_S):
    """Return when the condition holds; fail when it never does."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "waited too long"
        time.sleep(0.005)


class SimulatorProcess:
    """`python -m MODULE ARGUMENTS` with stdin held open; ended by closing it at the latest."""

    def __init__(self, module, *arguments):
        self._command = [sys.executable, "-m", module, *map(str, arguments)]
        self._lines = queue.Queue()

    def __enter__(self):
        pipe = subprocess.PIPE
        self.process = subprocess.Popen(
            self._command, cwd=ROOT, stdin=pipe, stdout=pipe, stderr=pipe, text=True
        )
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        return self

    def __exit__(self, *error):
        self.end_input()
        try:
            self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise
        finally:
            self._reader.join()
            self.process.stdout.close()
            self.process.stderr.close()

    def line(self):
        """The next line of stdout as an object."""
        return json.loads(self._lines.get(timeout=PATIENCE_S))

    def end_input(self):
        """Bring stdin to its end."""
        self.process.stdin.close()

    def finish(self):
        """Wait for the end: exit code and what stands on stderr."""
        return self.process.wait(PATIENCE_S), self.process.stderr.read()

    def _read(self):
        for line in self.process.stdout:
            self._lines.put(line)
