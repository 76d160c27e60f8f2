"""Events read back from a journal: as they are written now, and as the version before wrote them."""

import json
from dataclasses import replace

import pytest

from rules.alarms.alarm import new_alarm
from rules.alarms.event import AlarmEvent, Crossing, Evidence
from rules.alarms.history import alarm_event_from_json, once_one, says_the_same, steps_to
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.errors import InputError
from rules.plain import to_plain

RAISED = AlarmEvent(
    number=1,
    at_ms=1_760_000_205_000,
    vessel="k1",
    channel="k1/temperature",
    condition=Condition.HIGH,
    trigger=Trigger.RAISED,
    state=State.UNACKNOWLEDGED,
    priority=Priority.MEDIUM,
    since_ms=1_760_000_204_000,
    cause="k1/temperature/up",
    vessels=("k1",),
    evidence=Evidence(20.030344192147748, 20.0),
)
OLD = """{"number": 1, "at_ms": 1760000205000, "vessel": "k1", "channel": "k1/temperature",
 "condition": "high", "trigger": "raised", "state": "unacknowledged", "priority": "medium",
 "since_ms": 1760000204000,
 "cause": "k1/temperature/up", "vessels": ["k1"], "value": 20.030344192147748, "limit": 20.0,
 "rate_per_hour": null, "reached_ms": null, "reason": "", "who": "", "why": "", "until_ms": null}"""
"""A row of a journal that the version before wrote."""


def test_an_event_that_the_version_before_wrote_is_read():
    assert alarm_event_from_json(json.loads(OLD)) == RAISED


def test_an_event_comes_back_as_it_was_written():
    assert alarm_event_from_json(json.loads(json.dumps(to_plain(RAISED)))) == RAISED


def test_an_event_with_a_key_that_nobody_knows_is_refused():
    with pytest.raises(InputError, match="no key is called colour"):
        alarm_event_from_json(json.loads(OLD) | {"colour": "red"})


def test_an_older_row_says_the_same_in_what_it_has():
    """It names no key of a limit; a reason counts where it gave one."""
    told = replace(RAISED, evidence=replace(RAISED.evidence, limit_from="stages.polyp", reason="falls"))
    other = replace(told, evidence=replace(told.evidence, reason="rises"))
    warmer = replace(told, evidence=replace(told.evidence, value=20.1))
    for reason, same in (("", [True, True, False]), ("falls", [True, False, False])):
        row = json.loads(OLD) | {"reason": reason}
        assert [says_the_same(row, event) for event in (told, other, warmer)] == same


def now(state, *, active=True, condition=Condition.HIGH):
    """An alarm as it stands."""
    crossing = Crossing("k1", "b", "k1/temperature", condition, "k1", "a", Priority.HIGH, True, 0)
    return replace(new_alarm(crossing), state=state, active={"a": Priority.HIGH} if active else {})


@pytest.mark.parametrize(
    ("told", "stands", "active", "steps"),
    [
        (State.UNACKNOWLEDGED, State.UNACKNOWLEDGED, True, []),
        (State.ACKNOWLEDGED, State.UNACKNOWLEDGED, True, []),
        (State.NORMAL, State.UNACKNOWLEDGED, True, [Trigger.RAISED]),
        (State.RETURNED, State.UNACKNOWLEDGED, True, [Trigger.RAISED]),
        (State.ACKNOWLEDGED, State.NORMAL, False, [Trigger.RETURNED]),
        (State.UNACKNOWLEDGED, State.NORMAL, False, [Trigger.RETURNED]),
        (State.RETURNED, State.NORMAL, False, []),
        (State.NORMAL, State.SHELVED, False, [Trigger.SHELVED]),
        (State.SHELVED, State.UNACKNOWLEDGED, True, [Trigger.UNSHELVED, Trigger.RAISED]),
        (State.SHELVED, State.RETURNED, False, [Trigger.UNSHELVED, Trigger.RAISED, Trigger.RETURNED]),
        (State.OUT_OF_SERVICE, State.NORMAL, False, [Trigger.PUT_BACK]),
    ],
)
def test_the_steps_from_what_people_were_told_to_what_is(told, stands, active, steps):
    """Each is allowed where it is taken, and only the water and what holds an alarm now decide."""
    assert steps_to(told, now(stands, active=active), ()) == steps


def test_what_latches_is_latched_when_it_has_returned_meanwhile():
    over = now(State.NORMAL, active=False)
    assert steps_to(State.ACKNOWLEDGED, over, (Condition.HIGH,)) == [Trigger.LATCHED]
    assert steps_to(State.ACKNOWLEDGED, over, (Condition.LOW,)) == [Trigger.RETURNED]


@pytest.mark.parametrize(
    ("said", "stands", "passed_on"),
    [
        ({"priority": Priority.HIGH}, {}, True),
        ({"priority": Priority.CRITICAL, "state": State.ACKNOWLEDGED}, {}, True),
        ({"priority": Priority.MEDIUM}, {}, False),
        ({"priority": Priority.HIGH, "state": State.RETURNED}, {}, False),
        ({"priority": Priority.HIGH}, {"active": {}}, False),
        ({"priority": Priority.HIGH, "channel": "k2/temperature"}, {}, False),
        ({"priority": Priority.HIGH, "condition": Condition.LOW}, {}, False),
    ],
    ids=["high", "seen", "only mild", "over", "gone", "another channel", "the other side"],
)
def test_what_was_told_before_the_worse_limit_had_a_name_goes_over_to_it(said, stands, passed_on):
    """Of two limits of one kind the worse was once told under the name of the milder."""
    worse = replace(now(State.UNACKNOWLEDGED, condition=Condition.HIGH_HIGH), **stands)
    told = replace(RAISED, **said)
    found = [("k1/temperature/high_high", "k1/temperature/high")] if passed_on else []
    assert list(once_one([worse], {told.alarm: told})) == found
    assert list(once_one([worse], {told.alarm: told, worse.name: told})) == [], "it was told by itself"
