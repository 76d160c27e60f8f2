"""A subscriber that keeps every message as it came: topic, payload and whether the broker had it retained."""

import threading
from typing import NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

PATIENCE_S = 30.0


class Heard(NamedTuple):
    """One message: `retained` says that it was there before the subscription."""

    topic: str
    payload: str
    retained: bool


class Subscriber:
    """Subscribes to `topics` on mosquitto at a loopback port; comes back by itself when the broker does."""

    def __init__(self, port: int, topics: str = "#", *, username: str = "", password: str = "") -> None:
        self._heard: list[Heard] = []
        self._changed = threading.Condition()
        self._subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        if username:
            self._client.username_pw_set(username, password)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe(topics, qos=1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_disconnect = lambda *_: self._subscribed.clear()
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.wait_until_subscribed()

    def __enter__(self) -> "Subscriber":
        return self

    def __exit__(self, *exc: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def wait_until_subscribed(self) -> None:
        assert self._subscribed.wait(PATIENCE_S), "the broker did not accept the subscription"

    @property
    def heard(self) -> list[Heard]:
        """Everything so far, in the order of arrival."""
        with self._changed:
            return list(self._heard)

    def payloads(self, topic: str) -> list[str]:
        """The payloads on one topic."""
        return [heard.payload for heard in self.heard if heard.topic == topic]

    def wait_for(self, condition, what: str) -> None:
        """Return when `condition(heard)` holds; fail with the last messages when it never does."""
        with self._changed:
            came = self._changed.wait_for(lambda: condition(self._heard), PATIENCE_S)
            last = self._heard[-8:]
        assert came, f"{what} never came; the last heard: {last}"

    def wait_for_topic(self, topic: str, times: int = 1) -> None:
        self.wait_for(lambda heard: sum(each.topic == topic for each in heard) >= times, topic)

    def _take(self, _client, _data, message) -> None:
        with self._changed:
            self._heard.append(Heard(message.topic, message.payload.decode(), bool(message.retain)))
            self._changed.notify_all()


def retained_at(port: int, topics: str = "#") -> dict[str, str]:
    """What a newcomer finds: the broker's retained messages by topic, up to a message of our own."""
    end = "retained/end"
    with Subscriber(port, topics) as newcomer:
        newcomer._client.subscribe(end, qos=1)
        newcomer._client.publish(end, "", qos=1)
        newcomer.wait_for_topic(end)
        return {each.topic: each.payload for each in newcomer.heard if each.retained}
