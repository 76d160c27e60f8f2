"""Fifty wrong settings, by `check --here` as an ordinary user: each gets its line, which says what to do."""

import json
import os
import pty
import re
from pathlib import Path

import pytest

from tests.daemon.check.test_check import GOOD
from tests.rigs.parts.ordinary_user import needs_root, ordinary_user

pytestmark = needs_root

PORT = 'port = "/dev/ttyEXAMPLE0"'
ROOT_OWNS = "{folder}/of-root"

# What is written instead of what, and what of the line must be there.
WRONG = {
    "no rack": (
        '[rack]\nname = "rack-1"\nlineage = "unknown"\ntime_zone = "Europe/Lisbon"',
        "",
        "[rack] table",
    ),
    "not TOML": ("[journal]", "[journal", "expected TOML"),
    "name with capitals": ('"rack-1"', '"Rack 1"', "expected small letters"),
    "unknown zone": ("Europe/Lisbon", "Lisbon", "a time zone of the IANA database"),
    "journal in a folder that is not there": (
        "journal.sqlite",
        "{folder}/none/j.sqlite",
        "sudo install -d -o",
    ),
    "decimal comma": ("advisory_high_c = 17.5", "advisory_high_c = 17,5", "a point in a number"),
    "quotes of a word processor": ('"rack-1"', "\u201crack-1\u201d", "straight quotes"),
    "text without quotes": ('"rack-1"', "rack-1", "text in quotes"),
    "a key twice": ('host = "localhost"', 'host = "localhost"\nhost = "127.0.0.1"', "each table once"),
    "one limit in two units": (
        "advisory_high_c = 17.5",
        "advisory_high_c = 17.5\nadvisory_high_f = 63",
        "found advisory_high_c beside it; expected one of the two",
    ),
    "address with a point": ("address = 4", "address = 4.0", "found 4.0; expected a whole number"),
    "journal in a folder of the system": (
        "journal.sqlite",
        "/usr/lib/j.sqlite",
        "/usr/lib/bellwatch, and the journal in there",
    ),
    "journal in a home by its sign": ("journal.sqlite", "~/j.sqlite", "a path from the root on"),
    "journal that is some other file": ("journal.sqlite", "{folder}/notes", "which is no journal"),
    "page at a port of root's": ("[broker]", "[page]\nport = 80\n[broker]", "or more, such as 8781"),
    "page that takes orders from everybody": (
        "[broker]",
        '[page]\nhost = "0.0.0.0"\nacts = true\n[broker]',
        "behind_tls, or host 127.0.0.1",
    ),
    "journal in a folder of root": (
        "journal.sqlite",
        f"{ROOT_OWNS}/j.sqlite",
        "may not write in; expected one",
    ),
    "journal that is root's": ("journal.sqlite", "{folder}/root.sqlite", "sudo chown"),
    "journal whose lock a watch of root left": ("journal.sqlite", "{folder}/left.sqlite", "left.sqlite*; or"),
    "journal that is a folder": ("journal.sqlite", "{folder}/of-root", "a file in a folder, such as"),
    "journal that is a pipe": ("journal.sqlite", "{folder}/pipe", "a file in a folder, such as"),
    "journal by a link into a disk that is not there": (
        "journal.sqlite",
        "{folder}/away.sqlite",
        "whose folder is not there; expected its disk mounted",
    ),
    "backups by a part of a path": ("[broker]", '[backup]\nfolder = "backup"\n[broker]', "no such folder"),
    "backups beside the journal": (
        "[broker]",
        '[backup]\nfolder = "{folder}"\n[broker]',
        "is on the journal's own disk",
    ),
    "port that is not there": (PORT, PORT, "found no port"),
    "port without a right to it": (PORT, f'port = "{ROOT_OWNS}-port"', "sudo usermod -aG"),
    "port that is a file": (PORT, 'port = "{folder}/root.sqlite"', "which is no serial port"),
    "address of a gateway as port": (
        PORT,
        'port = "tcp://10.0.0.7:502"',
        "a gateway is a bus of its own kind",
    ),
    "misspelt kind of bus": ('kind = "modbus-rtu"', 'kind = "modbus"', 'expected "modbus-rtu"'),
    "baud that no line has": (PORT, PORT + "\nbaud = 9601", "9600"),
    "parity in a letter": (PORT, PORT + '\nparity = "E"', 'expected "none", "even" or "odd"'),
    "unit address too high": ("unit_id = 1", "unit_id = 248", "expected 1 to 247"),
    "unit address in quotes": ("unit_id = 1", 'unit_id = "1"', "expected a whole number"),
    "address as the manual counts": ("address = 4", "address = 40001", "counted from 0"),
    "address counted in bytes": ("address = 2, ", "address = 1, ", "expected registers apart from"),
    "type of another maker": (
        'address = 0, type = "float32"',
        'address = 0, type = "real"',
        'expected "int16"',
    ),
    "scale of nothing": ('"oxygen", address', '"oxygen", scale = 0, address', "a number other than 0"),
    "unit beside the registers": (
        "unit_id = 1",
        'unit_id = 1\nunit = "ppm"',
        "it in each entry of registers",
    ),
    "unit of another quantity": ('"oxygen", address', '"oxygen", unit = "F", address', '"mg/L" or "ppm"'),
    "polled ten times a second": ("unit_id = 1", "unit_id = 1\nevery_s = 0.1", "1 or more"),
    "silent before it is read": ("unit_id = 1", "unit_id = 1\nsilent_after_s = 10", "expected 60 or more"),
    "bus of no such name": ('bus = "line"', 'bus = "lime"', 'perhaps "line"'),
    "vessel of no such name": (
        'vessel = "k1"\nunit',
        'vessel = "k9"\nunit',
        "expected a vessel of this file",
    ),
    "stage of no such name": ('stage = "ephyra"', 'stage = "ephira"', 'perhaps "ephyra"'),
    "kind of vessel of no such name": ('kind = "tray"', 'kind = "bucket"', '"kreisel"'),
    "probe without a vessel": ('bus = "line"\nvessel = "k1"', 'bus = "line"', "expected the vessel whose"),
    "temperature switched off": (
        "[stages.ephyra.temperature]\nadvisory_high_c = 17.5",
        '[stages.ephyra]\ntemperature = "none"',
        "no cold calls anybody",
    ),
    "limit in another unit": ("advisory_high_c = 17.5", "critical_high_c = 70", "is it °F"),
    "limits crossed": ("advisory_high_c = 17.5", "advisory_high_c = 9", "expected "),
    "critical delay of two hours": (
        "advisory_high_c = 17.5",
        "critical_on_delay_s = 7200",
        "an on-delay of at most",
    ),
    "limit without its unit": ("advisory_high_c", "advisory_high", 'perhaps "advisory_high_c"'),
    "two probes on one topic": (
        "[probes.barometer]",
        '[probes.t1-second]\nbus = "air"\nvessel = "t1"\ntopic = "t1/temperature"\n'
        'fields = [{ quantity = "temperature" }]\n[probes.barometer]',
        "expected another one, as probes.t1-thermometer reads the same there",
    ),
    "two probes on one topic by two buses": (
        "[probes.barometer]",
        '[buses.air-2]\nkind = "mqtt"\n'
        '[probes.t1-second]\nbus = "air-2"\nvessel = "t1"\ntopic = "t1/temperature"\n'
        'fields = [{ quantity = "temperature" }]\n[probes.barometer]',
        "by way of buses.air",
    ),
    "topic with a user's wildcard": ('topic = "t1/temperature"', 'topic = "#"', "expected "),
    "topic that is shared out": (
        'topic = "t1/temperature"',
        'topic = "$share/racks/t1/temperature"',
        "that does not begin with '$'",
    ),
    "JSON without a pointer": (', pointer = "/hpa"', "", "where the value is"),
    "broker as a URL": ('host = "localhost"', 'host = "mqtt://localhost"', "without scheme"),
    "broker that is not there": (
        'host = "localhost"',
        'host = "127.0.0.1"\nport = 9',
        "systemctl status mosquitto",
    ),
    "password that everybody reads": (
        'host = "localhost"',
        'host = "localhost"\nusername = "u"\npassword_file = "{folder}/open"',
        "expected mode 0600 or 0640",
    ),
    "password that we may not read": (
        'host = "localhost"',
        'host = "localhost"\nusername = "u"\npassword_file = "{folder}/closed"',
        "the daemon's user may read",
    ),
    "password file that is not there": (
        'host = "localhost"',
        'host = "localhost"\nusername = "u"\npassword_file = "{folder}/none"',
        "a file that holds the password alone",
    ),
}

_ALL_IN_ONE = """
import contextlib, io, json, multiprocessing, sys, traceback

from daemon.commands.going_live import here
from daemon.commands.cli import main
here.POLLED_WITHIN_S = here.BROKER_WITHIN_S = 0.2
def told(path):
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        try:
            status = main(["check", "--here", path])
        except BaseException:
            status = traceback.print_exc(file=out)
    return status, out.getvalue()
files = json.load(sys.stdin)
with multiprocessing.get_context("fork").Pool(16) as pool:  # each waits, for ports and a broker
    found = pool.map(told, files.values(), chunksize=1)
json.dump(dict(zip(files, found)), sys.stdout)
"""


@pytest.fixture(scope="module")
def told():
    """What each wrong file, and the right one, gets to hear, and its exit status."""
    with ordinary_user() as user:
        folder = user.folder
        (folder / "of-root").mkdir(mode=0o755)
        (folder / "root.sqlite").touch(0o600)
        (folder / "left.sqlite.lock").touch(0o644)
        os.mkfifo(folder / "pipe")
        (folder / "away.sqlite").symlink_to(folder / "disk" / "j.sqlite")
        user.owns(folder / "pipe")
        (folder / "closed").write_text("secret")
        (folder / "closed").chmod(0o600)
        (folder / "open").write_text("secret")
        (folder / "notes").write_text("secret")
        user.owns(folder / "notes")
        (folder / "open").chmod(0o644)
        master, slave = pty.openpty()
        port = Path(os.ttyname(slave))
        port.chmod(0o600)
        (folder / "of-root-port").symlink_to(port)
        files = {}
        for number, (name, (right, wrong, _)) in enumerate(WRONG.items()):
            assert right in GOOD, name
            text = GOOD.replace(right, wrong, 1).replace('"journal.sqlite"', f'"{folder}/j.sqlite"')
            files[name] = str(folder / f"{number}.toml")
            Path(files[name]).write_text(text.replace("{folder}", str(folder)))
        done = user.run("-c", _ALL_IN_ONE, text=json.dumps(files))
        os.close(master)
        os.close(slave)
        assert done.returncode == 0, done.stderr
        yield json.loads(done.stdout)


def test_there_are_fifty():
    assert len(WRONG) >= 50


@pytest.mark.parametrize("name", WRONG)
def test_each_gets_its_line(told, name):
    status, said = told[name]
    assert "Traceback" not in said
    assert status in (0, 2)
    (line, *_) = [line for line in said.splitlines() if WRONG[name][2] in line] or [""]
    assert line, said
    assert re.match(r"(here: )?(warning: )?[^:].*: found .+; expected .+", line), line
    assert "secret" not in said
    assert "broker_unreachable" not in said, "a log's line is nobody's here"
