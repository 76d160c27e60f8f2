"""The door for commands: what passes, what is refused and in which words, and that nothing else happens."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.broker.command_message import AGE_AT_MOST_MS, BODIES, BYTES_AT_MOST, command_of, id_in
from daemon.errors import CommandError
from daemon.settings.commands import CommandKind
from rules.deeds import DEEDS

NOW = datetime(2026, 11, 2, 3, 12, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
EVERY_KIND = frozenset(BODIES)
GOOD = {
    "acknowledge": {"alarm": "k1/temperature/high"},
    "reset": {"alarm": "k1/temperature/high"},
    "shelve": {
        "alarm": "k1/temperature/high",
        "why": "probe is being changed",
        "for_s": 1800,
        "yes_critical": True,
    },
    "unshelve": {"alarm": "k1/temperature/high"},
    "take_out_of_service": {"alarm": "k1/oxygen/low", "why": "no air pump here"},
    "put_back_into_service": {"alarm": "k1/oxygen/low"},
    "move_stage": {"vessel": "k1", "stage": "ephyra", "over_s": 86_400},
    "begin_maintenance": {"target": "vessel/k1", "for_s": 600.5, "why": "water change"},
    "end_maintenance": {"target": "bus/wet-side"},
}


def payload(kind="acknowledge", **changes):
    command = {
        "id": "0d3f5f0c-55f4",
        "kind": kind,
        "who": "ada",
        "issued_at": NOW.isoformat(),
        "body": GOOD.get(kind, {}),
    }
    command |= changes
    return json.dumps({key: value for key, value in command.items() if value != "leave out"}).encode()


def refusal(raw, allowed=EVERY_KIND):
    with pytest.raises(CommandError) as refused:
        command_of(raw, NOW_MS, allowed)
    assert "\n" not in str(refused.value)
    return str(refused.value)


@pytest.mark.parametrize("kind", sorted(BODIES))
def test_each_kind_passes_with_its_body(kind):
    command = command_of(payload(kind), NOW_MS, EVERY_KIND)
    assert (command.id, command.kind, command.who) == ("0d3f5f0c-55f4", kind, "ada")
    assert command.body == GOOD[kind]


def test_what_may_be_asked_from_afar_are_things_that_people_do_but_nothing_that_is_measured_at_the_rack():
    assert set(DEEDS) > EVERY_KIND
    assert EVERY_KIND.isdisjoint({"log", "calibrate", "hand_measurement", "configure", "redate"})
    assert set(CommandKind.__args__) == EVERY_KIND == set(GOOD)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"id": "leave out"}, "id: found nothing; expected a value (Tells a repeat)"),
        ({"id": "short"}, "8 to 64 letters, digits and hyphens"),
        ({"id": 17}, "expected text in quotes"),
        ({"kind": "configure"}, 'kind: found "configure"; expected "acknowledge"'),
        ({"kind": "redate"}, 'kind: found "redate"'),
        ({"who": ""}, "who: found"),
        ({"who": "ada\nbo"}, "1 to 60 characters on one line"),
        ({"issued_at": "2026-11-02T03:12:00"}, "with its offset from UTC"),
        ({"issued_at": "yesterday"}, "with its offset from UTC"),
        ({"issued_at": 1_762_053_120}, "with its offset from UTC"),
        ({"body": []}, "body: found a list; expected a table"),
        ({"body": {}}, "body.alarm: found nothing; expected a value (The alarm's name"),
        ({"body": {"alarm": 7}}, "body.alarm: found 7"),
        (
            {"body": {"alarm": "x", "also": 1}},
            "body.also: found an unknown key; expected a key",
        ),
        ({"extra": True}, "extra: found an unknown key"),
    ],
)
def test_what_does_not_fit_the_schema_is_refused_with_its_path(changes, words):
    assert words in refusal(payload(**changes))


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        ("shelve", {"alarm": "a", "why": "b", "for_s": -1}, "body.for_s: found -1; expected more than 0"),
        ("shelve", {"alarm": "a", "why": "b", "for_s": True}, "body.for_s: found true; expected a number"),
        ("shelve", {"alarm": "a", "why": "b", "for_s": "1h"}, "expected a number"),
        ("shelve", {"alarm": "a", "for_s": 60}, "body.why: found nothing"),
        ("move_stage", {"vessel": "k1", "stage": "ephyra", "over_s": -1}, "0 or more"),
    ],
)
def test_bodies_are_held_to_their_kind(kind, body, words):
    assert words in refusal(payload(kind, body=body))


def test_a_kind_that_the_settings_do_not_list_is_refused():
    assert "shelve is not allowed here; the rack's settings allow acknowledge" in refusal(
        payload("shelve"), frozenset({"acknowledge"})
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_two_minutes_of_age_are_the_limit_in_both_directions(sign):
    limit = timedelta(milliseconds=AGE_AT_MOST_MS)
    command_of(payload(issued_at=(NOW - sign * limit).isoformat()), NOW_MS, EVERY_KIND)
    late = payload(issued_at=(NOW - sign * (limit + timedelta(seconds=1))).isoformat())
    assert ("121 s old" if sign > 0 else "121 s ahead of this rack") in refusal(late)


def test_the_size_limit_is_exact():
    room = BYTES_AT_MOST - len(payload(body={"alarm": ""}))
    fitting = payload(body={"alarm": "a" * room})
    assert len(fitting) == BYTES_AT_MOST
    assert "1 to 200 characters" in refusal(fitting)
    assert f"{BYTES_AT_MOST + 1} bytes; a command has at most {BYTES_AT_MOST}" in refusal(fitting + b" ")


@pytest.mark.parametrize("raw", [b"", b"hello", b"[]", b"\xff\xfe", b'{"id": NaN}', b"[" * 4000, b"null"])
def test_what_is_no_json_object_is_refused(raw):
    assert "a command is one JSON object in UTF-8" in refusal(raw)
    assert id_in(raw) == ""


def test_a_refused_command_is_answered_under_its_id_as_far_as_it_has_one():
    assert id_in(payload(kind="nonsense")) == "0d3f5f0c-55f4"
    assert id_in(payload(id=5)) == ""
    assert id_in(b" " * 5000) == ""


@given(st.binary(max_size=200) | st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["id", "kind", "who", "issued_at", "body", "alarm"]), inner, max_size=5),
    max_leaves=12,
).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_no_payload_whatsoever_does_more_than_be_refused(raw):
    assert refusal(raw)
    id_in(raw)
