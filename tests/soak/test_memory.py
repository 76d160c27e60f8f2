"""Memory of watch, page, on-call process and broker together: thirty vessels, a year's journal.

The year is invented: read hourly, three quantities a vessel, by the real watch; from then on every 10 s.
"""

import struct
import time
import urllib.request

import pytest

from tests.faults.whole_rack import short_oncall
from tests.rigs.daemon_run import DaemonRun
from tests.rigs.nights.recorded_nights import quiet
from tests.rigs.oncall_run import OnCallRun
from tests.rigs.page_rack import HOUR_MS, NINE, PageRack
from tests.rigs.parts.gateway import TcpPeer, requests
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.parts.process_use import use_of
from tests.rigs.parts.pty_pair import answer_frame
from tests.rigs.parts.simulator_process import wait_for

MOST_MB = 350
"""Set by whoever owns the project, for a machine of 1 GB."""
SETTLED_S, PATIENCE_S = 40.0, 1200.0
WEEK = 168
VESSELS = tuple((f"v{number}", *NINE[number % 9][1:]) for number in range(1, 31))
WATER = {0: 15.0, 2: 32.0, 4: 97.0}

pytestmark = [pytest.mark.long, pytest.mark.timeout(3600)]


class Water:
    """Every probe at a gateway; the water hardly moves."""

    def __init__(self):
        self.polls = 0
        self.peer = TcpPeer(self._serve)

    def _serve(self, connection):
        for request in requests(connection, self.peer.over):
            number, unit, function, start, count = struct.unpack(">H4xBBHH", request[:12])
            self.polls += 1
            values = [1011.0] if unit == 200 else [WATER[at] for at in range(start, start + count, 2)]
            packed = b"".join(struct.pack(">f", value + 0.01 * (self.polls % 7)) for value in values)
            body = answer_frame(unit, function, *struct.unpack(f">{count}H", packed))[:-2]
            connection.sendall(struct.pack(">HHH", number, 0, len(body)) + body)


def a_year(folder):
    """Return a rack of thirty vessels whose journal holds a year up to now."""
    quiet()
    rack = PageRack(folder, vessels=VESSELS, across=6, days=365, every_ms=HOUR_MS, polls_a_turn=WEEK)
    rack.live()
    rack.journal.close()
    rack.sole_writer.release()
    return rack


def from_now_on(rack, gateway_port, broker_port):
    """Let the rack's file name real ports, and be read every ten seconds."""
    text = rack.file.read_text().replace("every_s = 3600", "every_s = 10")
    text = text.replace("silent_after_s = 18000", "silent_after_s = 120")
    at = f'kind = "modbus-tcp"\nhost = "127.0.0.1"\ntcp_port = {gateway_port}'
    text = text.replace('kind = "modbus-rtu"\nport = "/dev/none"', at)
    rack.file.write_text(text + f'\n[broker]\nhost = "127.0.0.1"\nport = {broker_port}\n')


def run(path, command):
    made = DaemonRun(path)
    made._command[made._command.index("run")] = command
    made._log = path.with_suffix(f".{command}.log")
    made.start()
    return made


def settled(held):
    """Look until nothing has grown for a while; return what each holds then, in MB, and the most of all."""
    peak, grew_s, began_s = 0.0, time.monotonic(), time.monotonic()
    while time.monotonic() - grew_s < SETTLED_S:
        assert time.monotonic() - began_s < PATIENCE_S
        now = {name: use_of(pid).memory_mb for name, pid in held.items()}
        if sum(now.values()) > peak + 0.5:
            peak, grew_s = sum(now.values()), time.monotonic()
        time.sleep(1)
    return now, max(peak, sum(now.values()))


def test_a_year_of_thirty_vessels(tmp_path):
    rack, water = a_year(tmp_path), Water()
    with Mosquitto(tmp_path) as broker, PageReceiver() as phones, water.peer:
        from_now_on(rack, water.peer.port, broker.port)
        runs = [run(rack.file, "run"), run(rack.file, "page")]
        runs.append(OnCallRun(short_oncall(tmp_path, broker.port, phones.port)))
        try:
            runs[-1].start()
            wait_for(lambda: water.polls > 100, PATIENCE_S)
            held = dict(zip(("watch", "page", "on call"), (it._process.pid for it in runs), strict=True))
            settled(held)
            for vessel, *_ in VESSELS:
                for span in ("", "?span=1y"):
                    address = f"http://127.0.0.1:{rack.port}/vessel/{vessel}{span}"
                    with urllib.request.urlopen(address, timeout=60) as page:
                        assert vessel in page.read().decode()
            now, peak = settled(held | {"broker": broker._process.pid})
        finally:
            for each in runs:
                each.end_by_force()
    print(f"{ {name: round(mb) for name, mb in now.items()} } MB; at most {peak:.0f} MB together")
    assert peak < MOST_MB
