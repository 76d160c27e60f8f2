"""Two brokers with the bridge of deploy/oncall.md: its text, but for the ports and files of the test."""

import re
import time
from contextlib import ExitStack

import pytest

from rules.alarms.life_cycle import State, Trigger
from tests.faults.whole_rack import short_oncall
from tests.rigs.oncall_run import OnCallRun
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.places import DEPLOY
from tests.rigs.rack_voice import RackVoice

USERS = {"bellwatch": "a", "oncall": "b", "attic": "PASSWORD"}
PAIR = '\n[pair]\nfirst = "desk"\nsecond = "attic"\nmissing_after_s = 3.0\nother_broker = "b.example"\n'
GUIDE = (DEPLOY / "oncall.md").read_text()


def block(begins):
    """A block of the guide, by its first line."""
    found = re.search(rf"^    {re.escape(begins)}\n(?:    .*\n)+", GUIDE, re.MULTILINE)
    return re.sub(r"^    ", "", found[0], flags=re.MULTILINE)


def as_user(settings, user, password, folder):
    secret = folder / f"{user}.password"
    secret.write_text(password)
    secret.chmod(0o600)
    text = settings.read_text()
    login = f'[broker]\nusername = "{user}"\npassword_file = "{secret}"\n'
    settings.write_text(text.replace("[broker]\n", login))


class Two:
    """Racks at one broker and the first watcher with them; the second at another, beyond the bridge."""

    def __init__(self, stack, folder):
        tls = free_port()
        authority = own_authority(folder, "nursery")
        certificate = signed_by(folder, "nursery", "127.0.0.1")
        (folder / "racks").mkdir()
        acl = f"{(DEPLOY / 'mosquitto.acl').read_text()}\n{block('user attic')}"
        secure = f"listener {tls} 127.0.0.1\ncafile {authority}\n"
        secure += f"certfile {certificate}\nkeyfile {certificate.with_suffix('.key')}\n"
        self.racks = stack(Mosquitto(folder / "racks", users=USERS, acl=acl, config=secure))
        bridge = block("connection racks")
        for old, new in (
            ("broker.example:8883", f"127.0.0.1:{tls}"),
            ("/etc/mosquitto/certs/ca.crt", str(authority)),
        ):
            assert old in bridge
            bridge = bridge.replace(old, new)
        (folder / "own").mkdir()
        self.own = stack(Mosquitto(folder / "own", config=bridge))
        self.phones, self.theirs = stack(PageReceiver()), stack(PageReceiver())
        (folder / "attic").mkdir()
        ours = short_oncall(folder, self.racks.port, self.phones.port)
        as_user(ours, "oncall", "b", folder)
        theirs = short_oncall(folder / "attic", self.own.port, self.theirs.port)
        theirs.write_text(theirs.read_text().replace('name = "desk"', 'name = "attic"') + PAIR)
        ours.write_text(ours.read_text() + PAIR)
        self.first, self.second = OnCallRun(ours), OnCallRun(theirs)
        for watcher in (self.first, self.second):
            stack(watcher)
            watcher.wait_for(lambda watcher=watcher: "broker_connected" in watcher.log, "a watcher")
        self.rack = stack(RackVoice(self.racks.port, user=("bellwatch", "a")))


@pytest.fixture
def two(tmp_path):
    with ExitStack() as stack:
        yield Two(stack.enter_context, tmp_path)


def beats(two, seconds):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        two.rack.beat()
        time.sleep(0.3)


def alarms(phones):
    return [text for text in phones.texts() if "temperature high" in text and "OVER" not in text]


def test_the_second_watcher_hears_over_the_bridge_and_stands_in(two):
    beats(two, 5.0)  # until the bridge stands
    before = len(two.phones.texts()), len(two.theirs.texts())
    two.rack.alarm()
    two.phones.wait_for(lambda: alarms(two.phones), "the call by the first")
    beats(two, 5.0)
    assert not alarms(two.theirs), "the first lives: its sign came over the bridge"
    since = two.phones.texts()[before[0] :] + two.theirs.texts()[before[1] :]
    assert not [text for text in since if "not heard" in text and "OVER" not in text]
    two.first.kill_after(0.0)
    two.rack.alarm(vessel="k2")
    beats(two, 6.0)
    two.theirs.wait_for(
        lambda: any("north k2" in text for text in alarms(two.theirs)), "the call by the second"
    )
    two.rack.alarm(Trigger.RETURNED, State.NORMAL, vessel="k2")
    two.theirs.wait_for(lambda: any("OVER north k2" in text for text in two.theirs.texts()), "its end")


def test_what_stands_is_heard_by_a_bridge_that_was_away(two):
    beats(two, 2.0)
    two.own.stop()
    two.first.kill_after(0.0)
    two.rack.alarm()
    two.own.start()
    beats(two, 6.0)
    two.theirs.wait_for(lambda: alarms(two.theirs), "the call by the second")


def test_the_racks_broker_dies_and_both_say_so(two):
    beats(two, 3.0)
    two.racks.kill()
    two.phones.wait_for(lambda: any("broker not reached" in it for it in two.phones.texts()), "the first")
    two.theirs.wait_for(lambda: any("north: rack silent" in it for it in two.theirs.texts()), "the second")
