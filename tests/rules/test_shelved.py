"""A critical alarm on the shelf comes back when its water worsens; limits and readings are invented.

Advisory 18, critical 23 °C: the step is 2.5 °C; 12 and 8 °C: 2 °C (project judgement).
"""

import json
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.alarms.alarm import AlarmRules, Hold, HoldKind
from rules.alarms.book import AlarmBook
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition, Priority
from rules.quantities import Quantity
from rules.rack.limits import Level
from rules.rack.tolerance import Band
from rules.shelved import bring_back
from tests.rigs.examples import examples
from tests.rigs.watched_rack import HOUR, MINUTE, PROMPT, START_MS, WatchedRack, plan_of, thermometers

HOT, COLD = "k1/temperature/high_high", "k1/temperature/low_low"
SHELF = {"why": "new chiller", "for_s": 3600, "yes_critical": True}


def rack(tolerance=PROMPT, *, restarting=False):
    plan = plan_of(thermometers(1), {"polyp": {Quantity.TEMPERATURE: tolerance}})
    return WatchedRack(plan, restarting=restarting)


@pytest.mark.parametrize("restarting", [False, True])
@pytest.mark.parametrize(
    ("alarm", "shelved_at", "not_yet", "back"),
    [(HOT, 24.0, 26.4, 26.5), (HOT, 15.0, 25.4, 25.5), (COLD, 7.0, 5.1, 5.0), (COLD, 15.0, 6.1, 6.0)],
)
def test_it_comes_back_with_the_reading_that_is_worse_by_the_step(
    alarm, shelved_at, not_yet, back, restarting
):
    """From what was measured when it was shelved, or from the critical limit if that was not passed yet."""
    step = 2.5 if alarm == HOT else 2
    watched = rack(restarting=restarting)
    watched.read(0, 1, shelved_at)
    watched.do(MINUTE, "shelve", alarm=alarm, **SHELF)
    watched.read(2 * MINUTE, 1, not_yet)
    assert watched.states[alarm] == "shelved"
    watched.read(3 * MINUTE, 1, back)
    off, on = [event for event in watched.events if event.alarm == alarm][-2:]
    assert (str(off.trigger), str(on.trigger)) == ("unshelved", "raised")
    assert on.at_ms == START_MS + 3 * MINUTE
    assert on.evidence.value == back
    assert on.evidence.reason == f"back from the shelf: worse by {step} since it was shelved"
    assert watched.states[alarm] == "unacknowledged"


def test_water_that_is_no_worse_stays_on_the_shelf_to_its_end():
    watched = rack()
    watched.read(0, 1, 24.0)
    watched.do(MINUTE, "shelve", alarm=HOT, **SHELF)
    watched.read_all([(minute * MINUTE, 1, 26.4) for minute in range(2, 60)])
    assert watched.states[HOT] == "shelved"
    watched.wait(HOUR + 2 * MINUTE)
    assert watched.states[HOT] == "unacknowledged"
    assert "shelf" not in watched.events[-1].evidence.reason


def test_what_cannot_be_water_takes_nothing_off_the_shelf():
    watched = rack()
    watched.read(0, 1, 24.0)
    watched.do(MINUTE, "shelve", alarm=HOT, **SHELF)
    watched.read(2 * MINUTE, 1, 5_000.0)
    assert watched.states[HOT] == "shelved"


def test_without_an_advisory_limit_the_step_is_the_deadband():
    watched = rack(replace(PROMPT, advisory=Band(), deadband=0.5))
    watched.read(0, 1, 24.0)
    watched.do(MINUTE, "shelve", alarm=HOT, **SHELF)
    watched.read(2 * MINUTE, 1, 24.4)
    assert watched.states == {HOT: "shelved"}
    watched.read(3 * MINUTE, 1, 24.5)
    assert watched.states == {HOT: "unacknowledged"}


def test_under_maintenance_it_leaves_the_shelf_and_is_told_afterwards():
    watched = rack()
    watched.read(0, 1, 24.0)
    watched.do(MINUTE, "shelve", alarm=HOT, **SHELF)
    watched.do(2 * MINUTE, "begin_maintenance", target="vessel/k1", why="water change", for_s=600)
    watched.read(3 * MINUTE, 1, 27.0)
    assert watched.states[HOT] == "suppressed by design"
    watched.wait(13 * MINUTE)
    assert watched.states[HOT] == "unacknowledged"


def test_what_was_only_likely_comes_back_as_likely_and_can_return():
    """Seen: it came back as if it were beyond the limit for sure, which nothing ever took back."""
    likely = Crossing(
        "k1", "bench", "k1/temperature", Condition.HIGH_HIGH, "k1", Level.LIKELY_CRITICAL, Priority.HIGH,
        active=True, since_ms=0,
    )  # fmt: skip
    book = AlarmBook(AlarmRules())
    book.cross(likely, 0, None)
    book.hold(likely, HoldKind.SHELF, Hold("kim", "new chiller", HOUR), 1)
    assert bring_back(book, replace(likely, level=Level.WORSE, priority=Priority.CRITICAL), 2)
    assert [dict(alarm.active) for alarm in book] == [{Level.LIKELY_CRITICAL: Priority.HIGH}]
    book.cross(replace(likely, active=False), 3, None)
    assert not next(iter(book)).active


READ = [15.0, 19.0, 23.5, 24.0, 25.6, 26.6, 29.0, 5_000.0]
RATED = replace(
    PROMPT, max_rise_per_hour=5.0, max_fall_per_hour=5.0, rate_window_ms=300_000, lead_time_ms=600_000
)


@settings(max_examples=examples(60), deadline=None)
@given(
    st.lists(st.sampled_from(READ) | st.floats(22.0, 27.0), min_size=2, max_size=40),
    st.integers(1, 39),
    st.sampled_from([0, 150_000]),
    st.sampled_from([600, 1_200]),
    st.sampled_from([PROMPT, RATED]),
)
@example(values=[15.0, 23.5, 25.6], place=1, on_delay_ms=0, for_s=600, limits=PROMPT)
@example(values=[15.0, 19.0, 25.6], place=1, on_delay_ms=0, for_s=600, limits=PROMPT)
def test_it_is_the_same_however_the_readings_are_cut(values, place, on_delay_ms, for_s, limits):
    slow = replace(limits, critical_on_delay_ms=on_delay_ms)
    rows = [(minute * MINUTE, 1, value) for minute, value in enumerate(values)]
    place = min(place, len(rows) - 1)
    live, replayed = rack(slow, restarting=True), rack(slow)
    for watched in (live, replayed):
        blocks = 1 if watched is live else len(rows)
        for start in range(0, place, blocks):
            watched.read_all(rows[start : min(start + blocks, place)])
        watched.do(place * MINUTE - 1, "shelve", alarm=HOT, **SHELF | {"for_s": for_s})
        for start in range(place, len(rows), blocks):
            watched.read_all(rows[start : start + blocks])
        watched.wait(2 * HOUR)
    assert live.events == replayed.events
    same = [json.dumps(watched.engine.snapshot(), sort_keys=True) for watched in (live, replayed)]
    assert same[0] == same[1]
