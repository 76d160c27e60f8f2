"""Engines that judge the same readings by other limits find the water once; each says what it says alone."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.sources.recording import in_blocks, in_order
from rules.common_water import CommonWater
from rules.engine import Engine
from rules.judging.water import Water
from rules.quality.settings import DEFAULT_QUALITY, Range, Repeats
from rules.quantities import Quantity
from rules.rack.stage_plan import StageStep
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action
from tests.rigs.examples import examples
from tests.rules.test_engine_law import (
    CALIBRATED,
    CALM,
    CUTTING,
    DEEDS,
    LIMIT,
    OF_AN_ALARM,
    ON_THE_WAY,
    PLAN,
    START_MS,
    Record,
    assert_same_state,
    reading,
    readings_of,
    six_hours_that_grow_warm,
)


def limited(plan, stage="ephyra", quantity=Quantity.TEMPERATURE, **changes):
    tolerances = plan.tolerances[stage]
    changed = {**tolerances, quantity: replace(tolerances[quantity], **changes)}
    return replace(plan, tolerances={**plan.tolerances, stage: changed})


def by_other_limits(plan):
    """The plan with other delays, other windows, without a limit, with other rules of alarms."""
    return [
        plan,
        limited(plan, on_delay_ms=0, critical_on_delay_ms=600_000, lead_time_ms=60_000),
        limited(plan, rate_window_ms=900_000, max_fall_per_hour=None, unwatched_after_ms=600_000),
        limited(plan, quantity=Quantity.SALINITY, deadband=1.0, off_delay_ms=120_000),
        replace(plan, tolerances={**plan.tolerances, "ephyra": {}}),
        replace(plan, alarm_rules=replace(plan.alarm_rules, shelf_limit_ms=300_000, latching=())),
    ]


def fed(engine, items, end_ms):
    said = Record()
    for item in items:
        said.add(engine.act(item) if isinstance(item, Action) else engine.feed(item))
    said.add(engine.advance(end_ms))
    return said


def assert_each_says_what_it_says_alone(plans, items):
    """Feed engines piece by piece what they have in common, and each alone; tell how much was judged."""
    common, last = CommonWater(), items[-1]
    end_ms = 500_000 + (last.at_ms if isinstance(last, Action) else int(last.at_ms[-1]))
    engines = [(Engine(plan, START_MS, common), Record()) for plan in plans]
    for item in items:
        for engine, said in engines:
            said.add(engine.act(item) if isinstance(item, Action) else engine.feed(item))
        common.forget()
    for plan, (engine, said) in zip(plans, engines, strict=True):
        alone = Engine(plan, START_MS)
        said.add(engine.advance(end_ms))
        assert said.as_text() == fed(alone, items, end_ms).as_text()
        assert_same_state(engine, alone)


def placed(readings, deeds):
    """What people did, each at its place (seq) and a share of the way to the reading there."""
    acts, before_ms, last = [], START_MS, len(readings) - 1
    in_turn = sorted(((min(place, last), share, deed) for place, share, deed in deeds), key=lambda it: it[0])
    for place, share, (kind, body) in in_turn:
        before_ms = max(before_ms, int(readings.at_ms[place - 1]) if place else before_ms)
        before_ms += int((int(readings.at_ms[place]) - before_ms) * share)
        named = {"alarm": LIMIT, **body} if kind in OF_AN_ALARM else body
        acts.append((int(readings.seq[place]), Action(before_ms, kind, "kim", named)))
    return acts


@settings(max_examples=examples(25), deadline=None)
@given(
    st.lists(reading(), min_size=1, max_size=100),
    st.lists(st.tuples(st.integers(0, 99), st.floats(0, 1), ON_THE_WAY | CUTTING | DEEDS), max_size=8),
    st.sampled_from([1, 7, 40, 1_000]),
)
def test_engines_with_the_water_in_common_say_what_each_says_alone(steps, deeds, block):
    """Whatever happens meanwhile, and wherever the readings are cut."""
    readings = readings_of(steps)
    items = list(in_order(in_blocks(readings, block), placed(readings, deeds)))
    assert_each_says_what_it_says_alone(by_other_limits(PLAN), items)


@pytest.fixture
def judged(monkeypatch):
    """The blocks of which the water was worked out."""
    blocks, judge = [], Water.judge
    monkeypatch.setattr(Water, "judge", lambda own: blocks.append(own) or judge(own))
    return blocks


def warm_hours(*deeds):
    readings = six_hours_that_grow_warm(np.random.default_rng(18))
    return list(in_order(in_blocks(readings, 300), placed(readings, deeds)))


STANDARD = ("calibrate", {**CALIBRATED, "points": [{"read": 49.0, "true": 50.0}]})
WORK = ("begin_maintenance", {"target": "vessel/kreisel-1", "for_s": 1_500, "why": "water change"})
MOVED = ("move_stage", {"vessel": "kreisel-1", "stage": "polyp", "over_s": 120})


def test_the_water_is_worked_out_once_for_all(judged):
    """Also after a calibration, a stage move and maintenance, which each engine takes by itself."""
    items = warm_hours((800, 0.5, STANDARD), (1_300, 0.5, MOVED), (2_000, 0.5, WORK))
    fed(Engine(CALM, START_MS), items, int(items[-1].at_ms[-1]) + 1)
    alone = len(judged)
    common, plans = CommonWater(), by_other_limits(CALM)
    engines = [Engine(plan, START_MS, common) for plan in plans]
    for item in items:
        for engine in engines:
            engine.act(item) if isinstance(item, Action) else engine.feed(item)
        common.forget()
    assert len(judged) == 2 * alone >= 20


def other_quality(plan):
    stricter = replace(plan.quality[Quantity.TEMPERATURE], operator_range=Range(15.5, 30.0))
    return replace(plan, quality={**plan.quality, Quantity.TEMPERATURE: stricter})


@pytest.mark.parametrize("other", [other_quality, lambda plan: replace(plan, sources=plan.sources[:-1])])
def test_what_judges_the_water_otherwise_finds_its_own(other):
    """Two of each, in turn: neither takes the other's."""
    plans = [CALM, other(CALM), limited(CALM, on_delay_ms=0), limited(other(CALM), on_delay_ms=0)]
    assert_each_says_what_it_says_alone(plans, warm_hours((800, 0.5, STANDARD)))


@pytest.mark.parametrize("deed", [STANDARD, WORK, MOVED])
def test_an_engine_that_was_told_more_finds_its_own(deed):
    """One of two knows of a deed that changes the water: from then on they have nothing in common."""
    items, common = warm_hours((800, 0.5, deed)), CommonWater()
    knows, does_not = Engine(CALM, START_MS, common), Engine(CALM, START_MS, common)
    for item in items:
        if isinstance(item, Action):
            knows.act(item)
        else:
            does_not.feed(replace(item, acts=()))
            knows.feed(item)
        common.forget()
    untold = [replace(it, acts=()) for it in items if not isinstance(it, Action)]
    for engine, told in ((knows, items), (does_not, untold)):
        alone = Engine(CALM, START_MS)
        fed(alone, told, engine.clock_ms)
        assert_same_state(engine, alone)


OXYGEN = Quantity.OXYGEN_SATURATION


WIDE = {
    Quantity.TEMPERATURE: Tolerance(
        advisory=Band(5, 40), critical=Band(0, 45), max_rise_per_hour=50.0, rate_window_ms=1_800_000
    ),
    OXYGEN: Tolerance(
        advisory=Band(50, 150), critical=Band(45, 155), max_fall_per_hour=16.0, lead_time_ms=600_000
    ),
}
SHORT, LONG = 300_000, 4 * 3_600_000
LATE = {"advisory": Band(5, 20), "on_delay_ms": 2_400_000}


def by_limits_that_meet(plan):
    """Plans whose limits differ in one stage, or for one quantity, and are the same in the other.

    So engines carry what is not the same when they come to be judged by the same.
    """
    return [
        plan,
        limited(plan, rate_window_ms=SHORT),
        limited(plan, "polyp", rate_window_ms=SHORT),
        limited(plan, quantity=OXYGEN, rate_window_ms=SHORT),
        limited(plan, quantity=OXYGEN, max_fall_per_hour=60.0),
        limited(plan, "polyp", OXYGEN, lead_time_ms=LONG),
        limited(plan, "polyp", **LATE),
        limited(limited(plan, "polyp", **LATE), "polyp", OXYGEN, max_fall_per_hour=4.0),
        limited(limited(plan, "polyp", rate_window_ms=SHORT), "polyp", OXYGEN, max_fall_per_hour=4.0),
    ]


@pytest.mark.parametrize(("block", "later_per_hour"), [(60, 16.0), (900, 16.0), (60, 60.0)])
def test_engines_that_come_to_be_judged_by_the_same_say_what_each_says_alone(block, later_per_hour):
    """What turned nothing by limits is taken from another engine only where it set out from the same.

    Where oxygen may fall so fast later, no new rise hides that one engine alone remembers the last.
    """
    steps = {"kreisel-1": (StageStep(START_MS + 2 * 3_600_000, "polyp"),)}
    plan = replace(CALM, steps=steps, tolerances={"ephyra": WIDE, "polyp": WIDE})
    plan = limited(plan, "polyp", OXYGEN, max_fall_per_hour=later_per_hour)
    readings = six_hours_that_grow_warm(np.random.default_rng(block))
    common = CommonWater()
    engines = [(Engine(it, START_MS, common), Engine(it, START_MS)) for it in by_limits_that_meet(plan)]
    for item in in_blocks(readings, block):
        for together, alone in engines:
            assert together.feed(item).events == alone.feed(item).events
        for together, alone in engines:
            assert_same_state(together, alone)
        common.forget()


def test_what_came_and_went_within_a_block_is_told_by_each():
    """A thermometer that repeats itself for minutes: nothing stands after the block, nor did before."""
    celsius = DEFAULT_QUALITY[Quantity.TEMPERATURE]
    flat = replace(celsius, flat_line_suspect=Repeats(5, 120_000), flat_line_fail=None)
    plan = replace(CALM, quality={**DEFAULT_QUALITY, Quantity.TEMPERATURE: flat})
    rows = []
    for tick in range(240):
        creep = 0.0 if 60 <= tick < 76 else 0.01 * (tick % 5 - 2)
        rows += [(1, 30_000, 15.0 + creep), (2, 0, 40.0 + 0.01 * (tick % 7)), (3, 0, 8.2 + 0.01 * (tick % 3))]
    readings = readings_of(rows)
    said = fed(Engine(plan, START_MS), [readings], int(readings.at_ms[-1]) + 1)
    assert [it["trigger"] for it in said.events if it["condition"] == "probe_fault"] == ["raised", "latched"]
    assert_each_says_what_it_says_alone([plan, plan, *by_other_limits(plan)], [readings])


def test_two_probes_that_begin_to_disagree_do_so_for_each():
    rows = [
        (it, 30_000 if it == 5 else 0, value + 0.01 * (tick % 7) + 0.02 * max(tick - 60, 0) * (it == 6))
        for tick in range(240)
        for it, value in {5: 15.5, 6: 15.5, 7: 50.0}.items()
    ]
    readings = readings_of(rows)
    said = fed(Engine(CALM, START_MS), [readings], int(readings.at_ms[-1]) + 1)
    assert any(it["condition"] == "disagreement" and it["trigger"] == "raised" for it in said.events)
    assert_each_says_what_it_says_alone([CALM, CALM, *by_other_limits(CALM)], [readings])
