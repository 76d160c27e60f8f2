"""`check --here` with a real broker and a probe on a pseudo-terminal: what is well, who may not do what."""

import pytest

from daemon.commands.cli import main
from tests.rigs.daemon_run import write_settings
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

pytestmark = pytest.mark.usefixtures("quiet_logs")


@pytest.fixture
def line(tmp_path):
    line = PtyLine(tmp_path / "serial")
    yield line
    line.unplug()


def tried(folder, line, port, capsys, login=""):
    settings = write_settings(folder, line.path, port)
    text = settings.read_text()
    assert f"port = {port}\n" in text
    settings.write_text(text.replace(f"port = {port}\n", f"port = {port}\n{login}", 1))
    with Peer(line, lambda request: answer_frame(request[0], request[1], 1500)):
        status = main(["check", "--here", str(settings)])
    return status, [it for it in capsys.readouterr().out.splitlines() if it.startswith("here: ")]


def of(lines, what):
    (line,) = [line for line in lines if line.startswith((f"here: {what}", f"here: warning: {what}"))]
    return line


def test_a_rack_that_is_well(tmp_path, line, capsys):
    with Mosquitto(tmp_path) as broker:
        status, lines = tried(tmp_path, line, broker.port, capsys)
    assert status == 0, lines
    assert "lets us in, and we may publish" in of(lines, "broker")
    assert of(lines, "probes.k1-ct") == "here: probes.k1-ct: answers"
    assert of(lines, "probes: ").startswith("here: probes: 1 of 1 have answered within ")
    assert lines[-1] == "here: nothing that keeps the watch from its work"


@pytest.mark.parametrize(
    ("password", "acl", "says"),
    [
        ("wrong", "user bench\ntopic readwrite #", "Not authorized"),
        (
            "right",
            "user bench\ntopic read #",
            "we may not publish (Not authorized); expected its access list",
        ),
        ("right", "user bench\ntopic readwrite #", "lets us in, and we may publish"),
    ],
)
def test_the_broker_and_what_it_lets_us_publish(tmp_path, line, capsys, monkeypatch, password, acl, says):
    monkeypatch.setattr("daemon.commands.going_live.here.BROKER_WITHIN_S", 2.0)
    (tmp_path / "password").write_text(password)
    (tmp_path / "password").chmod(0o600)
    login = f'username = "bench"\npassword_file = "{tmp_path}/password"\n'
    with Mosquitto(tmp_path, users={"bench": "right"}, acl=acl) as broker:
        status, lines = tried(tmp_path, line, broker.port, capsys, login)
    assert says in of(lines, "broker"), lines
    assert status == (0 if "lets us in" in says else 2)


def test_a_probe_that_does_not_answer_is_named(tmp_path, line, capsys, monkeypatch):
    monkeypatch.setattr("daemon.commands.going_live.here.BROKER_WITHIN_S", 0.5)  # there is none
    settings = write_settings(tmp_path, line.path, free_port())
    with Peer(line, lambda _: None):
        assert main(["check", "--here", str(settings)]) == 2
    said = capsys.readouterr().out
    assert "here: probes.k1-ct: found k1-ct (unit 1 on" in said
    assert "bellwatch probe read k1-ct tries again" in said
