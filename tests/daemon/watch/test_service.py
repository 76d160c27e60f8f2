"""Crash only: a thread that dies takes the process with it, in clear words, and nothing committed is lost."""

import json
import subprocess
import sys
import threading
import time
from contextlib import closing, contextmanager

from daemon.check.load import load_settings
from daemon.journal.asking import RequestBox
from daemon.journal.schema import open_for_reading
from daemon.watch.service import QUIET_TURNS
from daemon.wiring import build
from drivers.readings import Reading
from tests.rigs.daemon_run import PATIENCE_S, ROOT, DaemonRun, write_settings
from tests.rigs.journal_file import asked, readings_in
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.parts.subscriber import Subscriber

DIES_AFTER_POLLS = 10
DIES = """
import sys
from daemon.broker.connection import Connection
from daemon.commands.cli import main
from drivers.modbus_bus import ModbusBus

polls, sound = [], ModbusBus._finishes

def poll(self, wire, its):
    if len(polls) == {polls}:
        raise ZeroDivisionError("a fault that nobody thought of")
    is_over = sound(self, wire, its)
    polls.extend([1] if is_over and its.values else [])  # a busy machine may miss an answer
    return is_over

def hears(self, message):
    raise ZeroDivisionError("a fault that nobody thought of")

{fault}
sys.exit(main(["run", "--settings", sys.argv[1]]))
"""
"""The daemon with a fault that shows after some polls, or with the first command that it hears."""


CANNOT_PUT_ONCE = """
import sys
from daemon.commands.cli import main
from daemon.journal.outbox import Outbox

sound = Outbox.put

def put(self, messages):
    found = list(messages)
    if any(message.topic.endswith("/event") for message in found):
        Outbox.put = sound
        raise ZeroDivisionError("a fault that nobody thought of")
    sound(self, found)

Outbox.put = put
sys.exit(main(["run", "--settings", sys.argv[1]]))
"""


SLOW_TO_JUDGE = """
import sys, time
from daemon.commands.cli import main
from daemon.watch.watch import Watch

sound = Watch.take

def take(self, *given, asks=True, **more):
    if not asks:
        time.sleep(1.4)
    return sound(self, *given, asks=asks, **more)

Watch.take = take
sys.exit(main(["run", "--settings", sys.argv[1]]))
"""


def fifteen_degrees(request):
    return answer_frame(request[0], request[1], 1500)


@contextmanager
def daemon_that_dies(folder, fault):
    """The daemon with a fault in front of a probe: its broker, and at the end its words on the death."""
    line, died = PtyLine(folder / "serial"), []
    with (
        Mosquitto(folder) as broker,
        Peer(line, fifteen_degrees),
        Subscriber(broker.port, "bellwatch/bench/watch") as screen,
    ):
        settings = write_settings(
            folder, line.path, broker.port, silent_after_s=60, more="[commands]\nenabled = true\n"
        )
        program = DIES.format(polls=DIES_AFTER_POLLS, fault=fault)
        process = subprocess.Popen(
            [sys.executable, "-c", program, str(settings)], cwd=ROOT, stderr=subprocess.PIPE, text=True
        )
        try:
            yield broker, died
            _, said = process.communicate(timeout=PATIENCE_S)
        finally:
            process.kill()
            process.wait()
        screen.wait_for(lambda heard: heard and '"gone"' in heard[-1].payload, "the last will")
    line.unplug()
    assert process.returncode == 1
    lines = [json.loads(line) for line in said.splitlines() if line.startswith("{")]
    assert [line["on_purpose"] for line in lines if line["event"] == "stopped"] == [False]
    died += [line for line in lines if line["event"] == "thread_died"]
    assert len(died) == 1
    assert died[0]["level"] == "critical"
    assert "a fault that nobody thought of" in died[0]["why"]


def test_a_bus_thread_that_dies_ends_the_process_and_says_why(tmp_path):
    with daemon_that_dies(tmp_path, "ModbusBus._finishes = poll") as (_, died):
        pass
    assert died[0]["of"] == "ModbusBus"
    assert readings_in(tmp_path / "journal.sqlite") == DIES_AFTER_POLLS, "what had come is written down"


def test_what_a_turn_judged_and_could_not_write_down_is_not_taken_for_told(tmp_path):
    """The last words of a dying watch must not pass over what its broken turn had judged."""
    path = tmp_path / "journal.sqlite"
    settings = write_settings(tmp_path, tmp_path / "serial", port=1, silent_after_s=600)
    ask = {"alarm": "k1/temperature/high", "why": "w", "for_s": 60}
    RequestBox(path).ask("shelve", "ada", ask, "asked-once")
    command = [sys.executable, "-c", CANNOT_PUT_ONCE, str(settings)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 1
    assert "a fault that nobody thought of" in done.stderr
    assert asked(path, "SELECT number FROM event") == [(1,)]
    assert len(asked(path, "SELECT 1 FROM outbox WHERE topic LIKE '%/event'")) == 1
    assert asked(path, "SELECT id, refusal FROM taken") == [("asked-once", "")]


def test_rest_between_two_judgements_keeps_no_turn_from_its_time(tmp_path):
    """Readings without end on a slow machine: heartbeat, watchdog and requests come in the turns."""
    line, path = PtyLine(tmp_path / "serial"), tmp_path / "journal.sqlite"
    with Mosquitto(tmp_path) as broker, Peer(line, fifteen_degrees):
        settings = write_settings(tmp_path, line.path, broker.port, silent_after_s=600, commit_every_s=1)
        command = [sys.executable, "-c", SLOW_TO_JUDGE, str(settings)]
        daemon = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL)
        try:
            wait_for(lambda: path.exists() and readings_in(path) > 150, 3 * PATIENCE_S)
        finally:
            daemon.terminate()
            daemon.wait(PATIENCE_S)
    line.unplug()
    assert asked(path, "SELECT count(*) FROM action WHERE kind = 'away'") == [(0,)]


def test_a_connection_whose_thread_dies_ends_the_process_and_says_why(tmp_path):
    """paho would say "connected" for ever, and no alarm would go out."""
    with daemon_that_dies(tmp_path, "Connection._on_message = hears") as (broker, died):
        broker.wait_for_log("bellwatch/bench/command (QoS 1)")
        broker.publish("bellwatch/bench/command", "anything")
    assert died[0]["of"] == "Connection"


def test_what_the_buses_bring_until_the_stop_is_written_down_before_it_ends(tmp_path):
    line = PtyLine(tmp_path / "serial")
    with Mosquitto(tmp_path) as broker, Peer(line, fifteen_degrees) as peer:
        settings = write_settings(tmp_path, line.path, broker.port, commit_every_s=3600)
        daemon = DaemonRun(settings)
        try:
            daemon.start()
            wait_for(lambda: len(peer.requests) >= 20)
            assert readings_in(tmp_path / "journal.sqlite") == 0, "the commit is not due for an hour"
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
    line.unplug()
    assert readings_in(tmp_path / "journal.sqlite") >= 19
    with closing(open_for_reading(tmp_path / "journal.sqlite")) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_next_start_goes_on_from_where_the_last_one_stopped(tmp_path):
    line = PtyLine(tmp_path / "serial")
    path = tmp_path / "journal.sqlite"
    with Mosquitto(tmp_path) as broker, Peer(line, fifteen_degrees):
        daemon = DaemonRun(write_settings(tmp_path, line.path, broker.port, silent_after_s=60))
        try:
            for _ in range(2):
                known = readings_in(path)
                daemon.start()
                daemon.wait_for(lambda known=known: readings_in(path) > known + 5, "readings")
                assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
    line.unplug()
    times = [row for (row,) in asked(path, "SELECT at_ms FROM reading ORDER BY seq")]
    assert times == sorted(times)
    assert asked(path, "SELECT count(*) FROM action WHERE kind = 'configure'") == [(1,)], (
        "same plan, no new one"
    )


def test_what_comes_after_a_quiet_while_waits_for_no_rest(tmp_path, monkeypatch):
    """However long judging took before: the rest counts from its end."""
    slow_s, stop, began_s = 0.9, threading.Event(), []
    service = build(load_settings(write_settings(tmp_path, tmp_path / "serial", port=1, commit_every_s=10)))
    sound = service._watch.take

    def slowly(*given, **more):
        time.sleep(slow_s)
        return sound(*given, **more)

    def at_last(*given, **more):
        began_s.append(time.monotonic())
        stop.set()
        return sound(*given, **more)

    monkeypatch.setattr(service._watch, "take", slowly)
    service._judge_at_once()
    wait_for(lambda: time.monotonic() > service._rests_until_s)
    monkeypatch.setattr(service._watch, "take", at_last)
    came_s = time.monotonic()
    service._arrivals.put(Reading("k1-ct", "temperature", 15.0, service._clock.now_ms()))
    service._until_next_turn(stop)
    service._leave(on_purpose=False)
    assert began_s[0] - came_s < slow_s / 2


def test_chores_rest_while_nothing_stirs_and_are_done_at_once_when_something_does(tmp_path):
    service = build(load_settings(write_settings(tmp_path, tmp_path / "serial", port=1, commit_every_s=10)))
    done = []
    service._chores = [done.append]

    def turns_with_chores(turns):
        before = len(done)
        for _ in range(turns):
            service._turn()
        return len(done) - before

    try:
        assert turns_with_chores(1) == 1, "the first looks at all"
        assert turns_with_chores(QUIET_TURNS) == 0
        assert turns_with_chores(1) == 1
        service._connection.news += 1
        assert turns_with_chores(3) == 1
        with service._journal.transaction():
            pass
        assert turns_with_chores(2) == 1
    finally:
        service._leave(on_purpose=False)
