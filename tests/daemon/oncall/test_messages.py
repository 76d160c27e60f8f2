"""What the on-call process hears: exactly what the daemon publishes, and nothing that it cannot use."""

import json
from contextlib import suppress
from dataclasses import replace
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.broker.messages import heartbeat_message, messages_of, watch_message
from daemon.errors import OnCallError
from daemon.oncall.messages import PAYLOAD_AT_MOST, Cleared, Heartbeat, WatchWord, heard, sign_payload
from rules.alarms.event import AlarmEvent, Course, Evidence, Trail
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.calling.pair import OtherSays, Sent, Stance
from rules.calling.records import Answer, CallKind, Reply, Stand, Voice, Word
from rules.care.rationale import Record, Severity
from rules.readings import Notice

EVENT = AlarmEvent(
    number=17,
    at_ms=1_760_000_000_123,
    vessel="k1",
    channel="k1/oxygen_saturation",
    condition=Condition.LOW,
    trigger=Trigger.WORSENED,
    state=State.UNACKNOWLEDGED,
    priority=Priority.HIGH,
    since_ms=1_759_999_000_000,
    cause="air-1",
    vessels=("k1", "k2"),
    evidence=Evidence(71.5, 75.0, rate_per_hour=-3.0, reached_ms=1_760_000_900_000),
    who="ada",
    until_ms=1_760_003_600_000,
)
VOICE = Voice("journal-1", "run-1", "boot-1", "north-pi")
TRAIL = b'{"alarm": "a", "value": 1, "age_ms": 0, "trail": {"points": [%s], "limits": [%s]}}'
BEAT = b'{"at": "2026-01-01T00:00:00Z", "alarms": 1, "now": [%s]}'


def hear(message, kept=False):
    return heard("nursery/water", message.topic, message.payload.encode(), kept)


def test_what_the_daemon_publishes_of_an_event_is_understood_to_the_last_field():
    event, alarm = messages_of(EVENT, VOICE, "nursery/water/north", UTC)
    assert hear(event) == hear(alarm, kept=True)
    assert hear(event) == Word("north", EVENT, "journal-1", "%", run="run-1", boot="boot-1")


def test_who_put_it_on_the_shelf_and_until_when_is_heard():
    shelf = replace(
        EVENT, trigger=Trigger.SHELVED, state=State.SHELVED, who="ada", until_ms=1_760_003_600_000
    )
    event, _ = messages_of(shelf, VOICE, "nursery/water/north", UTC)
    assert hear(event).event == shelf


@pytest.mark.parametrize(("key", "said"), [("state", "beside itself"), ("event", "sung of")])
def test_a_state_or_a_step_that_this_version_does_not_know_calls(key, said):
    body = json.loads(messages_of(EVENT, VOICE, "r/north", UTC)[0].payload) | {key: said}
    assert heard("r", "r/north/event", json.dumps(body).encode(), False).stand is Stand.CALLS


def test_a_condition_that_this_version_does_not_know_keeps_its_words():
    body = json.loads(messages_of(EVENT, VOICE, "r/north", UTC)[0].payload)
    body |= {"condition": "frothing", "alarm": "k1/oxygen_saturation/frothing"}
    assert heard("r", "r/north/event", json.dumps(body).encode(), False).event.alarm == body["alarm"]


@pytest.mark.parametrize("state", list(State))
def test_every_state_that_the_daemon_knows_has_its_stand(state):
    """IEC 62682: who must be called in which state; a latched alarm is annunciated until acknowledged."""
    stands = {
        State.NORMAL: Stand.OVER,
        State.UNACKNOWLEDGED: Stand.CALLS,
        State.ACKNOWLEDGED: Stand.SEEN,
        State.RETURNED: Stand.OVER,
        State.LATCHED_UNACKNOWLEDGED: Stand.CALLS,
        State.LATCHED: Stand.SEEN,
        State.SHELVED: Stand.SILENCED,
        State.SUPPRESSED: Stand.SILENCED,
        State.OUT_OF_SERVICE: Stand.SILENCED,
    }
    body = {**json.loads(messages_of(EVENT, VOICE, "r/north", UTC)[0].payload), "state": state.value}
    assert heard("r", "r/north/event", json.dumps(body).encode(), False).stand is stands[state]


RECORD = Record(Severity.LOSS, 30.0, "Lost", "Pump off", "Pump?", "Start it", "nobody")


def test_why_an_alarm_exists_travels_with_it_where_the_nursery_says_so():
    event, _ = messages_of(EVENT, VOICE, "nursery/water/north", UTC, "ephyra", RECORD)
    assert (hear(event).stage, hear(event).record) == ("ephyra", RECORD)


@pytest.mark.parametrize("said", [None, "all is well", 7, [RECORD.check]])
def test_what_is_no_record_is_none(said):
    assert event_with(record=said) == replace(event_with(), record=None)


def test_a_record_that_is_not_as_we_know_it_never_keeps_an_alarm_back():
    said = {"check": "a\x1b[2J\nb" * 99, "cause": 7, "severity": "dire", "respond_min": 1e300, "more": []}
    word = event_with(record=said)
    assert word.event == EVENT
    assert word.record == Record(Severity.LOSS, 0.0, "", "", ("a[2J b" * 99)[:200], "", "")
    assert event_with(record={}).record.respond_min == 0.0


def test_signs_of_life_and_the_end_of_an_alarm():
    assert hear(heartbeat_message("nursery/water/north", 1_760_000_000_000, 5, 2, VOICE)) == Heartbeat(
        "north", 2, 1_760_000_000_000, VOICE
    )
    now = (Course("k1/oxygen/low", 30.1, -9.1, 4_000, 300_000), Course("k2/oxygen/low", None, None, 0, None))
    assert hear(heartbeat_message("nursery/water/north", 0, 5, 2, VOICE, now)).courses == now
    trail = Trail(((3600, 31.0), (0, 30.1)), (None, 30.5, None, None))
    now = (replace(now[0], trail=trail), now[1])
    assert hear(heartbeat_message("nursery/water/north", 0, 5, 2, VOICE, now)).courses == now
    beat = heartbeat_message("nursery/water/north", 0, 5, 2, VOICE, every_ms=30_000)
    assert (hear(beat).every_ms, hear(beat, kept=True)) == (30_000, None), "what the broker kept is of then"
    for level in ("north/event", "north/notice", "north/answer/desk", "_oncall/pair/attic"):
        assert heard("r", f"r/{level}", b"whatever it is", kept=True) is None
    for odd in (-1, 0, 600_001, 10**300, "30000", 30.5, True, None, [], float("nan")):
        said = json.dumps(json.loads(beat.payload) | {"every_ms": odd})
        assert hear(replace(beat, payload=said)).every_ms == 0, "a lie about it does not make the rack silent"
    assert hear(watch_message("nursery/water/north", "gone", 0, VOICE), kept=True) == WatchWord(
        "north", "gone", True, VOICE, "1970-01-01T00:00:00.000Z"
    )
    assert heard("r", "r/north/alarm/k1/oxygen/low", b"", False) == Cleared("north", "k1/oxygen/low")


def test_a_watch_topic_that_was_cleared_is_a_rack_that_was_given_up():
    assert heard("r", "r/north/watch", b"", False) == WatchWord("north", "taken away", False, Voice(), "")
    with pytest.raises(OnCallError, match="none of watching, stopped, gone"):
        heard("r", "r/north/watch", b'{"state": "taken away"}', False)


def test_a_notice_is_heard_as_something_that_is_no_alarm():
    said = Notice("maintenance over", 1_760_000_000_000, "vessel/k1", {"outside": [], "unknown": []})
    (message,) = messages_of(said, VOICE, "nursery/water/north", UTC)
    mentioned = hear(message)
    assert (mentioned.mention, mentioned.stand, mentioned.event.vessel) == (True, Stand.OVER, "vessel/k1")
    assert mentioned.event.cause == f"run-1:{said.id}"


def test_a_priority_that_is_not_known_counts_as_the_worst():
    body = json.loads(messages_of(EVENT, VOICE, "r/north", UTC)[0].payload) | {"priority": "dire"}
    assert heard("r", "r/north/event", json.dumps(body).encode(), False).event.priority is Priority.CRITICAL


@pytest.mark.parametrize(
    ("topic", "payload", "words"),
    [
        ("r/north/event", b"{}", "no 'id'"),
        ("r/north/event", b"[]", "not an object"),
        ("r/north/event", b"hello", "not a message that this bellwatch knows"),
        ("r/north/event", b"x" * (PAYLOAD_AT_MOST + 1), f"at most {PAYLOAD_AT_MOST}"),
        ("r/north/watch", b'{"state": "asleep"}', "'asleep', which is none of watching, stopped, gone"),
        ("r/north/heartbeat", b'{"at": "2026-01-01T00:00:00", "alarms": 0}', "without its offset"),
        ("r/north/heartbeat", b'{"at": 5, "alarms": 0}', "5 where text belongs"),
        ("r/north/heartbeat", BEAT % b'{"alarm": "a", "value": 1e999, "age_ms": 0}', "inf where a number"),
        (
            "r/north/heartbeat",
            BEAT % b'{"alarm": "a", "value": 1, "age_ms": 864000001}',
            "more than ten days",
        ),
        ("r/north/heartbeat", BEAT % b",".join([b"1"] * 201), "a list of at most 200"),
        ("r/north/heartbeat", BEAT % (TRAIL % (b"[0, 1e999]", b"1, 2, 3, 4")), "inf where a number"),
        ("r/north/heartbeat", BEAT % (TRAIL % (b"[-1, 1]", b"1, 2, 3, 4")), "where a whole number"),
        ("r/north/heartbeat", BEAT % (TRAIL % (b"[0, 1]", b"1, 2, 3")), "1 points and 3 limits"),
        ("r/north/heartbeat", BEAT % (TRAIL % (b",".join([b"[0, 1]"] * 61), b"1, 2, 3, 4")), "61 points"),
        ("r/north/heartbeat", b'{"at": "2026-01-01T00:00:00Z", "alarms": 1e999}', "inf where a whole number"),
        ("r/north/heartbeat", b'{"at": "2026-01-01T00:00:00Z", "alarms": true}', "True where a whole number"),
        ("r/north/heartbeat", b'{"at": "9999-12-31T23:59:59Z", "alarms": 0}', "from 1970 to 2099"),
        ("r/north/heartbeat", b'{"at": "0001-01-01T00:00:00+14:00", "alarms": 0}', "from 1970 to 2099"),
        ("r/north/notice", b'{"kind": "' + b"x" * 201 + b'", "about": "a"}', "201 characters"),
        ("r/No Name/heartbeat", b'{"at": "2026-01-01T00:00:00Z", "alarms": 0}', "no name of a rack"),
        ("r/north/event", b"[" * 15_000, "not a message that this bellwatch knows"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line_that_says_where(topic, payload, words):
    with pytest.raises(OnCallError) as refused:
        heard("r", topic, payload, False)
    assert str(refused.value).startswith(f"{topic}: ")
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


def event_with(**other):
    body = json.loads(messages_of(EVENT, VOICE, "r/north", UTC)[0].payload) | other
    return heard("r", "r/north/event", json.dumps(body).encode(), False)


@pytest.mark.parametrize(
    "other",
    [
        {"value": 10**401},
        {"limit": float("inf")},
        {"rate_per_hour": float("nan")},
        {"at": "9999-12-31T00:00:00Z"},
        {"since": "0001-01-01T00:00:00Z"},
        {"reached": "2100-01-01T00:00:00Z"},
        {"id": "j:1_5"},
        {"id": "j:-1"},
        {"id": "j:" + "9" * 17},
        {"vessels": ["k"] * 201},
        {"vessels": "k1"},
    ],
    ids=str,
)
def test_an_event_that_nobody_could_compute_with_or_say_is_refused(other):
    with pytest.raises(OnCallError):
        event_with(**other)


def test_text_loses_what_steers_a_terminal_forges_a_line_or_turns_its_direction():
    reason = "a\x1b[31m\u202eb\r\nCRITICAL north\ud800"
    assert event_with(reason=reason).event.evidence.reason == "a[31mb  CRITICAL north"
    assert event_with(vessels=["k\x00\u2028 1"]).event.vessels == ("k  1",)


@given(
    st.sampled_from(["event", "alarm/k1/oxygen/low", "watch", "heartbeat", "answer/desk"]),
    st.binary(max_size=100)
    | st.dictionaries(
        st.sampled_from(["id", "at", "alarms", "state", "rack", "alarm", "refusal", "since", "value"]),
        st.none() | st.text(max_size=30) | st.floats() | st.integers() | st.lists(st.none(), max_size=2),
    ).map(lambda body: json.dumps(body).encode()),
)
def test_no_payload_does_more_than_be_refused_or_understood(kind, payload):
    with suppress(OnCallError):
        assert heard("r", f"r/north/{kind}", payload, False).rack == "north"


def test_a_rack_of_the_version_before_says_its_journal_in_the_id_and_neither_run_nor_machine():
    body = json.loads(messages_of(EVENT, VOICE, "r/north", UTC)[0].payload)
    former = {key: body[key] for key in body if key not in ("journal", "run", "boot", "host")} | {
        "id": "j-0:7"
    }
    word = heard("r", "r/north/event", json.dumps(former).encode(), False)
    assert (word.journal, word.run, word.boot, word.event.number) == ("j-0", "", "", 7)
    beat = {"at": "2026-11-02T03:12:00Z", "inputs": 1, "alarms": 0}
    assert heard("r", "r/north/heartbeat", json.dumps(beat).encode(), False).voice == Voice()


def test_an_id_that_could_pass_for_two_is_refused():
    body = json.loads(messages_of(EVENT, VOICE, "r/north", UTC)[0].payload) | {"run": "a:b"}
    with pytest.raises(OnCallError, match="an id with a colon"):
        heard("r", "r/north/event", json.dumps(body).encode(), False)


SAYS = OtherSays(
    (
        Sent("north/k1/temperature/high", CallKind.ALARM, Priority.CRITICAL, 4_000),
        Sent("", CallKind.DIGEST, Priority.LOW, 9),
    ),
    (Stance("north/loop", False, 1_760_347_800_000, Answer(Reply.ON_MY_WAY, "Ada", 60_000), "3 17"),),
    "0123456789abcdef",
)


def test_a_sign_of_life_comes_through_as_it_was_said():
    assert heard("bellwatch", "bellwatch/_oncall/pair/desk", sign_payload(SAYS).encode(), False) == SAYS


@pytest.mark.parametrize(
    "broken",
    [b"[]", b"{}", b'{"sent": [], "stances": [{}]}', b'{"sent": 7, "stances": []}']
    + [sign_payload(SAYS).encode().replace(b"4000", other) for other in (b"1e400", b"-1", b'"x"', b"null")],
)
def test_a_sign_of_life_that_cannot_be_read_is_refused_in_one_line(broken):
    with pytest.raises(OnCallError) as refused:
        heard("bellwatch", "bellwatch/_oncall/pair/desk", broken, False)
    assert "\n" not in str(refused.value)


def test_a_sign_of_life_is_never_too_long_to_be_read():
    many = [replace(SAYS.sent[0], problem=f"north/{n:0190}") for n in range(60)]
    stances = [replace(SAYS.stances[0], problem=f"north/{n:0190}") for n in range(60)]
    long_name = replace(SAYS.sent[0], problem="x" * 500)
    says = OtherSays((long_name, *many), tuple(stances))
    payload = sign_payload(says).encode()
    assert heard("bellwatch", "bellwatch/_oncall/pair/desk", payload, False).sent[0] == many[0]
