"""Probes that publish: payloads in three formats, and the connection to the broker (MQTT 5)."""

import json
import threading
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from simulator.encoding import senml
from simulator.errors import WireError
from simulator.scenario.scenario import Measure, Probe

CONNECT_WITHIN_S = 10.0


def wire_number(measure: Measure, value: float) -> str:
    """The number that a text payload carries for a value: (value - offset) / scale with fixed decimals."""
    return f"{(value - measure.offset) / measure.scale:.{measure.decimals}f}"


def payload(probe: Probe, values: dict[str, float], time_ms: int) -> bytes:
    """A probe's message for its values by quantity, measured at a time, in the probe's format."""
    numbers = {measure.quantity: wire_number(measure, values[measure.quantity]) for measure in probe.measures}
    if probe.format == "plain":
        return numbers[probe.measures[0].quantity].encode()
    if probe.format == "json":
        document: dict[str, Any] = {}
        for measure in probe.measures:
            put(document, measure.pointer or "/", float(numbers[measure.quantity]))
        return json.dumps(document, allow_nan=False).encode()
    records = [
        senml.Record(m.senml_name or "", m.quantity, float(numbers[m.quantity])) for m in probe.measures
    ]
    return senml.pack(records, time_ms)


def put(document: dict[str, Any], pointer: str, value: float) -> None:
    """Sets a member of nested objects by its JSON pointer (RFC 6901: ~1 is a slash, ~0 a tilde)."""
    *parents, last = [part.replace("~1", "/").replace("~0", "~") for part in pointer[1:].split("/")]
    for part in parents:
        document = document.setdefault(part, {})
    document[last] = value


class Publisher:
    """A connection to the broker that publishes with QoS 1."""

    def __init__(self, host: str, port: int, client_id: str = "") -> None:
        self._name = f"{host}:{port}"
        self._connected = threading.Event()
        self._refusal = ""
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
        self._client.on_connect = self._on_connect
        try:
            self._client.connect(host, port)
        except OSError as error:
            raise WireError(f"broker {self._name}: cannot be reached: {error}") from error
        self._client.loop_start()

    def __enter__(self) -> "Publisher":
        answered = self._connected.wait(CONNECT_WITHIN_S)
        if not answered or self._refusal:
            self.close()
            raise WireError(f"broker {self._name}: {self._refusal or 'did not answer the connection'}")
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    @property
    def connected(self) -> bool:
        """Whether the broker is there now; the connection comes back by itself."""
        return self._client.is_connected()

    def publish(self, topic: str, message: bytes) -> mqtt.MQTTMessageInfo:
        """Hands a message to the connection; the result tells when the broker has it."""
        return self._client.publish(topic, message, qos=1)

    def close(self) -> None:
        """Leaves the broker after what has been written to the connection."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self, client: mqtt.Client, data: object, flags: object, reason: ReasonCode, properties: object
    ) -> None:
        self._refusal = f"refused the connection: {reason}" if reason.is_failure else ""
        self._connected.set()
