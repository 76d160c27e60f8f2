"""`bellwatch run` killed with SIGKILL while probes publish: what the broker took for us is in the journal.

The real process, a real mosquitto that keeps the session, a publisher at QoS 1 that goes on through all
the lives, a probe on a real pseudo-terminal. Every publication carries a value of its own. All values are
invented.
"""

import json
import os
import sqlite3
import threading
import time
from contextlib import closing, contextmanager

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.daemon.watch.test_sigkill import LONGEST_LIFE_S, WarmingWater
from tests.rigs.daemon_run import PATIENCE_S, DaemonRun, chance, write_settings
from tests.rigs.journal_file import readings_in
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.pty_pair import Peer, PtyLine

KILLS = int(os.environ.get("BELLWATCH_TEST_MQTT_KILLS", "8"))
LONG_KILLS = int(os.environ.get("BELLWATCH_TEST_MQTT_KILLS_LONG", "500"))
SEED = 20261127
EVERY_S = 0.06

PROBES = """
[buses.air]
kind = "mqtt"
host = "127.0.0.1"
port = {port}

[probes.dated]
bus = "air"
vessel = "k1"
topic = "water/dated"
format = "senml"
fields = [{{ quantity = "salinity", senml_name = "s" }}]

[probes.undated]
bus = "air"
vessel = "k1"
topic = "water/undated"
fields = [{{ quantity = "oxygen" }}]
"""


class Publisher:
    """Publishes 1, 2, 3 ... on both topics, and knows which of them the broker has taken."""

    def __init__(self, port):
        self._sent = {}
        self._confirmed = set()
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_publish = lambda _client, _data, mid, _reason, _props: self._confirmed.add(mid)
        self._port = port
        self._thread = threading.Thread(target=self._publish)

    def taken(self, kind):
        """Return the numbers that the broker has confirmed."""
        return {number for mid, (of, number) in self._sent.items() if of == kind and mid in self._confirmed}

    def __enter__(self):
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(self, *exc):
        self.end()
        self._client.disconnect()
        self._client.loop_stop()

    def end(self):
        """Publish no more, and wait until the broker has taken everything."""
        self._stop.set()
        self._thread.join(PATIENCE_S)
        until = time.monotonic() + PATIENCE_S
        while self._sent.keys() - self._confirmed:
            assert time.monotonic() < until
            time.sleep(0.01)

    def _publish(self):
        number = 0
        while not self._stop.wait(EVERY_S):
            number += 1
            dated = json.dumps([{"n": "s", "v": number, "t": time.time()}])
            for kind, payload in (("dated", dated), ("undated", str(number))):
                self._sent[self._client.publish(f"water/{kind}", payload, qos=1).mid] = kind, number


class Kept:
    """What a journal holds, as any other program finds it in the file now."""

    def __init__(self, path):
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            self.rows = db.execute(
                "SELECT seq, at_ms, probe, value FROM reading JOIN source ON source.id = source ORDER BY seq"
            ).fetchall()
            actions = db.execute("SELECT seq, kind, body FROM action ORDER BY seq").fetchall()
        self.numbers = sorted([row[0] for row in self.rows] + [action[0] for action in actions])
        bodies = [json.loads(body) for _, kind, body in actions if kind == "waited"]
        self.waited = [int(message["payload"]) for body in bodies for message in body["messages"]]

    def values(self, probe):
        return [round(value) for _, _, name, value in self.rows if name == probe]


@contextmanager
def rack(folder):
    """A broker, a wired probe and the daemon's settings; the session begins with the first life."""
    line = PtyLine(folder / "serial")
    with Mosquitto(folder, config="max_queued_messages 0") as broker, Peer(line, WarmingWater()):
        settings = write_settings(folder, line.path, broker.port, more=PROBES.format(port=broker.port))
        yield broker, DaemonRun(settings), folder / "journal.sqlite"
    line.unplug()


@pytest.mark.timeout(4 * 3600)
@pytest.mark.parametrize("kills", [KILLS, pytest.param(LONG_KILLS, marks=pytest.mark.long)])
def test_killed_again_and_again_it_loses_no_publication(tmp_path, kills):
    dice = chance(SEED)
    with rack(tmp_path) as (broker, daemon, path):
        try:
            daemon.start()
            daemon.wait_for(lambda: "bellwatch/bench/mark/air (QoS 1)" in broker.log, "the session")
            former: list = []
            with Publisher(broker.port) as publisher:
                for nth in range(kills):
                    if nth:
                        daemon.start()
                    known = len(former)
                    daemon.wait_for(lambda known=known: readings_in(path) > known, "a new reading")
                    daemon.kill_after(dice.uniform(0, LONGEST_LIFE_S))
                    rows = Kept(path).rows
                    assert rows[: len(former)] == former, "what was committed stays"
                    former = rows
                daemon.start()
                daemon.wait_for(lambda: readings_in(path) > len(former), "a new reading")
                publisher.end()
                last = max(publisher.taken("dated"))
                daemon.wait_for(lambda: last in Kept(path).values("dated"), "the last publication")
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
        kept, taken = Kept(path), {kind: publisher.taken(kind) for kind in ("dated", "undated")}
    assert len(taken["dated"]) > 5 * kills
    assert taken["dated"] - set(kept.values("dated")) == set()
    assert len(kept.values("dated")) == len(set(kept.values("dated"))), "none twice"
    assert taken["undated"] - set(kept.values("undated")) - set(kept.waited) == set()
    assert len(kept.values("undated")) == len(set(kept.values("undated"))), "none judged twice"
    assert kept.waited
    assert len(kept.numbers) == len(set(kept.numbers))
    assert "undated readings waited at the broker" in daemon.log
