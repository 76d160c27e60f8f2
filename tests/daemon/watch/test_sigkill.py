"""`bellwatch run` killed with SIGKILL at random moments: nothing committed is lost, doubled or reordered.

The real process, a real mosquitto, a probe on a real pseudo-terminal. After every kill the journal
is read as it lies on the disk; at the end it is compared with all of those, with a fold over its
own inputs by a fresh engine, and with what a subscriber that never missed a moment received.
"""

import json
import math
import os
import sqlite3

import pytest

from daemon.journal.fold import fold
from daemon.journal.journal import Journal
from rules.plain import to_plain
from tests.rigs.daemon_run import DaemonRun, chance, write_settings
from tests.rigs.journal_file import readings_in, waiting_in
from tests.rigs.parts.event_listener import EventListener
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

KILLS = int(os.environ.get("BELLWATCH_TEST_DAEMON_KILLS", "8"))
LONG_KILLS = int(os.environ.get("BELLWATCH_TEST_DAEMON_KILLS_LONG", "100"))
LONGEST_LIFE_S = 0.6
SEED = 20260814
TOLD = {"high_high raised", "low_low raised", "returned"}
"""What the swinging water has to make, however many swings a life sees: the first swing of each side.

Whether high is raised before high-high is a poll's affair, and what comes a third time stands.
"""


class WarmingWater:
    """The probe's answer: water that swings through every limit, about once in two seconds."""

    def __init__(self):
        self._asked = 0

    def __call__(self, request):
        self._asked += 1
        celsius = 15 + 14 * math.sin(self._asked * 2 * math.pi / 40)
        return answer_frame(request[0], request[1], round(celsius * 100) & 0xFFFF)


def on_disk(path):
    """Return readings and events as any other program finds them in the file now."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        readings = db.execute("SELECT seq, at_ms, source, lag_ms, value FROM reading ORDER BY seq").fetchall()
        events = db.execute("SELECT number, at_ms, alarm, body FROM event ORDER BY number").fetchall()
    db.close()
    return readings, events


def events_by_a_fresh_engine(path):
    journal = Journal(path, writable=False)
    engine, events = None, []
    for item in journal.inputs.after(0):
        engine, outcome = fold(engine, item)
        events += outcome.events
    journal.close()
    return [
        (event.number, event.at_ms, event.alarm, json.loads(json.dumps(to_plain(event)))) for event in events
    ]


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kills", [KILLS, pytest.param(LONG_KILLS, marks=pytest.mark.long)])
def test_killed_again_and_again_the_daemon_loses_no_reading_and_no_alarm(tmp_path, kills):
    dice = chance(SEED)
    line = PtyLine(tmp_path / "serial")
    with Mosquitto(tmp_path) as broker, Peer(line, WarmingWater()):
        settings = write_settings(tmp_path, line.path, broker.port)
        path = tmp_path / "journal.sqlite"
        daemon = DaemonRun(settings)
        with EventListener(broker.port, "bellwatch/bench/event") as listener:
            try:
                former = ([], [])
                for _ in range(kills):
                    daemon.start()
                    seen = len(former[0])
                    daemon.wait_for(lambda seen=seen: readings_in(path) > seen, "a new reading")
                    daemon.kill_after(dice.uniform(0, LONGEST_LIFE_S))
                    now = on_disk(path)
                    assert now[0][: len(former[0])] == former[0]
                    assert now[1][: len(former[1])] == former[1]
                    assert len(now[0]) > len(former[0])
                    former = now
                daemon.start()
                daemon.wait_for(lambda: readings_in(path) > len(former[0]) + 20, "the last life")
                daemon.wait_for(lambda: kinds(on_disk(path)[1]) >= TOLD, "alarms of every kind")
                daemon.wait_for(lambda: waiting_in(path) == 0, "the broker's confirmations")
                assert daemon.stop() == 0
                readings, events = on_disk(path)
                listener.wait_for(len(events))
            finally:
                daemon.end_by_force()
    line.unplug()
    assert readings[: len(former[0])] == former[0]
    assert events[: len(former[1])] == former[1]
    numbers = [event[0] for event in events]
    assert numbers == list(range(1, len(events) + 1))
    assert len({row[1] - row[3] for row in readings}) == len(readings), "no measurement twice"
    assert "restart_differs" not in daemon.log
    bodies = [(number, at_ms, alarm, json.loads(body)) for number, at_ms, alarm, body in events]
    refolded = events_by_a_fresh_engine(path)
    assert refolded == bodies[: len(refolded)]
    assert all(body["condition"] == "silent" for *_, body in bodies[len(refolded) :])
    assert listener.numbers() == numbers, "first receipts, in order, without a gap"


def kinds(events):
    bodies = [json.loads(body) for *_, body in events]
    told = {f"{body['condition']} {body['trigger']}" for body in bodies}
    return told | {body["trigger"] for body in bodies}
