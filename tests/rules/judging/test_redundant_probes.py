"""Three and more probes of one vessel: who is told to disagree, and what is made of the others.

Invented thermometers, limits and faults. The cases were written down before the rule: one stuck, one that
drifts, one silent, one that lies fast; the pair left behind; all apart; two against two; several rates; the
preferred one back again.
"""

from dataclasses import replace

import gsw
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.life_cycle import Condition, Priority
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.tolerance import Band, Tolerance
from tests.rigs.examples import examples
from tests.rigs.watched_rack import DAY, MINUTE, PROMPT, START_MS, WatchedRack, plan_of
from tests.rules.test_engine_law import Record, assert_same_state, readings_of, through_json

T, C, S = Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.SALINITY
NAMES, CELL = "abcd", 9
LIMITS = replace(PROMPT, advisory=Band(), critical=Band(8, 23), max_disagreement=0.5)
WIDE = Tolerance(critical=Band(5, 60), on_delay_ms=0, off_delay_ms=0, max_disagreement=1.0)


def rack(count=3, *, silent_after_ms=10 * DAY, **more):
    sources = [Source(n + 1, NAMES[n], T, "k1", silent_after_ms) for n in range(count)]
    sources.append(Source(CELL, "cell", C, "k1", 10 * DAY))
    limits = {T: LIMITS, S: WIDE, **more}
    return WatchedRack(plan_of(tuple(sources), {"polyp": limits}), restarting=True)


def read(watched, minute, *values):
    """Take in what each probe reads in one minute, and the cell: none of them stands quite still."""
    draw = 0.02 * np.random.default_rng(minute).normal(size=len(values) + 1)
    rows = [(n, n + 1, value + draw[n]) for n, value in enumerate(values) if value is not None]
    watched.read_all([(minute * MINUTE + ms, *it) for ms, *it in [*rows, (100, CELL, 40.0 + draw[-1])]])


def read_thrice(watched, *values):
    for minute in range(3):
        read(watched, minute, *values)


def disagreeing(watched):
    alarms = (it for it in watched.engine.alarms() if it.condition is Condition.DISAGREEMENT and it.active)
    return [it.channel.rpartition("/")[2] for it in alarms]


def salinity(watched):
    return next(it for it in watched.engine.channels() if it.channel.quantity is S)


@pytest.mark.parametrize("odd", range(3))
def test_of_three_the_one_that_drifts_is_told_and_not_asked(odd):
    watched = rack()
    for minute in range(40):
        read(watched, minute, *(15.0 + 0.1 * n + (0.1 * minute if n == odd else 0.0) for n in range(3)))
    assert disagreeing(watched) == [NAMES[odd]]
    assert salinity(watched).error == 0
    sound = gsw.SP_from_C(40.0, 15.0 if odd else 15.1, 0.0)
    assert salinity(watched).value == pytest.approx(sound, abs=0.03)


@pytest.mark.parametrize("stuck", range(3))
def test_of_three_the_one_that_stands_still_is_told_once_the_water_moves(stuck):
    watched = rack()
    for minute in range(40):
        values = [15.0 + 0.05 * minute, 15.1 + 0.05 * minute, 15.2 + 0.05 * minute]
        values[stuck] = 15.1
        read(watched, minute, *values)
    assert disagreeing(watched) == [NAMES[stuck]]
    assert salinity(watched).error == 0


@pytest.mark.parametrize("silent", range(3))
def test_a_pair_that_is_left_behind_and_disagrees_is_doubted_both(silent):
    watched = rack(silent_after_ms=5 * MINUTE)
    for minute in range(30):
        values = [15.0, 15.1, 15.0] if minute < 10 else [15.0, 16.5, 18.0]
        read(watched, minute, *(None if n == silent and minute >= 5 else it for n, it in enumerate(values)))
    left = [n for n in range(3) if n != silent]
    assert disagreeing(watched) == [NAMES[left[1]]]
    one, other = gsw.SP_from_C(40.0, np.array([15.0, 16.5, 18.0])[left], 0.0)
    assert salinity(watched).error == pytest.approx(one - other, rel=0.1)


def test_three_that_are_all_apart_outvote_nobody():
    watched = rack()
    read_thrice(watched, 15.0, 17.0, 19.0)
    assert disagreeing(watched) == ["a", "c"]
    assert salinity(watched).error > 2.0


def test_two_against_two_outvote_nobody():
    watched = rack(4)
    read_thrice(watched, 15.0, 19.0, 15.0, 19.0)
    assert disagreeing(watched) == ["a", "b", "c", "d"]
    assert salinity(watched).error > 2.0


def test_three_against_one_do():
    watched = rack(4)
    read_thrice(watched, 15.0, 19.0, 19.1, 19.2)
    assert disagreeing(watched) == ["a"]
    assert salinity(watched).error == 0


def test_what_one_of_three_alone_crosses_is_told_as_urgently_as_the_limit():
    """What two have in common may be what is wrong with them."""
    watched = rack()
    read_thrice(watched, 15.0, 15.1, 17.0)
    read(watched, 3, 15.0, 15.1, 24.0)
    (alarm,) = [it for it in watched.engine.alarms() if it.announced]
    assert (alarm.name, alarm.priority) == ("k1/temperature/c/disagreement", Priority.CRITICAL)


def test_a_probe_known_to_be_ill_hides_no_disagreement_of_the_two_others():
    watched = rack()
    for minute in range(10):
        read(watched, minute, 5000.0, 15.0, 15.1)
    assert "k1/temperature/a/probe_fault" in watched.states
    for minute in range(10, 12):
        read(watched, minute, 5000.0, 15.0, 17.0)
    assert disagreeing(watched) == ["c"]
    assert next(it for it in watched.engine.alarms() if it.condition is Condition.DISAGREEMENT).announced


def test_the_preferred_one_that_returns_makes_no_trend_of_what_is_derived():
    """The others are 0.4 K away from it: within what is allowed."""
    hurried = replace(WIDE, max_rise_per_hour=1.0, max_fall_per_hour=1.0, rate_window_ms=15 * MINUTE)
    watched = rack(silent_after_ms=3 * MINUTE, **{S: hurried})
    for minute in range(120):
        gone = 30 <= minute < 60 or 70 <= minute < 80
        read(watched, minute, None if gone else 15.0, 15.4, 15.4)
    said = [event.alarm for event in watched.events if event.quantity == S]
    assert said == []
    assert salinity(watched).error == 0


def test_probes_of_several_rates_are_compared_by_the_newest_of_each():
    watched = rack()
    for minute in range(60):
        read(watched, minute, 15.0, 15.1 if minute % 5 == 0 else None, 18.0 if minute % 20 == 0 else None)
    assert disagreeing(watched) == ["c"]


LAW = RackPlan(
    rack="bench",
    sources=(
        *(Source(n + 1, NAMES[n], T, "k1", 90_000 + 40_000 * n, "bench") for n in range(4)),
        Source(CELL, "b", C, "k1", 120_000, "bench"),
        Source(10, "c", C, "k1", 120_000, "bench"),
        Source(11, "d", C, "k1", 120_000, "bench"),
    ),
    vessels={"k1": "polyp"},
    tolerances={
        "polyp": {
            T: replace(LIMITS, advisory=Band(12, 18), on_delay_ms=30_000),
            S: replace(WIDE, max_rise_per_hour=1.0),
        }
    },
    quality=DEFAULT_QUALITY,
)
TEMPERATURES = st.sampled_from([15.0, 15.1, 15.4, 16.0, 18.4, 24.0, 5000.0]) | st.floats(13, 19)
CELLS = st.sampled_from([40.0, 40.2, 42.0, 0.01, 34.0])


@st.composite
def one(draw):
    source = draw(st.sampled_from([1, 1, 2, 2, 3, 3, 4, CELL, 10, 11]))
    wait_ms = draw(st.sampled_from([0, 0, 1, 5_000, 15_000, 60_000, 130_000]))
    return source, wait_ms, draw(TEMPERATURES if source < CELL else CELLS)


@settings(max_examples=examples(80), deadline=None)
@given(st.lists(one(), min_size=1, max_size=120), st.integers(1, 9))
def test_redundant_probes_are_judged_the_same_however_the_readings_are_cut(steps, size):
    readings = readings_of(steps)
    end_ms = int(readings.at_ms[-1]) + 500_000
    whole, at_once, engine, in_parts = Engine(LAW, START_MS), Record(), Engine(LAW, START_MS), Record()
    at_once.add(whole.feed(readings))
    at_once.add(whole.advance(end_ms))
    for start in range(0, len(readings), size):
        in_parts.add(engine.feed(readings.part(start, min(start + size, len(readings)))))
        engine = through_json(engine)
    in_parts.add(engine.advance(end_ms))
    assert in_parts.as_text() == at_once.as_text()
    assert_same_state(engine, whole)


def test_the_nights_of_this_law_do_let_probes_disagree():
    steps = [(n + 1, 5_000, (15.0, 15.1, 15.2, 18.0)[n]) for _ in range(30) for n in range(4)]
    said = Record()
    said.add(Engine(LAW, START_MS).feed(readings_of(steps)))
    told = {event["channel"] for event in said.events if event["condition"] == "disagreement"}
    assert told == {"k1/temperature/d"}
