"""What is published: topics, payloads and what the broker keeps, for every step an alarm can take."""

import json
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.broker.messages import heartbeat_message, messages_of, rack_topic, watch_message
from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import TRANSITIONS, Condition, Priority, State, Trigger
from rules.calling.records import Voice
from rules.quantities import Quantity, unit_of
from rules.readings import Notice
from tests.rigs.alarm_events import changed

COPENHAGEN = ZoneInfo("Europe/Copenhagen")
AT_MS = 1_786_752_000_123  # 2026-08-15T00:00:00.123Z
VOICE = Voice("a1b2", "r1", "b1", "north-pi")
SPEAKS = {"journal": "a1b2", "run": "r1", "boot": "b1", "host": "north-pi"}
TOPIC = "bellwatch/north-rack"


def event_of(trigger=Trigger.RAISED, state=State.UNACKNOWLEDGED, **changes):
    usual = AlarmEvent(
        number=7,
        at_ms=AT_MS,
        vessel="kreisel-4",
        channel="kreisel-4/temperature",
        condition=Condition.HIGH,
        trigger=trigger,
        state=state,
        priority=Priority.CRITICAL,
        since_ms=AT_MS - 120_000,
        evidence=Evidence(23.4, 23.0, rate_per_hour=2.0),
    )
    return changed(usual, **changes)


def test_an_event_goes_to_two_topics():
    event, standing = messages_of(event_of(), VOICE, TOPIC, COPENHAGEN)
    assert (event.topic, event.retain) == (f"{TOPIC}/event", False)
    assert (standing.topic, standing.retain) == (f"{TOPIC}/alarm/kreisel-4/temperature/high", True)
    assert standing.payload == event.payload
    body = json.loads(event.payload)
    assert body["id"] == "r1:7"
    assert SPEAKS.items() <= body.items()
    assert (body["rack"], body["alarm"]) == ("north-rack", "kreisel-4/temperature/high")
    assert (body["event"], body["state"], body["priority"]) == ("raised", "unacknowledged", "critical")
    assert (body["value"], body["limit"], body["unit"]) == (23.4, 23.0, "°C")
    assert "°C" in event.payload, "people read payloads too: no escapes"
    assert body["text"] == (
        "kreisel-4 temperature high 23.40 °C, limit 23.00 °C, moving +2.00/h, since 01:58 (critical)"
    )


@pytest.mark.parametrize(("step", "state"), TRANSITIONS.items())
def test_the_broker_keeps_every_alarm_that_is_not_normal_and_no_other(step, state):
    _, trigger = step
    _, standing = messages_of(event_of(trigger, state), VOICE, TOPIC, COPENHAGEN)
    # MQTT 3.1.1, 3.3.1.3: a retained message of no bytes takes the topic's retained message away
    assert (standing.payload == "") is (state is State.NORMAL)


@pytest.mark.parametrize("quantity", Quantity)
def test_every_payload_says_its_unit_and_times_that_any_program_reads(quantity):
    event, _ = messages_of(event_of(channel=f"kreisel-4/{quantity}"), VOICE, TOPIC, COPENHAGEN)
    body = json.loads(event.payload)
    assert (body["quantity"], body["unit"]) == (quantity, unit_of(quantity))
    # ISO 8601 with Z for UTC
    assert body["at"] == "2026-08-15T00:00:00.123Z"
    assert datetime.fromisoformat(body["since"]).timestamp() * 1000 == AT_MS - 120_000


def test_what_is_not_known_is_null_and_not_nan():
    event, _ = messages_of(event_of(value=None, limit=None, rate_per_hour=None), VOICE, TOPIC, COPENHAGEN)
    body = json.loads(event.payload, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert (body["value"], body["limit"], body["rate_per_hour"]) == (None, None, None)
    assert (body["reached"], body["until"]) == (None, None)


def test_a_notice_goes_out_once_under_an_id_that_tells_a_repeat():
    notice = Notice("stage runs long", AT_MS, "tray-3", {"stage": "strobila"})
    (message,) = messages_of(notice, VOICE, TOPIC, COPENHAGEN)
    assert (message.topic, message.retain) == (f"{TOPIC}/notice", False)
    body = json.loads(message.payload)
    assert body["id"] == f"r1:stage runs long:tray-3:{AT_MS}"
    assert (body["kind"], body["about"]) == ("stage runs long", "tray-3")
    assert messages_of(notice, VOICE, TOPIC, COPENHAGEN) == [message]


def test_the_daemon_speaks_of_itself():
    watching = watch_message(TOPIC, "watching", AT_MS, VOICE, vessels=4)
    assert (watching.topic, watching.retain) == (f"{TOPIC}/watch", True)
    assert json.loads(watching.payload) == {
        "state": "watching",
        "since": "2026-08-15T00:00:00.123Z",
        "vessels": 4,
        **SPEAKS,
    }
    beat = heartbeat_message(TOPIC, AT_MS, 1234, 2, VOICE, every_ms=30_000)
    assert (beat.topic, beat.retain) == (f"{TOPIC}/heartbeat", False)
    assert json.loads(beat.payload) == {
        "at": "2026-08-15T00:00:00.123Z",
        "inputs": 1234,
        "alarms": 2,
        "now": [],
        "every_ms": 30_000,
        **SPEAKS,
    }


def test_the_rack_is_a_level_below_the_root():
    assert rack_topic("site-2/bellwatch", "north-rack") == "site-2/bellwatch/north-rack"
    event, _ = messages_of(event_of(), VOICE, "site-2/bellwatch/north-rack", COPENHAGEN)
    assert json.loads(event.payload)["rack"] == "north-rack"
