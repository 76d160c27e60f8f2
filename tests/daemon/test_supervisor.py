"""sd_notify: the datagrams that systemd waits for really arrive (sd_notify(3))."""

import socket
import time
from contextlib import contextmanager

import pytest

from daemon.supervisor import tell_supervisor
from tests.rigs.daemon_run import PATIENCE_S, DaemonRun, write_settings
from tests.rigs.parts.mosquitto import free_port


@contextmanager
def supervisor(address):
    """A socket as systemd has it; in the abstract namespace where the address begins with @."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0" + address[1:] if address.startswith("@") else address)
        heard.settimeout(PATIENCE_S)
        yield lambda: heard.recv(4096).decode()


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_a_state_arrives(tmp_path, monkeypatch, kind):
    address = (
        str(tmp_path / "notify")
        if kind == "path"
        else f"@bellwatch-test-{tmp_path.name}-{time.monotonic_ns()}"
    )
    with supervisor(address) as next_word:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        tell_supervisor("READY=1")
        tell_supervisor("WATCHDOG=1")
        assert [next_word(), next_word()] == ["READY=1", "WATCHDOG=1"]


def test_without_a_supervisor_nothing_is_said(monkeypatch):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    tell_supervisor("READY=1")


def test_the_daemon_says_that_it_is_ready_that_it_lives_and_that_it_stops(tmp_path, monkeypatch):
    settings = write_settings(tmp_path, tmp_path / "no-such-port", free_port())
    address = str(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    daemon = DaemonRun(settings)
    with supervisor(address) as next_word:
        try:
            daemon.start()
            assert next_word() == "READY=1"
            assert [next_word() for _ in range(5)] == ["WATCHDOG=1"] * 5
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
        while (word := next_word()) == "WATCHDOG=1":
            pass
        assert word == "STOPPING=1"
