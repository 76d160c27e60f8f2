"""Faults of gateways, SDI-12 lines, lines of text, wildcard topics and twin adapters, beside a whole rack.

One vessel more, k4, has its probe on a bus of the kind; what it loses must cost the rack's own line nothing,
and must be read again without a hand when the fault is over.
"""

import json
import struct
import subprocess
import sys
import time
from contextlib import contextmanager

from tests.faults.chain import Came
from tests.faults.inject_line import FULL_RATE, LATE
from tests.faults.inject_rack import _memory_kib
from tests.faults.whole_rack import REGISTERS, Line, WholeRack
from tests.rigs.journal_file import asked
from tests.rigs.parts.gateway import TcpPeer, requests
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.sdi12_sensor import Sensor, SensorsOnPty
from tests.rigs.places import ROOT

VESSEL = """
[vessels.{vessel}]
kind = "kreisel"
stage = "bench"

[probes.{vessel}-extra]
bus = "{bus}"
vessel = "{vessel}"
every_s = 0.2
silent_after_s = 1.0
{probe}
"""


@contextmanager
def beside(folder, more, sources):
    """A whole rack with more in its settings, once everything is read."""
    with WholeRack(folder, watch=False, more=more) as rack:
        rack.watch.start()
        rack.watch.wait_for(lambda: rack.sources_read() >= 8 + sources, "readings of every probe")
        rack.mark()
        yield rack


def lost_and_back(rack, spoil, cure, about="north k4: "):
    """Let k4's bus go wrong and be well again; say if that cost a neighbour or made a value up."""
    before = {unit: min(rack.rate_of(unit), FULL_RATE) for unit in (1, 2)}
    rack.mark()
    spoil()
    came = rack.called(about, "silent", 20.0)
    rates = {unit: rack.rate_of(unit, 3.0) for unit in before}
    wrong = rack.wrong_value(rack.seq)
    late = [
        f"k{unit} is read {rates[unit]:.1f} times a second"
        for unit in before
        if rates[unit] < LATE * before[unit]
    ]
    cure()
    read = rack.read_since(0, "k4-extra")
    back = rack.wait_until(lambda: rack.read_since(0, "k4-extra") > read + 5, 60.0)
    wrong = wrong or (late[0] if late else "") or ("" if back else "it is not read again")
    return came._replace(wrong=wrong or rack.wrong_value(rack.seq))


# A gateway


class Gateway:
    """Modbus TCP with one probe behind it; `fault(connection, number, answer)` says whether it hangs up."""

    def __init__(self):
        self.fault = None
        self.peer = TcpPeer(self._serve)

    def _serve(self, connection):
        for asked_us in requests(connection, self.peer.over):
            number, (unit, function, address, count) = asked_us[:2], struct.unpack(">BBHH", asked_us[6:12])
            value = {0: 15.5, 20: 40.0, 40: 8.0}[address]
            words = struct.unpack(f">{count}H", struct.pack(">f", value))
            answer = _numbered(number, answer_frame(unit, function, *words)[:-2])
            if self.fault is None:
                connection.sendall(answer)
            elif self.fault(connection, number, answer):
                return


def _numbered(number, body):
    return number + struct.pack(">HH", 0, len(body)) + body


def _gateway_goes_wrong(folder, fault):
    gateway = Gateway()
    with gateway.peer:
        bus = f'\n[buses.extra]\nkind = "modbus-tcp"\nhost = "127.0.0.1"\ntcp_port = {gateway.peer.port}\n'
        probe = f"unit_id = 1\nregisters = {REGISTERS}"
        more = bus + "timeout_ms = 100\nretries = 1\n" + VESSEL.format(vessel="k4", bus="extra", probe=probe)
        with beside(folder, more, 3) as rack:
            grew = _memory_kib(rack)
            came = lost_and_back(
                rack,
                lambda: setattr(gateway, "fault", fault(gateway)),
                lambda: setattr(gateway, "fault", None),
            )
            grew = _memory_kib(rack) - grew
            return came._replace(
                wrong=came.wrong or (f"memory grew by {grew} KiB" if grew > 50 * 1024 else "")
            )


def bus_gateway_hangs_up(folder):
    return _gateway_goes_wrong(folder, lambda _gateway: lambda *_said: True)


def bus_gateway_floods(folder):
    """It sends frames without end, sound but for their numbers, of a water that is not there."""

    def fault(gateway):
        def floods(connection, number, _answer):
            hot = struct.unpack(">HH", struct.pack(">f", 29.0))
            frame = _numbered(bytes([number[0] ^ 0x55, number[1]]), answer_frame(1, 3, *hot)[:-2])
            while gateway.fault is not None and not gateway.peer.over.is_set():
                connection.sendall(100 * frame)
            return True

        return floods

    return _gateway_goes_wrong(folder, fault)


def bus_gateway_half_open(folder):
    """It has forgotten the connection and holds it open: only on a new one would it answer."""

    def fault(gateway):
        first = gateway.peer.connections

        def forgets(connection, _number, answer):
            if gateway.peer.connections > first:
                connection.sendall(answer)
                return False
            for _ in requests(connection, gateway.peer.over):
                pass
            return True

        return forgets

    return _gateway_goes_wrong(folder, fault)


# An SDI-12 line

SDI_PROBE = """\
address = "a"
values = [
    { quantity = "temperature", index = 1 },
    { quantity = "conductivity", index = 2 },
]
"""


def _sdi_goes_wrong(folder, *, spoil=None, delay_s=0.0):
    line, late_s = PtyLine(folder / "sdi"), [0.0]
    sensor = Sensor("a", readings=("+15.5+40.0",))
    bus = f'\n[buses.extra]\nkind = "sdi-12"\nport = "{line.path}"\ntimeout_ms = 200\nretries = 1\n'
    more = bus + VESSEL.format(vessel="k4", bus="extra", probe=SDI_PROBE)
    sound = sensor.spoil

    def begin():
        sensor.spoil, late_s[0] = spoil or sound, delay_s

    def end():
        sensor.spoil, late_s[0] = sound, 0.0

    try:
        with SensorsOnPty(line, sensor, delay_s=lambda _command: late_s[0]), beside(folder, more, 2) as rack:
            return lost_and_back(rack, begin, end)
    finally:
        line.unplug()


def bus_sdi_late(folder):
    return _sdi_goes_wrong(folder, delay_s=0.5)


def bus_sdi_other_address(folder):
    """Another probe answers in its place, in its own name, with a water of its own."""
    return _sdi_goes_wrong(folder, spoil=lambda _what, answer: b"b" + answer[1:].replace(b"+15.5", b"+29.5"))


def bus_sdi_crc_garbled(folder):
    """One digit is another one, so that the check sum no longer fits."""

    def spoil(what, answer):
        return answer.replace(b"+15.5", b"+16.5") if what[0] == "D" else answer

    return _sdi_goes_wrong(folder, spoil=spoil)


# Lines of text


def _text_goes_wrong(folder, fault):
    line, said = PtyLine(folder / "lines"), b"T=15.5 C=40.0\r\n"
    now = [None]
    peer = Peer(line, lambda _asked: said if now[0] is None else now[0](peer, said))
    bus = f'\n[buses.extra]\nkind = "text-lines"\nport = "{line.path}"\ntimeout_ms = 100\nretries = 1\n'
    probe = f"""\
ask = "{"R" * (Peer.REQUEST_BYTES - 1)}\\r"
pattern = 'T=(?P<t>[.\\d]+) C=(?P<c>[.\\d]+)'
groups = [{{ quantity = "temperature", group = "t" }}, {{ quantity = "conductivity", group = "c" }}]
"""
    more = bus + VESSEL.format(vessel="k4", bus="extra", probe=probe)
    try:
        with peer, beside(folder, more, 2) as rack:
            return lost_and_back(rack, lambda: now.__setitem__(0, fault), lambda: now.__setitem__(0, None))
    finally:
        line.unplug()


def bus_text_late(folder):
    return _text_goes_wrong(folder, lambda peer, said: peer.send_after(0.5, said))


def bus_text_dribbles(folder):
    """A byte now and then, and its line never ends."""

    def fault(peer, said):
        for nth, byte in enumerate(said[:-2]):
            peer.send_after(0.08 * (nth + 1), bytes([byte]))

    return _text_goes_wrong(folder, fault)


# Topics

WILD_FLOOD = """
import sys, time
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
sent = 0
while True:
    for _ in range(50):
        client.publish(f"wide/{sent % 5000}", '{"t": 15.5, "c": 40.0}', qos=0)
        sent += 1
    time.sleep(0.05)
"""


def bus_topic_wild_flood(folder):
    probe = """\
topic = "wide/+"
format = "json"
fields = [{ quantity = "temperature", pointer = "/t" }, { quantity = "conductivity", pointer = "/c" }]
"""
    with WholeRack(folder, watch=False, more=VESSEL.format(vessel="k4", bus="air", probe=probe)) as rack:
        rack.begin()
        while rack.read_since(0, "k4-extra") == 0:
            rack.broker.publish("wide/1", json.dumps({"t": 15.5, "c": 40.0}))
        rack.mark()
        grew, before = _memory_kib(rack), rack.rate_of(2)
        flood = subprocess.Popen([sys.executable, "-c", WILD_FLOOD, str(rack.broker.port)], cwd=ROOT)
        try:
            time.sleep(6.0)
            seq = rack.newest_reading()
            now = rack.rate_of(2, 3.0)
            came = rack.shown(lambda view: any("k4" in alarm.name for alarm in view.alarms), 15.0)
            said = rack.wait_until(
                lambda: any("far too often" in it.what for it in rack.view().troubles), 10.0
            )
        finally:
            flood.kill()
            flood.wait()
        wrong = [
            "" if said else "no screen says that it publishes far too often",
            f"k2 is read {now:.1f} instead of {before:.1f} times a second" if now < LATE * before else "",
            "" if rack.read_since(seq, "k3-air") else "its neighbour at the broker is not read",
            f"memory grew by {_memory_kib(rack) - grew} KiB" if _memory_kib(rack) - grew > 50 * 1024 else "",
        ]
        return came._replace(wrong=next(filter(None, wrong), rack.wrong_value(rack.seq)))


# Two adapters of one name

BY_NAMES = """
import sys
from pathlib import Path
from daemon.commands.cli import main
from drivers.ports import serial_port

sound = serial_port.stable_name
serial_port.stable_name = lambda port, _folder: sound(port, Path(sys.argv[1]))
sys.exit(main(["run", "--settings", sys.argv[2]]))
"""
"""The folder of stable names is one of the test's own."""


def _plugged(folder, kernel_name, celsius):
    (folder / kernel_name).mkdir(exist_ok=True)
    line = Line(folder / kernel_name)
    line.celsius = {1: celsius}
    line.peer.__enter__()
    return line


def _pulled(line):
    line.peer.__exit__()
    line.port.unplug()


def _named(folder, left, right):
    """Name two adapters as the system does: without serial numbers both are one, but for their places."""
    for name, line in (("by-id/usb-adapter", right), ("by-path/left", left), ("by-path/right", right)):
        path = folder / "names" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        path.symlink_to(line.port.path.readlink())


def adapter_same_name(folder):
    left, right = _plugged(folder, "usb0", 15.0), _plugged(folder, "usb1", 16.8)
    _named(folder, left, right)
    more = ""
    for vessel, bus, line in (("k4", "left", left), ("k5", "right", right)):
        more += f'\n[buses.{bus}]\nkind = "modbus-rtu"\nport = "{line.port.path}"\nbaud = 115200\n'
        more += "timeout_ms = 100\nretries = 1\n"
        more += VESSEL.format(vessel=vessel, bus=bus, probe=f"unit_id = 1\nregisters = {REGISTERS}")
    try:
        with WholeRack(folder, watch=False, more=more) as rack:
            names = folder / "names" / "by-id"
            rack.watch._command = [sys.executable, "-c", BY_NAMES, str(names), str(rack.settings_file)]
            rack.watch.start()
            rack.watch.wait_for(lambda: rack.sources_read() >= 14, "readings of every probe")
            rack.mark()
            for line in (left, right):
                _pulled(line)
            right, left = _plugged(folder, "usb0", 16.8), _plugged(folder, "usb1", 15.0)
            _named(folder, left, right)
            seq = rack.newest_reading()
            read = rack.wait_until(
                lambda: all(rack.read_since(seq, f"{vessel}-extra") > 5 for vessel in ("k4", "k5")), 60.0
            )
            mixed = asked(
                rack.journal,
                "SELECT s.probe, r.value FROM reading r JOIN source s ON s.id = r.source"
                " WHERE s.quantity = 'temperature' AND r.value > 16.5 <> (s.probe = 'k5-extra')"
                " AND s.probe IN ('k4-extra', 'k5-extra')",
            )
            return Came(rack.passed_s() if read else None, f"read in its place: {mixed[0]}" if mixed else "")
    finally:
        for line in (left, right):
            _pulled(line)
