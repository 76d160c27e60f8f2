"""The connection to a real mosquitto: who hears what, what comes again, few words, and no silent end."""

import gc
from contextlib import contextmanager

import pytest
from structlog.testing import capture_logs

from daemon.broker.connection import RECEIVED_AT_MOST, Connection
from daemon.errors import SettingsError
from daemon.journal.outbox import Message
from daemon.settings.rack import BrokerSettings
from tests.rigs.parts.bare_broker import BareBroker, granted, published
from tests.rigs.parts.dynamic_security import dynamic_security
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.simulator_process import wait_for

AWAY = "nobody can be heard"


@pytest.fixture(autouse=True)
def said():
    """What is logged meanwhile."""
    with capture_logs() as logs:
        yield logs
    gc.collect()  # so that what is left open shows here


@contextmanager
def started(connection):
    connection.start()
    try:
        yield connection
    finally:
        connection.stop()


def to(broker, **keys):
    return Connection(BrokerSettings(host=broker.host, port=broker.port), AWAY, **keys)


def taken(hearing, count):
    """The next so many messages."""
    found = []
    wait_for(lambda: len(found) >= count or found.extend(hearing.take(count - len(found))))
    return found


# Hearing and saying


def test_each_hears_what_it_asked_for_with_where_to_answer(tmp_path):
    with Mosquitto(tmp_path) as broker:
        connection = to(broker)
        levels, one = connection.hear(["rack/+/level", "rack/all"]), connection.hear(["rack/one"])
        with started(connection):
            wait_for(lambda: connection.listening)
            connection.publish(Message("rack/a/level", "1", False))
            connection.publish(Message("rack/one", "1", False), 1, "rack/answer", b"\x00\x07")
            connection.publish(Message("rack/b/level", "2", False))
            connection.publish(Message("rack/all", "ä", True))
            heard = taken(levels, 3)
            assert [(each.topic, each.payload) for each in heard] == [
                ("rack/a/level", b"1"),
                ("rack/b/level", b"2"),
                ("rack/all", "ä".encode()),
            ]
            (alone,) = taken(one, 1)
            assert (alone.response_topic, alone.correlation) == ("rack/answer", b"\x00\x07")
            assert (heard[1].response_topic, heard[1].correlation) == (None, None)
            assert one.take(9) == []


def test_what_has_no_room_is_left_out_and_told_once_for_all(tmp_path, said):
    with Mosquitto(tmp_path) as broker:
        connection = to(broker)
        few, end = connection.hear(["flood"], room=3), connection.hear(["end"])
        with started(connection):
            wait_for(lambda: connection.listening)
            for number in range(10):
                connection.publish(Message("flood", str(number), False))
            connection.publish(Message("end", "", False))
            taken(end, 1)
            assert [each.payload for each in few.take(2)] == [b"0", b"1"]
            assert [each.payload for each in few.take(9)] == [b"2"]
    left_out = [line for line in said if line["event"] == "messages_left_out"]
    assert [(line["topics"], line["more_than"]) for line in left_out] == [(["flood"], 3)]


@pytest.mark.parametrize(("needed", "listening"), [(True, 0), (False, 1)])
def test_a_topic_that_the_broker_refuses_is_told_and_the_rest_goes_on(tmp_path, said, needed, listening):
    """Mosquitto's acl_file never refuses a subscription; its dynamic security plugin does."""
    secret = tmp_path / "password"
    secret.write_text("right")
    with Mosquitto(tmp_path, config=dynamic_security(tmp_path, "open")) as broker:
        login = {"username": "logger", "password_file": secret}
        connection = Connection(BrokerSettings(host=broker.host, port=broker.port, **login), AWAY)
        hearing, confirmed = connection.hear(["open"]), []
        connection.hear(["closed"], needed=needed)
        connection.on_confirmed = confirmed.append
        with started(connection):
            wait_for(lambda: said)
            number = connection.publish(Message("open", "1", False)).mid
            taken(hearing, 1)
            wait_for(lambda: confirmed == [(number, None)])
            assert connection.connected
            assert connection.listening == listening
            assert [(line["event"], line["why"]) for line in said] == [
                ("broker_refuses_subscription", "closed")
            ]


# A session that the broker keeps


@contextmanager
def session(broker, *topics):
    """One run of a process whose session the broker keeps: its connection, and what it hears."""
    connection = to(broker, kept_as="desk")
    hearing = connection.hear(topics)
    with started(connection):
        wait_for(lambda: connection.listening)
        yield connection, hearing


def test_what_was_not_confirmed_comes_again_and_what_was_does_not(tmp_path):
    with Mosquitto(tmp_path) as broker:
        with session(broker, "event") as (_, hearing):
            for number in range(3):
                broker.publish("event", str(number))
            taken(hearing, 3)
        broker.publish("event", "3")
        with session(broker, "event") as (connection, hearing):
            again = taken(hearing, 4)
            for arrival in again[:2]:
                connection.confirm(arrival)
        with session(broker, "event") as (_, hearing):
            left = taken(hearing, 2)
    assert [each.payload for each in again] == [b"0", b"1", b"2", b"3"]
    assert [each.payload for each in left] == [b"2", b"3"]


def test_a_confirmation_of_what_came_over_an_older_connection_is_none(tmp_path):
    keeps = f"persistence true\npersistence_location {tmp_path}/\nautosave_on_changes true"
    confirmed = "Received PUBACK from desk"
    with (
        Mosquitto(tmp_path, config=keeps) as broker,
        session(broker, "event", "end") as (connection, hearing),
    ):
        broker.publish("event", "1")
        (old,) = taken(hearing, 1)
        broker.stop()
        broker.start()
        (again,) = taken(hearing, 1)
        assert (old.connection, again.connection) == (1, 2)
        assert again.payload == b"1"
        connection.confirm(old)
        connection.publish(Message("end", "", False))
        taken(hearing, 1)
        assert confirmed not in broker.log
        connection.confirm(again)
        broker.wait_for_log(confirmed)


def test_what_an_earlier_run_asked_for_does_not_block_what_this_one_hears(tmp_path):
    with Mosquitto(tmp_path) as broker:
        with session(broker, "before"):
            pass
        with session(broker, "now") as (connection, hearing):
            for _ in range(RECEIVED_AT_MOST + 1):
                connection.publish(Message("before", "", False))
            connection.publish(Message("now", "heard", False))
            assert taken(hearing, 1)[0].payload == b"heard"


# Words, and the end


def test_each_change_is_told_once_however_often_it_is_tried(tmp_path, said, monkeypatch):
    failed, failing = [], Connection._on_connect_fail
    monkeypatch.setattr(Connection, "_on_connect_fail", lambda self: failed.append(failing(self)))
    port = free_port()
    connection = Connection(BrokerSettings(host="127.0.0.1", port=port), AWAY)
    with started(connection):
        wait_for(lambda: len(failed) == 2)
        with Mosquitto(tmp_path, port=port) as broker:
            wait_for(lambda: connection.connected)
            broker.kill()
            wait_for(lambda: len(failed) == 3)
            broker.start()
            wait_for(lambda: connection.connections == 2 and said[-1]["event"] == "broker_connected")
    told = [(line["event"], line["why"]) for line in said]
    unreachable = ("broker_unreachable", f"[Errno 111] Connection refused; {AWAY}")
    assert told[:5] == [
        unreachable,
        ("broker_connected", None),
        ("broker_disconnected", "Unspecified error"),
        unreachable,
        ("broker_connected", None),
    ]
    assert all(line["broker"] == f"127.0.0.1:{port}" for line in said)


# paho leaves the sockets of a thread that died to the garbage collector
@pytest.mark.filterwarnings("ignore:Exception ignored in. <socket.socket")
@pytest.mark.parametrize("where", ["_on_connect", "_on_message", "_on_subscribe"])
def test_an_error_that_nobody_thought_of_is_logged_and_raised_where_the_owner_looks_next(
    tmp_path, said, monkeypatch, where
):
    def breaks(*_):
        raise ZeroDivisionError("a fault that nobody thought of")

    monkeypatch.setattr(Connection, where, breaks)
    with Mosquitto(tmp_path) as broker:
        connection = to(broker)
        hearing = connection.hear(["event"])
        with started(connection):
            if where == "_on_message":
                wait_for(lambda: connection.listening)
                broker.publish("event", "1")
            wait_for(lambda: [line for line in said if line["event"] == "thread_died"])
            for look in (lambda: connection.connected, lambda: connection.listening):
                with pytest.raises(ZeroDivisionError, match="nobody thought of"):
                    look()
            assert hearing.take(1) == []
    (died,) = [line for line in said if line["event"] == "thread_died"]
    assert (died["log_level"], died["of"]) == ("critical", "Connection")


def test_a_broker_that_checks_nothing_ends_no_thread(said):
    """A topic that is no text is passed over, an answer to another subscription is as good as a refusal."""
    said_there = [published(b"rack/\xff", b"1", 7), published(b"rack/a", b"2", 8)]
    with BareBroker(publishes=said_there) as broker:
        connection = to(broker)
        hearing = connection.hear(["rack/#"])
        with started(connection):
            assert [arrival.payload for arrival in taken(hearing, 1)] == [b"2"]
            assert connection.connected
    with BareBroker(lambda number, count: granted(number, count + 1)) as broker:
        connection = to(broker)
        connection.hear(["rack/#"])
        with started(connection):
            wait_for(lambda: connection.trouble)
            assert connection.connected
            assert not connection.listening
    assert "thread_died" not in {line["event"] for line in said}


def test_an_authority_that_cannot_be_read_is_told_in_one_line(tmp_path):
    broker = BrokerSettings(host="pi", tls=True, ca_file=tmp_path / "no-such.pem")
    with pytest.raises(SettingsError, match=r"ca_file: found .*no-such\.pem.*; expected the broker's CA"):
        Connection(broker, AWAY)


def test_a_password_that_cannot_be_read_is_told_without_showing_anything(tmp_path):
    broker = BrokerSettings(host="pi", username="rack", password_file=tmp_path / "secret")
    with pytest.raises(SettingsError, match="password_file"):
        Connection(broker, AWAY)
