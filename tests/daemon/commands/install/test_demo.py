"""`bellwatch demo`: the whole night ends well, Ctrl-C at any moment ends cleanly, nothing is left behind."""

import contextlib
import json
import os
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from rich.console import Console

from daemon.broker.connection import Connection
from daemon.broker.link import BrokerLink
from daemon.broker.messages import watch_message
from daemon.clock import SteadyClock
from daemon.commands.install.demo import INTERRUPTED, Story, _settings, _take_event
from daemon.commands.install.demo_broker import demo_broker
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.settings.rack import BrokerSettings
from daemon.words import SHAPES
from rules.calling.records import Voice
from tests.rigs.daemon_run import ROOT
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.parts.subscriber import Subscriber, retained_at

WHOLE_WITH_EMBEDDED = "BELLWATCH_TEST_EMBEDDED_NIGHT" in os.environ
NIGHT_ENDS_WITHIN_S = 180
ENDS_WITHIN_S = 20

WITHOUT_MOSQUITTO = """
import shutil, sys
found = shutil.which
shutil.which = lambda name, *rest, **keys: None if name == "mosquitto" else found(name, *rest, **keys)
from daemon.commands.cli import main
sys.exit(main(["demo"]))
"""
"""Hides the installed mosquitto, as on a machine that has none."""


class Demo:
    """A demonstration as a process that has a folder for temporary files to itself."""

    def __init__(self, folder, command=("-m", "daemon", "demo")):
        self.folder = folder
        environment = os.environ | {"TMPDIR": str(folder), "PYTHONUNBUFFERED": "1", "NO_COLOR": "1"}
        self._lines = []
        self.process = subprocess.Popen(
            [sys.executable, *command], cwd=ROOT, env=environment, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self):
        for line in self.process.stdout:
            self._lines.append(line)

    @property
    def output(self):
        return "".join(self._lines)

    def wait_for(self, text, seconds=60):
        def came():
            assert self.process.poll() is None or text in self.output, f"ended early:\n{self.output}"
            return text in self.output

        wait_for(came, seconds)

    def children(self):
        """The processes that belong to it, whoever their parent is now: all carry its temporary folder."""
        mark = f"TMPDIR={self.folder}".encode()
        found = []
        for process in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                if process.name.isdecimal() and mark in (process / "environ").read_bytes().split(b"\0"):
                    found.append(int(process.name))
        return [pid for pid in found if pid != self.process.pid]

    def finish(self, seconds):
        """The exit status; asserts that nothing is left running or lying about."""
        try:
            status = self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            self.end_by_force()
            raise AssertionError(f"it does not end:\n{self.output}") from None
        self._close()
        assert self.children() == []
        assert list(self.folder.iterdir()) == []
        return status

    def end_by_force(self):
        self.process.kill()
        for pid in self.children():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.wait(ENDS_WITHIN_S)
        self._close()

    def _close(self):
        self._reader.join(ENDS_WITHIN_S)
        self.process.stdout.close()


@contextlib.contextmanager
def demo(folder, *command):
    running = Demo(folder, *command)
    try:
        yield running
    finally:
        running.end_by_force()


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """The one whole night, under way while the other tests of this file run."""
    with demo(tmp_path_factory.mktemp("night")) as running:
        yield running


@pytest.mark.usefixtures("night")
@pytest.mark.parametrize(
    ("moment", "numbers"),
    [
        ("while it sets itself up", [signal.SIGINT]),
        ("Simulated probes on pseudo-terminals", [signal.SIGINT, signal.SIGINT, signal.SIGINT]),
        ("Simulated probes on pseudo-terminals", [signal.SIGTERM]),
    ],
)
def test_ctrl_c_ends_it_cleanly(tmp_path, moment, numbers):
    with demo(tmp_path) as running:
        if moment == "while it sets itself up":
            wait_for(lambda: list(tmp_path.iterdir()))
        else:
            running.wait_for(moment)
        for number in numbers:
            running.process.send_signal(number)
        assert running.finish(ENDS_WITHIN_S) == INTERRUPTED
    assert "Interrupted; everything that the demonstration started has been ended." in running.output
    assert "Traceback" not in running.output


@pytest.mark.usefixtures("night")
def test_without_mosquitto_it_has_a_broker_of_its_own(tmp_path):
    with demo(tmp_path, ("-c", WITHOUT_MOSQUITTO)) as running:
        running.wait_for("on the embedded broker at port")
        if WHOLE_WITH_EMBEDDED:
            assert running.finish(NIGHT_ENDS_WITHIN_S) == 0, running.output
            assert_a_good_night(running.output)
            return
        port = int(re.search(r"embedded broker at port (\d+)", running.output).group(1))
        with Subscriber(port, "+/+/heartbeat") as screen:
            screen.wait_for(
                lambda heard: len({json.loads(it.payload)["inputs"] for it in heard}) > 2,
                "a watch that takes readings in, and says so",
            )
        running.process.send_signal(signal.SIGINT)
        assert running.finish(ENDS_WITHIN_S) == INTERRUPTED


@pytest.mark.usefixtures("night")
def test_the_embedded_broker_delivers_confirms_and_retains(tmp_path, monkeypatch):
    found = shutil.which
    monkeypatch.setattr(
        shutil, "which", lambda name, **keys: None if name == "mosquitto" else found(name, **keys)
    )
    journal = Journal(tmp_path / "journal.sqlite", writable=True)
    with demo_broker(tmp_path) as (name, port), Subscriber(port, "b/rack/#") as screen:
        assert name == "the embedded broker"
        settings = BrokerSettings(host="127.0.0.1", port=port)
        connection = Connection(
            settings, "messages wait", lambda state: watch_message("b/rack", state, 0, Voice())
        )
        clock = SteadyClock()
        link = BrokerLink(connection, "b/rack", settings.heartbeat_s, clock, clock, Voice)
        connection.start()
        messages = [Message("b/rack/event", str(n), False) for n in range(50)]
        with journal.transaction():
            journal.outbox.put([*messages, Message("b/rack/alarm/k1", "stands", True)])
        wait_for(lambda: link.deliver(journal) or journal.outbox.counts() == (0, 0))
        screen.wait_for_topic("b/rack/alarm/k1")
        assert screen.payloads("b/rack/event") == [str(n) for n in range(50)]
        assert retained_at(port)["b/rack/alarm/k1"] == "stands"
        connection.stop()
        screen.wait_for_topic("b/rack/watch", 2)
    journal.close()


def test_on_a_terminal_ctrl_c_reaches_it_alone_and_colours_come_beside_words(tmp_path):
    with demo_on_a_terminal(tmp_path) as (terminal, pid):
        output = b""
        while b"Simulated probes" not in output:
            output += read_some(terminal, output)
        os.write(terminal, b"\x03")
        while b"has been ended" not in output:
            output += read_some(terminal, output)
        _, status = os.waitpid(pid, 0)
    assert os.waitstatus_to_exitcode(status) == INTERRUPTED
    assert list(tmp_path.iterdir()) == []
    assert b"\x1b[" in output, "colours"


@contextlib.contextmanager
def demo_on_a_terminal(folder):
    """The demonstration in front of a terminal of its own: the terminal's end, and its process."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(ROOT)
        environment = os.environ | {"TMPDIR": str(folder), "TERM": "xterm-256color"}
        os.execve(sys.executable, [sys.executable, "-m", "daemon", "demo"], environment)
    try:
        yield terminal, pid
    except BaseException:
        os.kill(pid, signal.SIGTERM)
        os.waitpid(pid, 0)
        raise
    finally:
        os.close(terminal)


def read_some(terminal, so_far):
    ready, _, _ = select.select([terminal], [], [], 60)
    assert ready, f"nothing more comes:\n{so_far.decode()}"
    return os.read(terminal, 4096)


def test_the_night_goes_as_it_should_and_leaves_nothing(night):
    assert night.finish(NIGHT_ENDS_WITHIN_S) == 0, night.output
    assert_a_good_night(night.output)
    told = re.findall(r"^\d\d:\d\d  (.) .*\((low|medium|high|critical)\)", night.output, re.MULTILINE)
    assert len({word for _, word in told}) >= 2
    shapes = {priority.word: shape for priority, shape in SHAPES.items()}
    assert [shape for shape, _ in told] == [shapes[word] for _, word in told]


def assert_a_good_night(output):
    summary = re.search(
        r"Summary: (\d+) alarms raised and delivered through the broker, (\d+) acknowledged, (\d+) cleared",
        output,
    )
    assert summary, output
    raised, acknowledged, cleared = map(int, summary.groups())
    assert raised == acknowledged == cleared >= 2
    assert "360 times as fast as life" in output, "it says that time is scaled"
    assert "chiller fails kreisel-4, begins" in output
    assert re.search(r"kreisel-4 temperature .*, limit .* °C", output)
    assert "acknowledged by night-keeper" in output
    assert "as `bellwatch status` shows it" in output
    assert "● The night went as it should." in output
    assert "Traceback" not in output


# The verdict


@pytest.mark.parametrize(
    ("raised", "acknowledged", "cleared", "complete"),
    [
        ({"a", "b"}, {"a", "b"}, {"a", "b"}, True),
        ({"a"}, {"a"}, {"a", "never-announced"}, True),
        (set(), set(), set(), False),
        ({"a", "b"}, {"a"}, {"a", "b"}, False),
        ({"a", "b"}, {"a", "b"}, {"a"}, False),
    ],
)
def test_a_night_is_complete_when_every_alarm_was_acknowledged_and_cleared(
    tmp_path, raised, acknowledged, cleared, complete
):
    story = Story(_settings(tmp_path, 1883), Console(), raised, acknowledged, cleared)
    assert story.complete() is complete


@pytest.mark.parametrize(("priority", "raised"), [("low", set()), ("medium", {"k/high"})])
def test_the_keeper_takes_what_calls_and_no_low_alarm(tmp_path, priority, raised):
    """On a busy machine answers of probes are late in fast motion, which is a low alarm of its own."""
    story = Story(_settings(tmp_path, 1883), Console(quiet=True))
    event = {"id": 1, "alarm": "k/high", "event": "raised", "state": "unacknowledged", "text": "invented"}
    _take_event(event | {"priority": priority, "at": "2026-08-15T01:00:00Z"}, story, 0, ZoneInfo("UTC"))
    assert (story.raised, set(story.to_acknowledge)) == (raised, raised)
