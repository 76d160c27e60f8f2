"""Somebody who sends commands to a rack and hears the answers, as any MQTT 5 client could."""

import json
import threading
import time
import uuid
from datetime import UTC, datetime

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

PATIENCE_S = 30.0


class CommandSender:
    """Keeps every answer: topic, body, correlation data."""

    def __init__(self, port: int, topic: str, user: str | None = None, password: str = "") -> None:
        self.answers: list[tuple[str, dict, bytes | None]] = []
        self.topic = topic
        self._changed = threading.Condition()
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        if user is not None:
            self._client.username_pw_set(user, password)
        self._client.on_message = self._take
        self._client.on_connect = lambda *_: self._client.subscribe(f"{topic}/answer/#", qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(PATIENCE_S)

    def __enter__(self) -> "CommandSender":
        return self

    def __exit__(self, *exc: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _take(self, _client, _data, message) -> None:
        with self._changed:
            correlation = getattr(message.properties, "CorrelationData", None)
            self.answers.append((message.topic, json.loads(message.payload), correlation))
            self._changed.notify_all()

    def send(self, kind, body, *, raw=None, to=None, correlation=None, retain=False, **changes) -> str:
        """Send a command and return its id; `to` is the response topic that it asks for."""
        command = {
            "id": uuid.uuid4().hex,
            "kind": kind,
            "who": "ada",
            "issued_at": datetime.now(UTC).isoformat(),
            "body": body,
        } | changes
        properties = Properties(PacketTypes.PUBLISH)
        if to is not None:
            properties.ResponseTopic = to
        if correlation is not None:
            properties.CorrelationData = correlation
        payload = json.dumps(command) if raw is None else raw
        said = self._client.publish(
            f"{self.topic}/command", payload, qos=1, retain=retain, properties=properties
        )
        said.wait_for_publish(PATIENCE_S)
        return command["id"]

    def wait_for(self, count: int) -> list[dict]:
        """Return the bodies of the answers once so many have come."""
        with self._changed:
            until = time.monotonic() + PATIENCE_S
            while len(self.answers) < count:
                left_s = until - time.monotonic()
                assert left_s > 0, f"{len(self.answers)} of {count} answers came: {self.answers}"
                self._changed.wait(left_s)
            return [body for _, body, _ in self.answers]
