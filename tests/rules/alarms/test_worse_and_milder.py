"""High and high-high are two alarms and one problem: worked by hand, both ways and with what people do."""

import pytest

from rules.alarms.alarm import AlarmRules, Hold, HoldKind
from rules.alarms.book import AlarmBook
from rules.alarms.event import AlarmEvent, Crossing
from rules.alarms.life_cycle import Condition, Priority, State, Trigger

HOUR = 3_600_000
CAUSE = "k1/temperature/up"
RANKS = {Condition.HIGH: Priority.MEDIUM, Condition.HIGH_HIGH: Priority.CRITICAL}
MILD, WORSE = "k1/temperature/high", "k1/temperature/high_high"


def crossing(condition, active=True):
    return Crossing("k1", "bus", "k1/temperature", condition, CAUSE, "a", RANKS[condition], active, 0)


class Pair:
    """A book with two limits of one channel, and what it says."""

    def __init__(self, **rules):
        self.book = AlarmBook(AlarmRules(**rules))
        self.at_ms = 0

    def cross(self, condition, active=True):
        self.at_ms += 1
        self.book.cross(crossing(condition, active), self.at_ms, None)
        return self.said()

    def said(self):
        return [(event.alarm, str(event.trigger)) for event in self.book.take_events()]

    def both(self):
        self.cross(Condition.HIGH)
        self.cross(Condition.HIGH_HIGH)
        return self

    def states(self):
        return {alarm.name: alarm.state for alarm in self.book}


def test_the_worse_announces_and_explains_the_milder_which_was_there_first():
    pair = Pair()
    assert pair.cross(Condition.HIGH) == [(MILD, "raised")]
    assert pair.cross(Condition.HIGH_HIGH) == [(WORSE, "raised"), (MILD, "suppressed")]
    assert pair.states() == {MILD: State.SUPPRESSED, WORSE: State.UNACKNOWLEDGED}


def test_a_milder_one_that_comes_second_is_explained():
    pair = Pair()
    pair.cross(Condition.HIGH_HIGH)
    assert pair.cross(Condition.HIGH) == [(MILD, "suppressed")]


@pytest.mark.parametrize("seen", [True, False])
def test_coming_down_to_the_milder_is_no_announcement_and_keeps_what_people_did(seen):
    pair = Pair().both()
    if seen:
        pair.book.acknowledge(WORSE, 10, "kim")
        pair.said()
    assert pair.cross(Condition.HIGH_HIGH, active=False) == [
        (MILD, "goes on, as seen" if seen else "goes on"),
        (WORSE, "handed on"),
    ]
    assert pair.states() == {MILD: State.ACKNOWLEDGED if seen else State.UNACKNOWLEDGED}
    over = [(MILD, "returned")]
    assert pair.cross(Condition.HIGH, active=False) == over
    assert pair.states() == ({} if seen else {MILD: State.RETURNED})


def test_the_worse_announces_although_the_milder_is_acknowledged_or_shelved():
    pair = Pair()
    pair.cross(Condition.HIGH)
    pair.book.acknowledge(MILD, 5, "kim")
    pair.said()
    assert pair.cross(Condition.HIGH_HIGH) == [(WORSE, "raised"), (MILD, "suppressed")]
    pair = Pair()
    pair.book.hold(crossing(Condition.HIGH, False), HoldKind.SHELF, Hold("kim", "draught", HOUR), 5)
    pair.cross(Condition.HIGH)
    assert pair.cross(Condition.HIGH_HIGH) == [(WORSE, "raised")]
    assert pair.states()[MILD] is State.SHELVED
    assert pair.cross(Condition.HIGH_HIGH, active=False) == [(WORSE, "returned")]


def test_who_shelves_the_worse_is_not_told_of_the_milder_until_the_worse_is_over():
    pair = Pair().both()
    pair.book.hold(crossing(Condition.HIGH_HIGH, False), HoldKind.SHELF, Hold("kim", "known", HOUR), 5)
    assert pair.said() == [(WORSE, "shelved")]
    pair.cross(Condition.HIGH_HIGH, active=False)
    pair.book.let_pass()
    assert (MILD, "raised") in pair.said()


def test_what_latches_when_mild_latches_when_worse():
    pair = Pair(latching=(Condition.HIGH,)).both()
    assert pair.cross(Condition.HIGH_HIGH, active=False) == [(MILD, "goes on"), (WORSE, "latched")]


def old_word(state, rank=Priority.CRITICAL):
    """The newest event of `high` in a journal of before high-high had an alarm of its own."""
    return AlarmEvent(70, 5, "k1", "k1/temperature", "high", Trigger.RAISED, state, rank, 3, CAUSE)


@pytest.mark.parametrize("state", [State.UNACKNOWLEDGED, State.ACKNOWLEDGED])
def test_a_critical_high_of_before_goes_over_to_the_worse_without_an_announcement(state):
    pair = Pair().both()
    pair.book.take_over([old_word(state)], 70, 100)
    seen = state is State.ACKNOWLEDGED
    assert pair.said() == [(WORSE, "goes on, as seen" if seen else "goes on"), (MILD, "suppressed")]
    assert pair.states() == {MILD: State.SUPPRESSED, WORSE: state}
    assert [alarm.since_ms for alarm in pair.book] == [3, 3]


def test_a_high_of_before_that_was_no_more_than_that_makes_the_worse_news():
    pair = Pair().both()
    pair.book.take_over([old_word(State.ACKNOWLEDGED, Priority.MEDIUM)], 70, 100)
    assert pair.said() == [(MILD, "suppressed"), (WORSE, "raised")]
