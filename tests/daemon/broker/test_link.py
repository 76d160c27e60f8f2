"""The link to the broker, against a real mosquitto: what counts as delivered, and what the broker forgets."""

import gc
import json
import threading
import time
from contextlib import contextmanager

import pytest
import structlog

from daemon.broker.connection import GOODBYE_S, Connection
from daemon.broker.link import BrokerLink
from daemon.broker.messages import watch_message
from daemon.clock import SteadyClock
from daemon.errors import SettingsError
from daemon.journal.asking import ask_daemon
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.settings.rack import BrokerSettings
from daemon.tables.values import utc_ms
from rules.calling.records import Voice
from tests.rigs.daemon_run import DaemonRun, write_settings
from tests.rigs.journal_file import asked, waiting_in
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.parts.subscriber import PATIENCE_S, Subscriber, retained_at

RACK = "bellwatch/bench"
FAST = 120
"""Times as fast as life: the minute before a refused message is tried again takes half a second."""


class Outbox:
    """A journal with messages to send, and the link that sends them, turned as the watch turns it."""

    def __init__(self, folder, broker, scale=1.0):
        self.path = folder / "journal.sqlite"
        self.journal = Journal(self.path, writable=True)
        clock = SteadyClock(scale=scale)
        self.utc = SteadyClock(scale=scale)
        self.let_in = threading.Event()
        """While clear, paho's thread stands between "connected" and sending again what was under way."""
        self.let_in.set()
        self.connection = Connection(
            broker,
            "alarms wait in the journal",
            lambda state: (
                self.let_in.wait(PATIENCE_S) and watch_message(RACK, state, clock.now_ms(), Voice("j"))
            ),
        )
        self.link = BrokerLink(self.connection, RACK, broker.heartbeat_s, clock, self.utc, Voice)
        self.connection.start()

    def put(self, *messages):
        with self.journal.transaction():
            self.journal.outbox.put([Message(f"{RACK}/{t}", p, r) for t, p, r in messages])

    def turn_until(self, condition):
        def turned():
            self.link.deliver(self.journal)
            return condition()

        wait_for(turned)

    def waiting(self):
        return [each.message.payload for each in self.journal.outbox.waiting(0, 1000)]


@contextmanager
def outbox(folder, scale=1.0, **broker):
    box = Outbox(folder, BrokerSettings(host="127.0.0.1", **broker), scale)
    try:
        yield box
    finally:
        box.connection.stop()
        box.journal.close()


@pytest.fixture
def said():
    """What is logged meanwhile."""
    with structlog.testing.capture_logs() as logs:
        yield logs


def events(*numbers, topic="event"):
    return [(topic, str(number), False) for number in numbers]


# Delivery


def test_a_message_waits_until_the_broker_confirms_it(tmp_path):
    port = free_port()
    with outbox(tmp_path, port=port) as box:
        box.put(*events(1, 2))
        box.link.deliver(box.journal)
        assert box.waiting() == ["1", "2"]
        with Mosquitto(tmp_path, port=port), Subscriber(port, f"{RACK}/event") as screen:
            box.turn_until(lambda: box.connection.connected and not box.waiting())
            screen.wait_for_topic(f"{RACK}/event", 2)
            assert screen.payloads(f"{RACK}/event") == ["1", "2"]
    (times,) = zip(*asked(box.path, "SELECT delivered_ms FROM outbox"), strict=True)
    assert all(time_ms > 0 for time_ms in times)


def test_a_broker_that_takes_but_does_not_confirm_has_not_taken(tmp_path):
    with Mosquitto(tmp_path) as broker, outbox(tmp_path, port=broker.port) as box:
        box.turn_until(lambda: box.connection.connected)
        broker.pause()
        box.put(*events(1))
        for _ in range(20):
            box.link.deliver(box.journal)
            threading.Event().wait(0.01)
        assert box.waiting() == ["1"]
        broker.go_on()
        box.turn_until(lambda: not box.waiting())


def test_nobody_listening_is_success(tmp_path):
    # MQTT 5, 3.4.2.1: reason code 0x10 "No matching subscribers" is below 0x80, no failure
    with Mosquitto(tmp_path) as broker, outbox(tmp_path, port=broker.port) as box:
        box.put(*events(1))
        box.turn_until(lambda: not box.waiting())
    assert asked(box.path, "SELECT refusal FROM outbox") == [(None,)]
    assert "PUBACK" in broker.log
    assert "rc16" in broker.log, "the broker did say so"


def test_more_than_can_be_in_flight_goes_out_in_order(tmp_path):
    with (
        Mosquitto(tmp_path) as broker,
        outbox(tmp_path, port=broker.port) as box,
        Subscriber(broker.port, f"{RACK}/event") as screen,
    ):
        box.put(*events(*range(300)))
        box.turn_until(lambda: not box.waiting())
        screen.wait_for_topic(f"{RACK}/event", 300)
        assert screen.payloads(f"{RACK}/event") == [str(n) for n in range(300)]


def test_nothing_new_overtakes_what_was_under_way_when_the_broker_died(tmp_path):
    with Mosquitto(tmp_path) as broker, outbox(tmp_path, port=broker.port) as box:
        box.turn_until(lambda: box.connection.connected)
        broker.pause()
        box.put(*events(1, 2, 3))
        box.link.deliver(box.journal)
        broker.kill()
        box.put(*events(4))
        box.turn_until(lambda: not box.connection.connected)
        box.let_in.clear()
        broker.start()
        with Subscriber(broker.port, f"{RACK}/event") as screen:
            box.turn_until(lambda: box.connection.connected)
            box.link.deliver(box.journal)
            box.let_in.set()
            box.turn_until(lambda: not box.waiting())
            screen.wait_for_topic(f"{RACK}/event", 4)
            assert screen.payloads(f"{RACK}/event") == ["1", "2", "3", "4"]


def test_what_was_under_way_when_the_broker_died_comes_in_order_and_at_least_once(tmp_path):
    with (
        Mosquitto(tmp_path) as broker,
        outbox(tmp_path, port=broker.port) as box,
        Subscriber(broker.port, f"{RACK}/event") as screen,
    ):
        box.put(*events(*range(100)))
        box.turn_until(lambda: 0 < len(box.waiting()) < 100)
        broker.kill()
        box.put(*events(*range(100, 120)))
        box.turn_until(lambda: not box.connection.connected)
        assert len(box.waiting()) >= 20
        broker.start()
        screen.wait_until_subscribed()
        box.turn_until(lambda: not box.waiting())
        screen.wait_for_topic(f"{RACK}/event", 20)
        box.put(*events("last"))
        box.turn_until(lambda: not box.waiting())
        screen.wait_for(lambda heard: heard[-1].payload == "last", "the last")
        first_receipts = list(dict.fromkeys(screen.payloads(f"{RACK}/event")))
    assert first_receipts[-21:] == [*map(str, range(100, 120)), "last"]
    assert first_receipts[:-21] == sorted(first_receipts[:-21], key=int)


def test_a_next_run_sends_what_the_last_did_not_see_confirmed(tmp_path):
    with Mosquitto(tmp_path) as broker:
        with outbox(tmp_path, port=broker.port) as box:
            box.turn_until(lambda: box.connection.connected)
            broker.pause()
            box.put(*events(1, 2))
            box.link.deliver(box.journal)
            began = time.monotonic()
            box.connection.break_off()
            assert time.monotonic() - began < 5, "a broker that hangs does not hold up the end"
            broker.go_on()
        with outbox(tmp_path, port=broker.port) as box:
            assert box.waiting() == ["1", "2"]
            with Subscriber(broker.port, f"{RACK}/event") as screen:
                box.turn_until(lambda: not box.waiting())
                screen.wait_for_topic(f"{RACK}/event", 2)


# Refusals

USERS = {"rack": "secret", "screen": "secret"}
READER = "user screen\ntopic read #\n"
ALL = f"{READER}user rack\ntopic readwrite {RACK}/#"
NO_EVENTS = f"{READER}user rack\ntopic readwrite {RACK}/alarm/#\ntopic readwrite {RACK}/watch"
NO_ALARM_STATES = f"{READER}user rack\ntopic readwrite {RACK}/event\ntopic readwrite {RACK}/watch"


@contextmanager
def guarded(folder, acl, scale=1.0):
    """A broker that knows its users, and an outbox of the user "rack"."""
    secret = folder / "rack-password"
    secret.write_text("secret\n")
    secret.chmod(0o600)
    with (
        Mosquitto(folder, users=USERS, acl=acl) as broker,
        outbox(folder, scale, port=broker.port, username="rack", password_file=secret) as box,
    ):
        yield broker, box


def permit(broker, folder, acl):
    (folder / "acl").write_text(acl + "\n")
    broker.reload()


def test_what_the_access_list_refuses_is_not_delivered_and_the_rest_goes_on(tmp_path, said):
    with guarded(tmp_path, NO_EVENTS) as (_, box):
        box.put(*events(1), ("alarm/k1", "stands", True), *events(2), ("alarm/k2", "stands", True))
        box.turn_until(lambda: len(asked(box.path, "SELECT 1 FROM outbox WHERE refusal NOT NULL")) == 2)
        box.turn_until(lambda: box.waiting() == ["1", "2"])
        assert box.journal.outbox.counts() == (2, 2)
        rows = asked(box.path, "SELECT payload, refusal FROM outbox WHERE delivered_ms IS NULL")
    assert rows == [("1", "Not authorized"), ("2", "Not authorized")]
    refusals = [line for line in said if line["event"] == "broker_refuses"]
    assert [(line["message"], line["reason"]) for line in refusals] == [
        (1, "Not authorized"),
        (3, "Not authorized"),
    ]


def test_once_it_is_permitted_it_is_delivered_in_order(tmp_path):
    with guarded(tmp_path, NO_EVENTS, scale=FAST) as (broker, box):
        box.put(*events(*range(50)))
        box.turn_until(lambda: box.journal.outbox.counts() == (50, 50))
        with Subscriber(broker.port, f"{RACK}/event", username="screen", password="secret") as screen:
            permit(broker, tmp_path, ALL)
            box.turn_until(lambda: not box.waiting())
            screen.wait_for_topic(f"{RACK}/event", 50)
            heard = screen.payloads(f"{RACK}/event")
    assert heard == [str(n) for n in range(50)]
    assert asked(box.path, "SELECT count(*) FROM outbox WHERE refusal NOT NULL") == [(0,)]


def test_an_old_word_that_was_refused_never_replaces_a_newer_one(tmp_path):
    with guarded(tmp_path, NO_ALARM_STATES, scale=FAST) as (broker, box):
        box.put(("alarm/k1", "stands", True))
        box.turn_until(lambda: box.journal.outbox.counts() == (1, 1))
        permit(broker, tmp_path, ALL)
        broker.wait_for_log("Reloading config")
        with Subscriber(broker.port, f"{RACK}/alarm/#", username="screen", password="secret") as screen:
            box.put(("alarm/k1", "eased", True))
            box.turn_until(lambda: not box.waiting())
            screen.wait_for(lambda heard: heard and heard[-1].payload == "eased", "the newer word")
            box.put(("alarm/k2", "end", True))
            box.turn_until(lambda: not box.waiting())
            screen.wait_for(lambda heard: heard[-1].payload == "end", "the end")
            told = screen.payloads(f"{RACK}/alarm/k1")
    assert told[-1] == "eased"


def test_a_wrong_password_is_told_once_and_nothing_is_lost(tmp_path, said):
    secret = tmp_path / "rack-password"
    secret.write_text("wrong\n")
    settings = {"username": "rack", "password_file": secret}
    with (
        Mosquitto(tmp_path, users=USERS) as broker,
        outbox(tmp_path, port=broker.port, **settings) as box,
    ):
        box.put(*events(1))
        broker.wait_for_log("not authorised", times=2)
        box.link.deliver(box.journal)
        assert box.waiting() == ["1"]
        assert not box.connection.connected
    told = [line for line in said if line["event"].startswith("broker_")]
    assert [line["event"] for line in told] == ["broker_refuses_connection"]
    assert told[0]["why"] == "Not authorized"
    assert "wrong" not in str(said)


@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket"
)  # paho leaves a failed one to the GC
def test_a_broker_with_a_certificate_of_our_own_authority_is_believed_and_no_other(tmp_path, said):
    authority, other = own_authority(tmp_path, "authority"), own_authority(tmp_path, "stranger")
    certificate = signed_by(tmp_path, "authority", "127.0.0.1")
    listener = f"certfile {certificate}\nkeyfile {certificate.with_suffix('.key')}"
    with Mosquitto(tmp_path, listener=listener) as broker:
        with outbox(tmp_path, port=broker.port, tls=True, ca_file=authority) as box:
            box.put(*events(1))
            box.turn_until(lambda: not box.waiting())
        with outbox(tmp_path, port=broker.port, tls=True, ca_file=other) as box:
            box.put(*events(2))
            wait_for(lambda: [line for line in said if line["event"] == "broker_unreachable"])
            box.link.deliver(box.journal)
            assert box.waiting() == ["2"]
    gc.collect()
    (why,) = [line["why"] for line in said if line["event"] == "broker_unreachable"]
    assert "certificate verify failed" in why


@pytest.mark.parametrize("content", [None, "this is no certificate\n"])
def test_a_certificate_that_cannot_be_used_is_told_in_a_line(tmp_path, content):
    path = tmp_path / "ca.pem"
    if content is not None:
        path.write_text(content)
    with pytest.raises(SettingsError) as refused:
        Connection(BrokerSettings(tls=True, ca_file=path), "alarms wait in the journal")
    assert str(refused.value).startswith(f'ca_file: found "{path}", which cannot be used (')
    assert str(refused.value).endswith("expected the broker's CA certificate, in PEM")


def test_a_broker_that_is_not_there_is_told_once_with_its_reason(tmp_path, said):
    with outbox(tmp_path, port=free_port()) as box:
        wait_for(lambda: said)
        box.put(*events(1))
        box.link.deliver(box.journal)
        assert box.waiting() == ["1"]
    assert [(line["event"], line["why"]) for line in said] == [
        ("broker_unreachable", "[Errno 111] Connection refused; alarms wait in the journal")
    ]


# What the broker keeps of us


def words_on(screen, topic="watch"):
    return [json.loads(payload)["state"] for payload in screen.payloads(f"{RACK}/{topic}")]


def test_it_says_that_it_watches_and_that_it_was_stopped(tmp_path):
    with Mosquitto(tmp_path) as broker, Subscriber(broker.port, f"{RACK}/watch") as screen:
        with outbox(tmp_path, port=broker.port) as box:
            box.turn_until(lambda: box.connection.connected)
            screen.wait_for(lambda heard: len(heard) == 1, "watching")
            assert json.loads(retained_at(broker.port)[f"{RACK}/watch"])["state"] == "watching"
        screen.wait_for(lambda heard: len(heard) == 2, "stopped")
        assert words_on(screen) == ["watching", "stopped"]
        assert json.loads(retained_at(broker.port)[f"{RACK}/watch"])["state"] == "stopped"


def test_breaking_off_leaves_the_last_will(tmp_path):
    with Mosquitto(tmp_path) as broker, Subscriber(broker.port, f"{RACK}/watch") as screen:
        with outbox(tmp_path, port=broker.port) as box:
            box.turn_until(lambda: box.connection.connected)
            screen.wait_for(lambda heard: len(heard) == 1, "watching")
            box.connection.break_off()
            screen.wait_for(lambda heard: len(heard) == 2, "the last will")
        assert words_on(screen) == ["watching", "gone"]
        assert json.loads(retained_at(broker.port)[f"{RACK}/watch"])["state"] == "gone"


def test_signs_of_life_come_in_their_rhythm(tmp_path):
    with (
        Mosquitto(tmp_path) as broker,
        outbox(tmp_path, port=broker.port, heartbeat_s=0.2) as box,
        Subscriber(broker.port, f"{RACK}/heartbeat") as screen,
    ):
        box.turn_until(lambda: box.link.heartbeat(lambda: (17, 2, [])) or len(screen.heard) >= 5)
        beats = [json.loads(payload) for payload in screen.payloads(f"{RACK}/heartbeat")]
    assert {(beat["inputs"], beat["alarms"]) for beat in beats} == {(17, 2)}
    assert len({beat["at"] for beat in beats}) == 5


def test_signs_of_life_go_on_when_the_clock_is_set_back_and_say_the_new_time(tmp_path):
    with (
        Mosquitto(tmp_path) as broker,
        outbox(tmp_path, port=broker.port, heartbeat_s=0.2) as box,
        Subscriber(broker.port, f"{RACK}/heartbeat") as screen,
    ):
        box.turn_until(lambda: box.link.heartbeat(lambda: (17, 2, [])) or len(screen.heard) >= 2)
        before = utc_ms(json.loads(screen.payloads(f"{RACK}/heartbeat")[-1])["at"])
        box.utc._start_ms -= 7_200_000
        box.turn_until(lambda: box.link.heartbeat(lambda: (17, 2, [])) or len(screen.heard) >= 5)
        after = utc_ms(json.loads(screen.payloads(f"{RACK}/heartbeat")[-1])["at"])
    assert 7_000_000 < before - after <= 7_200_000


def test_a_broker_that_hangs_holds_the_stop_up_for_a_moment_only(tmp_path):
    with (
        Mosquitto(tmp_path) as broker,
        outbox(tmp_path, port=broker.port) as box,
    ):
        box.turn_until(lambda: box.connection.connected)
        broker.pause()
        began = time.monotonic()
        box.connection.stop()
        assert time.monotonic() - began < GOODBYE_S + 5
        broker.go_on()


# The daemon as a process


@contextmanager
def bench(folder, **broker):
    """The daemon on a bench: a probe on a line whose value the test sets, and a broker."""
    line = PtyLine(folder / "serial")
    water = {"celsius": 15.0}

    def answer(request):
        return answer_frame(request[0], request[1], round(water["celsius"] * 100))

    with Mosquitto(folder, **broker) as server, Peer(line, answer):
        daemon = DaemonRun(write_settings(folder, line.path, server.port))
        try:
            daemon.start()
            yield daemon, server, water
        finally:
            daemon.end_by_force()
    line.unplug()


HIGH = f"{RACK}/alarm/k1/temperature/high"


def last(screen, topic):
    payloads = screen.payloads(topic)
    return payloads[-1] if payloads else None


def test_an_alarm_is_kept_by_the_broker_while_it_stands(tmp_path):
    with bench(tmp_path) as (daemon, broker, water), Subscriber(broker.port, f"{RACK}/#") as screen:
        screen.wait_for_topic(f"{RACK}/heartbeat")
        assert json.loads(last(screen, f"{RACK}/watch"))["state"] == "watching"
        water["celsius"] = 22.0
        screen.wait_for_topic(HIGH)
        kept = json.loads(retained_at(broker.port, f"{RACK}/alarm/#")[HIGH])
        assert (kept["alarm"], kept["state"], kept["value"]) == (
            "k1/temperature/high",
            "unacknowledged",
            22.0,
        )
        water["celsius"] = 15.0
        screen.wait_for_topic(HIGH, 2)
        assert json.loads(last(screen, HIGH))["state"] == "returned unacknowledged"
        ask_daemon(tmp_path / "journal.sqlite", "acknowledge", {"alarm": "k1/temperature/high"}, "ada")
        screen.wait_for_topic(HIGH, 3)
        assert last(screen, HIGH) == ""
        assert HIGH not in retained_at(broker.port)
        assert daemon.stop() == 0
        screen.wait_for(lambda heard: '"stopped"' in heard[-1].payload, "the goodbye")
        told = [json.loads(payload) for payload in screen.payloads(f"{RACK}/event")]
    assert [event["event"] for event in told] == ["raised", "returned", "acknowledged"]
    assert waiting_in(tmp_path / "journal.sqlite") == 0


def test_a_daemon_that_is_killed_is_gone_for_the_broker(tmp_path):
    with bench(tmp_path) as (daemon, broker, _), Subscriber(broker.port, f"{RACK}/watch") as screen:
        screen.wait_for_topic(f"{RACK}/watch")
        daemon.kill_after(0)
        screen.wait_for_topic(f"{RACK}/watch", 2)
        daemon.start()
        screen.wait_for_topic(f"{RACK}/watch", 3)
        assert words_on(screen) == ["watching", "gone", "watching"]


def test_alarms_of_a_time_without_broker_come_afterwards_all_and_in_order(tmp_path):
    with bench(tmp_path) as (daemon, broker, water), Subscriber(broker.port, f"{RACK}/event") as screen:
        path = tmp_path / "journal.sqlite"
        for celsius in (22.0, 15.0):
            water["celsius"] = celsius
            known = len(screen.heard)
            screen.wait_for(lambda heard, known=known: len(heard) > known, f"the event of {celsius}")
        broker.kill()
        events_before = len(asked(path, "SELECT 1 FROM event"))
        for celsius in (22.0, 15.0, 3.0, 15.0):
            water["celsius"] = celsius
            known = len(asked(path, "SELECT 1 FROM event"))
            daemon.wait_for(lambda known=known: len(asked(path, "SELECT 1 FROM event")) > known, "an event")
        assert waiting_in(path) > 0
        broker.start()
        daemon.wait_for(lambda: waiting_in(path) == 0, "the broker's confirmations")
        screen.wait_until_subscribed()
        numbers = [number for (number,) in asked(path, "SELECT number FROM event ORDER BY number")]
        assert len(numbers) >= events_before + 4
        water["celsius"] = 22.0
        daemon.wait_for(lambda: len(asked(path, "SELECT 1 FROM event")) > len(numbers), "one more event")
        daemon.wait_for(lambda: waiting_in(path) == 0, "its confirmation")
        assert daemon.stop() == 0
        delivered = asked(path, "SELECT id, delivered_ms FROM outbox WHERE topic LIKE '%/event' ORDER BY id")
    times = [delivered_ms for _, delivered_ms in delivered]
    assert times == sorted(times)
