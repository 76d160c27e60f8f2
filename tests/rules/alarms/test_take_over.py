"""A book that was built up anew goes on from what people were told: worked by hand."""

from dataclasses import replace

import pytest

from rules.alarms.alarm import Hold, HoldKind
from rules.alarms.history import steps_to
from rules.alarms.life_cycle import Condition, State, Trigger
from tests.rules.alarms.test_book import CRITICAL, MEDIUM, Bench

HOUR = 3_600_000


def told_of(bench):
    """The newest event of each alarm."""
    return list({event.alarm: event for event in bench.events}.values())


def taken_over(before, after, at_ms=1_000, last_number=70):
    """What a new book says when it takes over; its events go on after `last_number`."""
    after.said()
    after.events.clear()
    after.book.take_over(told_of(before), last_number, at_ms)
    return after.said()


def test_what_people_acknowledged_stays_so_and_is_announced_again_when_that_was_due():
    before, after = Bench(reannounce_ms=HOUR), Bench(reannounce_ms=HOUR)
    before.cross(1, "k1", rank=CRITICAL, since_ms=1)
    before.acknowledge(50, "k1")
    after.cross(400, "k1", rank=CRITICAL, since_ms=390)
    assert taken_over(before, after) == []
    (alarm,) = after.book
    assert (alarm.state, alarm.active, alarm.since_ms) == (State.ACKNOWLEDGED, {"a": CRITICAL}, 1)
    assert after.book.next_due_ms() == 50 + HOUR
    assert after.until(HOUR + 51) == [("k1", "announced again")]
    assert after.events[0].number == 71


def test_what_is_not_acknowledged_gets_no_time_of_having_been():
    before, after = Bench(), Bench()
    before.cross(1, "k1", rank=CRITICAL)
    after.cross(400, "k1", rank=CRITICAL)
    taken_over(before, after)
    (alarm,) = after.book
    assert (alarm.state, alarm.acknowledged_ms) == (State.UNACKNOWLEDGED, 0)


def test_what_came_and_went_meanwhile_is_said_now():
    before, after = Bench(), Bench()
    before.cross(1, "k1")
    after.cross(400, "k2", rank=MEDIUM, since_ms=395)
    assert taken_over(before, after) == [("k1", "returned"), ("k2", "raised")]
    assert [(event.number, event.at_ms, event.since_ms) for event in after.events] == [
        (71, 1_000, 0),
        (72, 1_000, 395),
    ]
    assert after.state("k1") is State.RETURNED
    assert [alarm.acknowledged_ms for alarm in after.book] == [0, 0], "nobody has"


def test_what_latches_is_latched_and_what_was_returned_comes_up_again():
    before, after = Bench(latching=(Condition.HIGH,)), Bench(latching=(Condition.HIGH,))
    before.cross(1, "k1")
    assert taken_over(before, after) == [("k1", "latched")]
    before, after = Bench(), Bench()
    before.cross(1, "k1", since_ms=1)
    before.cross(2, "k1", active=False)
    after.cross(400, "k1", since_ms=395)
    assert taken_over(before, after) == [("k1", "raised")]
    assert after.events[0].since_ms == 395, "a new occurrence, not the one that had returned"


def test_a_hold_counts_as_it_is_now():
    before, after = Bench(), Bench()
    before.hold(1, "k1", HoldKind.SHELF, 9_000)
    assert taken_over(before, after) == [("k1", "unshelved")]
    before, after = Bench(), Bench()
    before.cross(1, "k1")
    after.cross(400, "k1", maintenance=Hold("kim", "new pump", 9_000))
    assert taken_over(before, after) == [("k1", "suppressed")]


@pytest.mark.parametrize("state", list(State))
def test_where_nothing_differs_nothing_is_said(state):
    bench = Bench()
    bench.cross(1, "k1")
    (alarm,) = bench.book
    told = State.UNACKNOWLEDGED
    assert steps_to(told, alarm, ()) == []
    if state in (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE):
        assert steps_to(state, alarm, ())[-1] is Trigger.RAISED, "out of the hold first, then told"


def test_what_is_over_and_was_told_so_is_told_no_more_whoever_has_seen_it_since():
    bench = Bench()
    bench.cross(1, "k1")
    (alarm,) = bench.book
    for told, now in ((State.RETURNED, State.NORMAL), (State.NORMAL, State.RETURNED)):
        assert steps_to(told, replace(alarm, active={}, state=now), ()) == []
    seen = replace(alarm, state=State.ACKNOWLEDGED)
    assert steps_to(State.UNACKNOWLEDGED, seen, ()) == []
    assert steps_to(State.RETURNED, seen, ()) == [Trigger.RAISED]
    over = replace(alarm, active={}, state=State.NORMAL)
    assert steps_to(State.UNACKNOWLEDGED, over, ()) == [Trigger.RETURNED]
    assert steps_to(State.ACKNOWLEDGED, over, (over.condition,)) == [Trigger.LATCHED]


@pytest.mark.parametrize("held", [HoldKind.SHELF, HoldKind.SERVICE])
def test_what_was_held_and_has_come_and_gone_since_is_told_step_by_step(held):
    before, after = Bench(), Bench()
    before.hold(1, "k1", held, 9_000)
    after.cross(400, "k1")
    after.cross(410, "k1", active=False)
    assert [trigger for _, trigger in taken_over(before, after)][1:] == ["raised", "returned"]
    assert after.state("k1") is State.RETURNED
