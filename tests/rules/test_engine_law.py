"""The engine's one law: feeding a + b gives exactly what feeding a and then b gives.

Any cut, any `advance` in between, a snapshot through JSON and back at every cut: the same events,
the same flags, the same state, bit for bit. Replay, restart and the live watch rest on this.
"""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.alarm import AlarmRules
from rules.alarms.life_cycle import Condition
from rules.deeds import cuts_nothing, vessels_looked_at
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
CALM = replace(
    PLAN,
    steps={},
    usual_stay_ms={},
    sources=(*PLAN.sources[:-1], replace(PLAN.sources[-1], calibrate_every_ms=None)),
)
"""The same without planned moves and reminders."""
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
        self.events, self.flags, self.notices, self.refused, self.moved = [], {}, [], [], []

    def add(self, outcome):
        self.events += [to_plain(event) for event in outcome.events]
        self.notices += [(notice.id, notice.details) for notice in outcome.notices]
        for block in outcome.flags:
            for seq, summary, tests in zip(block.seq, block.summary, block.tests, strict=True):
                self.flags[block.channel, int(seq)] = (int(summary), int(tests))
        for late in outcome.amendments:
            self.flags[late.channel, late.seq] = (late.summary, late.tests)
        self.refused += [*outcome.refused, *filter(None, [outcome.refusal])]
        self.moved += map(str, outcome.moved)

    def as_text(self):
        return json.dumps([self.events, self.notices, self.refused, self.moved, sorted(self.flags.items())])


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


LIMIT = "kreisel-1/temperature/high_high"
FED = {"vessel": "kreisel-1", "what": "feed", "value": 3.0}
BY_HAND = {**MEASURED, "vessel": "kreisel-1", "quantity": "temperature"}
ON_THE_WAY = st.sampled_from(
    [
        ("log", {"vessel": "kreisel-1", "what": "note"}),
        ("log", FED),
        ("log", {**FED, "vessel": "nowhere"}),
        ("log", {**FED, "when_ms": START_MS}),
        ("log", {"vessel": "kreisel-1", "what": "bell_diameter", "value": 12}),
        ("log", {"vessel": "kreisel-1", "what": "deaths", "value": 2.5e9}),
        ("culture", {"what": "begin", "cohort": "e1", "vessel": "kreisel-1", "stage": "ephyra", "value": 20}),
        ("acknowledge", {}),
        ("reset", {}),
        ("acknowledge", {"alarm": LIMIT}),
        ("shelve", {"for_s": 100, "why": "probe is being cleaned", "yes_critical": True}),
        ("shelve", {"for_s": 3600, "why": "known", "yes_critical": True, "alarm": LIMIT}),
        ("unshelve", {}),
        ("unshelve", {"alarm": LIMIT}),
        ("take_out_of_service", {"why": "no spare part", "alarm": LIMIT}),
        ("put_back_into_service", {"alarm": LIMIT}),
        ("hand_measurement", {**BY_HAND, "value": 15.1}),
        ("hand_measurement", {**BY_HAND, "value": 18.5}),
        ("hand_measurement", {**MEASURED, "vessel": "kreisel-1", "quantity": "salinity", "value": 33.0}),
        ("hand_measurement", {**MEASURED, "vessel": "kreisel-2", "quantity": "conductivity", "value": 39.0}),
        ("drill", {}),
        ("begin_maintenance", {"target": "vessel/kreisel-1", "for_s": 150, "why": "water change"}),
        ("begin_maintenance", {"target": "vessel/kreisel-1", "for_s": 3_600, "why": "water change"}),
        ("begin_maintenance", {"target": "vessel/kreisel-2", "for_s": 40, "why": "probe is being cleaned"}),
        ("begin_maintenance", {"target": "bus/bench", "for_s": 60, "why": "new cable"}),
        ("begin_maintenance", {"target": "bus/nowhere", "for_s": 60, "why": "new cable"}),
        ("end_maintenance", {"target": "vessel/kreisel-1"}),
        ("end_maintenance", {"target": "vessel/kreisel-2"}),
        ("end_maintenance", {"target": "bus/bench"}),
    ]
)
CUTTING = st.sampled_from(
    [
        ("move_stage", {"vessel": "kreisel-1", "stage": "polyp", "over_s": 120}),
        ("calibrate", {**CALIBRATED, "points": [{"read": 49.0, "true": 50.0}]}),
    ]
)


@settings(max_examples=examples(120), deadline=None)
@given(
    st.lists(reading(), min_size=1, max_size=120),
    st.lists(st.tuples(st.integers(0, 119), ON_THE_WAY, st.floats(0, 1)), max_size=12),
    st.lists(st.tuples(st.integers(0, 119), CUTTING), max_size=1),
)
def test_what_moves_no_limit_need_not_cut_the_readings(steps, deeds, cutting):
    """What people did comes with the readings, or between them: the same is told, refused and carried on."""
    readings = readings_of(steps)
    last, named = (
        len(readings) - 1,
        {"acknowledge": LIMIT, "reset": LIMIT, "shelve": LIMIT, "unshelve": LIMIT},
    )
    placed = sorted(
        (min(place, last), index, share, kind, {"alarm": named[kind], **body} if kind in named else body)
        for index, (place, (kind, body), share) in enumerate(deeds)
    )
    acts = []
    for place, _, share, kind, body in placed:
        before_ms = max(
            int(readings.at_ms[place - 1]) if place else START_MS, acts[-1][1].at_ms if acts else START_MS
        )
        at_ms = before_ms + int((int(readings.at_ms[place]) - before_ms) * share)
        acts.append((place, Action(at_ms, kind, "kim", body)))
    assert all(cuts_nothing(action) for _, action in acts)
    cut, whole = Engine(PLAN, START_MS), Engine(PLAN, START_MS)
    said_cut, said_whole = Record(), Record()
    start = min([place for place, _ in cutting] + [last])
    for engine, said, one_by_one in ((cut, said_cut, True), (whole, said_whole, False)):
        first = readings.part(0, start)
        whole_first = replace(first, acts=tuple(it for it in acts if it[0] < start))
        later = tuple((place - start, action) for place, action in acts if place >= start)
        rest = replace(readings.part(start, len(readings)), acts=later)
        for part in (whole_first, rest):
            if part is rest:
                for _, (kind, body) in cutting:
                    said.add(engine.act(Action(engine.clock_ms, kind, "kim", body)))
            for item in part.one_by_one() if one_by_one else [part]:
                said.add(engine.act(item) if isinstance(item, Action) else engine.feed(item))
        said.add(engine.advance(int(readings.at_ms[-1]) + 500_000))
    assert said_whole.as_text() == said_cut.as_text()
    assert_same_state(whole, cut)


def six_hours_that_grow_warm(draw):
    """Calm water of both vessels every 30 s, warm and then cool again; oxygen that swings."""
    warm = np.interp(np.arange(720), [0, 100, 300, 500, 720], [15.0, 15.0, 23.5, 27.0, 15.0])
    rows = []
    for tick, celsius in enumerate(warm + 0.01 * draw.standard_normal(warm.size)):
        salts = 0.9 * (celsius - 15.0)  # a cell shows what a thermometer does
        values = {1: celsius, 2: 40.0 + salts, 3: 7.0 + 0.01 * abs(tick % 240 - 120), 5: 15.0, 7: 50.0}
        noise = dict(zip(values, 0.003 * draw.standard_normal(len(values)), strict=True))
        rows += [(it, 30_000 if it == 1 else 0, value + noise[it]) for it, value in values.items()]
    return readings_of(rows)


@pytest.mark.parametrize("lot", range(4))
def test_a_day_with_many_deeds_is_judged_as_one_block(lot, monkeypatch):
    """What stands is acknowledged, shelved, back by itself as it worsens; food and measurements by hand."""
    draw = np.random.default_rng([18, lot])
    readings, acts = six_hours_that_grow_warm(draw), []
    named = [f"kreisel-1/{it}" for it in ("temperature/high", "temperature/high_high", "temperature/rising")]
    shelf = {"for_s": 590, "why": "known", "yes_critical": True}
    deeds = {
        "acknowledge": lambda: ("acknowledge", {"alarm": draw.choice(named)}),
        "shelve": lambda: ("shelve", {**shelf, "alarm": draw.choice(named)}),
        "unshelve": lambda: ("unshelve", {"alarm": draw.choice(named)}),
        "food": lambda: ("log", FED),
        "by hand": lambda: ("hand_measurement", {**BY_HAND, "value": float(draw.normal(15.0, 0.1))}),
        "out": lambda: ("take_out_of_service", {"alarm": named[2], "why": "worn"}),
        "back": lambda: ("put_back_into_service", {"alarm": named[2]}),
    }
    for place in sorted(draw.integers(1, len(readings), 90).tolist()):
        kind, body = deeds[draw.choice(list(deeds))]()
        acts.append((place, Action(int(readings.at_ms[place]), kind, "kim", body)))
    said, blocks = judged_together_and_apart(CALM, readings, acts, monkeypatch)
    assert blocks <= 2  # six hours, and midnight
    triggers = {event["trigger"] for event in said.events}
    assert {"raised", "acknowledged", "shelved", "unshelved"} <= triggers


def judged_together_and_apart(plan, readings, acts, monkeypatch, before=()):
    """What is said of readings and of what people did meanwhile, and in how many blocks they were judged; the
    same is said, to the bit, where each deed comes by itself. `before` is done first."""
    judged, blocks = Engine._judge_block, []
    monkeypatch.setattr(Engine, "_judge_block", lambda *its: blocks.append(1) or judged(*its))
    whole, said_whole, cut, said_cut = Engine(plan, START_MS), Record(), Engine(plan, START_MS), Record()
    for action in before:
        said_whole.add(whole.act(action))
        said_cut.add(cut.act(action))
    together = replace(readings, acts=tuple(acts))
    said_whole.add(whole.feed(together))
    count = len(blocks)
    for item in together.one_by_one():
        said_cut.add(cut.act(item) if isinstance(item, Action) else cut.feed(item))
    assert said_whole.as_text() == said_cut.as_text()
    assert_same_state(whole, cut)
    return said_whole, count


def every(source, values):
    """A reading of a source each 30 s."""
    return [(source, 30_000, value) for value in values]


def test_what_worsens_on_the_shelf_is_back_between_two_notes(monkeypatch):
    """Which readings are looked at for that begins anew with each deed."""
    celsius = [
        *np.linspace(15.0, 23.5, 200),
        *np.full(20, 23.5),
        *np.linspace(23.5, 29.0, 30),
        *np.full(30, 29.0),
    ]
    readings, shelf = readings_of(every(1, celsius)), {"alarm": LIMIT, "for_s": 590, "why": "known"}
    acts = [(at, ("log", {"vessel": "kreisel-1", "what": "note"})) for at in range(210, 280, 10)]
    acts = sorted([*acts, (222, ("shelve", {**shelf, "yes_critical": True}))])
    acts = [(at, Action(int(readings.at_ms[at]), kind, "kim", body)) for at, (kind, body) in acts]
    said, _ = judged_together_and_apart(CALM, readings, acts, monkeypatch)
    assert any("back from the shelf" in event["evidence"].get("reason", "") for event in said.events)


def test_a_deed_after_the_last_reading_of_what_is_shelved_on_a_ramp_is_done(monkeypatch):
    """Seen: a replay ended there, for no reading was left to ask the limits of the ramp for."""
    readings = readings_of([*every(1, np.linspace(15.0, 24.0, 60)), *every(5, np.full(3, 15.0))])
    begun = readings.at_ms[0] - 30_000
    ramp = {"vessel": "kreisel-1", "stage": "polyp", "over_s": 86_400}
    before = [Action(int(begun), "move_stage", "kim", ramp)]
    shelf = {"alarm": LIMIT, "for_s": 590, "why": "known", "yes_critical": True}
    acts = [
        (at, Action(int(readings.at_ms[at]), kind, "kim", body))
        for at, kind, body in [(58, "shelve", shelf), (61, "drill", {})]
    ]
    said, _ = judged_together_and_apart(CALM, readings, acts, monkeypatch, before)
    assert not said.refused
    assert any(event["state"] == "shelved" for event in said.events)


@pytest.mark.parametrize("body", [{"alarm": LIMIT}, {"alarm": LIMIT, "vessel": "kreisel-2"}])
def test_what_is_shelved_is_looked_at_where_the_alarm_is(body):
    assert "kreisel-1" in vessels_looked_at([Action(START_MS, "shelve", "kim", body)])


@pytest.mark.parametrize(("ticks", "kelvin"), [(5, 0.6), (6, 0.55), (6, 0.7), (7, 0.55)])
def test_what_rises_and_is_apart_at_one_reading_is_told_alike_however_the_readings_are_cut(ticks, kelvin):
    """Seen: poll by poll it rose and was part of that apart; in a block the other way round."""
    places = [0, 20, 20 + ticks, 60, 62, 100, 100 + ticks, 160]
    warm = np.interp(np.arange(160), places, 15.0 + kelvin * np.array([0, 0, 1, 1, 0, 0, 1, 1]))
    rows = [
        row
        for tick, celsius in enumerate(warm)
        for row in ((5, 30_000, 15.0 + tick % 5 * 0.003), (6, 0, float(celsius) + tick % 7 * 0.003))
    ]
    plan = replace(CALM, vessels={"kreisel-1": "ephyra", "kreisel-2": "ephyra"})
    readings, whole, cut = readings_of(rows), Engine(plan, START_MS), Engine(plan, START_MS)
    said_whole, said_cut = Record(), Record()
    said_whole.add(whole.feed(readings))
    for place in range(len(readings)):
        said_cut.add(cut.feed(readings.part(place, place + 1)))
    assert {"rising", "disagreement"} <= {event["condition"] for event in said_cut.events}
    assert said_whole.as_text() == said_cut.as_text()
    assert_same_state(whole, cut)


def test_food_counts_from_its_own_place_on(monkeypatch):
    """Fed just before a fall counts as too fast, just then, and just after."""
    saturation = replace(PLAN.tolerances["ephyra"][Quantity.OXYGEN_SATURATION], max_fall_per_hour=8.0)
    ephyra = {**PLAN.tolerances["ephyra"], Quantity.OXYGEN_SATURATION: saturation}
    plan = replace(CALM, tolerances={**PLAN.tolerances, "ephyra": ephyra})
    oxygen = [*np.full(60, 8.0), *np.linspace(8.0, 6.0, 200)]
    steady = {1: 15.0, 2: 40.0, 4: 1013.0}
    rows = [(it, 0, value + tick % 7 * 0.002) for tick in range(260) for it, value in steady.items()]
    rows = [row for tick, value in enumerate(oxygen) for row in ((3, 30_000, value), *rows[3 * tick :][:3])]
    readings = readings_of(rows)

    def falls(acts):
        said, _ = judged_together_and_apart(plan, readings, acts, monkeypatch)
        monkeypatch.undo()
        return [event["at_ms"] for event in said.events if event["condition"] == "falling"][:1]

    (unfed_ms,) = falls([])
    at = int(readings.at_ms.searchsorted(unfed_ms))
    fed = {
        place: falls([(place, Action(int(readings.at_ms[place]), "log", "kim", FED))])
        for place in range(at - 5, at + 6)
    }
    assert {times == [unfed_ms] for times in fed.values()} == {True, False}


@pytest.mark.parametrize("leaps", [1, 2])
def test_a_measurement_that_ends_a_doubt_cuts(leaps, monkeypatch):
    """Seen with the thermometer or the cell in doubt: the readings after it are believed again."""
    draw, rows = np.random.default_rng(18), []
    for tick in range(240):
        off = 4.0 * (tick > 120)
        celsius, conducts = 15.0 + off * (leaps == 1), 40.0 + off * (leaps == 2)
        rows += [(1, 30_000, celsius + draw.normal(0, 0.01)), (2, 0, conducts + draw.normal(0, 0.01))]
    quantity, value = ("temperature", 19.0) if leaps == 1 else ("conductivity", 44.0)
    readings, place = readings_of(rows), 2 * 130
    body = {**MEASURED, "vessel": "kreisel-1", "quantity": quantity, "value": value}
    acts = [(place, Action(int(readings.at_ms[place]), "hand_measurement", "kim", body))]
    said, blocks = judged_together_and_apart(CALM, readings, acts, monkeypatch)
    assert blocks == 2
    assert not said.refused


def test_a_measurement_is_compared_with_what_lacked_nothing(monkeypatch):
    """Without the thermometer salinity goes on, by an older temperature: no hand is compared with that."""
    cell = every(2, [40.0 + tick % 9 * 0.003 for tick in range(120)])
    thermometer = [(1, 0, 15.0 + tick % 5 * 0.003) for tick in range(90)]
    rows = [row for tick in range(120) for row in (cell[tick], *thermometer[tick : tick + 1])]
    readings, body = readings_of(rows), {**BY_HAND, "quantity": "salinity", "value": 33.0}
    place = len(readings) - 24
    acts = [(place, Action(int(readings.at_ms[place]), "hand_measurement", "kim", body))]
    said, blocks = judged_together_and_apart(CALM, readings, acts, monkeypatch)
    assert blocks == 1
    assert said.notices


@pytest.mark.parametrize("together", [True, False])
def test_an_answer_does_not_end_the_silence_of_a_probe_that_comes_and_goes(together):
    """Seen: whatever somebody did withdrew what stands of a probe that is heard for a moment."""
    rows = [(1, 30_000 if tick % 20 else 400_000, 15.0 + tick % 3 * 0.01) for tick in range(300)]
    readings, engine = readings_of(rows), Engine(CALM, START_MS)
    engine.feed(readings.part(0, 290))
    named = "kreisel-1/temperature/silent"
    assert engine._sources[1].drops.recurs
    assert named in {alarm.name for alarm in engine.alarms()}
    deed = Action(int(readings.at_ms[295]), "drill", "kim", {})
    if together:
        engine.feed(replace(readings.part(290, 300), acts=((5, deed),)))
    else:
        engine.feed(readings.part(290, 295))
        engine.act(deed)
    assert named in {alarm.name for alarm in engine.alarms()}
    engine.configure(CALM, engine.clock_ms)
    assert named in {alarm.name for alarm in engine.alarms()}


def test_what_comes_before_the_end_of_maintenance_happens_before_it(monkeypatch):
    readings = readings_of([*every(1, np.full(4, 15.0)), (1, 130_000, 15.0)])
    body = {"target": "vessel/kreisel-1", "for_s": 150, "why": "water change"}
    before = [Action(START_MS, "begin_maintenance", "kim", body)]
    acts = [(4, Action(START_MS + 130_000, "drill", "kim", {}))]
    said, _ = judged_together_and_apart(CALM, readings, acts, monkeypatch, before)
    assert [name.partition(":")[0] for name, _ in said.notices] == ["drill", "maintenance over"]


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("move_stage", {}),
        ("calibrate", {}),
        ("culture", {"limits_too": ["kreisel-1"]}),
        ("what nobody knows", {}),
    ],
)
def test_what_moves_a_limit_or_a_reading_cuts(kind, body):
    assert not cuts_nothing(Action(START_MS, kind, "kim", body))


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
