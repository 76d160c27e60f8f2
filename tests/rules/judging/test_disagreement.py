"""What people are told while two probes of one vessel disagree; invented thermometers and limits."""

from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Priority, State
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.tolerance import Band
from tests.rigs.watched_rack import DAY, MINUTE, PROMPT, WatchedRack, plan_of, told

T = Quantity.TEMPERATURE
A, B = 1, 2
LIMITS = replace(PROMPT, advisory=Band(), max_disagreement=1.0)
DISAGREE, HIGH_HIGH_A = "k1/temperature/b/disagreement", "k1/temperature/a/high_high"
HIGH_HIGH_B = "k1/temperature/b/high_high"


def rack():
    sources = (Source(A, "a", T, "k1", 10 * DAY), Source(B, "b", T, "k1", 10 * DAY))
    return WatchedRack(plan_of(sources, {"polyp": {T: LIMITS}}), restarting=True)


def apart(watched, minute, a, b):
    watched.events.clear()
    watched.read_all([(minute * MINUTE, A, a), (minute * MINUTE + 1, B, b)])
    return told(watched.events)


def announced(watched):
    return {alarm.name: alarm.priority for alarm in watched.engine.alarms() if alarm.announced}


@pytest.mark.parametrize("drifts", ["a", "b"])
def test_a_limit_that_one_of_two_crosses_is_told_as_their_disagreement_and_as_urgent(drifts):
    watched = rack()

    def read(minute, odd, other):
        return apart(watched, minute, *((odd, other) if drifts == "a" else (other, odd)))

    assert read(0, 17.0, 15.0) == [(DISAGREE, "raised")]
    assert watched.events[0].priority is Priority.MEDIUM
    alone = f"k1/temperature/{drifts}/high_high"
    assert read(1, 25.0, 15.0) == [(DISAGREE, "worsened"), (alone, "suppressed")]
    worse = watched.events[0]
    assert (worse.priority, worse.state) == (Priority.CRITICAL, State.UNACKNOWLEDGED)
    assert (worse.evidence.value, worse.evidence.limit) == (25.0, 23)
    assert worse.evidence.reason == f"k1/temperature/{drifts} alone is high high"
    assert announced(watched) == {DISAGREE: Priority.CRITICAL}
    assert read(2, 17.0, 15.0) == [(alone, "released"), (DISAGREE, "eased")]
    assert announced(watched) == {DISAGREE: Priority.MEDIUM}
    assert read(3, 15.0, 15.0) == [(DISAGREE, "returned")]
    assert not [alarm for alarm in watched.engine.alarms() if alarm.active]


def test_what_both_cross_is_told_as_itself():
    watched = rack()
    apart(watched, 0, 17.0, 15.0)
    apart(watched, 1, 27.0, 20.0)
    assert apart(watched, 2, 29.0, 25.0) == [(HIGH_HIGH_B, "raised")]
    assert announced(watched) == {DISAGREE: Priority.CRITICAL, HIGH_HIGH_B: Priority.CRITICAL}


def test_what_two_of_three_cross_is_told_as_itself():
    """The first, with which the others are compared, is the odd one: no limit is crossed by one alone."""
    c = 3
    sources = tuple(
        Source(number, name, T, "k1", 10 * DAY) for number, name in ((A, "a"), (B, "b"), (c, "c"))
    )
    watched = WatchedRack(plan_of(sources, {"polyp": {T: LIMITS}}), restarting=True)
    watched.read_all([(0, A, 15.0), (1, B, 17.0), (2, c, 17.0)])
    assert announced(watched) == {DISAGREE: Priority.MEDIUM}
    watched.read_all([(MINUTE, A, 15.0), (MINUTE + 1, B, 25.0), (MINUTE + 2, c, 25.0)])
    assert announced(watched)["k1/temperature/c/high_high"] is Priority.CRITICAL


def test_a_limit_that_was_told_before_they_disagree_stays_the_one_alarm():
    watched = rack()
    assert apart(watched, 0, 15.0, 15.0) == []
    assert apart(watched, 1, 25.0, 15.0) == [(HIGH_HIGH_A, "raised"), (DISAGREE, "suppressed")]
    assert announced(watched) == {HIGH_HIGH_A: Priority.CRITICAL}


def test_a_disagreement_that_ends_leaves_a_limit_that_still_stands_to_itself():
    watched = rack()
    apart(watched, 0, 17.0, 15.0)
    apart(watched, 1, 24.0, 22.5)
    assert announced(watched) == {DISAGREE: Priority.CRITICAL}
    assert (DISAGREE, "returned") in apart(watched, 2, 23.2, 22.9)
    watched.wait(10 * MINUTE)
    assert announced(watched) == {HIGH_HIGH_A: Priority.CRITICAL}


def test_what_a_person_does_meanwhile_ends_nothing_that_stands():
    watched = rack()
    apart(watched, 0, 17.0, 15.0)
    apart(watched, 1, 25.0, 15.0)
    watched.do(2 * MINUTE, "acknowledge", alarm=DISAGREE)
    assert watched.states[DISAGREE] == "acknowledged"
    assert announced(watched) == {DISAGREE: Priority.CRITICAL}
    watched.configure(3 * MINUTE, replace(watched.engine.plan, tolerances={"polyp": {}}))
    assert not [alarm for alarm in watched.engine.alarms() if alarm.active]


@pytest.mark.parametrize("seldom", [A, B])
@pytest.mark.parametrize("stray", [1, 2])
def test_one_reading_alone_of_a_probe_that_is_read_more_seldom_is_no_disagreement(seldom, stray):
    """Seen: each three minutes one stray reading, and the other probe compared itself with it thrice."""
    limits = replace(LIMITS, on_delay_ms=2 * MINUTE, critical=Band())
    sources = (Source(A, "a", T, "k1", 10 * DAY), Source(B, "b", T, "k1", 10 * DAY))
    watched = WatchedRack(plan_of(sources, {"polyp": {T: limits}}), restarting=True)
    for minute in range(30):
        if minute % 3 == 0:
            off = 2.0 if 12 <= minute < 12 + 3 * stray else 0.0
            watched.read_all([(minute * MINUTE, seldom, 15.0 + off)])
        watched.read_all([(minute * MINUTE + 1, A + B - seldom, 15.01)])
    raised = [event.at_ms for event in watched.events if event.alarm == DISAGREE]
    assert bool(raised) is (stray > 1)
