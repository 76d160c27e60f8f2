"""deploy/oncall.md word for word: two fresh roots, each in a network of its own, joined by a cable.

BELLWATCH_GUIDE_ROOT names a root, made once (as root, with a network), of which both are copies in memory:

    debootstrap --include=python3-venv,openssl,sudo,mosquitto,mosquitto-clients bookworm FOLDER

Every line of the blocks is run there as it stands. Invented below them: what `install.sh` puts on the rack
(the broker's files and the user of the daemon), typed passwords, wheels in place of an index, `systemctl`,
which notes what it was asked for: what the units would run is run as their users.
"""

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from datetime import UTC
from pathlib import Path

import pytest

from daemon.broker.messages import messages_of
from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.calling.records import Voice
from tests.rigs.places import DEPLOY, ROOT

GUIDE = (DEPLOY / "oncall.md").read_text()
RACK, DESK = "192.0.2.10", "192.0.2.20"
FRESH = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LANG": "C.UTF-8"}
SHAM = """\
set -eu
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin PYTHONDONTWRITEBYTECODE=1
systemctl() { echo "$*" >> /systemctl; }
mosquitto_passwd() { command mosquitto_passwd -b "$@" PASSWORD; }
"""


def block(section, number):
    """A block of the guide as lines of a shell."""
    text = GUIDE.partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    found = re.findall(r"(?:^    .*\n)+", text, re.MULTILINE)[number]
    return re.sub("^    ", "", found, flags=re.MULTILINE)


def run(*command, **how):
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False, **how)
    assert done.returncode == 0, f"{command}: {done.stdout[-1500:]} {done.stderr[-1500:]}"
    return done.stdout


class Machine:
    """A root of its own in a network of its own."""

    def __init__(self, stack, base, folder, name, address):
        self.name, self.root = f"bw{os.getpid()}{name}", folder / name
        layers = folder / f"{name}-layers"
        for made in (self.root, layers):
            made.mkdir()
        run("mount", "-t", "tmpfs", "tmpfs", str(layers))
        stack.callback(subprocess.run, ["umount", "-l", str(layers)], check=False)
        for made in ("upper", "work"):
            (layers / made).mkdir()
        over = f"lowerdir={base},upperdir={layers / 'upper'},workdir={layers / 'work'}"
        run("mount", "-t", "overlay", "overlay", "-o", over, str(self.root))
        stack.callback(subprocess.run, ["umount", "-l", str(self.root)], check=False)
        for inside in ("proc", "dev"):
            run("mount", "--rbind", f"/{inside}", str(self.root / inside))
            run("mount", "--make-rslave", str(self.root / inside))
        run("ip", "netns", "add", self.name)
        stack.callback(subprocess.run, ["ip", "netns", "delete", self.name], check=False)
        run("ip", "-n", self.name, "link", "set", "lo", "up")
        self.address = address
        (self.root / "etc" / "hosts").write_text(f"127.0.0.1 localhost\n{RACK} broker.example\n")

    def command(self, script):
        return ["ip", "netns", "exec", self.name, "chroot", str(self.root), "sh", "-c", SHAM + script]

    def does(self, script):
        return run(*self.command(script), env=FRESH)

    def starts(self, stack, script, log):
        """Run something in the background until the end; its words go into a file."""
        with log.open("w") as words:
            process = subprocess.Popen(
                self.command(script), stdout=words, stderr=words, start_new_session=True
            )

        def end():
            with suppress(ProcessLookupError):
                os.killpg(process.pid, 15)
            process.wait(20)

        stack.callback(end)
        return process


def cable(one, other):
    """Join the networks of two machines."""
    ends = "veth-a", "veth-b"
    peer = "type", "veth", "peer", "name", ends[1], "netns", other.name
    run("ip", "link", "add", "name", ends[0], "netns", one.name, *peer)
    for end, machine in zip(ends, (one, other), strict=True):
        run("ip", "-n", machine.name, "address", "add", f"{machine.address}/24", "dev", end)
        run("ip", "-n", machine.name, "link", "set", end, "up")


def wheels(folder):
    """What an index would give: the wheels of the package's needs, and of what builds it."""
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "-w", str(folder), "hatchling>=1.27"]
    run(*command, f"{ROOT}[oncall]")
    for own in folder.glob("bellwatch-*.whl"):
        own.unlink()


@pytest.fixture
def machines(tmp_path):
    base = os.environ.get("BELLWATCH_GUIDE_ROOT")
    if not base:
        pytest.skip("BELLWATCH_GUIDE_ROOT names no root; this file says how to make one")
    if os.geteuid() != 0 or shutil.which("ip") is None:
        pytest.skip("only root can give a root a network of its own, by ip (package iproute2)")
    with ExitStack() as stack:
        rack = Machine(stack, Path(base), tmp_path, "r", RACK)
        desk = Machine(stack, Path(base), tmp_path, "d", DESK)
        cable(rack, desk)
        yield stack, rack, desk


def installed(rack):
    """What the installer leaves on the rack's machine, as far as the guide goes by it."""
    etc = rack.root / "etc" / "mosquitto"
    shutil.copy(DEPLOY / "mosquitto.conf", etc / "conf.d" / "bellwatch.conf")
    shutil.copy(DEPLOY / "mosquitto.acl", etc / "bellwatch.acl")
    rack.does("mosquitto_passwd -c /etc/mosquitto/bellwatch.passwd bellwatch; mkdir -p /etc/mosquitto/certs")
    rack.does("chown mosquitto /etc/mosquitto/bellwatch.*; chmod 600 /etc/mosquitto/bellwatch.*")


def alarm():
    """A critical alarm in words that a rack says."""
    now_ms = round(time.time() * 1000)
    event = AlarmEvent(
        1, now_ms, "k1", "k1/temperature", Condition.HIGH, Trigger.RAISED, State.UNACKNOWLEDGED,
        Priority.CRITICAL, now_ms, evidence=Evidence(19.24, 19.0, rate_per_hour=0.6),
    )  # fmt: skip
    return messages_of(event, Voice("j1", "r1", "b1", "north-pi"), "bellwatch/north-rack", UTC)


def wait_for(condition, what, patience_s=60.0):
    until = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < until, f"{what} never came"
        time.sleep(0.2)


def settled(desk):
    """What the guide leaves to the reader: the password, the team, racks and broker, the addresses."""
    etc = desk.root / "etc" / "bellwatch"
    (etc / "oncall-broker-password").write_text("PASSWORD\n")
    team = (etc / "oncall.toml").read_text()
    changed = re.sub(r"(?m)^# (ca_file = ).*$", r'\1"/etc/bellwatch/broker-ca.pem"', team)
    changed = re.sub(r"(?m)^(gather_s = ).*$", r"\1 1", changed)
    if "ca_file" not in re.sub(r"(?m)^#.*$", "", changed):
        changed = changed.replace("[broker]\n", '[broker]\nca_file = "/etc/bellwatch/broker-ca.pem"\n')
    assert "answers = false" in changed
    (etc / "oncall.toml").write_text(changed.replace("answers = false", "answers = true"))
    routes = (etc / "oncall-routes.toml").read_text()
    people = re.findall(r"(?m)^(\w+) = ", routes)
    (etc / "oncall-routes.toml").write_text(
        "".join(f'{person} = ["json://127.0.0.1:8099/{person}"]\n' for person in people)
    )
    return people


PHONES = """
import http.server, json
class Phone(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        said = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        print(self.path, said["message"], flush=True)
        self.send_response(200); self.send_header("Content-Length", "0"); self.end_headers()
    def log_message(self, *_): pass
http.server.HTTPServer(("127.0.0.1", 8099), Phone).serve_forever()
"""


@pytest.mark.long
@pytest.mark.timeout(900)
def test_the_guide_is_followed_word_for_word_and_the_alarm_comes(machines, tmp_path):
    stack, rack, desk = machines
    installed(rack)
    rack.does(block("Set it up", 0))
    assert (rack.root / "systemctl").read_text() == "restart mosquitto\n"
    for person in re.findall(r"(?m)^(\w+) = ", (DEPLOY / "oncall-routes.example.toml").read_text()):
        rack.does(f"mosquitto_passwd /etc/mosquitto/bellwatch.passwd {person}")
    rack.does("install -d -o mosquitto /run/mosquitto /var/log/mosquitto")  # as its unit does
    rack.starts(stack, "exec mosquitto -c /etc/mosquitto/mosquitto.conf", tmp_path / "broker.log")
    (tmp_path / "wheels").mkdir()
    wheels(tmp_path / "wheels")
    shutil.copytree(tmp_path / "wheels", desk.root / "wheels")
    (desk.root / "etc" / "pip.conf").write_text("[global]\nno-index = true\nfind-links = /wheels\n")
    left_out = shutil.ignore_patterns(".*", "tests", "__pycache__")
    shutil.copytree(ROOT, desk.root / "root" / "bellwatch", ignore=left_out)
    shutil.copy(rack.root / "etc/mosquitto/certs/ca.crt", desk.root / "root" / "bellwatch" / "ca.crt")
    desk.does(f"cd /root/bellwatch\n{block('Set it up', 1)}")
    people = settled(desk)
    desk.starts(stack, f"exec python3 -c {shlex.quote(PHONES)}", tmp_path / "phones.log")
    check, serve, greet, status, drill = block("Set it up", 2).splitlines()
    told = desk.does(f"cd /root/bellwatch\n{check}")
    assert "OK: " in told
    desk.does(f"cd /root/bellwatch\n{serve}")
    assert (desk.root / "systemctl").read_text() == "enable --now bellwatch-oncall\n"
    unit = (desk.root / "etc/systemd/system/bellwatch-oncall.service").read_text()
    user, start = (re.search(rf"(?m)^{key}=(.*)$", unit)[1] for key in ("User", "ExecStart"))
    folder = re.search(r"(?m)^StateDirectory=(.*)$", unit)[1]
    desk.does(f"install -d -o {user} /var/lib/{folder}")
    desk.starts(stack, f"exec runuser -u {user} -- {start}", tmp_path / "oncall.log")
    wait_for(lambda: "broker_connected" in (tmp_path / "oncall.log").read_text(), "the connection")
    phones = tmp_path / "phones.log"
    assert "taken" in desk.does(greet)
    assert "On call: " in desk.does(status)
    for message in alarm():
        kept = "-r" if message.retain else ""
        rack.does(
            f"mosquitto_pub -u bellwatch -P PASSWORD -q 1 {kept} -t {message.topic}"
            f" -m {shlex.quote(message.payload)}"
        )
    wait_for(lambda: "CRITICAL north-rack k1: temperature high 19.24" in phones.read_text(), "the call")
    number = re.search(r"#(\d+)\.", phones.read_text().rpartition("CRITICAL")[2])[1]
    who = next(name for name in people if f"/{name} CRITICAL" in phones.read_text())
    answer = re.search(r"sudo -u bellwatch-oncall bellwatch oncall ack 41 --who Ada", GUIDE)[0]
    assert "seen" in desk.does(answer.replace("41", number).replace("Ada", who))
    said = block("Answering over the broker", 0).replace("41", number).replace("Ada", who)
    assert '"done": true' in rack.does(f"{said}\nsleep 3; kill $!")
    assert "bellwatch drill" in drill  # the installer's own test has the rack's side of it
    assert json.loads(alarm()[0].payload)["alarm"] == "k1/temperature/high"
