"""Payloads of publishing probes, and their way through a real broker."""

import json

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulator.errors import WireError
from simulator.scenario.scenario import Measure, Probe
from simulator.wires.mqtt import Publisher, payload, put
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.simulator_process import wait_for

MEASURES = (
    Measure(quantity="temperature", decimals=2, pointer="/water/t", senml_name="v:t"),
    Measure(quantity="conductivity", decimals=4, scale=10.0, pointer="/water/c~1ms", senml_name="v:c"),
)
VALUES = {"temperature": 14.966, "conductivity": 39.58712}


def probe(form, measures=MEASURES):
    return Probe(bus="air", vessel="v", topic="t", format=form, measures=measures)


def test_a_plain_payload_is_the_number():
    assert payload(probe("plain", MEASURES[:1]), VALUES, 0) == b"14.97"


def test_a_json_payload_has_the_values_at_their_pointers():
    # the wire's number times the scale is the value: 3.9587 * 10 mS/cm
    assert json.loads(payload(probe("json"), VALUES, 0)) == {"water": {"t": 14.97, "c/ms": 3.9587}}


def test_a_senml_payload_has_names_units_and_the_time_of_measurement():
    assert json.loads(payload(probe("senml"), VALUES, 1_786_734_000_000)) == [
        {"bn": "v:", "bt": 1_786_734_000.0, "n": "t", "u": "Cel", "v": 14.97},
        {"n": "c", "u": "S/m", "v": 3.9587},
    ]


def test_pointers_are_rfc_6901s():
    # ~1 is a slash and ~0 a tilde, in that order of replacement (RFC 6901, section 4)
    document = {}
    put(document, "/a~1b/m~0n", 1.0)
    put(document, "/a~1b/~01", 2.0)
    assert document == {"a/b": {"m~n": 1.0, "~1": 2.0}}


def test_messages_reach_a_subscriber(tmp_path):
    with Mosquitto(tmp_path) as broker:
        received = []
        subscribed = []
        listener = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        listener.on_message = lambda client, data, message: received.append((message.topic, message.payload))
        listener.on_subscribe = lambda *_: subscribed.append(True)
        listener.connect("127.0.0.1", broker.port)
        listener.subscribe("nursery/#", qos=1)
        listener.loop_start()
        wait_for(lambda: subscribed)
        with Publisher("127.0.0.1", broker.port) as publisher:
            assert publisher.connected
            for number in range(100):
                publisher.publish("nursery/x", str(number).encode())
            wait_for(lambda: len(received) == 100)
        assert not publisher.connected
        listener.disconnect()
        listener.loop_stop()
        assert received == [("nursery/x", str(number).encode()) for number in range(100)]


def test_a_broker_that_is_not_there_is_told(tmp_path):
    with Mosquitto(tmp_path) as broker:
        port = broker.port
    with pytest.raises(WireError, match=f"broker 127.0.0.1:{port}: cannot be reached"):
        Publisher("127.0.0.1", port)
