"""What a Pi gets: the scripts, the service, the rule for serial adapters, the broker with its permissions."""

import getpass
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import tomllib
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daemon.commands.cli import main
from tests.rigs.parts.mosquitto import PATIENCE_S, Mosquitto
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import ROOT

DEPLOY = ROOT / "deploy"
SCRIPTS = [*sorted(DEPLOY.glob("*.sh")), ROOT / ".ci" / "run"]
UNIT = (DEPLOY / "bellwatch.service").read_text()
UNITS = [
    "bellwatch.service",
    "bellwatch-oncall.service",
    "bellwatch-page.service",
    "bellwatch-backup.service",
]
SH = shutil.which("dash") or "/bin/sh"


def needs(program):
    return pytest.mark.skipif(shutil.which(program) is None, reason=f"{program} is not installed")


# --- Scripts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_is_plain_sh(script):
    said = subprocess.run([SH, "-n", script], capture_output=True, text=True, check=False)
    assert (said.returncode, said.stderr) == (0, "")


@needs("shellcheck")
@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_shellcheck_finds_nothing(script):
    command = ["shellcheck", "--shell=sh", "--external-sources", script]
    said = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (said.returncode, said.stdout) == (0, "")


class Checkout:
    """A copy of the scripts, and a PATH on which only what a test puts there is found, beside the basics."""

    BASICS = ("sh", "id", "cat", "cksum", "dirname", "grep", "mkdir", "rm", "sleep", "tail", "tr", "chmod")

    def __init__(self, folder):
        self.folder = folder / "check out"  # a space, as in real folders
        self.programs = folder / "bin"
        self.programs.mkdir()
        shutil.copytree(DEPLOY, self.folder / "deploy")
        (self.folder / "pyproject.toml").write_text("[project]\n")
        for name in self.BASICS:
            (self.programs / name).symlink_to(shutil.which(name))

    def put(self, name, body):
        path = self.programs / name
        path.unlink(missing_ok=True)
        path.write_text(f"#!/bin/sh\n{body}\n")
        path.chmod(0o755)

    def run(self, *command, **options):
        return subprocess.run(
            [SH, *command], cwd="/", env={"PATH": str(self.programs)}, timeout=PATIENCE_S,
            capture_output=True, text=True, check=False, **options,
        )  # fmt: skip

    def sourcing(self, lines):
        """A script that goes on where try.sh and test.sh begin."""
        return f'set -eu\nroot="{self.folder}"\n. "$root/deploy/setup.sh"\n{lines}\n'


@pytest.fixture
def checkout(tmp_path):
    return Checkout(tmp_path)


OLD_PYTHON = 'case "$1" in -V) echo "Python 3.9.2" ;; *) exit 1 ;; esac'
PYTHON_TO_COME = 'case "$1 $2" in -V*) echo "Python 3.99" ;; *print*) echo 3.99 ;; esac'
WITHOUT_ENSUREPIP = 'case "$2" in *ensurepip*) exit 1 ;; *) exit 0 ;; esac'
NOT_ROOT = "echo 1000"


@pytest.mark.parametrize(
    ("python", "says"),
    [
        (None, ["Python 3.11 or newer is needed; on PATH there is no python3", "apt install python3"]),
        (OLD_PYTHON, ["Python 3.11 or newer is needed; on PATH there is Python 3.9.2"]),
        (WITHOUT_ENSUREPIP, ["ensurepip is missing", "apt install python3-venv"]),
    ],
)
@pytest.mark.parametrize("script", ["try.sh", "test.sh"])
def test_without_a_fitting_python_and_without_root_it_says_what_to_ask_for(checkout, script, python, says):
    checkout.put("id", NOT_ROOT)
    if python is not None:
        checkout.put("python3", python)
    run = checkout.run(checkout.folder / "deploy" / script)
    assert run.returncode == 1
    assert [words for words in says if words not in run.stderr] == []
    assert not (checkout.folder / ".bellwatch" / "tmp").exists()


def test_the_newest_fitting_python_is_taken(checkout):
    for name in ("python3", "python3.11", "python3.12"):
        checkout.put(name, "exit 0")
    checkout.put("python3.13", OLD_PYTHON)
    found = checkout.run("-c", checkout.sourcing("find_python complete"))
    assert found.stdout.strip() == str(checkout.programs / "python3.12")


def test_a_service_that_apt_would_start_is_kept_down_only_meanwhile(checkout, tmp_path):
    policy = tmp_path / "policy-rc.d"
    keep = f'policy="{policy}"; keep_services_down; "$policy" && exit 9 || echo $?; let_services_be'
    assert checkout.run("-c", checkout.sourcing(keep)).stdout == "101\n"
    assert not policy.exists()
    policy.write_text("#!/bin/sh\nexit 101\n")
    policy.chmod(0o755)
    assert checkout.run("-c", checkout.sourcing(keep)).stdout == "101\n"
    assert policy.exists(), "it was there before us"


def sleeps(pid):
    """Whether a process sleeps (S in proc_pid_stat(5)); one that waits for its child's exec is in D."""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "S"


def test_an_interruption_takes_back_what_is_only_for_the_set_up(checkout, tmp_path):
    policy, begun = tmp_path / "policy-rc.d", tmp_path / "begun"
    # the child says that it runs, and the shell waits for it: a signal between fork and exec would be lost
    child = f"sh -c ': >\"{begun}\"; exec sleep 600'"
    lines = f'policy="{policy}"; begin; keep_services_down; {child}'
    # where the tests run in the background it is ignored, and a shell traps no signal that was so before
    process = subprocess.Popen(
        ["/usr/bin/env", "--default-signal=INT", SH, "-c", checkout.sourcing(lines)], text=True,
        env={"PATH": str(checkout.programs)}, stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    wait_for(lambda: begun.exists() and sleeps(process.pid))
    assert policy.exists()
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert "interrupted; nothing is left running" in said
    assert not policy.exists()
    assert not (checkout.folder / ".bellwatch" / "tmp").exists()
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)


def test_a_trial_run_of_the_install_changes_nothing_and_an_unknown_option_is_refused():
    run = subprocess.run(
        [SH, DEPLOY / "install.sh", "--dry-run"], capture_output=True, text=True, check=False
    )
    assert (run.returncode, run.stderr) == (0, "")
    lines = run.stdout.splitlines()
    assert [line for line in lines if not line.startswith("bellwatch: would ")] == []
    assert any("would make version" in line for line in lines)
    refused = subprocess.run(
        [SH, DEPLOY / "install.sh", "--dry"], capture_output=True, text=True, check=False
    )
    assert refused.returncode == 1
    assert "--dry: not an option; see --help" in refused.stderr


@pytest.mark.parametrize(
    ("program", "body", "says"),
    [
        ("uname", "echo armv7l", "this machine (armv7l) is not 64-bit"),
        ("getconf", "echo 32", "this Debian is a 32-bit one"),
        ("df", "printf 'head\\n/dev/x 1 1 102400 1%% /\\n'", "/opt has 100 MB free; 400 MB are needed"),
        ("python3", OLD_PYTHON, "Python 3.11 or newer is needed, here is Python 3.9.2"),
        ("python3", PYTHON_TO_COME, "Python 3.99 is not supported: there is no deploy/locks/python3.99.txt"),
    ],
)
def test_what_cannot_work_is_refused_at_once(checkout, program, body, says):
    for name in ("python3.11", "python3.12", "python3.13", program):
        checkout.put(name, body if name == program else "exit 1")
    if program != "python3":
        (checkout.programs / "python3").symlink_to(sys.executable)
    run = subprocess.run(
        [SH, checkout.folder / "deploy" / "install.sh", "--dry-run", "--no-broker"],
        env={"PATH": f"{checkout.programs}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 1
    assert says in run.stderr
    assert "would" not in run.stdout


@pytest.mark.parametrize("lock", sorted((DEPLOY / "locks").glob("*.txt")), ids=lambda path: path.stem)
def test_a_lock_names_every_package_that_is_needed_with_hashes_and_no_host(lock):
    text = lock.read_text()
    pins = re.findall(r"^([\w.-]+)==\S+ \\\n    --hash=sha256:[0-9a-f]{64}", text, re.MULTILINE)
    assert len(pins) == text.count("==")
    assert "://" not in text
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    asked = [*project["dependencies"], *(it for extra in LOCKED_EXTRAS for it in extras[extra])]
    wanted = {re.match(r"[\w.-]+", it)[0] for it in asked} | {"hatchling", "pip"}
    assert wanted - set(pins) == set()


LOCKED_EXTRAS = ("completion", "influx", "oncall", "tuning")
ADVISORY = {"ecosystem": "PyPI", "name": "Jinja_2x"}


def within(*events, kind="ECOSYSTEM"):
    return {"ranges": [{"type": kind, "events": events}]}


def advised(tmp_path, *entries, lock="jinja-2x==3.1.6 \\\n    --hash=sha256:0\nrich==15.0.0 \\\n"):
    (tmp_path / "list.json").write_text(json.dumps(entries))
    (tmp_path / "lock.txt").write_text(lock)
    command = [sys.executable, DEPLOY / "advisories.py", tmp_path / "list.json", tmp_path / "lock.txt"]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("affected", "hit"),
    [
        ({"versions": ["3.1.6"]}, True),
        ({"versions": ["3.1.5"]}, False),
        (within({"introduced": "0"}, {"fixed": "3.1.10"}), True),
        (within({"introduced": "0"}, {"fixed": "3.1.6"}), False),
        (within({"introduced": "3"}, {"last_affected": "3.1.6"}), True),
        (within({"introduced": "4"}), False),
        (within({"introduced": "0"}, kind="GIT"), False),
    ],
)
def test_a_list_of_vulnerabilities_names_the_locked_packages_that_it_is_about(tmp_path, affected, hit):
    """Fields and the meaning of ranges: the Open Source Vulnerability format (OSV schema 1)."""
    said = advised(
        tmp_path, {"id": "X-1", "summary": "invented", "affected": [{"package": ADVISORY, **affected}]}
    )
    assert said.returncode == int(hit), said.stderr
    assert ("jinja-2x 3.1.6: X-1: invented" in said.stdout) == hit


def test_a_withdrawn_entry_is_passed_over_and_a_list_that_is_none_is_refused(tmp_path):
    entry = {"id": "X-1", "affected": [{"package": ADVISORY, "versions": ["3.1.6"]}]}
    assert advised(tmp_path, entry | {"withdrawn": "2026-01-01T00:00:00Z"}).returncode == 0
    assert advised(tmp_path).returncode == 2
    assert advised(tmp_path, {"id": "X-1", "affected": [{"package": {"ecosystem": "npm"}}]}).returncode == 2
    assert advised(tmp_path, "no entry").returncode == 2


def test_the_first_settings_let_the_examples_own_wireless_bus_in():
    """The login of [broker] and of the bus is what install.sh puts into force, and no more."""
    (marks,) = re.findall(r"sed -i (-e .*) \"\$settings\"", (DEPLOY / "install.sh").read_text())
    command = f"sed {marks} {DEPLOY / 'bellwatch.example.toml'}"
    text = subprocess.run(command, shell=True, capture_output=True, text=True, check=True).stdout
    settings = tomllib.loads(text)
    login = {"username": "bellwatch", "password_file": "/etc/bellwatch/broker-password"}
    for table in (settings["broker"], settings["buses"]["wireless"]):
        assert table | login == table
    changed = set(text.splitlines()) - set((DEPLOY / "bellwatch.example.toml").read_text().splitlines())
    assert {line.split(" = ")[0] for line in changed} == set(login)


COMPLETE = """
. "$1"
[[ $(complete -p bellwatch) =~ -F\\ ([^ ]+) ]]
COMP_WORDS=(bellwatch "${@:2}") COMP_CWORD=$(($# - 1))
"${BASH_REMATCH[1]}"
printf '%s\\n' "${COMPREPLY[@]}"
"""


@needs("bash")
def test_what_the_install_writes_for_bash_completes_commands_and_options(tmp_path):
    parser = re.search(r"^ +(daemon\.\S+_parser)$", (DEPLOY / "install.sh").read_text(), re.MULTILINE)[1]
    written = tmp_path / "bellwatch"
    command = [sys.executable, "-m", "shtab", "--shell=bash", "--error-unimportable", f"--output={written}"]
    subprocess.run([*command, parser], cwd=ROOT, check=True)

    def completed(*words):
        command = ["bash", "-c", COMPLETE, "bash", written, *words]
        return set(subprocess.run(command, capture_output=True, text=True, check=True).stdout.split())

    assert completed("calib") == {"calibrate", "calibrations"}
    assert completed("oncall", "gr") == {"greet"}
    assert {"--for", "--why", "--who"} <= completed("shelve", "--")


# --- The service ------------------------------------------------------------------------------------


@needs("systemd-analyze")
@pytest.mark.parametrize("name", UNITS)
def test_systemd_takes_the_unit_and_finds_it_well_closed(tmp_path, name):
    unit = tmp_path / name
    text = (DEPLOY / name).read_text()
    unit.write_text(text.replace("/opt/bellwatch/bin/bellwatch", sys.executable))
    verified = subprocess.run(
        ["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False
    )
    assert [line for line in verified.stderr.splitlines() if name in line] == []
    assert verified.returncode == 0
    # its scale goes from 0 (closed) to 100; a unit without any of this has 96
    command = ["systemd-analyze", "security", "--offline=true", "--threshold=30", unit]
    secured = subprocess.run(command, capture_output=True, text=True, check=False)
    assert secured.returncode == 0, secured.stdout[-500:]


@pytest.mark.parametrize(
    "line",
    [
        "Type=notify",
        "NotifyAccess=main",
        "StartLimitIntervalSec=0",
        "Restart=always",
        "RestartSec=5",
        "WatchdogSec=60",
        "User=bellwatch",
        "SupplementaryGroups=dialout",
        "StateDirectory=bellwatch",
        "DevicePolicy=closed",
        "DeviceAllow=char-ttyUSB rw",
        # both end a process that asks whether the clock is synchronised (systemd.exec(5))
        "ProtectClock=no",
        "SystemCallFilter=@system-service adjtimex clock_adjtime",
    ],
)
def test_the_unit_says(line):
    assert line in UNIT.splitlines()


def test_the_unit_waits_neither_for_the_clock_nor_for_the_network():
    orders = re.findall(r"^(?:After|Wants|Requires)=(.*)$", UNIT, re.MULTILINE)
    assert orders
    assert [unit for unit in " ".join(orders).split() if re.search("time-sync|time-wait|online", unit)] == []


def test_the_unit_starts_a_command_that_exists(capsys):
    command = re.search(r"^ExecStart=\S+/bellwatch (.*)$", UNIT, re.MULTILINE)[1].split()
    with pytest.raises(SystemExit) as ended:
        main([*command, "--help"])
    assert ended.value.code == 0
    assert "--settings" in capsys.readouterr().out


def test_udev_takes_the_rule():
    rules = DEPLOY / "99-bellwatch-serial.rules"
    lines = [line for line in rules.read_text().splitlines() if line and not line.startswith("#")]
    assert [line for line in lines if 'GROUP="dialout"' not in line] == []
    verify = ["udevadm", "verify", rules]
    known = shutil.which("udevadm") and subprocess.run(
        ["udevadm", "verify", "--help"], capture_output=True, check=False
    )
    if not known or known.returncode:
        pytest.skip("no udevadm that verifies rules (systemd 254 or newer)")
    verified = subprocess.run(verify, capture_output=True, text=True, check=False)
    assert verified.returncode == 0, verified.stderr


# --- The broker -------------------------------------------------------------------------------------

PEOPLE = {"bellwatch": "a", "probes": "b", "oncall": "c", "screen": "d", "Ada": "e"}
RACK = "bellwatch/north-rack"


@pytest.fixture(scope="module")
def broker(tmp_path_factory):
    """A mosquitto with the configuration of deploy/, its paths and port changed and nothing else."""
    folder = tmp_path_factory.mktemp("broker")
    with_people = Mosquitto(folder, users=PEOPLE, acl=(DEPLOY / "mosquitto.acl").read_text())
    conf = folder / "mosquitto.conf"
    passwords = re.search("^password_file (.*)$", conf.read_text(), re.MULTILINE)[1]
    text = (DEPLOY / "mosquitto.conf").read_text()
    for old, new in (
        ("/etc/mosquitto/bellwatch.passwd", passwords),
        ("/etc/mosquitto/bellwatch.acl", str(folder / "acl")),
        ("listener 1883 127.0.0.1", f"user {getpass.getuser()}\nlistener {with_people.port} 127.0.0.1"),
    ):
        assert old in text
        text = text.replace(old, new)
    conf.write_text(text)
    with with_people:
        yield with_people


def client_of(broker, user, password):
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    if user:
        client.username_pw_set(user, password)
    client.connect("127.0.0.1", broker.port)
    return client


def reason_of(broker, user, callback, act):
    """Do something as a user; return the reason code of the broker's answer as text."""
    reasons = []
    client = client_of(broker, user, PEOPLE[user])
    setattr(client, callback, lambda *arguments: reasons.append(arguments[3]))
    client.on_connect = lambda *_: act(client)
    client.loop_start()
    try:
        wait_for(lambda: reasons)
    finally:
        client.disconnect()
        client.loop_stop()
    return str(reasons[0][0] if isinstance(reasons[0], list) else reasons[0])


@needs("mosquitto")
@pytest.mark.parametrize(
    ("user", "topic", "allowed"),
    [
        ("bellwatch", f"{RACK}/event", True),
        ("bellwatch", f"{RACK}/alarm/k1/temperature/high", True),
        ("bellwatch", f"{RACK}/notice", True),
        ("bellwatch", f"{RACK}/watch", True),
        ("bellwatch", f"{RACK}/heartbeat", True),
        ("bellwatch", f"{RACK}/answer", True),
        ("bellwatch", f"{RACK}/answer/desk", True),
        ("bellwatch", f"{RACK}/command", False),
        ("probes", "nursery/tray-1", True),
        ("probes", f"{RACK}/event", False),
        ("oncall", f"{RACK}/command", True),
        ("oncall", f"{RACK}/event", False),
        ("oncall", f"{RACK}/taken/desk", True),
        ("oncall", f"{RACK}/taken/night", False),
        ("oncall", "bellwatch/_oncall/name/desk", True),
        ("Ada", "bellwatch/_oncall/said/desk/Ada", True),
        ("Ada", "bellwatch/_oncall/said/desk/Bo", False),
        ("screen", "bellwatch/_oncall/said/desk/Ada", False),
        ("Ada", f"{RACK}/command", False),
        ("screen", f"{RACK}/taken/desk", False),
        ("bellwatch", f"{RACK}/mark/session", True),
        ("bellwatch", f"{RACK}/taken/desk", False),
        ("screen", f"{RACK}/command", False),
        ("screen", f"{RACK}/event", False),
        ("screen", "nursery/tray-1", False),
    ],
)
def test_who_may_say_what(broker, user, topic, allowed):
    reason = reason_of(broker, user, "on_publish", lambda client: client.publish(topic, "x", qos=1))
    assert reason in ({"Success", "No matching subscribers"} if allowed else {"Not authorized"})


@needs("mosquitto")
@pytest.mark.parametrize("acl", ["mosquitto.acl", "broker-acl.example"])
def test_what_racks_and_the_oncall_process_must_hear_of_each_other_comes_through(tmp_path, acl):
    """By the shipped lists: each topic published by whom it is, and heard by whom it is for."""
    names = {"mosquitto.acl": "bellwatch", "broker-acl.example": "north-rack"}
    users = {names[acl]: "a", "oncall": "c", "screen": "d", "Ada": "e"}
    must = [
        *((names[acl], f"{RACK}/{topic}", "oncall") for topic in HEARD_BY_ONCALL),
        *((names[acl], f"{RACK}/{topic}", "screen") for topic in HEARD_BY_SCREENS),
        (names[acl], f"{RACK}/heartbeat", names[acl]),
        (names[acl], f"{RACK}/alarm/k1/temperature/high", names[acl]),
        ("oncall", f"{RACK}/taken/desk", names[acl]),
        ("oncall", f"{RACK}/command", names[acl]),
        ("oncall", "bellwatch/_oncall/name/desk", "oncall"),
        ("Ada", "bellwatch/_oncall/said/desk/Ada", "oncall"),
        ("oncall", "bellwatch/_oncall/reply/desk/Ada", "Ada"),
    ]
    with Mosquitto(tmp_path, users=users, acl=(DEPLOY / acl).read_text()) as broker:
        heard, clients = set(), {}
        for user, password in users.items():
            client, ready = client_of(broker, user, password), threading.Event()
            client.on_message = lambda _c, _d, message, user=user: heard.add((message.topic, user))
            client.on_subscribe = lambda *_, ready=ready: ready.set()
            client.on_connect = lambda client, *_: client.subscribe("bellwatch/#", qos=1)
            client.loop_start()
            clients[user] = client
            assert ready.wait(20)
        try:
            for by, topic, _ in must:
                clients[by].publish(topic, "x", qos=1).wait_for_publish(20)
            missing = lambda: {(topic, to) for _, topic, to in must} - heard  # noqa: E731
            wait_for(lambda: not missing())
            assert (f"{RACK}/command", "screen") not in heard
        finally:
            for client in clients.values():
                client.disconnect()
                client.loop_stop()


HEARD_BY_ONCALL = ("event", "alarm/k1/temperature/high", "watch", "heartbeat", "notice", "answer/desk")
HEARD_BY_SCREENS = ("event", "alarm/k1/temperature/high", "watch", "heartbeat", "notice")


@needs("mosquitto")
def test_nobody_comes_in_without_a_password(broker):
    reasons = []
    client = client_of(broker, "", "")
    client.on_connect = lambda *arguments: reasons.append(str(arguments[3]))
    client.loop_start()
    try:
        wait_for(lambda: reasons)
    finally:
        client.loop_stop()
    assert reasons[0] == "Not authorized"


@needs("mosquitto")
def test_a_screen_hears_what_the_daemon_says_and_no_command(broker):
    heard = []
    screen = client_of(broker, "screen", PEOPLE["screen"])
    screen.on_message = lambda _client, _data, message: heard.append(message.topic)
    screen.on_connect = lambda *_: screen.subscribe("bellwatch/#", qos=1)
    subscribed = []
    screen.on_subscribe = lambda *_: subscribed.append(True)
    screen.loop_start()
    try:
        wait_for(lambda: subscribed)
        for user, topic in (("oncall", "command"), ("bellwatch", "answer"), ("bellwatch", "event")):
            publish = f"{RACK}/{topic}"
            reason_of(broker, user, "on_publish", lambda client, to=publish: client.publish(to, "x", qos=1))
        wait_for(lambda: f"{RACK}/event" in heard)
    finally:
        screen.disconnect()
        screen.loop_stop()
    assert heard == [f"{RACK}/event"]
