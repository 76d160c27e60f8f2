"""An MQTT bus on a real mosquitto, fed by mosquitto's own publishing tool. All readings are invented."""

import json
import resource
import socket
import struct
import subprocess
import threading
import time

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from drivers.errors import SetupError
from drivers.flood import BURST
from drivers.mqtt_bus import MqttBus
from drivers.mqtt_message import Field, MqttTopic
from drivers.readings import Reading, Receipt, Surroundings, Trouble, Waited
from tests.rigs.emitted import Emitted, running
from tests.rigs.parts.bare_broker import BareBroker, frame, granted, published
from tests.rigs.parts.dynamic_security import dynamic_security
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.parts.system_clock import SystemClock

CLOCK = SystemClock()


@pytest.fixture
def emitted():
    return Emitted()


@pytest.fixture
def broker(tmp_path):
    with Mosquitto(tmp_path) as broker:
        yield broker


def around(clock=CLOCK, utc_ms=int, axis_ms=int):
    return Surroundings(clock, utc_ms, axis_ms, "bellwatch/bench", "invented-id")


def plain(probe="tray", topic="water/tray", quantity="temperature"):
    return MqttTopic(probe, topic, "plain", (Field(quantity),), 60_000)


def senml_topic(probe="tray", topic="water/tray", name="tray:t", quantity="temperature"):
    return MqttTopic(probe, topic, "senml", (Field(quantity, senml_name=name),), 60_000)


def record(value, age_s=0.0, name="tray:t"):
    """Return a pack of one temperature with a date of its own, so many seconds ago."""
    return json.dumps([{"n": name, "u": "Cel", "v": value, "t": CLOCK.now_ms() / 1000 - age_s}])


def bus(broker, topics, emitted, **more):
    return MqttBus("air", broker.host, broker.port, tuple(topics), around(), emitted, **more)


class Subscribed:
    """Runs a bus, and waits until the broker has answered its subscription."""

    def __init__(self, broker, topics, emitted, **more):
        self.driver = bus(broker, topics, emitted, **more)
        self._broker = broker
        self._running = running(self.driver)

    def __enter__(self):
        before = self._broker.log.count("Sending SUBACK")
        self._running.__enter__()
        self._broker.wait_for_log("Sending SUBACK", before + 1)
        return self.driver

    def __exit__(self, *exc):
        return self._running.__exit__(*exc)


class TestReadings:
    def test_each_format(self, broker, emitted):
        topics = [
            plain("dish", "water/dish", "salinity"),
            MqttTopic(
                "kreisel", "water/kreisel", "json", (Field("oxygen", "/water/0/do", scale=0.1),), 60_000
            ),
            senml_topic(),
        ]
        before_ms = CLOCK.now_ms()
        with Subscribed(broker, topics, emitted):
            broker.publish("water/dish", "31.5\n")
            broker.publish("water/kreisel", '{"water": [{"do": 81}]}')
            broker.publish("water/tray", '[{"bn":"tray:","n":"t","u":"K","t":-4,"v":291.65}]')
            emitted.wait_for(lambda e: len(e.readings) == 3)
        dish, kreisel, tray = emitted.readings
        assert (dish.probe, dish.quantity, dish.value) == ("dish", "salinity", 31.5)
        assert (kreisel.probe, kreisel.quantity, kreisel.value) == ("kreisel", "oxygen", pytest.approx(8.1))
        assert (tray.probe, tray.quantity, tray.value) == ("tray", "temperature", pytest.approx(18.5))
        after_ms = CLOCK.now_ms() + 1
        assert before_ms - 1 <= dish.time_ms <= kreisel.time_ms <= after_ms
        assert before_ms - 4_001 <= tray.time_ms <= after_ms - 4_000
        assert emitted.troubles == []

    def test_two_probes_may_share_a_topic(self, broker, emitted):
        topics = [senml_topic("a", "water", "a:t"), senml_topic("b", "water", "b:t")]
        with Subscribed(broker, topics, emitted):
            broker.publish("water", record(18.0, name="b:t"))
            broker.publish("water", record(17.0, name="a:t"))
            emitted.wait_for(lambda e: len(e.readings) == 2)
        assert [(r.probe, r.value) for r in emitted.readings] == [("b", 18.0), ("a", 17.0)]
        assert emitted.troubles == []

    def test_a_topic_with_wildcards_and_one_payload_for_many_probes(self, broker, emitted):
        """A gateway tells its probes apart by a text in the payload, another by names in a pack."""

        def uplink(probe, device):
            fields = (Field("temperature", "/t"), Field("oxygen", "/do"))
            return MqttTopic(probe, "lab/+/up/#", "json", fields, 60_000, ("/device", device))

        topics = [uplink("k1", "a1"), uplink("k2", "7")]
        topics += [senml_topic(f"tray{n}", "pack/+", f"tray{n}:t") for n in range(8)]
        pack = [{"n": f"tray{n}:t", "u": "Cel", "v": 10 + n} for n in range(8)]
        with Subscribed(broker, topics, emitted):
            broker.publish("lab/east/up/17", '{"device": "a1", "t": 18.5, "do": 7}')
            broker.publish("lab/west/up", '{"device": 7, "t": 19.5, "do": 8}')
            broker.publish("lab/west/up", '{"device": "stranger", "t": 99, "do": 99}')
            broker.publish("lab/west/down", '{"device": "a1", "t": 99, "do": 99}')
            broker.publish("pack/1", json.dumps(pack))
            emitted.wait_for(lambda e: len(e.readings) >= 12)
        found = {(r.probe, r.quantity): r.value for r in emitted.readings}
        assert len(found) == len(emitted.readings) == 12
        assert (found["k1", "temperature"], found["k2", "oxygen"]) == (18.5, 8.0)
        assert [found[f"tray{n}", "temperature"] for n in range(8)] == [10.0 + n for n in range(8)]
        assert emitted.troubles == []

    def test_names_that_nobody_expects_are_told(self, broker, emitted):
        topics = [senml_topic("a", "water", "a:t"), senml_topic("b", "water", "b:t")]
        with Subscribed(broker, topics, emitted):
            broker.publish("water", record(18.0, name="c:t"))
            emitted.wait_for(lambda e: e.troubles)
        (trouble,) = emitted.troubles
        assert (trouble.kind, trouble.probe) == ("payload", None)
        assert "a:t, b:t" in trouble.text

    def test_one_bad_message_or_field_stops_nothing(self, broker, emitted):
        fields = (Field("oxygen", "/o"), Field("temperature", "/t"))
        topics = [plain("dish", "water/dish"), MqttTopic("tray", "water/tray", "json", fields, 60_000)]
        with Subscribed(broker, topics, emitted):
            broker.publish("water/dish", b"\xff\x00")
            broker.publish("water/tray", '{"t": 18.5, "o": "much"}')
            broker.publish("water/tray", "{" * 1000)
            broker.publish("water/dish", "x" * 70_000)
            broker.publish("water/dish", "19.5")
            emitted.wait_for(lambda e: len(e.readings) == 2)
        assert [(r.probe, r.value) for r in emitted.readings] == [("tray", 18.5), ("dish", 19.5)]
        assert emitted.kinds() == ["payload"] * 5
        assert emitted.troubles[0].raw == b"\xff\x00"
        assert "tray (oxygen) on water/tray: text at '/o'" in emitted.troubles[1].text
        assert "70000 bytes" in emitted.troubles[4].text
        assert emitted.troubles[4].raw == b"x" * 256
        assert all(t.text.isprintable() for t in emitted.troubles)


class TestTime:
    def test_retained_messages_count_only_with_a_fresh_date(self, broker, emitted):
        topics = [
            plain("undated", "water/undated"),
            senml_topic("old", "water/old"),
            senml_topic("fresh", "water/fresh"),
            senml_topic("relative", "water/relative"),
        ]
        broker.publish("water/undated", "18.5", "-r")
        broker.publish("water/old", record(18.5, age_s=3600), "-r")
        broker.publish("water/fresh", record(18.5, age_s=30), "-r")
        broker.publish("water/relative", '[{"n":"tray:t","u":"Cel","v":18.5,"t":-1}]', "-r")
        with Subscribed(broker, topics, emitted):
            emitted.wait_for(lambda e: len(e.readings + e.troubles) == 4)
        assert [r.probe for r in emitted.readings] == ["fresh"]
        assert {t.probe: t.kind for t in emitted.troubles} == dict.fromkeys(
            ("undated", "old", "relative"), "stale"
        )

    def test_readings_of_another_time_are_stale(self, broker, emitted):
        with Subscribed(broker, [senml_topic()], emitted):
            broker.publish("water/tray", record(1.0, age_s=61))
            broker.publish("water/tray", record(2.0, age_s=-3600))
            broker.publish("water/tray", record(3.0, age_s=59))
            emitted.wait_for(lambda e: e.readings)
        assert emitted.kinds() == ["stale", "stale"]
        assert "max_age_s" in emitted.troubles[0].text
        assert "in the future" in emitted.troubles[1].text
        assert emitted.values("temperature") == [3.0]

    def test_a_message_delivered_twice_is_one_reading(self, broker, emitted):
        """QoS 1 as it happens: the publisher loses its connection before PUBACK and sends again with DUP."""
        payload = record(18.5).encode()
        with Subscribed(broker, [senml_topic()], emitted) as driver:
            publish_by_hand(broker.port, "water/tray", payload, dup=False)
            publish_by_hand(broker.port, "water/tray", payload, dup=True)
            broker.publish("water/tray", record(19.5))
            emitted.wait_for(lambda e: 19.5 in e.values("temperature"))
        assert emitted.values("temperature") == [18.5, 19.5]
        assert driver.repeats == 1
        assert emitted.troubles == []


class TestTheSession:
    def test_it_sleeps_while_nothing_comes_and_wakes_for_a_commit_and_a_stop(self, broker, emitted):
        with Subscribed(broker, [plain()], emitted):
            broker.publish("water/tray", "18.5")
            emitted.wait_for(lambda e: len(e.items) == 2)
            before = resource.getrusage(resource.RUSAGE_SELF).ru_nvcsw
            time.sleep(1.5)  # ours is one of the wakings
            assert resource.getrusage(resource.RUSAGE_SELF).ru_nvcsw - before <= 4
            begun = time.monotonic()
            confirm_all(emitted)
            broker.wait_for_log("Received PUBACK from bellwatch-invented-id-air")
        assert time.monotonic() - begun < 1

    def test_a_message_is_confirmed_after_its_commit_and_not_before(self, broker, emitted):
        with Subscribed(broker, [plain()], emitted):
            broker.publish("water/tray", "18.5")
            broker.publish("water/tray", "warm")
            emitted.wait_for(lambda e: len(e.items) == 4)
            kinds = [type(item) for item in emitted.items]
            assert kinds == [Reading, Receipt, Trouble, Receipt], "a receipt stands behind what it is for"
            time.sleep(0.7)
            assert "Received PUBACK from bellwatch-invented-id-air" not in broker.log
            confirm_all(emitted)
            broker.wait_for_log("Received PUBACK from bellwatch-invented-id-air", 2)

    def test_what_was_not_confirmed_comes_again_and_what_was_does_not(self, broker, emitted):
        with Subscribed(broker, [senml_topic()], emitted):
            broker.publish("water/tray", record(18.5))
            emitted.wait_for(lambda e: e.readings)
            confirm_all(emitted)
            broker.wait_for_log("Received PUBACK from bellwatch-invented-id-air")
            broker.publish("water/tray", record(19.5))
            emitted.wait_for(lambda e: len(e.readings) == 2)
        again = Emitted()
        with Subscribed(broker, [senml_topic()], again):
            again.wait_for(lambda e: e.readings)
            broker.publish("water/tray", record(20.5))
            again.wait_for(lambda e: len(e.readings) == 2)
        assert again.values("temperature") == [19.5, 20.5]

    def test_what_waited_counts_at_its_own_time_or_is_kept_and_never_judged(self, broker, emitted):
        topics = [senml_topic("dated", "water/dated"), plain()]
        with Subscribed(broker, topics, emitted):
            pass
        before_ms = CLOCK.now_ms()
        for value in ("17.0", "17.1", "17.2"):
            broker.publish("water/tray", value)
        broker.publish("water/dated", record(16.0, age_s=7200))
        with Subscribed(broker, topics, emitted):
            emitted.wait_for(lambda e: e.troubles)
            broker.publish("water/tray", "18.0")
            emitted.wait_for(lambda e: len(e.readings) == 2)
        dated, live = emitted.readings
        assert (dated.probe, dated.value, live.probe, live.value) == ("dated", 16.0, "tray", 18.0)
        assert abs(dated.time_ms - (before_ms - 7_200_000)) < 60_000
        waited = [item for item in emitted.items if isinstance(item, Waited)]
        assert [(it.probe, it.topic, it.payload) for it in waited] == [
            ("tray", "water/tray", value) for value in (b"17.0", b"17.1", b"17.2")
        ]
        (trouble,) = emitted.troubles
        assert trouble.text.startswith("3 undated readings waited at the broker")

    def test_where_no_mark_may_be_set_nothing_is_taken_from_the_past(self, tmp_path, emitted):
        acl = "user logger\ntopic read water/#\nuser probe\ntopic write water/#"
        users = {"logger": "right", "probe": "other"}
        who = {"username": "logger", "password": "right"}
        with Mosquitto(tmp_path, users=users, acl=acl) as broker:
            with Subscribed(broker, [plain()], emitted, **who):
                pass
            broker.publish("water/tray", "17.0", "-u", "probe", "-P", "other")
            with Subscribed(broker, [plain()], emitted, **who):
                emitted.wait_for(lambda e: e.troubles)
                broker.wait_for_log("Sending SUBACK", 3)
                broker.publish("water/tray", "18.0", "-u", "probe", "-P", "other")
                emitted.wait_for(lambda e: e.readings)
        assert emitted.values("temperature") == [18.0]
        assert emitted.kinds() == ["refused"]
        assert "no own mark on bellwatch/bench/mark/air" in emitted.troubles[0].text
        assert "read and write there" in emitted.troubles[0].text

    def test_a_topic_of_former_settings_is_left(self, broker, emitted):
        with Subscribed(broker, [plain("dish", "water/dish")], emitted):
            pass
        with Subscribed(broker, [plain()], emitted):
            broker.publish("water/dish", "1.0")
            broker.wait_for_log("Received UNSUBSCRIBE")
            broker.publish("water/tray", "18.0")
            emitted.wait_for(lambda e: e.readings)
        assert emitted.values("temperature") == [18.0]
        assert emitted.troubles == []

    def test_a_wildcard_of_former_settings_is_left(self, broker, emitted):
        with Subscribed(broker, [plain(topic="former/+/x"), plain("dish")], emitted):
            pass
        before = broker.log.count("Sending UNSUBACK")
        with Subscribed(broker, [plain("dish")], emitted):
            broker.publish("former/a/x", "1")
            broker.wait_for_log("Sending UNSUBACK", before + 1)
            sent = broker.log.count("Sending PUBLISH to bellwatch")
            broker.publish("former/b/x", "2")
            broker.publish("water/tray", "3")
            emitted.wait_for(lambda e: e.readings)
        assert [r.value for r in emitted.readings] == [3.0]
        assert broker.log.count("Sending PUBLISH to bellwatch") == sent + 1

    @pytest.mark.parametrize("topic", [plain(), senml_topic()], ids=["undated", "dated by the same clock"])
    def test_a_clock_set_back_refuses_nothing(self, broker, emitted, topic):
        """UTC is what the system's clock makes of the axis; undated readings are told apart by the axis."""
        ahead_ms = [7_200_000]

        def payload():
            return record(18.0, age_s=-ahead_ms[0] / 1000) if topic.format == "senml" else "18.0"

        driver = MqttBus(
            "air",
            broker.host,
            broker.port,
            (topic,),
            around(utc_ms=lambda at_ms: at_ms + ahead_ms[0], axis_ms=lambda utc_ms: utc_ms - ahead_ms[0]),
            emitted,
        )
        with running(driver):
            broker.wait_for_log("Sending SUBACK")
            broker.publish("water/tray", payload())
            emitted.wait_for(lambda e: len(e.readings) == 1)
            ahead_ms[0] = 0
            broker.publish("water/tray", payload())
            emitted.wait_for(lambda e: len(e.readings) == 2)
        sooner, later = (reading.time_ms for reading in emitted.readings)
        assert sooner < later < sooner + 20_000
        assert driver.repeats == 0


def confirm_all(emitted):
    """Do what the watch does after a commit."""
    for item in emitted.items:
        if isinstance(item, Receipt):
            item.confirm()


class TestTooMuch:
    @pytest.mark.parametrize(("listened", "sent"), [("water/flood", "water/flood"), ("many/+", "many/flood")])
    def test_a_flood_does_not_delay_the_neighbours_times(self, broker, emitted, listened, sent):
        flood = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        flood.max_inflight_messages_set(1000)
        with Subscribed(broker, [plain("flood", listened), plain()], emitted):
            flood.connect(broker.host, broker.port)
            flood.loop_start()
            late_ms = []
            for nth in range(10):
                for _ in range(1_000):
                    flood.publish(sent, "1.0", qos=1)
                sent_ms = CLOCK.now_ms()
                broker.publish("water/tray", str(nth))
                emitted.wait_for(lambda e, nth=nth: float(nth) in e.values("temperature", "tray"))
                late_ms.append(emitted.readings[-1].time_ms - sent_ms)
                confirm_all(emitted)
            # On a busy machine most of the flood is still to come.
            emitted.wait_for(lambda e: confirm_all(e) or e.troubles)
            flood.disconnect()
            flood.loop_stop()
        assert max(late_ms) < 2_000
        assert emitted.kinds() == ["refused"]
        assert f"flood on {sent}: it publishes far too often" in emitted.troubles[0].text
        assert BURST <= len(emitted.values("temperature", "flood")) < BURST + 500

    @pytest.mark.parametrize("sent", ["lab/junk/up", "lab/east/up"])
    def test_a_flood_into_a_wildcard_silences_no_topic_that_gave_readings(self, broker, emitted, sent):
        """A stranger floods, or one of the two probes: the other is heard all the same, each message once."""
        uplinks = [
            MqttTopic(name, "lab/+/up", "json", (Field("temperature", "/t"),), 60_000, ("/id", name))
            for name in ("a1", "a2")
        ]
        flood = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        with Subscribed(broker, uplinks, emitted):
            broker.publish("lab/east/up", '{"id": "a1", "t": 0}')
            broker.publish("lab/west/up", '{"id": "a2", "t": 0}')
            emitted.wait_for(lambda e: len(e.readings) == 2)
            flood.connect(broker.host, broker.port)
            flood.loop_start()
            for _ in range(2 * BURST):
                flood.publish(sent, "{}")
            emitted.wait_for(lambda e: "refused" in e.kinds())
            broker.wait_for_log("Sending UNSUBACK")
            for nth in range(1, 4):
                broker.publish("lab/west/up", json.dumps({"id": "a2", "t": nth}))
                broker.publish("lab/east/up", json.dumps({"id": "a1", "t": nth}))
            emitted.wait_for(lambda e: 3.0 in e.values("temperature", "a2"))
            flood.disconnect()
            flood.loop_stop()
        assert emitted.values("temperature", "a2") == [0, 1, 2, 3]
        assert emitted.values("temperature", "a1") == ([0] if "east" in sent else [0, 1, 2, 3])

    def test_a_huge_payload_is_not_even_sent_to_us(self, broker, emitted):
        with Subscribed(broker, [plain()], emitted):
            before_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            huge = ["head", "-c", "150000000", "/dev/zero"]
            where = [
                "-h",
                broker.host,
                "-p",
                str(broker.port),
                "-V",
                "5",
                "-q",
                "1",
                "-t",
                "water/tray",
                "-s",
            ]
            with subprocess.Popen(huge, stdout=subprocess.PIPE) as source:
                subprocess.run(["mosquitto_pub", *where], stdin=source.stdout, check=True, timeout=60)
            broker.publish("water/tray", "18.0")
            emitted.wait_for(lambda e: e.readings)
            grown_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kib
        assert emitted.values("temperature") == [18.0]
        assert grown_kib < 50_000


def publish_by_hand(port, topic, payload, dup):
    """Publish at QoS 1 as packet 7, with bytes laid out by hand after MQTT 5.0, 3.1 and 3.3."""

    def text(value):
        return struct.pack(">H", len(value)) + value.encode()

    connect = text("MQTT") + b"\x05\x02\x00\x0a\x00" + text("by-hand")
    publish = text(topic) + b"\x00\x07\x00" + payload
    assert len(publish) < 128, "one byte of remaining length"
    with socket.create_connection(("127.0.0.1", port), timeout=20) as wire:
        wire.sendall(b"\x10" + bytes([len(connect)]) + connect)
        assert wire.recv(2)[0] == 0x20  # CONNACK
        wire.sendall(bytes([0x3A if dup else 0x32, len(publish)]) + publish)
        received = b""
        while b"\x40\x02\x00\x07" not in received and b"\x40\x03\x00\x07" not in received:  # PUBACK of 7
            more = wire.recv(64)
            assert more, "the broker hung up"
            received += more


class TestTheBroker:
    def test_killed_and_restarted(self, broker, emitted):
        with Subscribed(broker, [plain()], emitted):
            broker.publish("water/tray", "18.0")
            emitted.wait_for(lambda e: len(e.readings) == 1)
            broker.kill()
            emitted.wait_for(lambda e: "port" in e.kinds())
            broker.start()
            broker.wait_for_log("Sending SUBACK", 2)
            broker.publish("water/tray", "19.0")
            emitted.wait_for(lambda e: len(e.readings) == 2)
            assert emitted.kinds().count("port") <= 2  # lost, perhaps away: each said once
            broker.stop()
            emitted.wait_for(lambda e: [t for t in e.troubles if "connection lost" in t.text][1:])
        assert emitted.values("temperature") == [18.0, 19.0]
        assert set(emitted.kinds()) == {"port"}
        assert "connection lost" in emitted.troubles[0].text
        assert all(t.probe is None and str(broker.port) in t.text for t in emitted.troubles)

    def test_why_the_broker_hangs_up_is_told(self, emitted):
        """Mosquitto 2.0.11 never sends DISCONNECT, so a peer does, laid out after MQTT 5.0, 3.2 and 3.14."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            server.settimeout(20)
            topics = (plain(),)
            driver = MqttBus("air", "127.0.0.1", server.getsockname()[1], topics, around(), emitted)
            with running(driver), server.accept()[0] as connection:
                assert connection.recv(1) == b"\x10"  # CONNECT
                connection.sendall(b"\x20\x03\x00\x00\x00" + b"\xe0\x02\x8b\x00")
                emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds()[0] == "port"
        assert "closes the connection: Server shutting down" in emitted.troubles[0].text

    def test_away_at_start_is_said_once(self, tmp_path, emitted):
        broker = Mosquitto(tmp_path)
        with running(bus(broker, [plain()], emitted)):
            emitted.wait_for(lambda e: e.troubles)
            with broker:
                broker.wait_for_log("Sending SUBACK")
                broker.publish("water/tray", "18.0")
                emitted.wait_for(lambda e: e.readings)
                assert emitted.kinds() == ["port"]
        assert "cannot be reached: Connection refused" in emitted.troubles[0].text

    def test_what_is_no_broker_is_told_too(self, emitted):
        with socket.create_server(("127.0.0.1", 0)) as server:
            server.settimeout(20)
            topics = (plain(),)
            driver = MqttBus("air", "127.0.0.1", server.getsockname()[1], topics, around(), emitted)
            with running(driver):
                with server.accept()[0] as connection:
                    connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
                emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds()[0] == "port"

    def test_a_wrong_password_is_refused_with_the_brokers_reason(self, tmp_path, emitted):
        with (
            Mosquitto(tmp_path, users={"logger": "right"}) as broker,
            running(bus(broker, [plain()], emitted, username="logger", password="wrong")),
        ):
            emitted.wait_for(lambda e: e.troubles)
            broker.wait_for_log("Sending CONNACK", 2)
        assert emitted.kinds() == ["refused"]
        text = emitted.troubles[0].text
        assert "Not authorized" in text
        assert "password_file" in text
        assert "wrong" not in text

    def test_the_right_password_is_let_in(self, tmp_path, emitted):
        acl = "user logger\ntopic read water/#\nuser probe\ntopic write water/#"
        users = {"logger": "right", "probe": "other"}
        with (
            Mosquitto(tmp_path, users=users, acl=acl) as broker,
            Subscribed(broker, [plain()], emitted, username="logger", password="right"),
        ):
            broker.publish("water/tray", "18.5", "-u", "probe", "-P", "other")
            emitted.wait_for(lambda e: e.readings)
        assert emitted.values("temperature") == [18.5]

    def test_a_refused_subscription_is_told_and_the_others_go_on(self, tmp_path, emitted):
        """Mosquitto's acl_file never refuses a subscription; its dynamic security plugin does."""
        topics = [plain("dish", "water/dish"), plain("tray", "water/tray"), plain("twin", "water/tray")]
        with (
            Mosquitto(tmp_path, config=dynamic_security(tmp_path, "water/dish")) as broker,
            Subscribed(broker, topics, emitted, username="logger", password="right"),
        ):
            broker.publish("water/dish", "18.5", "-u", "logger", "-P", "right")
            emitted.wait_for(lambda e: e.readings and len(e.troubles) == 2)
        assert [r.probe for r in emitted.readings] == ["dish"]
        assert [(t.kind, t.probe) for t in emitted.troubles] == [("refused", "tray"), ("refused", "twin")]
        assert "Not authorized" in emitted.troubles[0].text
        assert "water/tray" in emitted.troubles[0].text

    # After a failed handshake paho leaves its socket to the garbage collector.
    @pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
    def test_tls_with_the_right_and_the_wrong_authority(self, tmp_path, emitted):
        certificate, key = self_signed(tmp_path, "broker")
        stranger, _ = self_signed(tmp_path, "stranger")
        tls = f"certfile {certificate}\nkeyfile {key}"
        with Mosquitto(tmp_path, listener=tls) as broker:
            with Subscribed(broker, [plain()], emitted, tls=True, ca_file=str(certificate)):
                options = ("--cafile", str(certificate))
                broker.publish("water/tray", "18.5", *options)
                emitted.wait_for(lambda e: e.readings)
            assert emitted.troubles == []
            with running(bus(broker, [plain()], emitted, tls=True, ca_file=str(stranger))):
                emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds() == ["port"]
        assert "certificate verify failed" in emitted.troubles[0].text

    def test_what_is_unexpected_ends_the_run(self, broker):
        def emit(item):
            raise LookupError("the journal is gone")

        def publish():
            broker.wait_for_log("Sending SUBACK")
            broker.publish("water/tray", "18.5")

        publishing = threading.Thread(target=publish)
        publishing.start()
        with pytest.raises(LookupError), running(bus(broker, [plain()], emit)) as thread:
            thread.join(20)
        publishing.join(20)


def self_signed(folder, name):
    """Make a certificate for 127.0.0.1 that is its own authority."""
    certificate, key = folder / f"{name}.pem", folder / f"{name}.key"
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    who = ["-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1", "-days", "2"]
    files = ["-keyout", str(key), "-out", str(certificate)]
    subprocess.run(["openssl", "req", "-x509", *curve, *who, *files], check=True, capture_output=True)
    return certificate, key


class TestSetup:
    def test_a_ca_file_that_cannot_be_read(self, tmp_path, emitted):
        missing = str(tmp_path / "missing.pem")
        with pytest.raises(SetupError, match=r"missing\.pem: .*PEM file"):
            MqttBus("air", "127.0.0.1", 1, (plain(),), around(), emitted, tls=True, ca_file=missing)

    def test_nothing_to_subscribe(self, emitted):
        with pytest.raises(SetupError, match="no probes"):
            MqttBus("air", "127.0.0.1", 1, (), around(), emitted)

    def test_a_stop_before_the_start_ends_at_once(self, emitted):
        stop = threading.Event()
        stop.set()
        MqttBus("air", "127.0.0.1", free_port(), (plain(),), around(), emitted).run(stop)
        assert emitted.items == []


class TestABrokerThatChecksNothing:
    @pytest.mark.parametrize("topic", [b"wild/\xff\xfe", b""])
    def test_a_topic_that_is_no_text_is_told_and_confirmed(self, emitted, topic):
        said = [published(topic, b"18", 7), published(b"water/tray", b"19", 8)]
        with (
            BareBroker(publishes=said) as broker,
            running(bus(broker, [plain(), plain("wild", "wild/#")], emitted)),
        ):
            emitted.wait_for(lambda e: e.values("temperature", "tray"))
            wait_for(lambda: frame(0x40, struct.pack(">H", 7)) in broker.heard)
        assert emitted.kinds() == ["garbled"]

    @pytest.mark.parametrize(
        "answer", [lambda number, count: granted(number + 1, count), lambda n, _: granted(n, 1)]
    )
    def test_an_answer_to_another_subscription_ends_the_connection(self, emitted, answer):
        with BareBroker(answer) as broker, running(bus(broker, [plain(), plain("wild", "wild/#")], emitted)):
            emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds() == ["port"]
        assert "another subscription" in emitted.troubles[0].text
