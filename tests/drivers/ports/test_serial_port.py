"""Serial ports: found again by their stable names, and who has one that we cannot have."""

import os
import subprocess
import sys

import pytest

from drivers.errors import PortLostError, SetupError
from drivers.ports.serial_port import SerialWay, holder, stable_name
from tests.rigs.parts.pty_pair import PtyLine


@pytest.fixture
def line(tmp_path):
    """An adapter under a kernel's name and a stable one."""
    line = PtyLine(tmp_path / "ttyUSB0")
    (tmp_path / "by-id").mkdir()
    (tmp_path / "by-id" / "usb-adapter-7").symlink_to(line.path.readlink())
    return line


def replugged(line, tmp_path):
    """The same adapter comes back as ttyUSB1."""
    other = PtyLine(tmp_path / "ttyUSB1")
    (tmp_path / "by-id" / "usb-adapter-7").unlink()
    (tmp_path / "by-id" / "usb-adapter-7").symlink_to(other.path.readlink())
    return other


def test_an_adapter_that_comes_back_under_another_kernel_name_is_found(line, tmp_path):
    way = SerialWay(str(line.path), stable_names=tmp_path / "by-id")
    way.open().close()
    line.unplug()
    other = replugged(line, tmp_path)
    port = way.open()
    port.write(b"x")
    assert os.read(other.master, 1) == b"x"
    port.close()
    other.unplug()


def test_another_adapter_under_the_old_kernel_name_is_not_taken_for_it(line, tmp_path):
    way = SerialWay(str(line.path), stable_names=tmp_path / "by-id")
    way.open().close()
    line.unplug()
    (tmp_path / "by-id" / "usb-adapter-7").unlink()
    stranger = PtyLine(tmp_path / "ttyUSB0")
    with pytest.raises(PortLostError, match="usb-adapter-7: No such file"):
        way.open()
    stranger.unplug()


def test_of_two_adapters_that_share_a_name_each_is_found_by_its_place(line, tmp_path):
    """Without serial numbers both are usb-adapter-7: the one that was plugged in last has that name."""
    other = PtyLine(tmp_path / "ttyUSB1")
    (tmp_path / "by-path").mkdir()
    for place, its in (("left", line), ("right", other)):
        (tmp_path / "by-path" / place).symlink_to(its.path.readlink())
    way = SerialWay(str(line.path), stable_names=tmp_path / "by-id")
    way.open().close()
    (tmp_path / "by-id" / "usb-adapter-7").unlink()
    (tmp_path / "by-id" / "usb-adapter-7").symlink_to(other.path.readlink())
    port = way.open()
    port.write(b"x")
    assert os.read(line.master, 1) == b"x"
    port.close()
    other.unplug()


def test_without_a_stable_name_the_given_one_is_used_again(line, tmp_path):
    way = SerialWay(str(line.path), stable_names=tmp_path / "none")
    way.open().close()
    assert stable_name(str(line.path), tmp_path / "none") is None
    line.unplug()
    line.plug()
    way.open().close()
    line.unplug()


TAKES_IT = """
import serial, sys
port = serial.Serial(sys.argv[1], exclusive=True)
print("taken", flush=True)
sys.stdin.read()
"""


def test_who_has_a_port_is_named(line):
    command = [sys.executable, "-c", TAKES_IT, str(line.path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "taken\n"
        with pytest.raises(
            PortLostError, match=rf"another program has it open \(\w.*, process {other.pid}\)"
        ):
            SerialWay(str(line.path)).open()
        other.stdin.close()
        other.wait(20)
    assert holder(str(line.path)) == ""
    SerialWay(str(line.path)).open().close()
    line.unplug()


@pytest.mark.parametrize("wrong", [{"parity": "mark"}, {"stop_bits": 3}, {"baud": 0}])
def test_impossible_ports(wrong):
    with pytest.raises(SetupError, match="must be"):
        SerialWay("/dev/null", **wrong)
