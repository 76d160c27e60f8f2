"""deploy/oncall.md word for word: a rack and a desk, two fresh machines, booted and joined by a cable.

BELLWATCH_GUIDE_ROOT names a root, made once (as root, with a network), of which both are copies in memory:

    debootstrap --include=systemd,systemd-sysv,dbus,python3,openssl,sudo,mosquitto,mosquitto-clients \\
        bookworm FOLDER

Every line of the blocks is typed there as it stands, under the real systemd; neither machine has a network
beyond the cable, so both install from a bundle (BELLWATCH_BUNDLE names one of this checkout, else it is
made). Invented below the text: the probe (a pseudo-terminal, which a drop-in adds to the unit's list of
devices), the name `north-rack.local` (a line of /etc/hosts in place of a name service), the service that
takes messages to phones, the phone itself (a program on the rack's machine, so that its answer crosses the
cable), what one types into an editor or carries to the other machine (quiet hours that are not now, since no
drill calls in them), and a certificate for the answer page.
"""

import os
import re
import shlex
import shutil
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pymodbus
import pytest

from tests.rigs.daemon_run import write_settings
from tests.rigs.installed import STEPS, bundle
from tests.rigs.joined import Joined
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import DEPLOY, ROOT

GUIDE = (DEPLOY / "oncall.md").read_text()
PEOPLE = ("Ada", "Bo", "Cy", "Dee")
COMMANDS = '[commands]\nenabled = true\nkinds = ["acknowledge"]\n'
PHONES = """
import http.server, json
class Phone(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        said = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        print(self.path[1:], said["message"], flush=True)
        self.send_response(200); self.send_header("Content-Length", "0"); self.end_headers()
    def log_message(self, *_): pass
http.server.HTTPServer(("127.0.0.1", 8099), Phone).serve_forever()
"""
PHONE = """
import re, ssl, sys, urllib.parse, urllib.request
link, trust = sys.argv[1], ssl.create_default_context(cafile="/root/page.pem")
page = urllib.request.urlopen(link, context=trust, timeout=20).read().decode()
shown = re.search('name="shown" value="([^"]*)"', page)[1]
answer = urllib.parse.urlencode({"reply": "seen", "shown": shown}).encode()
print(page, urllib.request.urlopen(link, answer, context=trust, timeout=20).read().decode())
"""
PAGE_CERTIFICATE = (
    "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 30 -subj /CN=desk.local"
    " -addext subjectAltName=DNS:desk.local -keyout /etc/bellwatch/page.key -out /etc/bellwatch/page.pem\n"
    "chgrp bellwatch-oncall /etc/bellwatch/page.key; chmod 0640 /etc/bellwatch/page.key"
)


def block(section, number):
    """A block of the guide as lines of a shell."""
    text = GUIDE.partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    found = re.findall(r"(?:^    .*\n)+", text, re.MULTILINE)[number]
    return re.sub("^    ", "", found, flags=re.MULTILINE)


@pytest.fixture
def machines(tmp_path):
    base = os.environ.get("BELLWATCH_GUIDE_ROOT")
    if not base:
        pytest.skip("BELLWATCH_GUIDE_ROOT names no root; this file says how to make one")
    if os.geteuid() != 0 or shutil.which("ip") is None or shutil.which("systemd-nspawn") is None:
        pytest.skip(
            "only root can boot joined machines, by ip (iproute2) and systemd-nspawn (systemd-container)"
        )
    packed = bundle(tmp_path)
    with ExitStack() as stack:
        rack = Joined(stack, base, tmp_path / "rack", "north-rack", "192.0.2.10")
        desk = Joined(stack, base, tmp_path / "desk", "desk", "192.0.2.20")
        rack.is_plugged_into(desk)
        for machine in (rack, desk):
            hosts = f"127.0.0.1 localhost {machine.name}\n" + "".join(
                f"{it.address} {it.name}.local\n" for it in (rack, desk)
            )
            (machine.root / "etc" / "hosts").write_text(hosts)
            shutil.copy(packed, machine.root / "root")
            machine.boot(f"--bind-ro={ROOT}:/checkout")
            machine.does("tar -xzf bellwatch-*.tar.gz --strip-components=1 --one-top-level=bellwatch")
        yield rack, desk


def set_up(rack):
    """The rack as deploy/README.md sets it up, one probe in 15 °C."""
    for name in ("probe.py", "common.sh"):
        shutil.copy(STEPS / name, rack.rig)
    shutil.copytree(Path(pymodbus.__file__).parent, rack.rig / "site" / "pymodbus")
    rack.does("sudo sh bellwatch/deploy/install.sh")
    written = write_settings(rack.rig, "/run/rack/serial", 1883, silent_after_s=20, more=COMMANDS)
    login = 'username = "bellwatch"\npassword_file = "/etc/bellwatch/broker-password"'
    text = written.read_text().replace(f"{rack.rig}/journal", "/var/lib/bellwatch/journal")
    text = text.replace("heartbeat_s = 1", login).replace('name = "bench"', 'name = "north-rack"')
    (rack.root / "etc/bellwatch/bellwatch.toml").write_text(text)
    rack.does(". /rig/common.sh; plug_probe_in >/dev/null 2>&1")
    assert "OK: " in rack.does("sudo -u bellwatch bellwatch check")
    rack.does("sudo systemctl enable --now bellwatch")


def edited(file, *changes):
    """Change what a file holds; each change must find its place."""
    text = file.read_text()
    for old, new in changes:
        assert re.search(old, text, re.MULTILINE), f"{file.name} has no {old}"
        text = re.sub(old, new, text, flags=re.MULTILINE)
    file.write_text(text)


def settle(desk, password):
    """What the guide leaves to the reader: the password, team, racks and broker, the addresses, the page."""
    now = datetime.now(ZoneInfo("Europe/Copenhagen"))
    begin, end = (f"{now + timedelta(hours=it):%H:00}" for it in (8, 17))
    etc = desk.root / "etc" / "bellwatch"
    (etc / "oncall-broker-password").write_text(f"{password}\n")
    edited(
        etc / "oncall.toml",
        ("^racks = .*", 'racks = ["north-rack"]'),
        ("^host = .*broker.*", 'host = "north-rack.local"'),
        ("^# gather_s = .*", "gather_s = 1"),
        ("^url = .*", 'url = "https://desk.local:8780"'),
        ("^host = .*proxy.*", 'host = "0.0.0.0"'),
        ("^# (certificate|key) = ", r"\1 = "),
        ("^(enabled|answers) = false", r"\1 = true"),
        ('^from = "22:00"\nuntil = "07:00"', f'from = "{begin}"\nuntil = "{end}"'),
    )
    lines = (f'{person} = ["json://127.0.0.1:8099/{person}"]\n' for person in PEOPLE)
    (etc / "oncall-routes.toml").write_text("".join(lines))


class Phones:
    """What came on people's phones."""

    def __init__(self, log):
        self._log = log

    def newest(self, words):
        """Who got the newest message with these words, and the message; wait for one."""
        found = []

        def came():
            text = self._log.read_text()
            found[:] = [line.split(" ", 1) for line in text.splitlines() if re.search(words, line)]
            return found

        wait_for(came, 60)
        return found[-1]

    def link(self, words):
        return re.search(r"https://desk\.local:8780/\w+", self.newest(words)[1])[0]


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_the_guide_is_followed_word_for_word_and_is_answered_across_the_cable(machines, tmp_path):
    rack, desk = machines
    set_up(rack)
    password = re.search("user oncall, password (\\S+)", rack.does(block("Set it up", 0)))[1]
    authority = rack.root / "etc/mosquitto/certs/bellwatch-ca.crt"
    shutil.copy(authority, desk.root / "root/bellwatch/bellwatch-ca.crt")
    desk.does(f"cd bellwatch\n{block('Set it up', 1)}")
    desk.does(PAGE_CERTIFICATE)
    shutil.copy(desk.root / "etc/bellwatch/page.pem", rack.root / "root/page.pem")
    settle(desk, password)
    desk.goes_on_with(f"exec python3 -c {shlex.quote(PHONES)}", tmp_path / "phones.log")
    phones = Phones(tmp_path / "phones.log")

    def press(link):
        return rack.does(f"python3 -c {shlex.quote(PHONE)} {link}")

    check, serve, greet, status, drill = block("Set it up", 2).splitlines()
    assert "OK: " in desk.does(check)
    desk.does(serve)
    wait_for(lambda: "broker_connected" in desk.says("journalctl -u bellwatch-oncall -o cat"), 60)
    assert "taken" in desk.does(greet)
    assert "It came through" in press(phones.link("^Ada Greeting"))
    assert "On call: " in desk.does(status)

    rack.does(drill)
    who, _ = phones.newest("DRILL")
    assert re.search("DRILL.*The drill is over", press(phones.link("DRILL")), re.DOTALL)
    wait_for(lambda: re.search(rf"drill.*{who}", desk.does(status), re.IGNORECASE), 60)

    section = "Answering over the broker"
    user, anew = block(section, 0).splitlines()
    for person in PEOPLE:
        rack.does(f"printf 'PASSWORD\\nPASSWORD\\n' | {user.replace('Ada', person)}")
    rack.does(anew)
    rack.does("touch /run/rack/warm")
    who, message = phones.newest("CRITICAL north-rack k1: temperature high")
    number = re.search(r"#(\d+)\.", message)[1]
    said = block(section, 1).replace("41", number).replace("Ada", who)
    assert '"done": true' in rack.does(f"{said}\nsleep 3; kill $!")
    standing = "bellwatch status --json | grep -c '\"acknowledged\"'"
    wait_for(lambda: rack.says(f"sudo -u bellwatch {standing}").strip() != "0", 60)
    answer = re.search(r"sudo -u bellwatch-oncall bellwatch oncall ack 41 --who Ada", GUIDE)[0]
    assert "seen" in desk.does(answer.replace("41", number).replace("Ada", who))

    rack.does("systemctl stop bellwatch")
    edited(desk.root / "etc/bellwatch/oncall.toml", ("^racks = .*", "racks = []"))
    desk.does(f"sudo {re.search('systemctl restart bellwatch-oncall', GUIDE)[0]}")
    wait_for(lambda: "rack stopped" in desk.does(status), 60)
    password = (rack.root / "etc/bellwatch/broker-password").read_text().strip()
    rack.says(block("What it promises, and what it does not", 0).replace("PASSWORD", password))
    wait_for(lambda: "rack stopped" not in desk.does(status), 60)
