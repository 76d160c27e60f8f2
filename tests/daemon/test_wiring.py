"""From the settings to the wires: what a settings file says of probes is what is asked and what is read.

pymodbus serves the registers, a real mosquitto carries the payloads, and the journal shows the values.
"""

import struct
from contextlib import closing

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice

from daemon.check.load import load_settings
from daemon.clock import SteadyClock
from daemon.errors import JournalError, SettingsError
from daemon.journal.journal import Journal
from daemon.wiring import build
from tests.rigs.daemon_run import ROOT
from tests.rigs.daemon_thread import running_daemon
from tests.rigs.journal_file import asked
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.pty_pair import pymodbus_line
from tests.rigs.parts.simulator_process import wait_for

RACK = """\
[rack]
name = "wired"
time_zone = "UTC"

[journal]
path = "{folder}/journal.sqlite"
commit_every_s = 0.05

[broker]
host = "127.0.0.1"
port = {port}

[vessels.k1]
kind = "kreisel"
stage = "ephyra"

[vessels.k2]
kind = "kreisel"
stage = "juvenile"
"""

ON_A_LINE = """
[buses.line]
kind = "modbus-rtu"
port = "{line}"
baud = 19200

[probes.salt]
bus = "line"
vessel = "k1"
unit_id = 7
every_s = 0.1
registers = [
    {{ quantity = "temperature", address = 10, type = "int16", scale = 0.01, offset = -5 }},
    {{ quantity = "conductivity", address = 11, type = "float32", word_order = "little" }},
]

[probes.oxygen]
bus = "line"
vessel = "k1"
unit_id = 8
every_s = 0.1
registers = [{{ quantity = "oxygen", function = "input", address = 300, type = "float32" }}]
"""

ON_A_BROKER = """
[buses.air]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
username = "probes"
password_file = "{folder}/secret"

[probes.plain]
bus = "air"
vessel = "k1"
every_s = 30
topic = "n/plain"
format = "plain"
fields = [{{ quantity = "temperature", scale = 0.5, offset = 1 }}]

[probes.pointed]
bus = "air"
vessel = "k2"
every_s = 30
topic = "n/json"
format = "json"
fields = [
    {{ quantity = "temperature", pointer = "/water/t" }},
    {{ quantity = "conductivity", pointer = "/water/c", scale = 10 }},
]

[probes.named]
bus = "air"
every_s = 30
topic = "n/senml"
format = "senml"
fields = [{{ quantity = "air_pressure", senml_name = "room:pressure" }}]
"""


def settings_of(folder, text, **places):
    path = folder / "bellwatch.toml"
    path.write_text((RACK + text).format(folder=folder, **places))
    return load_settings(path)


def newest(settings):
    """The newest value of each probe and quantity in the journal."""
    rows = asked(
        settings.journal.path,
        "SELECT probe, quantity, vessel, value FROM reading JOIN source ON source.id = source ORDER BY seq",
    )
    return {(probe, quantity): (vessel, value) for probe, quantity, vessel, value in rows}


def words_of(number, order="big"):
    high, low = struct.unpack(">HH", struct.pack(">f", number))
    return [high, low] if order == "big" else [low, high]


def registers(unit_id, address, *values):
    return SimDevice(unit_id, simdata=[SimData(address, datatype=DataType.REGISTERS, values=list(values))])


def test_registers_are_asked_and_read_as_the_settings_say(tmp_path):
    devices = [registers(7, 10, 2025, *words_of(43.5, "little")), registers(8, 300, *words_of(8.25))]
    with Mosquitto(tmp_path) as broker, pymodbus_line(tmp_path, devices) as line:
        settings = settings_of(tmp_path, ON_A_LINE, line=line, port=broker.port)
        with running_daemon(settings, SteadyClock()):
            wait_for(lambda: len(newest(settings)) == 3)
    assert newest(settings) == {
        ("salt", "temperature"): ("k1", pytest.approx(20.25 - 5.0)),
        ("salt", "conductivity"): ("k1", 43.5),
        ("oxygen", "oxygen"): ("k1", 8.25),
    }


def test_payloads_are_read_as_the_settings_say_under_the_user_that_they_name(tmp_path):
    (tmp_path / "secret").write_text("hush\n")
    (tmp_path / "secret").chmod(0o600)
    acl = "topic readwrite bellwatch/#\nuser probes\ntopic read n/#\nuser writer\ntopic write n/#"
    with Mosquitto(tmp_path, users={"probes": "hush", "writer": "hush"}, acl=acl) as broker:
        settings = settings_of(tmp_path, ON_A_BROKER, port=broker.port)
        with running_daemon(settings, SteadyClock()):
            broker.wait_for_log("Sending SUBACK")
            as_writer = ("-u", "writer", "-P", "hush")
            broker.publish("n/plain", "28.5", *as_writer)
            broker.publish("n/json", '{"water": {"t": 16.5, "c": 4.25}}', *as_writer)
            broker.publish("n/senml", '[{"n": "room:pressure", "u": "Pa", "v": 100925}]', *as_writer)
            wait_for(lambda: len(newest(settings)) == 4)
    assert newest(settings) == {
        ("plain", "temperature"): ("k1", 15.25),
        ("pointed", "temperature"): ("k2", 16.5),
        ("pointed", "conductivity"): ("k2", 42.5),
        ("named", "air_pressure"): ("rack", 1009.25),
    }


def test_a_bus_without_probes_has_no_thread(tmp_path):
    text = '\n[buses.spare]\nkind = "modbus-rtu"\nport = "/dev/none"\n' + ON_A_LINE
    settings = settings_of(tmp_path, text, line=tmp_path / "none", port=free_port())
    with running_daemon(settings, SteadyClock()) as _:
        wait_for(lambda: asked(settings.journal.path, "SELECT 1 FROM source"))
    assert "spare" not in str(asked(settings.journal.path, "SELECT body FROM action"))


def test_the_daemon_can_be_built_from_the_example_settings(tmp_path, monkeypatch):
    monkeypatch.setenv("BELLWATCH_JOURNAL__PATH", str(tmp_path / "journal.sqlite"))
    monkeypatch.setenv("BELLWATCH_BROKER__PORT", str(free_port()))
    settings = load_settings(ROOT / "deploy" / "bellwatch.example.toml")
    with running_daemon(settings, SteadyClock()):
        wait_for(lambda: asked(tmp_path / "journal.sqlite", "SELECT 1 FROM action WHERE kind = 'configure'"))
    with closing(Journal(tmp_path / "journal.sqlite", writable=False)) as journal:
        sources = {(probe, quantity) for probe, quantity, _ in journal.inputs.sources().values()}
    assert sources == {(name, q) for name, probe in settings.probes.items() for q in probe.quantities}


def test_what_cannot_be_built_is_refused_in_a_line(tmp_path):
    settings = settings_of(tmp_path, ON_A_LINE, line=tmp_path / "none", port=free_port())
    with running_daemon(settings, SteadyClock()):
        wait_for(lambda: asked(settings.journal.path, "SELECT 1 FROM action"))
        with pytest.raises(JournalError, match="is writing it"):
            build(settings)
    keys = f'host = "127.0.0.1"\nusername = "rack"\npassword_file = "{tmp_path}/none"\nport'
    text = (tmp_path / "bellwatch.toml").read_text().replace('host = "127.0.0.1"\nport', keys, 1)
    (tmp_path / "bellwatch.toml").write_text(text)
    with pytest.raises(SettingsError, match="password_file: found a file that cannot be read"):
        build(load_settings(tmp_path / "bellwatch.toml"))
