"""A subscriber that misses nothing: what the daemon's alarm events look like from the outside."""

import json
import threading

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

PATIENCE_S = 30.0


class EventListener:
    """Keeps every event received, in order; `numbers` gives those received for the first time."""

    def __init__(self, port: int, topic: str) -> None:
        self.received: list[dict] = []
        self._newest: dict[str, dict] = {}
        self._changed = threading.Condition(threading.RLock())
        subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_message = self._take
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(topic, qos=2)
        self._client.loop_start()
        assert subscribed.wait(PATIENCE_S), "the broker did not accept the subscription"

    def __enter__(self) -> "EventListener":
        return self

    def __exit__(self, *exc: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _take(self, _client, _data, message) -> None:
        with self._changed:
            if message.topic.endswith("/event"):
                self.received.append(json.loads(message.payload))
            elif message.payload:
                self._newest[message.topic.rpartition("/")[2]] = json.loads(message.payload)
            self._changed.notify_all()

    def newest(self, topic: str, key: str):
        """Return a value of the newest message of a topic that is not for events."""
        with self._changed:
            return self._newest.get(topic, {}).get(key)

    def wait_until(self, condition, what: str) -> None:
        """Return when a message has made `condition()` true."""
        with self._changed:
            assert self._changed.wait_for(condition, PATIENCE_S), f"{what} never came"

    def numbers(self) -> list[int]:
        """Return the numbers of the events in the order of their first receipt."""
        with self._changed:
            return list(dict.fromkeys(int(event["id"].rpartition(":")[2]) for event in self.received))

    def wait_for(self, distinct: int) -> None:
        """Return when so many different events have come."""
        with self._changed:
            came = self._changed.wait_for(
                lambda: len({event["id"] for event in self.received}) >= distinct, PATIENCE_S
            )
        assert came, f"{len(self.numbers())} of {distinct} events came"
