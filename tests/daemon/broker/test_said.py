"""Answers over the broker: a real broker and the real process."""

import json
import time
from datetime import UTC, datetime, timedelta

import pytest

from daemon.broker.connection import Arrival
from daemon.broker.said import said_of
from daemon.errors import CommandError
from rules.calling.records import Answer, Reply
from tests.rigs.oncall_run import OnCallRun, write_oncall
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.parts.subscriber import Subscriber
from tests.rigs.rack_voice import RackVoice

NOW = datetime(2026, 11, 2, 3, 12, tzinfo=UTC)
SAID = {"id": "7c1d20e4-9a", "reply": "seen", "problems": [41], "issued_at": NOW.isoformat()}
PEOPLE = ("ada", "bo")


def arrival(payload, *, kept=False):
    return Arrival("bellwatch/_oncall/said/desk/ada", payload, kept, None, None, 1, 1, 1)


def read(*, kept=False, people=PEOPLE, **changes):
    payload = json.dumps(SAID | changes).encode()
    return said_of(arrival(payload, kept=kept), "ada", people, round(NOW.timestamp() * 1000))


@pytest.mark.parametrize(
    ("changes", "answer"),
    [
        ({}, Answer(Reply.SEEN, "ada")),
        ({"reply": "on_my_way", "minutes": 20}, Answer(Reply.ON_MY_WAY, "ada", 1_200_000)),
        ({"reply": "on_my_way"}, Answer(Reply.ON_MY_WAY, "ada")),
        ({"reply": "next"}, Answer(Reply.NEXT, "ada")),
        ({"reply": "quiet", "minutes": 20}, Answer(Reply.QUIET, "ada")),
        ({"problems": [], "all_of": "north"}, Answer(Reply.SEEN, "ada")),
    ],
)
def test_each_answer_of_the_page_can_be_given(changes, answer):
    assert read(**changes).answer("ada") == answer


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"people": ("bo",)}, "ada: not in the rota; it has bo"),
        ({"kept": True}, "retain"),
        ({"reply": "shelve"}, "reply"),
        ({"problems": []}, "problems: give the numbers"),
        ({"all_of": "north"}, "problems: give the numbers"),
        ({"problems": ["41"]}, "problems"),
        ({"problems": list(range(201))}, "problems"),
        ({"minutes": 0}, "minutes"),
        ({"minutes": 121}, "minutes"),
        ({"id": "short"}, "8 to 64 letters"),
        ({"all_of": "North Rack", "problems": []}, "all_of"),
        ({"issued_at": (NOW - timedelta(seconds=121)).isoformat()}, "121 s old"),
        ({"issued_at": (NOW + timedelta(seconds=121)).isoformat()}, "ahead of the on-call machine"),
        ({"more": 1}, "unknown"),
    ],
)
def test_what_answers_for_nothing_is_refused_in_one_line(changes, why):
    with pytest.raises(CommandError) as refused:
        read(**changes)
    assert why in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("payload", [b"", b"[]", b"\xff", b"[" * 4000, b"{" + b" " * 5000 + b"}"])
def test_so_is_what_is_no_answer_at_all(payload):
    with pytest.raises(CommandError):
        said_of(arrival(payload), "ada", PEOPLE, 0)


class Phones:
    """The people's own end: says something under a user's name and hears what is replied."""

    def __init__(self, port):
        self._port, self._number = port, 0

    def says(self, rack, who, reply, *, again=False, **body):
        self._number += not again
        said = {"id": f"answer-{self._number:06}", "reply": reply, "issued_at": datetime.now(UTC).isoformat()}
        rack.publish(f"bellwatch/_oncall/said/desk/{who}", json.dumps(said | body))
        return said["id"]


@pytest.fixture
def chain(tmp_path):
    with Mosquitto(tmp_path) as broker, PageReceiver() as phones, RackVoice(broker.port) as rack:
        settings = write_oncall(tmp_path, broker.port, phones.port, repeat_s=600)
        settings.write_text(settings.read_text() + "answers = true\n")
        with OnCallRun(settings) as team, Subscriber(broker.port, "bellwatch/_oncall/reply/#") as replies:
            team.wait_for(lambda: "broker_connected" in team.log, "the connection")
            yield rack, team, phones, replies, Phones(broker.port)


def reply_to(replies, said):
    """What was replied to an answer, and to whom."""

    def found():
        return [(it.topic, body) for it in replies.heard if (body := json.loads(it.payload))["id"] == said]

    replies.wait_for(lambda heard: any(said in it.payload for it in heard), f"a reply to {said}")
    (topic, body) = found()[-1]
    return topic.rpartition("/")[2], body["done"], body["refusal"]


def test_everything_that_the_page_answers_can_be_said_over_the_broker(chain):
    rack, team, phones, replies, people = chain
    rack.alarm()
    phones.wait_for(lambda: phones.texts("ada-1"), "the call")
    said = people.says(rack, "ada", "next", problems=[1])
    assert reply_to(replies, said) == ("ada", True, "")
    phones.wait_for(lambda: phones.texts("bo-1"), "the call to the next person")
    assert people.says(rack, "ada", "next", again=True, problems=[1]) == said
    time.sleep(1.5)
    assert len([text for text in phones.texts("ada-1") if text.startswith("CRITICAL")]) == 1, "done twice"
    said = people.says(rack, "bo", "on_my_way", minutes=20, problems=[1])
    assert reply_to(replies, said) == ("bo", True, "")
    phones.wait_for(lambda: any("bo is on the way" in it for it in phones.texts("ada-1")), "word to ada")
    for vessel in ("k2", "k3"):
        rack.alarm(vessel=vessel)
    phones.wait_for(lambda: any("north k3" in text for text in phones.texts()), "the others")
    team.wait_for(lambda: team.asks("status").stdout.count("calls, ") == 2, "both")
    said = people.says(rack, "ada", "quiet", all_of="north")
    assert reply_to(replies, said) == ("ada", True, "")
    assert "calls, " not in team.asks("status").stdout
    said = people.says(rack, "ada", "seen", all_of="north")
    assert reply_to(replies, said) == ("ada", False, "north: nothing of it calls now")


def test_what_cannot_be_taken_is_replied_to_and_calls_nobody(chain):
    rack, team, phones, replies, people = chain
    rack.alarm()
    phones.wait_for(lambda: phones.texts("ada-1"), "the call")
    said = people.says(rack, "zoe", "seen", problems=[1])
    assert reply_to(replies, said) == ("zoe", False, "zoe: not in the rota; it has ada, bo")
    said = people.says(rack, "ada", "seen", problems=[7, 8])
    gone = "7: no problem of this number stands now; 8: no problem of this number stands now"
    assert reply_to(replies, said) == ("ada", False, gone)
    rack.publish("bellwatch/_oncall/said/desk/ada", b"\xff" * 10)
    rack.publish("bellwatch/_oncall/said/desk/ada", b"{" * 40_000)
    said = people.says(rack, "ada", "seen", problems=[1])
    assert reply_to(replies, said) == ("ada", True, "")
    assert not [text for text in phones.texts() if "cannot be read" in text]
    assert team.asks("status").returncode == 0
