"""The engine's one law: feeding a + b gives exactly what feeding a and then b gives.

Any cut, any `advance` in between, a snapshot through JSON and back at every cut: the same events,
the same flags, the same state, bit for bit. Replay, restart and the live watch rest on this.
"""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.alarm import AlarmRules
from rules.alarms.life_cycle import Condition
from rules.deeds import only_written
from rules.engine import Engine
from rules.plain import from_plain, to_plain
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source, Supply
from rules.rack.stage_plan import StageStep
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action, Readings
from rules.water.specific_conductance import Compensation
from tests.rigs.examples import examples

START_MS = 1_760_000_000_000
PLAN = RackPlan(
    rack="bench",
    sources=(
        Source(1, "k1-ct", Quantity.TEMPERATURE, "kreisel-1", 120_000, "bench"),
        Source(2, "k1-ct", Quantity.CONDUCTIVITY, "kreisel-1", 120_000, "bench"),
        Source(3, "k1-do", Quantity.OXYGEN, "kreisel-1", 90_000, "bench"),
        Source(4, "room", Quantity.AIR_PRESSURE, "rack", 600_000, "air"),
        Source(5, "k2-t", Quantity.TEMPERATURE, "kreisel-2", 120_000, "bench"),
        Source(6, "k2-spare", Quantity.TEMPERATURE, "kreisel-2", 120_000, "bench"),
        Source(
            7,
            "k2-t",
            Quantity.CONDUCTIVITY,
            "kreisel-2",
            120_000,
            "bench",
            compensation=Compensation.LINEAR,
            compensation_per_kelvin=0.02,
            accuracy=0.2,
            calibrate_every_ms=250_000,
        ),
    ),
    vessels={"kreisel-1": "ephyra", "kreisel-2": "polyp"},
    supplies=(Supply("cold-loop", Quantity.TEMPERATURE, ("kreisel-1", "kreisel-2")),),
    steps={"kreisel-2": (StageStep(START_MS + 200_000, "ephyra", 300_000),)},
    usual_stay_ms={"ephyra": 400_000},
    alarm_rules=AlarmRules(
        shelf_limit_ms=600_000, reannounce_ms=90_000, latching=(Condition.PROBE_FAULT, Condition.LOW)
    ),
    tolerances={
        "polyp": {
            Quantity.TEMPERATURE: Tolerance(
                advisory=Band(15, 21), critical=Band(8, 25), on_delay_ms=0, max_disagreement=1.0
            )
        },
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
                lead_time_ms=600_000,
                max_disagreement=0.5,
                unwatched_after_ms=150_000,
            ),
            Quantity.SALINITY: Tolerance(
                advisory=Band(29, 34), critical=Band(25, 37), deadband=0.3, on_delay_ms=30_000, off_delay_ms=0
            ),
            Quantity.OXYGEN_SATURATION: Tolerance(
                advisory=Band(80, 103),
                critical=Band(60, 107),
                deadband=3,
                unwatched_after_ms=1_000,
                on_delay_ms=0,
                critical_on_delay_ms=0,
                off_delay_ms=0,
            ),
        },
    },
    quality=DEFAULT_QUALITY,
)
VALUES = {
    1: st.sampled_from([15.0, 15.1, 15.2, 17.9, 18.1, 18.6, 23.5, 7.0, 70.0]) | st.floats(10, 25),
    2: st.sampled_from([40.0, 40.1, 34.0, 0.0, 45.0, 120.0]) | st.floats(30, 50),
    3: st.sampled_from([8.2, 8.3, 5.0, 9.5, 4.0]) | st.floats(3, 11),
    4: st.floats(980, 1040),
    5: st.sampled_from([15.0, 18.5, 24.0]) | st.floats(10, 25),
    6: st.sampled_from([15.0, 15.1, 18.5, 24.0]),
    7: st.sampled_from([50.0, 50.0, 0.01, 48.0]),
}


@st.composite
def reading(draw):
    source = draw(st.sampled_from([1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 7, 7]))
    return (
        source,
        draw(st.sampled_from([0, 0, 1, 5_000, 15_000, 30_000, 130_000, 2_400_000])),
        draw(VALUES[source]),
    )


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
        self.events, self.flags, self.notices = [], {}, []

    def add(self, outcome):
        self.events += [to_plain(event) for event in outcome.events]
        self.notices += [(notice.id, notice.details) for notice in outcome.notices]
        for block in outcome.flags:
            for seq, summary, tests in zip(block.seq, block.summary, block.tests, strict=True):
                self.flags[block.channel, int(seq)] = (int(summary), int(tests))
        for late in outcome.amendments:
            self.flags[late.channel, late.seq] = (late.summary, late.tests)

    def as_text(self):
        return json.dumps([self.events, self.notices, sorted(self.flags.items())])


def through_json(engine):
    return Engine.restore(json.loads(json.dumps(engine.snapshot())))


def assert_same_state(one, other):
    assert json.dumps(one.snapshot()) == json.dumps(other.snapshot())


@settings(max_examples=examples(80), deadline=None)
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

    assert said_in_parts.as_text() == said_at_once.as_text()
    assert_same_state(engine, whole)


CALIBRATED = {"probe": "k2-t", "quantity": "conductivity", "standard": "KCl, invented lot"}
MEASURED = {"method": "bottle", "instrument": "bench meter"}
OF_AN_ALARM = {"acknowledge", "reset", "shelve", "unshelve", "take_out_of_service", "put_back_into_service"}
DEEDS = st.sampled_from(
    [
        ("acknowledge", {}),
        ("reset", {}),
        ("shelve", {"for_s": 100, "why": "probe is being cleaned"}),
        ("unshelve", {}),
        ("take_out_of_service", {"why": "no spare part"}),
        ("put_back_into_service", {}),
        ("move_stage", {"vessel": "kreisel-1", "stage": "polyp", "over_s": 120}),
        ("move_stage", {"vessel": "kreisel-1", "stage": "ephyra"}),
        ("begin_maintenance", {"target": "vessel/kreisel-1", "for_s": 150, "why": "water change"}),
        ("begin_maintenance", {"target": "bus/bench", "for_s": 60, "why": "new cable"}),
        ("end_maintenance", {"target": "vessel/kreisel-1"}),
        ("log", {"vessel": "kreisel-1", "what": "bell_diameter", "value": 12}),
        ("log", {"vessel": "kreisel-1", "what": "wet_weight", "value": 90, "diameters_mm": [12]}),
        ("calibrate", {**CALIBRATED, "points": [{"read": 49.0, "true": 50.0}]}),
        ("calibrate", {**CALIBRATED, "points": [{"read": 0.1, "true": 0.0}, {"read": 49.0, "true": 50.0}]}),
        ("calibrate", {**CALIBRATED, "points": [{"read": 1.0, "true": 50.0}]}),
        ("calibrate", {**CALIBRATED, "withdrawn": True}),
        ("hand_measurement", {**MEASURED, "vessel": "kreisel-1", "quantity": "salinity", "value": 33.0}),
        ("hand_measurement", {**MEASURED, "vessel": "kreisel-2", "quantity": "conductivity", "value": 39.0}),
    ]
)


@settings(max_examples=examples(80), deadline=None)
@given(
    st.lists(reading(), min_size=1, max_size=100), st.lists(st.tuples(st.integers(0, 100), DEEDS), max_size=8)
)
def test_what_people_do_meets_the_same_however_the_readings_are_cut(steps, deeds):
    """An action is an input like any other: what it meets does not depend on the blocks."""
    readings = readings_of(steps)
    deeds = sorted((min(place, len(readings)), index, deed) for index, (place, deed) in enumerate(deeds))

    def night(block, restart):
        engine, said, start = Engine(PLAN, START_MS), Record(), 0
        for place, _, (kind, body) in [*deeds, (len(readings), 0, ("log", {}))]:
            for first in range(start, place, block):
                said.add(engine.feed(readings.part(first, min(first + block, place))))
                engine = through_json(engine) if restart else engine
            start = place
            for alarm in engine.alarms() or [None]:
                named = {"alarm": alarm.name, **body} if alarm and kind in OF_AN_ALARM else body
                said.add(engine.act(Action(engine.clock_ms, kind, "kim", named)))
        said.add(engine.advance(engine.clock_ms + 2_000_000))
        return engine, said

    one, said_one = night(1, restart=True)
    other, said_other = night(1_000, restart=False)
    assert said_one.as_text() == said_other.as_text()
    assert_same_state(one, other)


NOTES = st.sampled_from(
    [
        {"vessel": "kreisel-1", "what": "note"},
        {"vessel": "kreisel-2", "what": "water_change", "value": 30.0},
        {"vessel": "kreisel-1", "what": "deaths", "value": 2.0},
        {"vessel": "kreisel-1", "what": "deaths", "value": 2.5e9},
        {"vessel": "nowhere", "what": "note"},
    ]
)


@settings(max_examples=examples(80), deadline=None)
@given(
    st.lists(reading(), min_size=1, max_size=100), st.lists(st.tuples(st.integers(0, 99), NOTES), max_size=8)
)
def test_what_is_only_written_down_need_not_cut_the_readings(steps, notes):
    """A note in its place and one that comes after all readings leave the same: events, state, refusals."""
    readings = readings_of(steps)
    placed = sorted((min(place, len(readings) - 1), index, body) for index, (place, body) in enumerate(notes))
    acts = [(place, Action(int(readings.at_ms[place]), "log", "kim", body)) for place, _, body in placed]
    assert all(only_written(action) for _, action in acts)
    cut, whole = Engine(PLAN, START_MS), Engine(PLAN, START_MS)
    said_cut, said_whole, start = Record(), Record(), 0
    for place, action in acts:
        said_cut.add(cut.feed(readings.part(start, place)))
        said_cut.add(cut.act(action))
        start = place
    said_cut.add(cut.feed(readings.part(start, len(readings))))
    said_whole.add(whole.feed(readings))
    for _, action in acts:
        said_whole.add(whole.act(action))
    assert said_whole.as_text() == said_cut.as_text()
    assert_same_state(whole, cut)


@pytest.mark.parametrize(
    "body",
    [*({"what": it} for it in ("feed", "bell_diameter", "wet_weight", "pulse_rate")), {"what": ["note"]}, {}],
)
def test_what_a_judgement_looks_at_is_not_only_written(body):
    """Food lets oxygen fall faster; a bell and a pulse are checked by the stage, which a plan may move."""
    assert not only_written(Action(START_MS, "log", "kim", {"vessel": "kreisel-1", **body}))
    assert not only_written(Action(START_MS, "acknowledge", "kim", {"what": "note"}))


def test_a_jump_that_comes_late_in_a_dry_spell_is_a_witness_however_the_readings_are_cut():
    steps = [(5, 0, 15.0), (7, 0, 50.0), (7, 0, 0.01), (5, 130_000, 18.5), (1, 0, 15.0)]
    whole, cut = Engine(PLAN, START_MS), Engine(PLAN, START_MS)
    readings = readings_of(steps)
    whole.feed(readings)
    for place in range(len(steps)):
        cut.feed(readings.part(place, place + 1))
    assert_same_state(whole, cut)


@pytest.mark.parametrize("lot", range(3))
def test_the_bytes_of_a_state_do_not_tell_where_it_was_cut(lot):
    """Seen: what stood was kept in the order in which it began, or in that of the limits within a block."""
    draw, choices = np.random.default_rng([1_507_338_264, lot]), {1: (15.0, 17.9, 18.6, 23.5, 7.0, 18.1)}
    choices |= {2: (40.0, 34.0, 45.0, 0.0), 3: (8.2, 5.0, 9.5, 4.0), 5: (15.0, 24.0, 12.0), 6: (15.0, 18.5)}
    waits, rows = (0, 15_000, 30_000, 130_000, 2_400_000), draw.choice([1, 1, 2, 3, 5, 6], 60).tolist()
    steps = [(it, int(draw.choice(waits)), float(draw.choice(choices[it]))) for it in rows]
    readings, whole, cut = readings_of(steps), Engine(PLAN, START_MS), Engine(PLAN, START_MS)
    whole.feed(readings)
    for place in range(len(steps)):
        cut.feed(readings.part(place, place + 1))
    assert_same_state(cut, whole)


def test_the_plan_survives_the_journal():
    assert from_plain(RackPlan, json.loads(json.dumps(to_plain(PLAN)))) == PLAN


def test_the_nights_of_these_tests_do_raise_alarms():
    """A law about silence would be worth nothing: here is a night that says a lot."""
    steps = [(1, 30_000, 15.0 + 0.4 * k) for k in range(30)] + [(3, 5_000, 4.0), (1, 130_000, 9.0)]
    engine, said = Engine(PLAN, START_MS), Record()
    said.add(engine.feed(readings_of(steps)))
    kinds = {(event["condition"], event["trigger"]) for event in said.events}
    assert {
        ("rising", "raised"),
        ("high", "suppressed"),
        ("high_high", "raised"),
        ("silent", "raised"),
        ("silent", "suppressed"),
        ("unwatched", "raised"),
    } <= kinds
