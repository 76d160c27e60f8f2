"""Logging: JSON, a line an event, where nobody watches; readable on a terminal."""

import json
import os
import pty
import subprocess
import sys
from datetime import datetime

from tests.rigs.daemon_run import PATIENCE_S, ROOT

SAYS = """
import structlog
from daemon.logs import set_up_logs
set_up_logs()
log = structlog.get_logger()
log.debug("unheard")
log.info("watching", rack="north rack", temperature="18.0 °C")
try:
    raise ValueError("a bus thread died")
except ValueError:
    log.exception("crash")
"""


def test_without_a_terminal_each_line_is_one_json_object():
    done = subprocess.run(
        [sys.executable, "-c", SAYS], cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=True
    )
    assert done.stdout == "", "the log goes to standard error alone"
    watching, crash = map(json.loads, done.stderr.splitlines())
    assert (watching["event"], watching["level"]) == ("watching", "info")
    assert (watching["rack"], watching["temperature"]) == ("north rack", "18.0 °C")
    assert "°C" in done.stderr
    assert datetime.fromisoformat(watching["timestamp"]).utcoffset().total_seconds() == 0
    assert crash["level"] == "error"
    assert crash["exception"][0]["exc_value"] == "a bus thread died"


def test_on_a_terminal_people_can_read_it():
    terminal, end = pty.openpty()
    subprocess.run(
        [sys.executable, "-c", SAYS], cwd=ROOT, stdin=end, stdout=end, stderr=end, timeout=PATIENCE_S,
        check=True,
    )  # fmt: skip
    os.close(end)
    said = b""
    try:
        while chunk := os.read(terminal, 65_536):
            said += chunk
    except OSError:  # Linux says EIO when the other end is closed
        pass
    os.close(terminal)
    text = said.decode()
    assert "watching" in text
    assert "north rack" in text
    assert "ValueError: a bus thread died" in text
    assert "unheard" not in text
    assert not text.startswith("{")
