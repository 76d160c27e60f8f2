"""Wrong wirings on pseudo-terminals: `probe read` says what to do about each, some read by an ordinary user.

The peers answer with registers as a Modbus probe does, closed by pymodbus's CRC; what they have in them is
what each mistake makes of water at 18.2 °C, 43.1 mS/cm and 8.0 mg/L.
"""

import struct
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

import pytest
from pymodbus.framer import FramerRTU

from daemon.commands.cli import main
from tests.rigs.parts.ordinary_user import needs_root, ordinary_user
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.sdi12_sensor import Sensor, SensorsOnPty

SETTINGS = """
[rack]
name = "bench"
time_zone = "UTC"
lineage = "unknown"
[journal]
path = "{folder}/journal.sqlite"
[buses.line]
kind = "modbus-rtu"
port = "{folder}/serial"
timeout_ms = 150
retries = 0
[vessels.k1]
kind = "kreisel"
stage = "ephyra"
[probes.k1-multi]
bus = "line"
vessel = "k1"
unit_id = 1
every_s = 1
registers = [{{ quantity = "{quantity}", address = 0, type = "{type}" }}]
"""


def words(form, value):
    data = struct.pack(form, value)
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def holds(form, value, *, turned=lambda found: found):
    """Answer each read with the registers of this value."""

    def answer(request):
        found, start = turned(words(form, value)), int.from_bytes(request[2:4], "big")
        count = int.from_bytes(request[4:6], "big")
        return answer_frame(request[0], request[1], *(found + [0] * 9)[start : start + count])

    return answer


def refuses(code):
    return lambda request: answer_frame_of(request[0], request[1] | 0x80, code)


def answer_frame_of(*body):
    return bytes(body) + struct.pack(">H", FramerRTU.compute_CRC(bytes(body)))


def bytes_swapped(found):
    return [(word & 0xFF) << 8 | word >> 8 for word in found]


def only_unit_9(request):
    return answer_frame(9, 3, 1, 2) if request[0] == 9 else None


def two_at_once(_request):
    """A line carries the AND of what two drive onto it at once, or anything else; this is one such thing."""
    one, other = answer_frame(1, 3, 0x4191, 0x999A), answer_frame(1, 3, 0x41A0, 0x1234)
    return bytes(a & b for a, b in zip(one, other, strict=True))


right = holds(">f", 18.2)
TEMPERATURE, FLOAT = "temperature", "float32"
WRONG = {
    "wires A and B swapped, or no power": (TEMPERATURE, FLOAT, lambda _: None, "wiring (A and B swapped?)"),
    "the probe has another unit_id": (TEMPERATURE, FLOAT, only_unit_9, "unit_id"),
    "another baud: what comes is garbled": (
        TEMPERATURE, FLOAT, lambda _: b"\x9a\xf0\x00\xc2\x81", "check baud, parity"),
    "two probes of one unit_id talk at once": (TEMPERATURE, FLOAT, two_at_once, "two probes with one"),
    "an adapter that echoes, and no probe": (TEMPERATURE, FLOAT, bytes, "the adapter echoes"),
    "holding registers asked, it has input registers": (TEMPERATURE, FLOAT, refuses(1), "register table"),
    "addresses counted from 1": (TEMPERATURE, FLOAT, refuses(2), "start at 1 or at 40001 are off by one"),
    "words in the other order": (
        TEMPERATURE, FLOAT, holds(">f", 18.2, turned=lambda found: found[::-1]),
        'it would make sense as float32, word_order = "little": 18.2 °C'),
    "bytes in the other order": (
        TEMPERATURE, FLOAT, holds(">f", 18.2, turned=bytes_swapped),
        'it would make sense as float32, byte_order = "little": 18.2 °C'),
    "a float read as a whole number": (
        TEMPERATURE, "int32", holds(">f", 18.2), "it would make sense as float32: 18.2 °C"),
    "°F taken for °C": (TEMPERATURE, FLOAT, holds(">f", 64.76), "it would make sense in °F: 18.2 °C"),
    "hundredths taken for °C": (
        TEMPERATURE, "int16", holds(">h", 1820), "it would make sense in hundredths of °C: 18.2 °C"),
    "µS/cm taken for mS/cm": (
        "conductivity", FLOAT, holds(">f", 43_100.0), "it would make sense in µS/cm: 43.1 mS/cm"),
    "µg/L taken for mg/L": ("oxygen", FLOAT, holds(">f", 8_000.0), "it would make sense in µg/L: 8 mg/L"),
    "% taken for mg/L": ("oxygen", FLOAT, holds(">f", 98.0), "in % of saturation"),
    "the probe has no measurement": (TEMPERATURE, FLOAT, holds(">f", float("nan")), "makes no sense"),
    "a loose wire: the end is missing": (
        TEMPERATURE, FLOAT, lambda request: right(request)[:-3], "cut off after 6 of 9 bytes; check baud"),
    "seven bits instead of eight": (
        TEMPERATURE, FLOAT, lambda request: bytes(it & 0x7F for it in right(request)), "check baud, parity"),
    "it speaks Modbus ASCII": (
        TEMPERATURE, FLOAT, lambda request: b":" + right(request)[:-2].hex().upper().encode() + b"4E\r\n",
        "check baud, parity"),
    "somebody talks all the time": (
        TEMPERATURE, FLOAT, lambda _: b"$water 18.2\r\n" * 40, "check baud, parity"),
    "a gateway without its probe": (TEMPERATURE, FLOAT, refuses(11), "behind the gateway is silent"),
    "a refusal of its maker's own": (TEMPERATURE, FLOAT, refuses(99), "of its maker's own: see its manual"),
    "K taken for °C": (TEMPERATURE, FLOAT, holds(">f", 291.35), "it would make sense in K: 18.2 °C"),
    "S/m taken for mS/cm": (
        "conductivity", FLOAT, holds(">f", 4.31), "it would make sense in S/m: 43.1 mS/cm"),
    "a share taken for %": ("oxygen_saturation", FLOAT, holds(">f", 0.98), "as a share of 1: 98 %"),
    "kPa taken for hPa": ("air_pressure", FLOAT, holds(">f", 101.3), "in kPa: 1013 hPa"),
    "its sign of a fault": (TEMPERATURE, FLOAT, holds(">f", -999.0), "or this its sign of a fault?"),
    "a dry cell": ("conductivity", FLOAT, holds(">f", 0.0), "nor otherwise: is it in water"),
}  # fmt: skip


@pytest.fixture(scope="module")
def user():
    with ordinary_user() as made:
        yield made


def wired(folder, quantity, kind, answer, *command):
    """What a command says to a peer, in this process: one of its own takes a second to start."""
    out, err = StringIO(), StringIO()
    with (
        wires(folder, quantity, kind, answer) as settings,
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        main([*command, "--settings", str(settings)])
    return out.getvalue() + err.getvalue()


@contextmanager
def wires(folder, quantity, kind, answer, owns=lambda _path: None):
    """A peer on a line, and the settings of a rack on it."""
    line, settings = PtyLine(folder / "serial"), folder / "rack.toml"
    owns(line.path)
    settings.write_text(SETTINGS.format(folder=folder, quantity=quantity, type=kind))
    with Peer(line, answer):
        yield settings
    line.unplug()


def test_there_are_two_dozen():
    assert len(WRONG) >= 24


@pytest.mark.parametrize("name", WRONG)
def test_each_gets_its_line(tmp_path, name):
    quantity, kind, answer, line = WRONG[name]
    assert line in wired(tmp_path, quantity, kind, answer, "probe", "read", "k1-multi")


@needs_root
def test_what_is_right_makes_sense_with_its_bytes(user):
    with wires(user.folder, TEMPERATURE, FLOAT, holds(">f", 18.2), user.owns) as settings:
        done = user.run("-m", "daemon", "probe", "read", "k1-multi", "--settings", settings)
    assert done.stdout.splitlines()[0] == (
        "temperature: raw 41 91 99 9a; as set (float32) 18.2 °C: makes sense"
    )


@needs_root
def test_a_port_without_a_right_to_it_gets_the_group(user):
    line = PtyLine(user.folder / "serial")  # root's
    Path(line.path).resolve().chmod(0o600)
    settings = user.folder / "rack.toml"
    settings.write_text(SETTINGS.format(folder=user.folder, quantity=TEMPERATURE, type=FLOAT))
    done = user.run("-m", "daemon", "probe", "read", "k1-multi", "--settings", settings)
    line.unplug()
    assert "the group that owns the port" in done.stderr
    assert done.returncode == 2


def test_scan_says_who_answers_a_line_each(tmp_path):
    said = wired(
        tmp_path, TEMPERATURE, FLOAT,
        lambda request: answer_frame(request[0], request[1], 7) if request[0] in (2, 5) else None,
        "probe", "scan", "line", "--to", "6",
    )  # fmt: skip
    assert said.splitlines() == [
        "1: -", "2: answers", "3: -", "4: -", "5: answers", "6: -", "2 of 6 addresses answered, 1 to 6",
    ]  # fmt: skip


@needs_root
def test_scan_goes_through_the_addresses_of_an_sdi_12_line(user):
    line = PtyLine(user.folder / "serial")
    user.owns(line.path)
    settings = user.folder / "rack.toml"
    text = SETTINGS.format(folder=user.folder, quantity=TEMPERATURE, type=FLOAT)
    text = text.replace("modbus-rtu", "sdi-12").replace("unit_id = 1", 'address = "0"')
    settings.write_text(
        text[: text.index("registers")] + 'values = [{ quantity = "temperature", index = 1 }]'
    )
    with SensorsOnPty(line, Sensor("1"), Sensor("A")):
        done = user.run("-m", "daemon", "probe", "scan", "line", "--to", "B", "--settings", settings)
        wrong = user.run("-m", "daemon", "probe", "scan", "line", "--to", "44", "--settings", settings)
    line.unplug()
    assert done.stdout.splitlines() == [
        "0: -", "1: answers", *(f"{it}: -" for it in range(2, 10)), "A: answers", "B: -",
        "2 of 12 addresses answered, 0 to B",
    ]  # fmt: skip
    assert wrong.stderr.splitlines() == ["--from, --to: found 0 to 44; expected within 0 to z"]


def test_follow_tells_when_a_probe_stands_still(tmp_path):
    said = wired(
        tmp_path, TEMPERATURE, FLOAT, holds(">f", 18.2), "probe", "follow", "k1-multi", "--for", "7s"
    )
    lines = said.splitlines()
    assert lines[0] == "temperature: 18.20 °C  1 of 6 readings"
    assert lines[-1] == "temperature: 18.20 °C  stands still"
