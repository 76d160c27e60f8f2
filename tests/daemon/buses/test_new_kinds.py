"""Gateways, SDI-12 lines and lines of text: from settings to readings, and a line for each wrong setting."""

import os
import re
import threading

import pytest
from jsonschema import Draft202012Validator
from pymodbus.simulator import DataType, SimData

from daemon.check.check import findings_in
from daemon.check.load import load_settings
from daemon.clock import SteadyClock
from daemon.settings.file import read_values
from daemon.settings.schema import settings_schema
from tests.drivers.test_modbus_bus import device
from tests.rigs.daemon_thread import running_daemon
from tests.rigs.journal_file import asked
from tests.rigs.parts.gateway import pymodbus_gateway
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.pty_pair import PtyLine
from tests.rigs.parts.sdi12_sensor import Sensor, SensorsOnPty
from tests.rigs.parts.simulator_process import wait_for

GOOD = """\
[rack]
name = "new"
lineage = "unknown"
time_zone = "UTC"

[journal]
path = "{here}/journal.sqlite"
commit_every_s = 0.05

[broker]
host = "127.0.0.1"
port = {broker}

[buses.far]
kind = "modbus-tcp"
host = "127.0.0.1"
tcp_port = {modbus}

[buses.sdi]
kind = "sdi-12"
port = "{here}/sdi"

[buses.lines]
kind = "text-lines"
port = "{here}/lines"

[vessels.k1]
kind = "kreisel"
stage = "polyp-own"

[vessels.k2]
kind = "kreisel"
stage = "polyp-own"

[vessels.k3]
kind = "kreisel"
stage = "polyp-own"

[probes.far]
bus = "far"
vessel = "k1"
every_s = 1
unit_id = 1
registers = [{{ quantity = "temperature", function = "input", address = 0, type = "int16", scale = 0.01 }}]

[probes.deep]
bus = "sdi"
vessel = "k2"
every_s = 1
address = "a"
values = [
    {{ quantity = "conductivity", command = "C", index = 2, unit = "uS/cm" }},
    {{ quantity = "temperature", index = 1 }},
]
fresh_by = {{ command = "R0", index = 1 }}

[probes.chatty]
bus = "lines"
vessel = "k3"
every_s = 1
pattern = '#(?P<count>\\d+) T=(?P<t>[-.\\d]+)F'
groups = [{{ quantity = "temperature", group = "t", unit = "F" }}]
fresh_by = {{ group = "count" }}

[stages.polyp-own]
based_on = "polyp"
salinity = "none"
oxygen_saturation = "none"
"""


def written(folder, old="", new="", modbus=502):
    text = GOOD.format(here=folder, broker=free_port(), modbus=modbus)
    assert old in text
    path = folder / "bellwatch.toml"
    path.write_text(text.replace(old, new, 1))
    return path


def lines(path):
    return [str(finding) for finding in findings_in(read_values(path))]


@pytest.mark.parametrize("unit", [0, 255])
def test_what_speaks_modbus_tcp_itself_has_a_unit_of_its_own(tmp_path, unit):
    path = written(tmp_path, "unit_id = 1", f"unit_id = {unit}")
    assert [line for line in lines(path) if "unit_id" in line] == []
    rtu = written(tmp_path, "tcp_port = 502", 'tcp_port = 502\nframes = "rtu"')
    rtu.write_text(rtu.read_text().replace("unit_id = 1", f"unit_id = {unit}"))
    assert [line for line in lines(rtu) if "unit_id" in line] != []


def test_sound_settings_are_taken_and_the_schema_knows_them(tmp_path):
    path = written(tmp_path)
    assert [it for it in lines(path) if "fault of the rack" not in it and "raises no alarm" not in it] == []
    kinds = [type(bus).__name__ for bus in load_settings(path).buses.values()]
    assert kinds == ["ModbusTcpBus", "Sdi12Bus", "TextBus"]
    validator = Draft202012Validator(settings_schema())
    assert validator.is_valid(read_values(path))


def test_each_kind_reads_in_the_daemon(tmp_path):
    sdi, text = PtyLine(tmp_path / "sdi"), PtyLine(tmp_path / "lines")
    over, count = threading.Event(), [0]

    def speak():
        while not over.wait(0.1):
            count[0] += 1
            os.write(text.master, f"#{count[0]} T=65.3F\r\n".encode())

    speaker = threading.Thread(target=speak)
    known = device(1, inputs=[SimData(0, values=1850, datatype=DataType.INT16)])
    sensor = Sensor("a", readings=("+18.25",), long=("+7+48100",))
    rows = "SELECT DISTINCT probe, quantity, round(value, 6) FROM reading JOIN source ON source.id = source"
    wanted = {
        ("far", "temperature", 18.5),
        ("deep", "temperature", 18.25),
        ("deep", "conductivity", 48.1),
        ("deep", "fresh", 7.0),
        ("chatty", "temperature", 18.5),
    }
    with pymodbus_gateway([known]) as port, SensorsOnPty(sdi, sensor):
        settings = load_settings(written(tmp_path, modbus=port))
        speaker.start()
        try:
            with running_daemon(settings, SteadyClock()):
                wait_for(lambda: wanted <= set(asked(settings.journal.path, rows)))
        finally:
            over.set()
            speaker.join(20)
            text.unplug()
    sdi.unplug()


WRONG = [
    (
        'host = "127.0.0.1"\ntcp_port',
        'host = "127.0.0.1:502"\ntcp_port',
        'buses.far.host: found "127.0.0.1:502"; expected a host name or address alone',
    ),
    (
        "index = 1 },\n]",
        "index = 10 },\n]",
        "probes.deep.values[1].index: found 10; expected 9 or less for M",
    ),
    (
        "pattern = '#",
        "ask = '?T\\r'\npattern = '#",
        r'probes.chatty.ask: found "?T\\r"; expected double quotes around it, where \r is a carriage return',
    ),
    ('kind = "modbus-tcp"\nhost = "127.0.0.1"', 'kind = "modbus-tcp"', "buses.far.host: found nothing"),
    (
        'host = "127.0.0.1"\ntcp_port',
        'host = "127.0.0.1"\nframes = "ascii"\ntcp_port',
        'buses.far.frames: found "ascii"; expected "tcp" or "rtu"',
    ),
    ("tcp_port = 502", "tcp_port = 0", "buses.far.tcp_port: found 0; expected 1 or more"),
    (
        'address = "a"',
        'address = "ab"',
        'probes.deep.address: found "ab"; expected one of 0 to 9, A to Z or a to z',
    ),
    (
        'command = "C", ',
        'command = "A1", ',
        'probes.deep.values[0].command: found "A1"; expected M, M1 to M9, C, C1 to C9 or R0 to R9; '
        "nothing else is ever sent, least of all a change of address",
    ),
    ("unit_id = 1", "unit_id = 254", "probes.far.unit_id: found 254; expected 1 to 247; 0 and 255 are for"),
    (
        "[probes.chatty]",
        '[probes.alike]\nbus = "lines"\nvessel = "k1"\nask = "B"\n'
        "pattern = '#(?P<count>\\d+) T=(?P<t>[-.\\d]+)F'\n"
        'groups = [{ quantity = "salinity", group = "t" }]\n[probes.chatty]\nask = "A"',
        "expected what only its own line says; a late answer of probes.alike would fit it too",
    ),
    ("index = 2", "index = 0", "probes.deep.values[0].index: found 0; expected 1 or more"),
    (
        'fresh_by = { command = "R0", index = 1 }',
        "fresh_by = { index = 1 }",
        "probes.deep.fresh_by.index: found 1; expected each value of M once",
    ),
    (
        'kind = "sdi-12"',
        'kind = "sdi-12"\nadapter = "bare"\nbaud = 9600',
        "buses.sdi.baud: found 9600; expected 1200, the only speed of SDI-12",
    ),
    (
        "[probes.chatty]",
        '[probes.twin]\nbus = "sdi"\nvessel = "k3"\naddress = "a"\n'
        'values = [{ quantity = "temperature", command = "M1", index = 1 }]\n[probes.chatty]',
        'probes.twin.address: found "a"; expected another one, as probes.deep reads the same there',
    ),
    ("(?P<t>", "(?P<u>", 'probes.chatty.groups[0].group: found "t"; expected "count" or "u"'),
    ("F'", "F('", "probes.chatty.pattern: found no pattern: missing )"),
    (
        "tcp_port = 502\n\n",
        'tcp_port = 502\n\n[buses.none]\nkind = "text-lines"\n\n',
        "buses.none: found neither port nor host; expected port (a serial port), or host and tcp_port",
    ),
    (
        'kind = "text-lines"\n',
        'kind = "text-lines"\nhost = "gateway"\n',
        "buses.lines: found both port and host; expected",
    ),
    (
        "[stages.polyp-own]",
        '[probes.shy]\nbus = "lines"\nvessel = "k3"\nask = "?\\r"\npattern = "(?P<t>.*)"\n'
        'groups = [{ quantity = "temperature", group = "t" }]\n\n[stages.polyp-own]',
        'probes.shy.ask: found "?\\r"; expected as probes.chatty has it: either all',
    ),
    (
        'bus = "lines"',
        'bus = "sdi"',
        'probes.chatty.bus: found "sdi" of kind "sdi-12"; expected a bus of kind "text-lines"',
    ),
    (
        '"{here}/lines"',
        '"{here}/sdi"',
        "buses.lines.port: found",
    ),
]


@pytest.mark.parametrize(("old", "new", "line"), WRONG)
def test_each_wrong_setting_gives_its_line(tmp_path, old, new, line):
    old, new = old.replace("{here}", str(tmp_path)), new.replace("{here}", str(tmp_path))
    found = lines(written(tmp_path, old, new))
    assert any(line in one for one in found), found
    assert all(re.match(r"[^\n]+$", one) for one in found)
