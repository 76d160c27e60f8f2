"""A rack as the broker knows it: events, standing alarms, heartbeats and a last will, without a daemon.

The payloads are made by the daemon's own `messages`, so they are what a real rack says.
"""

import time
from datetime import UTC

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from daemon.broker.messages import heartbeat_message, messages_of, watch_message
from rules.alarms.event import AlarmEvent, Course, Evidence
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.calling.records import Voice
from rules.care.rationale import Record

PATIENCE_S = 30.0


class RackVoice:
    """Speaks for rack `name`; its events are numbered from 1 in a journal of its own."""

    def __init__(
        self,
        port: int,
        name: str = "north",
        voice: Voice | None = None,
        *,
        user: tuple[str, str] | None = None,
    ) -> None:
        self.topic = f"bellwatch/{name}"
        self.voice = voice or Voice(f"journal-of-{name}", "run-1", "boot-1", f"{name}-pi")
        self.number = 0
        self.record: Record | None = None
        self._newest: dict[str, AlarmEvent] = {}
        self._port, self._user = port, user
        self._client: mqtt.Client | None = None

    def __enter__(self) -> "RackVoice":
        self.connect()
        return self

    def __exit__(self, *exc: object) -> None:
        self.die()

    def connect(self) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        if self._user is not None:
            client.username_pw_set(*self._user)
        gone = watch_message(self.topic, "gone", _now_ms(), self.voice)
        client.will_set(gone.topic, gone.payload, qos=1, retain=True)
        client.connect("127.0.0.1", self._port, keepalive=5)
        client.loop_start()
        self._client = client
        self._say(watch_message(self.topic, "watching", _now_ms(), self.voice))

    def die(self) -> None:
        """End without a goodbye, so that the broker sends the last will."""
        if self._client is not None:
            socket = self._client.socket()
            self._client.loop_stop()
            if socket is not None:
                socket.close()
            self._client = None

    def stop_on_purpose(self) -> None:
        self._say(watch_message(self.topic, "stopped", _now_ms(), self.voice))
        self._client.disconnect()
        self._client.loop_stop()
        self._client = None

    def beat(self, *courses: Course) -> None:
        self._say(heartbeat_message(self.topic, _now_ms(), 0, len(self._newest), self.voice, courses))

    def alarm(
        self,
        trigger=Trigger.RAISED,
        state=State.UNACKNOWLEDGED,
        *,
        vessel="k1",
        priority=Priority.CRITICAL,
        who="",
        **more,
    ) -> AlarmEvent:
        """Publish the next event of a vessel's high temperature, as the daemon would."""
        self.number += 1
        now_ms = _now_ms()
        event = AlarmEvent(
            self.number, now_ms, vessel, f"{vessel}/temperature", Condition.HIGH, trigger, state, priority,
            now_ms, evidence=Evidence(19.24, 19.0, rate_per_hour=0.6), who=who, **more,
        )  # fmt: skip
        self._newest[event.alarm] = event
        if state is State.NORMAL:
            del self._newest[event.alarm]
        for message in messages_of(event, self.voice, self.topic, UTC, "ephyra", self.record):
            self._say(message)
        return event

    def say_again(self) -> None:
        """Publish what stands once more, as the daemon does upon each connection."""
        for event in self._newest.values():
            for message in messages_of(event, self.voice, self.topic, UTC, "ephyra", self.record):
                if message.retain:
                    self._say(message)

    def _say(self, message) -> None:
        self.publish(message.topic, message.payload, retain=message.retain)

    def publish(self, topic, payload, *, retain=False) -> None:
        said = self._client.publish(topic, payload, qos=1, retain=retain)
        said.wait_for_publish(PATIENCE_S)
        assert said.is_published(), "the broker did not confirm"


def _now_ms() -> int:
    return int(time.time() * 1000)
