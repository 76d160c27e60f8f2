"""The book of alarms: what the water and people do to alarms, held against a small slow model.

States and terms are those of IEC 62682 / ANSI/ISA-18.2 (from memory, see test_alarms.py); which alarm
explains which others is this project's own design. The cases are worked by hand.
"""

import json
from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from rules.alarms.alarm import UNSEEN, Alarm, AlarmRules, Hold, HoldKind
from rules.alarms.book import AlarmBook
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import TRANSITIONS, Condition, Priority, State, Trigger
from rules.alarms.patience import LAST_BACK
from rules.errors import AlarmError
from rules.plain import from_plain, to_plain
from tests.rigs.examples import examples
from tests.rigs.watched_rack import told

MEDIUM, HIGH, CRITICAL = Priority.MEDIUM, Priority.HIGH, Priority.CRITICAL
LOOP = "loop/temperature/up"


def crossing(vessel, active=True, *, condition=Condition.HIGH, level="a", rank=MEDIUM, cause="", since_ms=0):
    """A crossing in one of three vessels, of its own cause unless one is given."""
    channel = f"{vessel}/temperature"
    return Crossing(
        vessel, "bench", channel, condition, cause or f"{channel}/{condition}", level, rank, active, since_ms
    )


def everything(book):
    return [to_plain(alarm) for alarm in book], book.last_number


class Bench:
    """A book and everything that it said."""

    def __init__(self, **rules):
        self.book = AlarmBook(AlarmRules(**rules))
        self.events = []

    def cross(self, at_ms, vessel, active=True, maintenance=None, **more):
        self.book.cross(crossing(vessel, active, **more), at_ms, maintenance)
        return self.said()

    def said(self):
        fresh = self.book.take_events()
        self.events += fresh
        return [(event.vessel, str(event.trigger)) for event in fresh]

    def until(self, at_ms):
        """Let the timers ring that are due before a time."""
        while (due_ms := self.book.next_due_ms()) is not None and due_ms < at_ms:
            self.book.let_pass()
        return self.said()

    def state(self, vessel, condition=Condition.HIGH):
        name = f"{vessel}/temperature/{condition}"
        return next((alarm.state for alarm in self.book if alarm.name == name), State.NORMAL)

    def hold(self, at_ms, vessel, keeper, until_ms=None):
        self.book.hold(crossing(vessel, False), keeper, Hold("kim", "being cleaned", until_ms), at_ms)
        return self.said()

    def acknowledge(self, at_ms, vessel):
        self.book.acknowledge(f"{vessel}/temperature/high", at_ms, "kim")
        return self.said()

    def release(self, at_ms, vessel, keeper):
        self.book.release(f"{vessel}/temperature/high", keeper, at_ms, "kim")
        return self.said()


# The life of one alarm


def test_an_alarm_that_is_seen_and_returns_is_normal_again():
    bench = Bench()
    assert bench.cross(1, "k1") == [("k1", "raised")]
    assert bench.acknowledge(2, "k1") == [("k1", "acknowledged")]
    assert bench.cross(3, "k1", active=False) == [("k1", "returned")]
    assert list(bench.book) == []


def test_an_alarm_that_returns_unseen_waits_to_be_seen():
    bench = Bench()
    bench.cross(1, "k1")
    bench.cross(2, "k1", active=False)
    assert bench.state("k1") is State.RETURNED
    bench.acknowledge(3, "k1")
    assert list(bench.book) == []


def test_what_came_to_be_critical_unseen_stays_so_until_it_is_seen():
    bench = Bench()
    bench.cross(1, "k1", rank=CRITICAL)
    bench.cross(2, "k1", active=False)
    bench.cross(3, "k1", rank=MEDIUM)
    assert [alarm.priority for alarm in bench.book] == [MEDIUM]
    bench.cross(4, "k1", active=False)
    assert [alarm.priority for alarm in bench.book] == [CRITICAL]


def test_an_alarm_is_as_urgent_as_its_worst_level_and_calls_again_when_it_worsens():
    bench = Bench()
    bench.cross(1, "k1", level="a", rank=MEDIUM)
    bench.acknowledge(2, "k1")
    assert bench.cross(3, "k1", level="c", rank=CRITICAL) == [("k1", "worsened")]
    assert bench.state("k1") is State.UNACKNOWLEDGED
    bench.acknowledge(4, "k1")
    assert bench.cross(5, "k1", active=False, level="c", rank=CRITICAL) == [("k1", "eased")]
    assert bench.state("k1") is State.ACKNOWLEDGED
    assert [(event.trigger, event.priority) for event in bench.events][-2:] == [
        (Trigger.ACKNOWLEDGED, CRITICAL),
        (Trigger.EASED, MEDIUM),
    ]


def test_a_level_that_is_no_worse_than_the_others_says_nothing():
    bench = Bench()
    bench.cross(1, "k1", level="above", rank=HIGH)
    assert bench.cross(2, "k1", level="below", rank=HIGH) == []
    assert bench.cross(3, "k1", active=False, level="above", rank=HIGH) == []
    assert bench.cross(4, "k1", active=False, level="below", rank=HIGH) == [("k1", "returned")]


def test_events_are_numbered_and_tell_since_when():
    bench = Bench()
    bench.cross(70, "k1", since_ms=10)
    bench.acknowledge(80, "k1")
    assert [(event.number, event.at_ms, event.since_ms) for event in bench.events] == [
        (1, 70, 10),
        (2, 80, 10),
    ]


def test_only_a_critical_alarm_that_still_stands_is_announced_again():
    bench = Bench(reannounce_ms=100)
    bench.cross(0, "k1", rank=CRITICAL)
    bench.cross(0, "k2", rank=HIGH)
    bench.acknowledge(10, "k1")
    bench.acknowledge(10, "k2")
    assert bench.until(110) == []
    assert bench.until(111) == [("k1", "announced again")]
    assert bench.until(100_000) == []
    bench.acknowledge(100_000, "k1")
    bench.cross(100_050, "k1", active=False, rank=CRITICAL)
    assert bench.until(200_000) == []


def test_where_nothing_is_to_be_announced_again_nothing_is():
    bench = Bench(reannounce_ms=None)
    bench.cross(0, "k1", rank=CRITICAL)
    bench.acknowledge(10, "k1")
    assert bench.book.next_due_ms() is None


# Latching


def test_a_latching_alarm_stays_until_it_is_seen_and_reset():
    bench = Bench(latching=(Condition.HIGH,))
    bench.cross(0, "k1")
    assert bench.cross(1, "k1", active=False) == [("k1", "latched")]
    with pytest.raises(AlarmError, match="latched unacknowledged cannot be reset"):
        bench.book.reset("k1/temperature/high", 2, "kim")
    bench.acknowledge(2, "k1")
    assert bench.state("k1") is State.LATCHED
    bench.book.reset("k1/temperature/high", 3, "kim")
    assert list(bench.book) == []


def test_a_latched_alarm_is_not_lost_behind_another_one_of_its_cause():
    bench = Bench(latching=(Condition.HIGH,))
    bench.cross(0, "k2", cause=LOOP)
    bench.cross(1, "k2", active=False, cause=LOOP)
    bench.cross(2, "k1", cause=LOOP)
    assert bench.cross(3, "k2", cause=LOOP) == [("k2", "raised")]
    bench.cross(4, "k2", active=False, cause=LOOP)
    assert bench.state("k2") is State.LATCHED_UNACKNOWLEDGED


def test_what_waits_is_told_when_it_lasts_and_at_once_where_it_is_latched():
    """What was told twice stands for what is milder; a latched alarm must not vanish in that."""
    waits = replace(crossing("k1", rank=HIGH, cause=LOOP), waits_ms=50)
    bench, latching = Bench(), Bench(latching=(Condition.HIGH,))
    for it in (bench, latching):
        it.cross(0, "k1", rank=HIGH, cause=LOOP)
        it.acknowledge(1, "k1")
        it.cross(2, "k1", active=False, rank=HIGH, cause=LOOP)
        it.book.cross(waits, 10, None)
    assert bench.said() == [("k1", "suppressed")]
    assert latching.said() == [("k1", "raised")]
    assert bench.cross(20, "k2", cause=LOOP) == [("k2", "suppressed")]
    assert bench.cross(21, "k3", rank=HIGH, cause=LOOP) == [("k3", "raised")]
    bench.cross(22, "k3", active=False, rank=HIGH, cause=LOOP)
    assert ("k1", "raised") in bench.until(22 + LAST_BACK[HIGH] + 50)


def test_what_waits_is_told_when_it_moves_the_other_way_or_is_worse():
    """One alarm is about both sides: that one was told twice says nothing of the other; a milder is part."""
    for level, rank, said in (
        ("a", HIGH, [("k1", "released"), ("k1", "raised")]),
        ("b", HIGH, [("k1", "released"), ("k1", "raised")]),
        ("b", MEDIUM, []),
    ):
        bench = Bench()
        bench.book.cross(replace(crossing("k1", rank=HIGH, level="a"), waits_ms=50), 10, None)
        assert bench.said() == [("k1", "suppressed")]
        assert bench.cross(20, "k1", rank=rank, level=level) == said


def test_a_latched_leader_explains_nothing_any_more():
    bench = Bench(latching=(Condition.HIGH,))
    bench.cross(0, "k1", cause=LOOP)
    bench.cross(1, "k2", cause=LOOP)
    bench.cross(2, "k1", active=False, cause=LOOP)
    assert bench.until(2 + LAST_BACK[MEDIUM] + 1) == [("k2", "released"), ("k2", "raised")]


# Kept from people


def test_a_shelf_ends_by_itself_and_what_lasts_is_raised():
    bench = Bench()
    bench.cross(0, "k1", rank=CRITICAL)
    assert bench.hold(10, "k1", HoldKind.SHELF, until_ms=100) == [("k1", "shelved")]
    shelved = bench.events[-1]
    assert (shelved.who, shelved.why, shelved.until_ms) == ("kim", "being cleaned", 100)
    assert bench.until(100) == []
    assert bench.until(101) == [("k1", "unshelved"), ("k1", "raised")]
    assert {event.at_ms for event in bench.events[-2:]} == {100}


def test_a_shelf_ends_by_itself_and_what_is_over_is_normal():
    bench = Bench()
    bench.cross(0, "k1")
    bench.hold(10, "k1", HoldKind.SHELF, until_ms=100)
    assert bench.cross(20, "k1", active=False) == []
    assert bench.until(101) == [("k1", "unshelved")]
    assert list(bench.book) == []


def test_an_alarm_can_be_shelved_before_it_comes_up():
    bench = Bench()
    bench.hold(0, "k1", HoldKind.SHELF, until_ms=100)
    assert bench.cross(10, "k1", rank=CRITICAL) == []
    assert bench.release(20, "k1", HoldKind.SHELF) == [("k1", "unshelved"), ("k1", "raised")]


def test_out_of_service_outranks_the_shelf_and_maintenance():
    bench = Bench()
    bench.cross(0, "k1")
    bench.hold(1, "k1", HoldKind.MAINTENANCE)
    bench.hold(2, "k1", HoldKind.SHELF, until_ms=100)
    assert bench.hold(3, "k1", HoldKind.SERVICE) == [("k1", "taken out of service")]
    with pytest.raises(AlarmError, match="out of service cannot be shelved"):
        bench.hold(4, "k1", HoldKind.SHELF, until_ms=200)
    assert bench.until(101) == []
    assert bench.release(200, "k1", HoldKind.SERVICE) == [
        ("k1", "put back into service"),
        ("k1", "suppressed"),
    ]
    assert bench.release(300, "k1", HoldKind.MAINTENANCE) == [("k1", "released"), ("k1", "raised")]


def test_out_of_service_gives_way_to_a_shelf_that_still_lasts():
    bench = Bench()
    bench.hold(0, "k1", HoldKind.SHELF, until_ms=100)
    bench.hold(1, "k1", HoldKind.SERVICE)
    assert bench.release(2, "k1", HoldKind.SERVICE) == [("k1", "put back into service"), ("k1", "shelved")]
    assert bench.until(101) == [("k1", "unshelved")]


def test_what_people_cannot_do_is_refused_and_changes_nothing():
    bench = Bench()
    bench.cross(0, "k1")
    before = everything(bench.book)
    name = "k1/temperature/high"
    for refused in (
        lambda: bench.book.reset(name, 1, "kim"),
        lambda: bench.book.release(name, HoldKind.SHELF, 1, "kim"),
        lambda: bench.book.release(name, HoldKind.SERVICE, 1, "kim"),
        lambda: bench.book.release(name, HoldKind.MAINTENANCE, 1, "kim"),
        lambda: bench.book.acknowledge("k9/temperature/high", 1, "kim"),
    ):
        with pytest.raises(AlarmError):
            refused()
        assert everything(bench.book) == before
    assert bench.said() == []


def test_during_maintenance_alarms_come_and_go_unheard():
    bench = Bench()
    kept = Hold("kim", "water change", 500)
    assert bench.cross(0, "k1", maintenance=kept, rank=CRITICAL) == [("k1", "suppressed")]
    assert bench.cross(10, "k1", active=False, rank=CRITICAL) == []
    assert bench.cross(20, "k1", maintenance=kept, rank=CRITICAL) == []
    assert bench.until(10_000) == [], "maintenance ends for the whole vessel, not alarm by alarm"
    assert bench.release(10_000, "k1", HoldKind.MAINTENANCE) == [("k1", "released"), ("k1", "raised")]


@pytest.mark.parametrize(
    ("before", "latching", "after"),
    [
        ("normal", False, State.NORMAL),
        ("normal", True, State.NORMAL),
        ("seen", False, State.NORMAL),
        ("seen", True, State.LATCHED),
        ("unseen", False, State.RETURNED),
        ("unseen", True, State.LATCHED_UNACKNOWLEDGED),
        ("over", False, State.RETURNED),
        ("over", True, State.LATCHED_UNACKNOWLEDGED),
    ],
)
def test_what_nobody_had_seen_or_reset_before_maintenance_is_there_after_it_though_the_water_is_well(
    before, latching, after
):
    bench = Bench(latching=(Condition.HIGH,) * latching)
    if before != "normal":
        bench.cross(0, "k1")
    if before == "seen":
        bench.acknowledge(1, "k1")
    if before == "over":
        bench.cross(1, "k1", active=False)
    bench.hold(2, "k1", HoldKind.MAINTENANCE)
    bench.cross(3, "k1", maintenance=Hold("kim", "x"))
    bench.cross(4, "k1", active=False)
    bench.release(5, "k1", HoldKind.MAINTENANCE)
    assert bench.state("k1") is after


def test_only_what_a_probe_hides_goes_over_to_another_cause_while_it_is_explained():
    for condition, cause in ((Condition.HIGH, LOOP), (Condition.UNWATCHED, "bus/bench")):
        bench = Bench()
        for number, vessel in enumerate(("k1", "k2")):
            bench.cross(number, vessel, cause=LOOP, rank=CRITICAL, condition=condition)
        bench.cross(2, "k2", cause="bus/bench", level="b", condition=condition)
        (its,) = [alarm for alarm in bench.book if alarm.vessel == "k2"]
        assert its.cause == cause


def test_maintenance_suppresses_a_leader_and_its_followers_together():
    """Else a follower would come forward, and page somebody, in the moment between."""
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, rank=CRITICAL)
    bench.cross(1, "k2", cause=LOOP, rank=CRITICAL)
    bench.book.hold_all(lambda alarm: True, HoldKind.MAINTENANCE, Hold("kim", "new pump"), 2)
    assert bench.said() == [("k1", "suppressed")]
    assert {alarm.held_by for alarm in bench.book} == {HoldKind.MAINTENANCE}


# One problem, told once


def test_one_cause_is_one_announced_alarm_that_lists_the_vessels():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP)
    assert bench.cross(1, "k2", cause=LOOP) == [("k2", "suppressed")]
    assert bench.cross(2, "k3", cause=LOOP) == [("k3", "suppressed")]
    last = bench.events[-1]
    assert (last.why, last.vessels) == ("k1/temperature/high", ("k3", "k1", "k2"))


def test_what_is_more_urgent_than_all_that_was_told_is_always_announced():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, rank=MEDIUM)
    bench.cross(1, "k2", cause=LOOP, rank=MEDIUM)
    assert bench.cross(2, "k3", cause=LOOP, rank=HIGH) == [("k3", "raised")]
    assert bench.cross(3, "k2", cause=LOOP, level="c", rank=CRITICAL) == [
        ("k2", "released"),
        ("k2", "raised"),
    ]


def test_a_second_vessel_that_becomes_critical_after_the_first_was_seen_is_announced():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, rank=CRITICAL)
    bench.acknowledge(1, "k1")
    assert bench.cross(2, "k2", cause=LOOP, rank=CRITICAL) == [("k2", "raised")]


def test_a_follower_that_worsens_to_critical_after_the_first_was_seen_is_announced():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, rank=CRITICAL)
    bench.cross(1, "k2", cause=LOOP, rank=MEDIUM)
    bench.acknowledge(2, "k1")
    assert bench.cross(3, "k2", cause=LOOP, level="c", rank=CRITICAL) == [
        ("k2", "released"),
        ("k2", "raised"),
    ]


def test_a_critical_alarm_off_the_shelf_is_announced_though_another_vessel_was_seen():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, rank=CRITICAL)
    bench.acknowledge(1, "k1")
    bench.hold(2, "k2", HoldKind.SHELF, until_ms=100)
    bench.cross(3, "k2", cause=LOOP, rank=CRITICAL)
    assert bench.until(101) == [("k2", "unshelved"), ("k2", "raised")]


def test_the_most_urgent_follower_comes_forward_when_the_leader_stays_away():
    """A critical one after three minutes, any other after half an hour."""
    assert [LAST_BACK[rank] for rank in (CRITICAL, HIGH)] == [180_000, 1_800_000]
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, rank=CRITICAL)
    bench.cross(1, "k2", cause=LOOP, rank=MEDIUM)
    bench.cross(2, "k3", cause=LOOP, rank=CRITICAL)
    assert bench.cross(1_000, "k1", active=False, cause=LOOP, rank=CRITICAL) == [("k1", "returned")]
    assert bench.until(181_000) == []
    assert bench.until(181_001) == [("k3", "released"), ("k3", "raised")]
    assert bench.state("k2") is State.SUPPRESSED
    assert next(alarm for alarm in bench.book if alarm.vessel == "k2").holds == {
        HoldKind.EXPLAINED: Hold("", "k3/temperature/high")
    }


def test_a_follower_of_medium_priority_comes_forward_after_half_an_hour():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP)
    bench.cross(1, "k2", cause=LOOP)
    bench.cross(1_000, "k1", active=False, cause=LOOP)
    assert bench.until(1_801_000) == []
    assert bench.until(1_801_001) == [("k2", "released"), ("k2", "raised")]


def test_followers_that_return_soon_after_the_leader_never_call():
    """The probes of a bus answer again one after the other: that is no news of each of them."""
    bench = Bench()
    for number, vessel in enumerate(("k1", "k2", "k3")):
        bench.cross(number, vessel, cause="bus/bench", rank=CRITICAL)
    bench.events.clear()
    for number, vessel in enumerate(("k1", "k2", "k3")):
        bench.cross(1_000 + 10_000 * number, vessel, active=False, cause="bus/bench", rank=CRITICAL)
    bench.until(10_000_000)
    assert [event.trigger for event in bench.events if event.trigger is Trigger.RAISED] == []
    assert [(alarm.vessel, alarm.state) for alarm in bench.book] == [("k1", State.RETURNED)]


def test_a_follower_that_worsens_while_it_waits_comes_forward_at_once():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP)
    bench.cross(1, "k2", cause=LOOP)
    bench.cross(2, "k1", active=False, cause=LOOP)
    assert bench.cross(3, "k2", cause=LOOP, level="c", rank=CRITICAL) == [
        ("k2", "released"),
        ("k2", "raised"),
    ]


def test_a_follower_comes_forward_at_once_when_the_leader_is_kept_from_people():
    for keeper, until_ms in ((HoldKind.SHELF, 1_000), (HoldKind.SERVICE, None), (HoldKind.MAINTENANCE, None)):
        bench = Bench()
        bench.cross(0, "k1", cause=LOOP)
        bench.cross(1, "k2", cause=LOOP)
        assert bench.hold(2, "k1", keeper, until_ms)[1:] == [("k2", "released"), ("k2", "raised")]


def test_a_critical_follower_comes_forward_when_its_leader_eases():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, level="a", rank=MEDIUM)
    bench.cross(0, "k1", cause=LOOP, level="c", rank=CRITICAL)
    bench.cross(1, "k2", cause=LOOP, rank=CRITICAL)
    said = bench.cross(2, "k1", active=False, cause=LOOP, level="c", rank=CRITICAL)
    assert said == [("k1", "eased"), ("k2", "released"), ("k2", "raised")]


def test_a_follower_off_the_shelf_is_not_kept_by_a_leader_that_has_gone_meanwhile():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, rank=CRITICAL)
    bench.cross(1, "k2", cause=LOOP, rank=CRITICAL)
    bench.hold(2, "k2", HoldKind.SHELF, until_ms=100_000)
    bench.cross(3, "k1", active=False, cause=LOOP, rank=CRITICAL)
    assert bench.until(100_001) == [("k2", "unshelved"), ("k2", "raised")]


def test_a_follower_whose_condition_went_while_it_was_shelved_is_gone():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP)
    bench.cross(1, "k2", cause=LOOP)
    bench.hold(2, "k2", HoldKind.SHELF, until_ms=100)
    bench.cross(3, "k2", active=False, cause=LOOP)
    assert bench.until(101) == [("k2", "unshelved")]
    assert bench.state("k2") is State.NORMAL


def test_limits_that_go_together_let_nobody_come_forward_for_a_moment():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP)
    bench.cross(1, "k1", cause=LOOP, condition=Condition.RISING)
    gone = [crossing("k1", False, cause=LOOP, condition=c) for c in (Condition.HIGH, Condition.RISING)]
    bench.book.withdraw(gone, 2)
    assert told(bench.book.take_events()) == [
        ("k1/temperature/high", "returned"),
        ("k1/temperature/rising", "released"),
    ]


def test_alarms_without_a_cause_explain_nothing():
    bench = Bench()
    for vessel in ("k1", "k2"):
        bench.book.cross(Crossing(vessel, "", f"{vessel}/x", Condition.HIGH, "", "a", HIGH, True, 0), 0, None)
    assert bench.said() == [("k1", "raised"), ("k2", "raised")]


# Against a slow model

VESSELS = ("k1", "k2", "k3")
LEVELS = {"a": MEDIUM, "c": CRITICAL}
LATCHES = "k2"
"""One of the three alarms is of a latching condition."""


class Expected:
    """One alarm as a person would keep it on paper: what is so, not how it came about."""

    def __init__(self, latching):
        self.latching = latching
        self.levels, self.holds = set(), {}
        self.calls = self.seen = self.stuck = False
        self.before_work = State.NORMAL

    @property
    def rank(self):
        return max((LEVELS[level] for level in self.levels), default=0)

    @property
    def state(self):
        for keeper, held in (
            (HoldKind.SERVICE, State.OUT_OF_SERVICE),
            (HoldKind.SHELF, State.SHELVED),
            (HoldKind.MAINTENANCE, State.SUPPRESSED),
        ):
            if keeper in self.holds:
                return held
        if self.levels:
            return State.ACKNOWLEDGED if self.seen else State.UNACKNOWLEDGED
        if self.stuck:
            return State.LATCHED if self.seen else State.LATCHED_UNACKNOWLEDGED
        return State.RETURNED if self.calls and not self.seen else State.NORMAL

    def cross(self, level, active):
        before, was = self.rank, bool(self.levels)
        (self.levels.add if active else self.levels.discard)(level)
        if self.holds:
            return
        if self.rank > before:
            self.calls, self.seen = True, False
            self.stuck = False
        elif was and not self.levels:
            self.stuck = self.latching
            self.calls = not self.seen

    def let_go(self, keeper):
        del self.holds[keeper]
        if self.holds:
            return
        before, self.before_work = self.before_work, State.NORMAL
        self.calls, self.seen, self.stuck = bool(self.levels), False, False
        if not self.levels and (before in UNSEEN or (self.latching and before is not State.NORMAL)):
            self.calls, self.seen, self.stuck = True, before not in UNSEEN, self.latching

    def keep(self, keeper, until_ms):
        if keeper is HoldKind.MAINTENANCE and not self.holds:
            self.before_work = self.state
        self.holds[keeper] = until_ms


class AloneMachine(RuleBasedStateMachine):
    """Three alarms that have nothing to do with each other: each is exactly as the model says."""

    shared_cause = ""

    def __init__(self):
        super().__init__()
        self.bench = Bench(latching=(Condition.LOW,), reannounce_ms=None)
        self.now, self.untold = 0, {}
        self.model = {vessel: Expected(vessel == LATCHES) for vessel in VESSELS}
        self.from_events = {}

    def condition(self, vessel):
        return Condition.LOW if vessel == LATCHES else Condition.HIGH

    def name(self, vessel):
        return f"{vessel}/temperature/{self.condition(vessel)}"

    def meant(self, vessel, active=False, level="a"):
        return crossing(
            vessel,
            active,
            condition=self.condition(vessel),
            level=level,
            rank=LEVELS[level],
            cause=self.shared_cause,
            since_ms=self.now,
        )

    @rule(vessel=st.sampled_from(VESSELS), level=st.sampled_from(sorted(LEVELS)), active=st.booleans())
    def water(self, vessel, level, active):
        held = Hold("kim", "x") if HoldKind.MAINTENANCE in self.model[vessel].holds else None
        self.bench.book.cross(self.meant(vessel, active, level), self.now, held)
        self.model[vessel].cross(level, active)

    def attempt(self, allowed, deed):
        """What the model allows is done; what it does not is refused and changes nothing."""
        before = everything(self.bench.book)
        if allowed:
            deed()
            return
        with pytest.raises(AlarmError):
            deed()
        assert everything(self.bench.book) == before

    @rule(vessel=st.sampled_from(VESSELS))
    def acknowledge(self, vessel):
        calling = (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)
        allowed = self.bench_state(vessel) in calling
        self.attempt(allowed, lambda: self.bench.book.acknowledge(self.name(vessel), self.now, "kim"))
        if allowed:
            self.model[vessel].seen = True

    @rule(vessel=st.sampled_from(VESSELS))
    def reset(self, vessel):
        allowed = self.bench_state(vessel) is State.LATCHED
        self.attempt(allowed, lambda: self.bench.book.reset(self.name(vessel), self.now, "kim"))
        if allowed:
            self.model[vessel].stuck = self.model[vessel].calls = False

    @rule(
        vessel=st.sampled_from(VESSELS),
        keeper=st.sampled_from([HoldKind.SHELF, HoldKind.SERVICE]),
        for_ms=st.integers(1, 1_000_000),
    )
    def keep(self, vessel, keeper, for_ms):
        until_ms = self.now + for_ms if keeper is HoldKind.SHELF else None
        stronger = {HoldKind.SERVICE} if keeper is HoldKind.SERVICE else {HoldKind.SERVICE, HoldKind.SHELF}
        allowed = not stronger & self.model[vessel].holds.keys()
        hold = Hold("kim", "why", until_ms)
        self.attempt(allowed, lambda: self.bench.book.hold(self.meant(vessel), keeper, hold, self.now))
        if allowed:
            self.model[vessel].keep(keeper, until_ms)

    @rule(vessel=st.sampled_from(VESSELS), keeper=st.sampled_from([HoldKind.SHELF, HoldKind.SERVICE]))
    def let_go(self, vessel, keeper):
        allowed = keeper in self.model[vessel].holds
        self.attempt(allowed, lambda: self.bench.book.release(self.name(vessel), keeper, self.now, "kim"))
        if allowed:
            self.model[vessel].let_go(keeper)

    @rule(vessel=st.sampled_from(VESSELS))
    def begin_maintenance(self, vessel):
        self.bench.book.hold(self.meant(vessel), HoldKind.MAINTENANCE, Hold("kim", "why", None), self.now)
        self.model[vessel].keep(HoldKind.MAINTENANCE, None)

    @rule(vessel=st.sampled_from(VESSELS))
    def end_maintenance(self, vessel):
        if HoldKind.MAINTENANCE in self.model[vessel].holds:
            self.bench.book.release(self.name(vessel), HoldKind.MAINTENANCE, self.now, "kim")
            self.model[vessel].let_go(HoldKind.MAINTENANCE)

    @rule(for_ms=st.sampled_from([1, 1_000, 59_999, 180_000, 900_000]))
    def time_passes(self, for_ms):
        self.now += for_ms
        while (due_ms := self.bench.book.next_due_ms()) is not None and due_ms < self.now:
            self.bench.book.let_pass()
        for expected in self.model.values():
            if (until_ms := expected.holds.get(HoldKind.SHELF)) is not None and until_ms < self.now:
                expected.let_go(HoldKind.SHELF)

    @rule()
    def restart(self):
        book = self.bench.book
        self.take_events()
        kept = [from_plain(Alarm, json.loads(json.dumps(to_plain(alarm)))) for alarm in book]
        self.bench.book = AlarmBook(book.rules, kept, book.last_number)

    def bench_state(self, vessel):
        return self.bench.state(vessel, self.condition(vessel))

    def take_events(self):
        for event in self.bench.book.take_events():
            before = self.from_events.get(event.alarm, State.NORMAL)
            assert TRANSITIONS[before, event.trigger] is event.state
            assert event.number == len(self.bench.events) + 1
            self.bench.events.append(event)
            self.from_events[event.alarm] = event.state

    @invariant()
    def the_events_alone_tell_the_states(self):
        self.take_events()
        for vessel in VESSELS:
            assert self.from_events.get(self.name(vessel), State.NORMAL) is self.bench_state(vessel)

    @invariant()
    def each_alarm_is_as_the_model_says(self):
        for vessel, expected in self.model.items():
            assert self.bench_state(vessel) is expected.state, vessel

    @invariant()
    def the_book_knows_what_is_crossed(self):
        for vessel, expected in self.model.items():
            found = next((alarm for alarm in self.bench.book if alarm.vessel == vessel), None)
            assert (set(found.active) if found else set()) == expected.levels


class TogetherMachine(AloneMachine):
    """Three alarms of one cause: nothing urgent stays hidden, and nothing is hidden for no reason."""

    shared_cause = LOOP

    def each_alarm_is_as_the_model_says(self):
        """Only for those that a person keeps from people: the others depend on each other."""

    @invariant()
    def what_people_keep_is_kept(self):
        for vessel, expected in self.model.items():
            if expected.holds:
                assert self.bench_state(vessel) is expected.state
            elif expected.levels:
                assert self.bench_state(vessel) in (
                    State.UNACKNOWLEDGED,
                    State.ACKNOWLEDGED,
                    State.SUPPRESSED,
                )

    @invariant()
    def nothing_is_hidden_without_somebody_being_told_of_its_cause(self):
        alarms = list(self.bench.book)
        announced = [alarm.priority for alarm in alarms if alarm.announced]
        for alarm in alarms:
            if alarm.held_by is not HoldKind.EXPLAINED:
                continue
            assert alarm.active
            assert list(alarm.holds) == [HoldKind.EXPLAINED]
            waits_until = alarm.holds[HoldKind.EXPLAINED].until_ms
            if waits_until is None:
                assert max(announced, default=0) >= alarm.priority
            else:
                assert self.now <= waits_until <= self.now + LAST_BACK[alarm.priority]

    @precondition(lambda self: any(expected.levels for expected in self.model.values()))
    @rule()
    def calm(self):
        """Whatever went before: once the water is well and people have done their part, nothing is left."""
        for vessel, expected in self.model.items():
            for level in sorted(expected.levels):
                self.water(vessel, level, False)
            for keeper in list(expected.holds):
                self.bench.book.release(self.name(vessel), keeper, self.now, "kim")
                expected.let_go(keeper)
            if self.bench_state(vessel) in (State.RETURNED, State.LATCHED_UNACKNOWLEDGED):
                self.acknowledge(vessel)
            if self.bench_state(vessel) is State.LATCHED:
                self.reset(vessel)
            self.model[vessel] = Expected(vessel == LATCHES)
        assert list(self.bench.book) == []


TestAlone = AloneMachine.TestCase
TestAlone.settings = settings(max_examples=examples(50), stateful_step_count=40, deadline=None)
TestTogether = TogetherMachine.TestCase
TestTogether.settings = settings(max_examples=examples(60), stateful_step_count=40, deadline=None)
