"""What one alarm says of itself, and of another one beside it."""

from dataclasses import replace

import pytest

from rules.alarms.alarm import (
    COMES_AND_GOES,
    AlarmRules,
    Hold,
    HoldKind,
    explained_until,
    explains,
    hidden_by,
    is_worse,
    must_allow,
    new_alarm,
    raised_again,
    stands_for,
    step_after,
    trigger_of,
)
from rules.alarms.event import Crossing, Evidence
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.errors import AlarmError

LOW, MEDIUM, HIGH, CRITICAL = Priority
HIGH_WATER, HIGHER, UNWATCHED = Condition.HIGH, Condition.HIGH_HIGH, Condition.UNWATCHED
SILENT, FAULT = Condition.SILENT, Condition.PROBE_FAULT


def crossing(condition=HIGH_WATER, rank=HIGH, *, active=True, channel="k1/temperature", **more):
    return Crossing("k1", "bench", channel, condition, "loop", "a", rank, active, 5, **more)


def alarm(condition=HIGH_WATER, rank=HIGH, state=State.UNACKNOWLEDGED, *, channel="k1/temperature", **more):
    made = replace(new_alarm(crossing(condition, rank, channel=channel)), state=state, active={"a": rank})
    return replace(made, **more)


def held(kind, why="x", until_ms=None, **more):
    return alarm(holds={kind: Hold("", why, until_ms)}, state=State.SUPPRESSED, **more)


def test_a_rack_that_says_nothing_shelves_for_a_shift_and_announces_again_after_two_hours():
    """Common practice, no source: eight hours, a critical one for one."""
    its, hour = AlarmRules(), 3_600_000
    assert (its.shelf_limit_ms, its.critical_shelf_limit_ms, its.reannounce_ms) == (8 * hour, hour, 2 * hour)
    assert its.latching == ()


def test_a_new_alarm_is_that_of_its_crossing_and_not_raised_yet():
    its = new_alarm(crossing(reach=("k2",), evidence=Evidence(21.0)))
    assert (its.name, its.cause, its.since_ms, its.reach) == ("k1/temperature/high", "loop", 5, ("k2",))
    assert (its.state, dict(its.active), its.worst, its.evidence) == (State.NORMAL, {}, HIGH, Evidence(21.0))
    assert (its.acknowledged_ms, dict(its.holds), its.before_work, its.seen_by) == (0, {}, State.NORMAL, "")
    assert its.priority is HIGH, "how urgent it came to be"


@pytest.mark.parametrize(
    ("state", "active", "announced"),
    [
        (State.UNACKNOWLEDGED, True, True),
        (State.ACKNOWLEDGED, True, True),
        (State.SHELVED, True, False),
        (State.SUPPRESSED, True, False),
        (State.LATCHED, False, False),
        (State.UNACKNOWLEDGED, False, False),
    ],
)
def test_people_are_told_of_what_lasts_and_is_not_kept_from_them(state, active, announced):
    its = alarm(state=state, active={"a": HIGH} if active else {})
    assert its.announced is announced


def test_the_strongest_of_what_keeps_an_alarm_from_people_counts():
    kinds = [HoldKind.SERVICE, HoldKind.SHELF, HoldKind.EXPLAINED, HoldKind.MAINTENANCE]
    for place in range(3):
        its = alarm(holds={kind: Hold("", "") for kind in reversed(kinds[place:])})
        assert its.held_by is kinds[place]
    assert alarm().held_by is None


@pytest.mark.parametrize("active", [True, False])
@pytest.mark.parametrize("rank", [MEDIUM, HIGH, CRITICAL])
@pytest.mark.parametrize("why", [COMES_AND_GOES, "k2/temperature/high"])
def test_what_comes_and_goes_is_told_when_it_is_as_bad_again(why, rank, active):
    waits = held(HoldKind.EXPLAINED, why)
    ends = why == COMES_AND_GOES and rank >= HIGH and active
    assert waits.waited_for(crossing(rank=rank, active=active)) is ends


def test_a_probes_trouble_waits_for_what_it_hides_and_anything_else_for_its_end():
    assert alarm(SILENT, cause="probe/k1").waits(9) == Hold("", "probe/k1/unwatched", 9)
    assert alarm(FAULT, cause="probe/k1").waits(9) == Hold("", "probe/k1/unwatched", 9)
    assert alarm().waits(9) == Hold("", COMES_AND_GOES, 9)


@pytest.mark.parametrize(
    ("one", "other", "worse"),
    [
        (alarm(HIGHER), alarm(), True),
        (alarm(Condition.LOW_LOW), alarm(Condition.LOW), True),
        (alarm(), alarm(HIGHER), False),
        (alarm(HIGHER), alarm(Condition.LOW), False),
        (alarm(HIGHER, channel="k2/temperature"), alarm(), False),
    ],
)
def test_the_worse_of_two_limits_of_a_channel(one, other, worse):
    assert is_worse(one, other) is worse
    assert explains(one, other) is worse


def test_what_a_probe_hides_explains_its_trouble():
    hides = alarm(UNWATCHED, channel="probe/k1")
    assert [explains(hides, alarm(it)) for it in (SILENT, FAULT, HIGH_WATER)] == [True, True, False]
    assert explains(alarm(SILENT), alarm(FAULT)) is False


@pytest.mark.parametrize(
    ("its", "stands"),
    [
        (alarm(), True),
        (alarm(active={}), False),
        (alarm(state=State.RETURNED, active={}), False),
        (held(HoldKind.EXPLAINED, COMES_AND_GOES), True),
        (held(HoldKind.EXPLAINED, COMES_AND_GOES, rank=MEDIUM), False),
        (held(HoldKind.EXPLAINED, COMES_AND_GOES, active={}), False),
        (held(HoldKind.EXPLAINED, "k2/temperature/high"), False),
        (held(HoldKind.SHELF), False),
        (held(HoldKind.SHELF, condition=HIGHER), True),
        (held(HoldKind.SHELF, condition=HIGHER, active={}), False),
        (held(HoldKind.MAINTENANCE, condition=HIGHER), False),
    ],
)
def test_who_knows_of_it_need_not_be_told_of_a_milder_one(its, stands):
    assert stands_for(its, alarm(rank=MEDIUM)) is stands


def test_what_cannot_be_done_is_said_with_what_can():
    must_allow(alarm(), Trigger.ACKNOWLEDGED)
    seen = alarm(state=State.ACKNOWLEDGED, seen_by="kim")
    with pytest.raises(AlarmError) as error:
        must_allow(seen, Trigger.ACKNOWLEDGED)
    assert str(error.value) == (
        "k1/temperature/high: an alarm that is acknowledged by kim cannot be acknowledged;"
        " it can be: shelved, taken out of service"
    )
    for its in (replace(seen, seen_by=""), alarm(state=State.SHELVED, seen_by="kim")):
        with pytest.raises(AlarmError, match=f"an alarm that is {its.state} cannot be"):
            must_allow(its, Trigger.ACKNOWLEDGED)


@pytest.mark.parametrize(
    ("state", "worst"),
    [
        (State.RETURNED, CRITICAL),
        (State.LATCHED_UNACKNOWLEDGED, CRITICAL),
        (State.NORMAL, HIGH),
        (State.LATCHED, HIGH),
        (State.SHELVED, HIGH),
    ],
)
def test_raised_again_what_nobody_has_seen_yet_is_kept(state, worst):
    before = alarm(
        rank=CRITICAL, state=state, since_ms=1, seen_by="kim", before_work=State.RETURNED,
        holds={HoldKind.SHELF: Hold("kim", "x")}, acknowledged_ms=7,
    )  # fmt: skip
    its = raised_again(before, crossing(rank=HIGH))
    assert (its.worst, its.since_ms, its.state) == (worst, 5, state)
    assert (its.seen_by, its.before_work, dict(its.holds)) == ("kim", State.RETURNED, dict(before.holds))
    assert (its.acknowledged_ms, dict(its.active)) == (0, {})
    milder = replace(before, worst=MEDIUM)
    assert raised_again(milder, crossing(rank=HIGH)).worst is HIGH


@pytest.mark.parametrize(
    ("before", "after", "latching", "trigger"),
    [
        ({}, {"a": HIGH}, (), None),
        ({"a": HIGH}, {}, (), Trigger.RETURNED),
        ({"a": HIGH}, {}, (HIGH_WATER,), Trigger.LATCHED),
        ({"a": HIGH}, {"a": HIGH, "b": CRITICAL}, (), Trigger.WORSENED),
        ({"a": HIGH, "b": CRITICAL}, {"a": HIGH}, (), Trigger.EASED),
        ({"a": HIGH}, {"a": HIGH, "b": MEDIUM}, (), None),
        ({"a": HIGH, "b": MEDIUM}, {"a": HIGH}, (), None),
    ],
)
def test_what_a_change_of_the_crossed_levels_means(before, after, latching, trigger):
    assert trigger_of(alarm(active=before), alarm(active=after), latching) is trigger


def test_a_danger_more_that_nobody_sees_is_worse_though_it_is_as_urgent():
    one, two = {"a": HIGH}, {"a": HIGH, "b": HIGH}
    less, more = Evidence(hidden=("k1/x",)), Evidence(hidden=("k1/x", "k1/y"))
    before = alarm(UNWATCHED, active=one, evidence=less)
    assert trigger_of(before, replace(before, active=two, evidence=more), ()) is Trigger.WORSENED
    assert trigger_of(before, replace(before, active=two), ()) is None, "nothing more is hidden"
    assert trigger_of(replace(before, active=two), replace(before, evidence=more), ()) is None
    water = alarm(active=one, evidence=less)
    assert trigger_of(water, replace(water, active=two, evidence=more), ()) is None


def test_what_explained_it_has_gone_for_long_enough():
    waits = held(HoldKind.EXPLAINED, until_ms=50)
    assert [explained_until(waits, at_ms) for at_ms in (49, 50)] == [False, True]
    assert explained_until(held(HoldKind.EXPLAINED), 99) is False
    assert explained_until(held(HoldKind.SHELF, until_ms=50), 99) is False


def test_a_probes_trouble_remembers_that_people_were_told_of_it():
    hides = alarm(UNWATCHED)
    seen = alarm(SILENT, state=State.ACKNOWLEDGED)
    assert hidden_by(hides, seen).before_work is State.ACKNOWLEDGED
    assert hidden_by(alarm(HIGHER), alarm(state=State.ACKNOWLEDGED)).before_work is State.NORMAL


@pytest.mark.parametrize(
    ("kind", "before", "rank", "step"),
    [
        (HoldKind.EXPLAINED, State.UNACKNOWLEDGED, HIGH, Trigger.GOES_ON),
        (HoldKind.EXPLAINED, State.ACKNOWLEDGED, HIGH, Trigger.GOES_ON_SEEN),
        (HoldKind.EXPLAINED, State.NORMAL, HIGH, Trigger.RAISED),
        (HoldKind.EXPLAINED, State.ACKNOWLEDGED, CRITICAL, Trigger.RAISED),
        (HoldKind.MAINTENANCE, State.ACKNOWLEDGED, HIGH, Trigger.RAISED),
        (HoldKind.SHELF, State.ACKNOWLEDGED, HIGH, Trigger.RAISED),
    ],
)
def test_what_was_told_before_goes_on_as_it_was_unless_it_is_worse(kind, before, rank, step):
    its = alarm(before_work=before, active={"a": rank}, worst=HIGH)
    assert step_after(its, kind) is step
