"""A probe's trouble, what the probe hides and what its bus hides: one problem, and told when more is lost.

Which alarm explains which others is this project's own design; the cases are worked by hand.
"""

import pytest

from rules.alarms.alarm import HoldKind
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition, Priority, State
from rules.alarms.patience import LAST_BACK
from tests.rules.alarms.test_book import LOOP, Bench

LOW, MEDIUM, HIGH, CRITICAL = Priority
SILENT, FAULT, UNWATCHED = Condition.SILENT, Condition.PROBE_FAULT, Condition.UNWATCHED
BUS, PROBE = "bus/bench", "probe/k1-ct"


def trouble(vessel="k1", *, condition=SILENT, cause=PROBE, bus="bench", active=True, rank=LOW):
    """What is wrong with a probe itself."""
    return Crossing(vessel, bus, f"{vessel}/temperature", condition, cause, "a", rank, active, 0)


def hides(channel=PROBE, *, cause=BUS, active=True, reach=("k1",), rank=CRITICAL):
    """Dangers that nobody sees because of a probe, or of all on its bus."""
    return Crossing("k1", "bench", channel, UNWATCHED, cause, "a", rank, active, 0, reach)


def book_of(*crossings):
    bench = Bench()
    for at_ms, crossing in enumerate(crossings):
        bench.book.cross(crossing, at_ms, None)
    bench.book.take_events()
    return bench.book


def cause_of(book, name):
    return next(alarm.cause for alarm in book if alarm.name == name)


@pytest.mark.parametrize(
    ("its", "by", "cause"),
    [
        (trouble(), hides(), BUS),
        (trouble(condition=FAULT), hides(), BUS),
        (trouble(), hides(active=False), PROBE),
        (trouble(), hides(reach=("k2",)), PROBE),
        (trouble(bus="other"), hides(), PROBE),
        (trouble(condition=Condition.HIGH), hides(), PROBE),
        (trouble(), trouble(condition=FAULT, cause=BUS), PROBE),
        (trouble(), hides(cause="k1/loop"), "k1/loop"),
        (trouble(cause="probe/k2"), hides(cause="k1/loop"), "probe/k2"),
        (trouble(bus="other"), hides(cause="k1/loop"), "k1/loop"),
    ],
    ids=[
        "of the bus", "a fault too", "over", "another vessel", "another bus", "water", "hides nothing",
        "of the probe", "another probe", "of the probe, whatever the bus",
    ],
)  # fmt: skip
def test_the_troubles_of_a_probe_belong_to_what_it_hides(its, by, cause):
    book = book_of(its)
    book.gather(by)
    assert cause_of(book, its.alarm) == cause


def test_a_trouble_that_is_over_is_not_gathered():
    book = book_of(trouble(), trouble(active=False))
    book.gather(hides())
    assert cause_of(book, trouble().alarm) == PROBE


def test_a_trouble_that_was_told_is_explained_by_what_it_is_found_to_hide():
    book = book_of(trouble())
    book.cross(hides(), 5, None)
    said = [(event.alarm, str(event.trigger)) for event in book.take_events()]
    assert said == [(f"{PROBE}/unwatched", "worsened"), ("k1/temperature/silent", "suppressed")]


@pytest.mark.parametrize(
    ("seen", "step"), [(("k1", "k2"), "worsened"), (("k1",), "worsened"), ((), "raised")]
)
def test_a_danger_goes_over_from_any_trouble_that_people_know_of(seen, step):
    """Of two probes of the bus; what nobody is told of any more is no news that it could go over from."""
    first = [trouble(vessel, cause=BUS) for vessel in ("k1", "k2")]
    gone = [trouble(it, cause=BUS, active=False) for it in ("k1", "k2") if it not in seen]
    book = book_of(*first, *gone)
    assert told(book, hides(reach=("k1", "k2")))[0] == (f"{PROBE}/unwatched", step)


def told(book, crossing):
    book.cross(crossing, 9, None)
    return [(event.alarm, str(event.trigger)) for event in book.take_events()]


OTHER = hides("probe/k2-ct", reach=("k1", "k2"))
"""The first of the bus, which is told; then what k1's probe hides is explained."""
FORWARD = [(f"{PROBE}/unwatched", "released"), (f"{PROBE}/unwatched", "raised")]


def test_what_a_probe_hides_is_told_by_itself_once_more_is_lost_than_its_bus_explains():
    book = book_of(OTHER, hides())
    assert [it for it in told(book, trouble()) if "unwatched" in it[0]] == FORWARD
    assert cause_of(book, f"{PROBE}/unwatched") == PROBE


@pytest.mark.parametrize(
    ("before", "then"),
    [
        ([OTHER, hides()], trouble(active=False)),
        ([OTHER, hides()], trouble(condition=Condition.HIGH)),
        ([OTHER, hides()], trouble(cause="probe/k3")),
        ([hides()], trouble()),
        ([OTHER, hides("probe/k3"), hides(cause=PROBE)], trouble()),
    ],
    ids=["it is over", "the water", "another probe", "it is told already", "its own cause"],
)
def test_else_it_stays_as_it_was_told(before, then):
    book = book_of(*before)
    assert [it for it in told(book, then) if it in FORWARD] == []


def two_limits(bench):
    bench.cross(0, "k1", cause=LOOP, rank=MEDIUM)
    bench.cross(1, "k1", cause=LOOP, rank=CRITICAL, condition=Condition.HIGH_HIGH)
    bench.cross(2, "k2", cause=LOOP, rank=CRITICAL)


def over(bench, at_ms):
    return bench.cross(at_ms, "k1", active=False, cause=LOOP, rank=CRITICAL, condition=Condition.HIGH_HIGH)


def test_where_people_are_there_for_the_milder_a_critical_follower_of_the_worse_comes_forward_at_once():
    bench = Bench()
    two_limits(bench)
    assert over(bench, 3) == [
        ("k1", "goes on"), ("k1", "handed on"), ("k2", "released"), ("k2", "raised"),
    ]  # fmt: skip


def test_where_the_milder_is_kept_from_people_it_waits_as_after_any_other():
    bench = Bench()
    two_limits(bench)
    bench.hold(2, "k1", HoldKind.SHELF, until_ms=10_000_000)
    assert over(bench, 3) == [("k1", "returned")]
    assert bench.until(3 + LAST_BACK[CRITICAL]) == []
    assert bench.until(4 + LAST_BACK[CRITICAL]) == [("k2", "released"), ("k2", "raised")]


def test_what_only_eases_keeps_what_is_not_critical_waiting():
    bench = Bench()
    bench.cross(0, "k1", cause=LOOP, level="a", rank=LOW)
    bench.cross(0, "k1", cause=LOOP, level="c", rank=CRITICAL)
    bench.cross(1, "k2", cause=LOOP, rank=MEDIUM)
    assert bench.cross(2, "k1", active=False, cause=LOOP, level="c", rank=CRITICAL) == [("k1", "eased")]
    assert bench.state("k2") is State.SUPPRESSED
    assert bench.until(2 + LAST_BACK[MEDIUM]) == []
    assert bench.until(3 + LAST_BACK[MEDIUM]) == [("k2", "released"), ("k2", "raised")]
