"""Commands through a real broker into a real journal and back; the access list of deploy/, tried."""

import json
import time
from contextlib import contextmanager

import pytest

from daemon.broker.command_desk import WAITING_AT_MOST, CommandDesk
from daemon.broker.connection import Connection
from daemon.check.load import load_settings
from daemon.clock import SteadyClock
from daemon.settings.commands import CommandSettings
from daemon.settings.rack import BrokerSettings
from tests.rigs.bench import Bench, swinging
from tests.rigs.daemon_run import write_settings
from tests.rigs.parts.command_sender import CommandSender
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.places import DEPLOY

pytestmark = pytest.mark.usefixtures("quiet_logs")

TOPIC = "bellwatch/bench"
ALARM = "k1/temperature/high_high"
ACL = DEPLOY / "broker-acl.example"
ALL = ("acknowledge", "shelve", "begin_maintenance", "move_stage")


class Rack:
    """A watch with a high temperature standing, and its desk, turned by the test's own thread."""

    def __init__(self, folder, broker, kinds=ALL, topic=TOPIC, **login):
        self.bench = Bench(folder)
        if not self.bench.watch.engine.alarms():
            self.bench.take(swinging(12))
        settings = BrokerSettings(host=broker.host, port=broker.port, **login)
        self.connection = Connection(settings, "no command can be heard")
        self.desk = CommandDesk(
            self.connection,
            CommandSettings(enabled=True, kinds=kinds),
            topic,
            self.bench.journal,
            SteadyClock(),
        )

    def __enter__(self):
        self.connection.start()
        return self

    def __exit__(self, *exc):
        self.connection.stop()
        self.bench.journal.close()

    def turn_until(self, condition):
        """Turn as the service does, until `condition()` holds."""
        for _ in range(3000):
            now_ms = self.bench.watch.engine.clock_ms + 1
            self.bench.watch.take([], now_ms)
            self.desk.step(now_ms)
            if condition():
                return
            time.sleep(0.01)
        raise AssertionError("never came")

    def actions(self):
        found = self.bench.journal._db.execute(
            "SELECT kind, who, body FROM action WHERE kind <> 'configure' ORDER BY seq"
        ).fetchall()
        return [(kind, who, json.loads(body)) for kind, who, body in found]


@contextmanager
def rack_and_sender(folder, kinds=ALL):
    with Mosquitto(folder) as broker:
        subscribed = f"{TOPIC}/command (QoS 1)"
        before = broker.log.count(subscribed)  # the folder may hold the log of an earlier broker
        with Rack(folder, broker, kinds) as rack:
            broker.wait_for_log(subscribed, before + 1)
            with CommandSender(broker.port, TOPIC) as sender:
                yield rack, sender


def answered(rack, sender, count):
    rack.turn_until(lambda: len(sender.answers) >= count)
    return sender.wait_for(count)


def test_a_command_is_done_journaled_with_who_and_answered_where_it_asks(tmp_path):
    with rack_and_sender(tmp_path) as (rack, sender):
        sent = sender.send("acknowledge", {"alarm": ALARM}, to=f"{TOPIC}/answer/me", correlation=b"\x00\x07")
        (answer,) = answered(rack, sender, 1)
        assert (answer["id"], answer["done"], answer["refusal"]) == (sent, True, "")
        assert sender.answers[0][0] == f"{TOPIC}/answer/me"
        assert sender.answers[0][2] == b"\x00\x07"
        assert rack.actions() == [("acknowledge", "ada", {"alarm": ALARM})]
        (alarm,) = [alarm for alarm in rack.bench.watch.engine.alarms() if alarm.name == ALARM]
        assert alarm.state == "acknowledged"


def test_a_repeat_does_nothing_and_is_answered_again_also_after_a_restart(tmp_path):
    with rack_and_sender(tmp_path) as (rack, sender):
        sent = sender.send("acknowledge", {"alarm": ALARM})
        answered(rack, sender, 1)
        sender.send("acknowledge", {"alarm": ALARM}, id=sent)
        assert answered(rack, sender, 2)[1]["done"]
        assert len(rack.actions()) == 1
    with rack_and_sender(tmp_path) as (rack, sender):
        sender.send("acknowledge", {"alarm": ALARM}, id=sent)
        assert answered(rack, sender, 1)[0]["done"]
        assert len(rack.actions()) == 1
        sender.send("acknowledge", {"alarm": "k1/temperature/low"}, id=sent)
        assert "was used for another command" in answered(rack, sender, 2)[1]["refusal"]


def test_each_kind_goes_the_way_of_the_command_line(tmp_path):
    with rack_and_sender(tmp_path) as (rack, sender):
        sender.send("shelve", {"alarm": ALARM, "why": "probe out", "for_s": 600, "yes_critical": True})
        sender.send("begin_maintenance", {"target": "vessel/k1", "why": "siphoning", "for_s": 600})
        sender.send("move_stage", {"vessel": "k1", "stage": "ephyra"})
        assert [answer["refusal"] for answer in answered(rack, sender, 3)] == ["", "", ""]
        assert [kind for kind, _, _ in rack.actions()] == ["shelve", "begin_maintenance", "move_stage"]


def test_what_the_rules_refuse_is_answered_with_their_words(tmp_path):
    with rack_and_sender(tmp_path) as (rack, sender):
        sender.send("acknowledge", {"alarm": "k9/temperature/high"})
        (answer,) = answered(rack, sender, 1)
        assert not answer["done"]
        assert "k9/temperature/high" in answer["refusal"]


def test_what_fails_at_the_door_is_counted_answered_and_never_reaches_the_journal(tmp_path):
    with rack_and_sender(tmp_path, kinds=("acknowledge",)) as (rack, sender):
        sender.send("shelve", {"alarm": ALARM, "why": "x", "for_s": 60}, id="not-allowed")
        sender.send("acknowledge", {"alarm": ALARM}, id="too-old-1", issued_at="2026-01-01T00:00:00Z")
        sender.send("", {}, raw=b"x" * 5000)
        sender.send("", {}, raw=b"not json")
        answers = answered(rack, sender, 4)
        assert [answer["id"] for answer in answers] == ["not-allowed", "too-old-1", "", ""]
        assert not any(answer["done"] for answer in answers)
        assert rack.desk.refused == 4
        assert rack.actions() == []


def test_an_answer_goes_nowhere_but_below_the_racks_own_topic(tmp_path):
    with rack_and_sender(tmp_path) as (rack, sender):
        sender.send("acknowledge", {"alarm": ALARM}, to=f"{TOPIC}/alarm/{ALARM}")
        sender.send("acknowledge", {"alarm": ALARM}, to="water/probe-1")
        answered(rack, sender, 2)
        assert {topic for topic, _, _ in sender.answers} == {f"{TOPIC}/answer"}


def test_a_command_that_the_broker_kept_is_not_for_now(tmp_path):
    with Mosquitto(tmp_path) as broker, CommandSender(broker.port, TOPIC) as sender:
        sender.send("acknowledge", {"alarm": ALARM}, retain=True)
        with Rack(tmp_path, broker) as rack:
            assert "kept by the broker" in answered(rack, sender, 1)[0]["refusal"]
            assert rack.actions() == []


def test_more_than_can_wait_are_left_out_and_their_repeats_are_done(tmp_path):
    """Nobody turns while they come in, so that the queue fills up."""
    with rack_and_sender(tmp_path) as (rack, sender):
        ids = [sender.send("acknowledge", {"alarm": ALARM}) for _ in range(WAITING_AT_MOST + 10)]
        rack.turn_until(lambda: len(sender.answers) >= WAITING_AT_MOST)
        for missing in set(ids) - {answer["id"] for _, answer, _ in sender.answers}:
            sender.send("acknowledge", {"alarm": ALARM}, id=missing)
        rack.turn_until(lambda: {answer["id"] for _, answer, _ in sender.answers} == set(ids))


def test_the_access_list_of_deploy_lets_only_the_on_call_process_ask(tmp_path):
    people = {"north-rack": "a", "oncall": "b", "screen": "c"}
    secret = tmp_path / "password"
    secret.write_text("a")
    login = {"username": "north-rack", "password_file": secret}
    topic = "bellwatch/north-rack"
    with (
        Mosquitto(tmp_path, users=people, acl=ACL.read_text()) as broker,
        Rack(tmp_path, broker, topic=topic, **login) as rack,
    ):
        broker.wait_for_log(f"{topic}/command (QoS 1)")
        with (
            CommandSender(broker.port, topic, "screen", "c") as screen,
            CommandSender(broker.port, topic, "oncall", "b") as oncall,
        ):
            screen.send("acknowledge", {"alarm": ALARM}, who="screen")
            oncall.send("acknowledge", {"alarm": ALARM}, who="ada", to=f"{topic}/answer/desk")
            answered(rack, oncall, 1)
            assert rack.actions() == [("acknowledge", "ada", {"alarm": ALARM})]
            assert screen.answers == []


def test_commands_are_off_until_enabled_and_only_acknowledging_is_listed_then(tmp_path):
    assert load_settings(write_settings(tmp_path, tmp_path / "serial", 1883)).commands == CommandSettings(
        enabled=False, kinds=("acknowledge",)
    )
    more = '[commands]\nenabled = true\nkinds = ["acknowledge", "shelve"]'
    listed = load_settings(write_settings(tmp_path, tmp_path / "serial", 1883, more=more)).commands
    assert listed == CommandSettings(enabled=True, kinds=("acknowledge", "shelve"))
