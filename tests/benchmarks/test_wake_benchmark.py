"""What it costs to poll and judge 48 channels every ten seconds, and how soon an alarm is at a subscriber.

    pytest tests/benchmarks/test_wake_benchmark.py --benchmark-enable -s

One run of `bellwatch run` gives both. Beside it: a bare polling loop of pymodbus that keeps nothing and
judges nothing, and a bare publish-and-receive on the same broker plus one synced commit of SQLite.
"""

import os
import random
import sqlite3
import struct
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.rigs.daemon_run import PATIENCE_S, DaemonRun
from tests.rigs.parts.gateway import TcpPeer, requests
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.pty_pair import answer_frame
from tests.rigs.parts.subscriber import Subscriber

UNITS, EVERY_S = 48, 10
# A third rise within a while would be told as chattering, and no more each time.
VESSELS_TOLD, LEAPS = 10, 4
QUIET_S = int(os.environ.get("BELLWATCH_BENCH_WAKE_S", "60"))
SETTINGS = """\
[rack]
name = "bench"
time_zone = "UTC"
[journal]
path = "{folder}/journal.sqlite"
[broker]
host = "127.0.0.1"
port = {broker}
[buses.line]
kind = "modbus-tcp"
host = "127.0.0.1"
tcp_port = {gateway}
[buses.air]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
[stages.bench.temperature]
advisory_high_c = 20
deadband_c = 0.5
on_delay_s = 0
off_delay_s = 0
[quality.temperature]
max_jump_c = "none"
"""
VESSEL = """\
[vessels.k{n}]
kind = "kreisel"
stage = "bench"
"""
TOLD = """\
[vessels.told-{n}]
kind = "kreisel"
stage = "bench"
[probes.told-{n}]
bus = "air"
vessel = "told-{n}"
topic = "told/{n}"
silent_after_s = 3600
fields = [{{ quantity = "temperature" }}]
"""
PROBE = """\
[probes.k{n}-{quantity}]
bus = "line"
vessel = "k{n}"
unit_id = {unit}
every_s = {every_s}
registers = [{{ quantity = "{quantity}", address = 0, type = "float32" }}]
"""
QUANTITIES = ("temperature", "conductivity", "oxygen")
BARE = """
import sys, time
from pymodbus.client import ModbusTcpClient
units, every_s = int(sys.argv[2]), int(sys.argv[3])
client = ModbusTcpClient("127.0.0.1", port=int(sys.argv[1]))
client.connect()
due = time.monotonic()
while True:
    for unit in range(1, units + 1):
        time.sleep(max(due - time.monotonic(), 0))
        found = client.read_holding_registers(0, count=2, device_id=unit).registers
        value = client.convert_from_registers(found, client.DATATYPE.FLOAT32)
        due += every_s / units
"""


def cpu_s(pid):
    """Seconds of processor time of all threads that a process has now."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


def written_bytes(pid):
    """Bytes that a process has sent towards the disk."""
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


def p99(values):
    return sorted(values)[min(int(len(values) * 0.99), len(values) - 1)]


class Gateway:
    """Answers with water that hardly moves."""

    def __init__(self):
        self._polls = 0
        self.peer = TcpPeer(self._serve)

    def _serve(self, connection):
        for request in requests(connection, self.peer.over):
            number, unit, function = struct.unpack(">H", request[:2])[0], request[6], request[7]
            self._polls += 1
            value = (18, 48, 7)[(unit - 1) % 3] + 0.01 * (self._polls % 7)
            body = answer_frame(unit, function, *struct.unpack(">2H", struct.pack(">f", value)))[:-2]
            connection.sendall(struct.pack(">HHH", number, 0, len(body)) + body)


def bare_ms(broker, folder):
    """Times of a publish-and-receive plus one synced commit."""
    took, db = [], sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE t (x)")
    with Subscriber(broker.port, "bare") as heard:
        for nth in range(200):
            begun = time.monotonic()
            db.execute("INSERT INTO t VALUES (?)", ("x" * 200,))
            heard._client.publish("bare", str(nth), qos=1)
            heard.wait_for(lambda messages, nth=nth: len(messages) > nth, "our own message")
            took.append(1000 * (time.monotonic() - begun))
            time.sleep(0.02)
    db.close()
    return took


def told_ms(broker):
    """Milliseconds from each message of a probe whose water leaps to the event that it causes."""
    late_ms, dice = [], random.Random(7)
    with Subscriber(broker.port, "bellwatch/bench/event") as heard:
        for nth in range(VESSELS_TOLD * LEAPS):
            time.sleep(dice.uniform(0.2, 0.7))
            known, begun = len(heard.heard), time.monotonic()
            heard._client.publish(f"told/{nth // LEAPS}", "18" if nth % 2 else "22", qos=1)
            heard.wait_for(lambda messages, known=known: len(messages) > known, "the event")
            late_ms.append(1000 * (time.monotonic() - begun))
    return late_ms


@pytest.mark.timeout(600)
def test_what_a_reading_costs_and_how_soon_an_alarm_is_told(request, tmp_path):
    if not request.config.getoption("benchmark_enable"):
        pytest.skip("a benchmark")
    ours, other = Gateway(), Gateway()
    path = tmp_path / "bellwatch.toml"
    with Mosquitto(tmp_path) as broker, ours.peer, other.peer:
        text = SETTINGS.format(folder=tmp_path, broker=broker.port, gateway=ours.peer.port)
        for n in range(UNITS):
            text += "" if n % 3 else VESSEL.format(n=n // 3)
            text += PROBE.format(n=n // 3, quantity=QUANTITIES[n % 3], unit=n + 1, every_s=EVERY_S)
        text += "".join(TOLD.format(n=n) for n in range(VESSELS_TOLD))
        path.write_text(text)
        daemon = DaemonRun(path)
        daemon.start()
        daemon.wait_for(lambda: "watching" in daemon.log, "the watch")
        bare = subprocess.Popen([sys.executable, "-c", BARE, *map(str, (other.peer.port, UNITS, EVERY_S))])
        pids = (daemon._process.pid, bare.pid)
        try:
            time.sleep(2 * EVERY_S)
            before = [*map(cpu_s, pids), written_bytes(pids[0])]
            time.sleep(QUIET_S)
            after = [*map(cpu_s, pids), written_bytes(pids[0])]
            ours_s, bare_s, card = (b - a for a, b in zip(before, after, strict=True))
            late_ms = told_ms(broker)
            broker_ms = bare_ms(broker, tmp_path)
        finally:
            bare.kill()
            bare.wait(PATIENCE_S)
            daemon.stop()
    readings = UNITS * QUIET_S / EVERY_S
    print(
        f"\n48 channels every {EVERY_S} s for {QUIET_S} s: ours {ours_s:.2f} s of processor time, "
        f"bare {bare_s:.2f} s: {ours_s / bare_s:.1f} times"
        f"\n{card / readings:.0f} bytes to the card per reading"
        f"\nevent at a subscriber after {p99(late_ms):.0f} ms (p99 of {len(late_ms)}, median "
        f"{sorted(late_ms)[len(late_ms) // 2]:.0f} ms); bare {p99(broker_ms):.1f} ms: "
        f"{p99(late_ms) / p99(broker_ms):.1f} times"
    )
    # A loop that sleeps out its turn of a second fails this. The p99 is printed, not asserted: forty events
    # on a machine that others use have no steady p99.
    assert sorted(late_ms)[len(late_ms) // 2] <= 10 * p99(broker_ms)
