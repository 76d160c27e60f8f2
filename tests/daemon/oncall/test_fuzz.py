"""Mutated broker messages at the door of the on-call process and at the desk for commands, in one process."""

import json
import math
import re
import resource
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, date, datetime, time

import pytest

from daemon.broker.command_desk import CommandDesk
from daemon.broker.connection import Arrival
from daemon.broker.messages import heartbeat_message, messages_of, watch_message
from daemon.errors import OnCallError
from daemon.journal.asking import RequestBox
from daemon.journal.journal import Journal
from daemon.oncall.assembly import resumed
from daemon.oncall.messages import heard
from daemon.oncall.process import RUNS_KEPT, OnCall
from daemon.oncall.store import OnCallStore
from daemon.settings.commands import CommandSettings
from daemon.tables.values import EARLIEST_MS, LATEST_MS
from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.calling.duty import Duty
from rules.calling.records import Voice
from rules.calling.rota import Rota
from rules.readings import Notice
from tests.rigs.mutations import mutations

pytestmark = pytest.mark.usefixtures("quiet_logs")

START_MS = 1_780_000_000_000
BATCH = 200
MOST_MORE_MB = 150


class Clock:
    """A clock that the test moves."""

    now = START_MS

    def now_ms(self):
        return self.now

    shown_ms = now_ms


class Feed:
    """Both ends of a connection to a broker: what is given arrives, what is said is kept."""

    root = "bellwatch"
    past_is_told = True

    def __init__(self):
        self.arrived, self.confirmed, self.said, self.listens, self.again = [], 0, [], True, []

    def hear(self, _topics, _room):
        return self

    def take(self, at_most=BATCH):
        taken, self.arrived = self.arrived[:at_most], self.arrived[at_most:]
        return taken

    def confirm(self, arrivals):
        self.confirmed += len(arrivals)

    def given_before(self):
        return []

    def give_out(self, _given):
        pass

    def who_says(self, came):
        return came.topic.rpartition("/")[2] if "/said/" in came.topic else ""

    def reply(self, replied, now_ms):
        self.said += [it.message(self.root, now_ms) for it in replied]

    def receipt(self, taken, newest, _now_ms, again, _rota):
        self.again += again
        self.said += [(run, numbers, newest(rack, run)) for (rack, _, run), numbers in taken.items()]

    def publish(self, message, **_how):
        self.said.append(message)


class Routes:
    """Nobody is sent anything: what is owed stays in the store."""

    def send(self, _now_ms):
        pass

    def settle(self, _now_ms, _failed):
        pass


def event(number, vessel="k1", at_ms=START_MS):
    return AlarmEvent(
        number, at_ms, vessel, f"{vessel}/temperature", Condition.HIGH, Trigger.RAISED,
        State.UNACKNOWLEDGED, Priority.CRITICAL, at_ms, "air", (vessel, "k2"),
        Evidence(19.2, 19.0, "", 0.5, at_ms + 60_000, "in air"),
    )  # fmt: skip


def arrival(topic, payload):
    return Arrival(topic, payload, False, None, None, 1, 1, 1)


def understood(came):
    try:
        return heard(Feed.root, came.topic, came.payload, False)
    except OnCallError as refused:
        return refused


def good_messages():
    topic = "bellwatch/north"
    said = [
        message for number in (1, 2, 3) for message in messages_of(event(number), Voice("j", "r"), topic, UTC)
    ]
    said += messages_of(
        Notice("maintenance over", START_MS, "vessel/k1", {"outside": [], "unknown": []}),
        Voice("j", "r"),
        topic,
        UTC,
    )
    said += [
        heartbeat_message(topic, START_MS, 7, 2, Voice("j", "r", "b", "h")),
        watch_message(topic, "watching", START_MS, Voice("j", "r", "b", "h")),
    ]
    return said


def sound(value):
    """Whether a value that came through a door is one that everything behind it can use."""
    if is_dataclass(value):
        return all(
            EARLIEST_MS <= found < LATEST_MS if name.endswith("_ms") and found is not None else sound(found)
            for name, found in ((field.name, getattr(value, field.name)) for field in fields(value))
        )
    if isinstance(value, str):
        return value.isprintable() and len(value) <= 200
    if isinstance(value, tuple):
        return all(map(sound, value))
    return value is None or (math.isfinite(value) and abs(value) <= 1.8e308)


COUNTS = [10_000, pytest.param(100_000, marks=[pytest.mark.long, pytest.mark.timeout(3_600)])]


@pytest.mark.parametrize("count", COUNTS)
def test_no_mutated_message_ends_the_calling_or_passes_for_what_it_is_not(tmp_path, count):
    store, feed, clock = OnCallStore(tmp_path / "oncall.sqlite"), Feed(), Clock()
    duty = Duty(Rota(("ada", "bo"), date(2026, 1, 5), time(9), UTC), digest_at=(time(9),))
    team = OnCall(store, feed, Routes(), resumed(store, duty, clock), {}, UTC, clock, passes_on=False)
    good = good_messages()
    topics = [message.topic for message in good] + ["bellwatch/No Name/event", "bellwatch/x/alarm/\x1b/\n"]
    payloads, passed, memory = [message.payload.encode() for message in good], 0, 0
    for number, payload in enumerate(mutations([p for p in payloads if p], count, seed=11)):
        came = arrival(topics[number % len(topics)], payload)
        word = understood(came)
        passed += not isinstance(word, OnCallError)
        assert str(word).isprintable() if isinstance(word, OnCallError) else sound(word), word
        feed.arrived.append(came)
        if len(feed.arrived) == BATCH:
            clock.now += 1_000
            team.turn()
        if number == count // 10:
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert count / 50 < passed < count, "the mutations are neither all good nor all bad"
    assert (feed.confirmed, feed.arrived) == (count, [])
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory < MOST_MORE_MB * 1024
    last = replace(event(10**6, "k7", clock.now), cause="")
    said, _ = messages_of(last, Voice("j", "r"), "bellwatch/north", UTC)
    feed.arrived = [arrival(said.topic, said.payload.encode())]
    team.turn()
    clock.now += 60_000
    team.turn()
    texts = [owed.text for owed in store.owed(clock.now + 10**9, 10_000)]
    assert any(re.match(r"CRITICAL north( \(.+)? k7,k2: temperature high", text) for text in texts)
    assert any("cannot be read" in text for text in texts)
    assert all(text.isprintable() for text in texts)
    store.close()


@pytest.mark.parametrize("count", COUNTS)
def test_no_mutated_command_ends_the_desk_or_becomes_another_request(tmp_path, count):
    alarm, vessel = {"alarm": "k1/temperature/high"}, {"vessel": "k1", "stage": "polyp", "over_s": 60}
    bodies = {
        "acknowledge": alarm,
        "shelve": alarm | {"why": "seen it", "for_s": 600},
        "move_stage": vessel,
        "begin_maintenance": {"target": "vessel/k1", "for_s": 60, "why": "cleaning"},
    }
    kinds = tuple(bodies)
    issued = datetime.fromtimestamp(START_MS / 1000, UTC).isoformat()
    envelope = {"who": "ada", "issued_at": issued}
    good = [
        json.dumps(envelope | {"id": f"command-{kind[:4]}", "kind": kind, "body": body}).encode()
        for kind, body in bodies.items()
    ]
    journal, feed = Journal(tmp_path / "journal.sqlite", writable=True), Feed()
    desk = CommandDesk(feed, CommandSettings(enabled=True, kinds=kinds), "bellwatch/north", journal, Clock())
    memory, asked, box = 0, [], RequestBox(journal.path)
    for number, payload in enumerate([*good, *mutations(good, count, seed=12)]):
        feed.arrived.append(arrival("bellwatch/north/command", payload))
        if number % 20 == 19 or number == count + len(good) - 1:
            desk.step(START_MS)
            asked += (new := box.waiting())
            box.answer({request.number: "" for request in new}, START_MS)
            desk.step(START_MS)
        if number == count // 10:
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory < MOST_MORE_MB * 1024
    assert count / 2 < desk.refused < count + len(good)
    assert all(json.loads(message.payload)["refusal"].isprintable() for message in feed.said)
    assert len(asked) >= len(good)
    assert {request.kind for request in asked} == set(kinds)
    assert [request.fault for request in asked if request.fault] == []
    assert all(sound(value) for request in asked for value in (request.who, *request.body.values()))
    journal.close()


@pytest.mark.parametrize("count", COUNTS)
def test_every_mutated_answer_is_replied_to_in_one_line_and_none_ends_the_calling(tmp_path, count):
    store, feed, clock = OnCallStore(tmp_path / "oncall.sqlite"), Feed(), Clock()
    duty = Duty(Rota(("ada", "bo"), date(2026, 1, 5), time(9), UTC), digest_at=(time(9),))
    team = OnCall(store, feed, Routes(), resumed(store, duty, clock), {}, UTC, clock, passes_on=False)
    for number, vessel in enumerate(("k1", "k9"), 1):  # problem 2 is named by no answer
        said, _ = messages_of(
            replace(event(number, vessel), cause=""), Voice("j", "r"), "bellwatch/north", UTC
        )
        feed.arrived.append(arrival(said.topic, said.payload.encode()))
    for _ in range(120):  # nobody answers what nobody was called about
        clock.now += 1_000
        team.turn()
    feed.said.clear()
    issued = datetime.fromtimestamp(START_MS / 1000, UTC).isoformat()
    good = [
        json.dumps({"id": f"answer-{reply}", "reply": reply, "problems": [1], "issued_at": issued}).encode()
        for reply in ("seen", "on_my_way", "next", "quiet")
    ]
    memory = 0
    for number, payload in enumerate([*good, *mutations(good, count, seed=13)]):
        feed.arrived.append(arrival("bellwatch/_oncall/said/desk/ada", payload))
        if len(feed.arrived) == BATCH or number == count + len(good) - 1:
            team.turn()
        if number == count // 10:
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory < MOST_MORE_MB * 1024
    replies = [json.loads(message.payload) for message in feed.said]
    assert len(replies) == count + len(good)
    assert all(reply["refusal"].isprintable() and "\n" not in reply["refusal"] for reply in replies)
    assert count / 2 < team.refused < count
    assert sum(reply["done"] for reply in replies) >= len(good)
    store.close()


def test_runs_of_a_rack_that_begins_again_and_again_do_not_add_up(tmp_path):
    """Each is asked once for what stands, also the one that goes on meanwhile, or nearly so."""
    store, feed, clock, beats = OnCallStore(tmp_path / "oncall.sqlite"), Feed(), Clock(), 2 * RUNS_KEPT
    duty = Duty(Rota(("ada", "bo"), date(2026, 1, 5), time(9), UTC), digest_at=(time(9),))
    team = OnCall(store, feed, Routes(), resumed(store, duty, clock), {}, UTC, clock, passes_on=False)
    for number in range(beats):
        for rack, run in (("north", f"run-{number}"), ("south", "steady")):
            said = heartbeat_message(f"bellwatch/{rack}", clock.now, 7, 0, Voice(f"of-{rack}", run, "b", "h"))
            feed.arrived.append(arrival(said.topic, said.payload.encode()))
        if len(feed.arrived) == BATCH:
            clock.now += 1_000
            team.turn()
    assert {("north", f"run-{number}") for number in range(beats)} <= set(feed.again)
    assert 1 <= feed.again.count(("south", "steady")) <= 3
    assert len(team._asked) <= RUNS_KEPT + BATCH
    store.close()
