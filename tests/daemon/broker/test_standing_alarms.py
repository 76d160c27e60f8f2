"""A broker that forgot, or remembers what is no longer so, is told anew: the real daemon, a real broker."""

import json
import shutil
import threading
import time
from contextlib import contextmanager

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daemon.journal.asking import ask_daemon
from tests.rigs.daemon_run import DaemonRun, write_settings
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

PATIENCE_S = 60.0
KEEPS = "persistence true\npersistence_location {folder}/\nautosave_on_changes true\nautosave_interval 1"


class Water:
    celsius = 15.0

    def __call__(self, request):
        return answer_frame(request[0], request[1], round(self.celsius * 100))


@contextmanager
def kept_alarms(port):
    """What the broker keeps of the rack's alarms, as it changes: payload by topic."""
    kept, changed = {}, threading.Condition()

    def take(_client, _data, message):
        with changed:
            kept[message.topic] = message.payload
            changed.notify_all()

    def wait_for(condition):
        with changed:
            until = time.monotonic() + PATIENCE_S
            while not condition():
                left_s = until - time.monotonic()
                assert left_s > 0, f"never came; kept: {kept}"
                changed.wait(left_s)

    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_message = take
    client.connect("127.0.0.1", port)
    client.subscribe([("bellwatch/bench/alarm/#", 1), ("bellwatch/bench/watch", 1)])
    client.loop_start()
    try:
        yield kept, wait_for
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.fixture
def running(tmp_path):
    """A daemon on a probe; its water, its broker and itself."""
    water, line = Water(), PtyLine(tmp_path / "serial")
    with (
        Mosquitto(tmp_path, config=KEEPS.format(folder=tmp_path)) as broker,
        Peer(line, water),
    ):
        rack = DaemonRun(write_settings(tmp_path, line.path, broker.port))
        rack.start()
        try:
            yield water, broker, rack
        finally:
            rack.end_by_force()
    line.unplug()


WATCH = "bellwatch/bench/watch"
HIGH = "bellwatch/bench/alarm/k1/temperature/high_high"


def test_what_stands_is_said_again_under_its_id_and_what_ended_is_taken_away(tmp_path, running):
    water, broker, rack = running
    memory = tmp_path / "mosquitto.db"
    water.celsius = 27.0
    with kept_alarms(broker.port) as (kept, wait_for):
        wait_for(lambda: json.loads(kept.get(HIGH) or "{}").get("priority") == "critical")
        first = json.loads(kept[HIGH])["id"]
    rack.wait_for(lambda: memory.exists() and first.encode() in memory.read_bytes(), "the broker's memory")
    shutil.copy(memory, tmp_path / "old")

    broker.kill()
    memory.unlink()
    broker.start()
    with kept_alarms(broker.port) as (kept, wait_for):
        wait_for(lambda: HIGH in kept)
        assert json.loads(kept[HIGH])["id"] == first
        water.celsius = 15.0
        wait_for(lambda: "returned" in kept[HIGH].decode())
        ask_daemon(tmp_path / "journal.sqlite", "acknowledge", {"alarm": "k1/temperature/high_high"}, "kim")
        wait_for(lambda: kept[HIGH] == b"")

    cleared = f"'{HIGH}', ... (0 bytes)"
    times = broker.log.count(cleared)
    broker.kill()
    shutil.copy(tmp_path / "old", memory)
    broker.start()
    broker.wait_for_log(cleared, times + 1)
    with kept_alarms(broker.port) as (kept, wait_for):
        wait_for(lambda: WATCH in kept)
        assert not kept.get(HIGH)
