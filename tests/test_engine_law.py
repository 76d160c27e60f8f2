"""The engine's one law: feeding a + b gives exactly what feeding a and then b gives.

Any cut, any `advance` in between, a snapshot through JSON and back at every cut: the same events,
the same flags, the same state, bit for bit. Replay, restart and the live watch rest on this.
"""

import json
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.plan import RackPlan, Source, plan_from_json
from rules.quality import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.readings import Action, Readings
from rules.tolerance import Band, Tolerance

START_MS = 1_760_000_000_000
PLAN = RackPlan(
    rack="bench",
    sources=(
        Source(1, "k1-ct", Quantity.TEMPERATURE, "kreisel-1", 120_000),
        Source(2, "k1-ct", Quantity.CONDUCTIVITY, "kreisel-1", 120_000),
        Source(3, "k1-do", Quantity.OXYGEN, "kreisel-1", 90_000),
        Source(4, "room", Quantity.AIR_PRESSURE, "rack", 600_000),
    ),
    vessels={"kreisel-1": "ephyra"},
    tolerances={
        "ephyra": {
            Quantity.TEMPERATURE: Tolerance(
                target=15,
                advisory=Band(12, 18),
                critical=Band(8, 23),
                max_rise_per_hour=5.0,
                max_fall_per_hour=5.0,
                deadband=0.5,
                rate_window_ms=300_000,
                on_delay_ms=60_000,
                critical_on_delay_ms=30_000,
                off_delay_ms=60_000,
            ),
            Quantity.SALINITY: Tolerance(
                advisory=Band(29, 34), critical=Band(25, 37), deadband=0.3, on_delay_ms=30_000, off_delay_ms=0
            ),
            Quantity.OXYGEN_SATURATION: Tolerance(
                advisory=Band(80, 103),
                critical=Band(60, 107),
                deadband=3,
                on_delay_ms=0,
                critical_on_delay_ms=0,
                off_delay_ms=0,
            ),
        }
    },
    quality=DEFAULT_QUALITY,
)
VALUES = {
    1: st.sampled_from([15.0, 15.1, 15.2, 17.9, 18.1, 18.6, 23.5, 7.0, 70.0]) | st.floats(10, 25),
    2: st.sampled_from([40.0, 40.1, 34.0, 0.0, 45.0, 120.0]) | st.floats(30, 50),
    3: st.sampled_from([8.2, 8.3, 5.0, 9.5, 4.0]) | st.floats(3, 11),
    4: st.floats(980, 1040),
}


@st.composite
def reading(draw):
    source = draw(st.sampled_from([1, 1, 2, 2, 3, 3, 4]))
    return (source, draw(st.sampled_from([0, 0, 1, 5_000, 15_000, 30_000, 130_000])), draw(VALUES[source]))


def readings_of(steps):
    """Number the steps as the intake does; a source's times rise, arrival never falls."""
    rows, at_ms, newest = [], START_MS, {}
    for source, wait_ms, value in steps:
        at_ms += wait_ms
        time_ms = max(at_ms - 3_000, newest.get(source, 0) + 1)
        newest[source] = time_ms
        at_ms = max(at_ms, time_ms)
        rows.append((at_ms, source, time_ms, value))
    at, source, time = np.array([row[:3] for row in rows], dtype=np.int64).T.copy()
    return Readings(np.arange(1, len(rows) + 1), at, source, time, np.array([row[3] for row in rows]))


class Record:
    """Everything that an engine said, in a form that can be compared."""

    def __init__(self):
        self.events, self.flags = [], {}

    def add(self, outcome):
        self.events += [event.to_json() for event in outcome.events]
        for block in outcome.flags:
            for seq, summary, tests in zip(block.seq, block.summary, block.tests, strict=True):
                self.flags[block.channel, int(seq)] = (int(summary), int(tests))
        for late in outcome.amendments:
            self.flags[late.channel, late.seq] = (late.summary, late.tests)

    def __eq__(self, other):
        return self.as_text() == other.as_text()

    def as_text(self):
        return json.dumps([self.events, sorted((key, value) for key, value in self.flags.items())])


def through_json(engine):
    return Engine.restore(json.loads(json.dumps(engine.snapshot())))


def assert_same_state(one, other):
    assert json.dumps(one.snapshot(), sort_keys=True) == json.dumps(other.snapshot(), sort_keys=True)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(reading(), min_size=1, max_size=120),
    st.lists(st.tuples(st.integers(0, 120), st.floats(0, 1), st.booleans()), max_size=10),
)
def test_any_cut_gives_the_same_events_flags_and_state(steps, cuts):
    readings = readings_of(steps)
    end_ms = int(readings.at_ms[-1]) + 500_000
    whole, said_at_once = Engine(PLAN, START_MS), Record()
    said_at_once.add(whole.feed(readings))
    said_at_once.add(whole.advance(end_ms))

    engine, said_in_parts = Engine(PLAN, START_MS), Record()
    places = sorted((min(place, len(readings)), share, restart) for place, share, restart in cuts)
    bounds = [(0, 0.0, False), *places, (len(readings), 0.0, False)]
    for (start, share, restart), (stop, _, _) in pairwise(bounds):
        if restart:
            engine = through_json(engine)
        if start < len(readings):
            gap_ms = int(readings.at_ms[start]) - engine.clock_ms
            said_in_parts.add(engine.advance(engine.clock_ms + int(gap_ms * share)))
        said_in_parts.add(engine.feed(readings.part(start, stop)))
    said_in_parts.add(engine.advance(end_ms))

    assert said_in_parts == said_at_once
    assert_same_state(engine, whole)


@settings(max_examples=100, deadline=None)
@given(st.lists(reading(), min_size=1, max_size=80), st.lists(st.integers(0, 80), max_size=6))
def test_acknowledgements_fall_in_the_same_place_however_the_readings_are_cut(steps, acknowledged_at):
    """An acknowledgement is an input like any other: what it meets does not depend on the blocks."""
    readings = readings_of(steps)
    places = sorted({min(place, len(readings)) for place in acknowledged_at} | {len(readings)})

    def night(block):
        engine, said, start = Engine(PLAN, START_MS), Record(), 0
        for place in places:
            for first in range(start, place, block):
                said.add(engine.feed(readings.part(first, min(first + block, place))))
            for alarm in engine.alarms():
                said.add(engine.act(Action(engine.clock_ms, "acknowledge", "kim", {"alarm": alarm.name})))
            start = place
        return engine, said

    one, said_one = night(1)
    other, said_other = night(1_000)
    assert said_one == said_other
    assert_same_state(one, other)


def test_the_plan_survives_the_journal():
    assert plan_from_json(json.loads(json.dumps(PLAN.to_json()))) == PLAN


def test_the_nights_of_these_tests_do_raise_alarms():
    """A law about silence would be worth nothing: here is a night that says a lot."""
    steps = [(1, 30_000, 15.0 + 0.4 * k) for k in range(30)] + [(3, 5_000, 4.0), (1, 130_000, 9.0)]
    engine, said = Engine(PLAN, START_MS), Record()
    said.add(engine.feed(readings_of(steps)))
    kinds = {(event["condition"], event["trigger"]) for event in said.events}
    assert {("high", "raised"), ("high", "worsened"), ("rising", "raised"), ("silent", "raised")} <= kinds
