"""What moves the limits of a vessel, or calibrates its probes, cuts that vessel only: the same is told as
where it cuts all, bit for bit. Hours of vessels with nearly all that may go wrong with probes.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rules.common_water import CommonWater
from rules.engine import Engine
from rules.quantities import Quantity
from rules.rack.stage_plan import StageStep
from rules.readings import Action
from tests.rules.test_engine_law import (
    CALM,
    PLAN,
    START_MS,
    Record,
    assert_same_state,
    judged_together_and_apart,
    readings_of,
    through_json,
)
from tests.rules.test_work_in_a_block import troubled_hours, work

HOUR_MS = 3_600_000
ALONE = replace(CALM, supplies=())
"""Two vessels that share nothing but the barometer."""
STEPS = {
    "kreisel-1": (
        StageStep(START_MS + HOUR_MS, "polyp", HOUR_MS),
        StageStep(START_MS + 2 * HOUR_MS, "ephyra"),
    ),
    "kreisel-2": (StageStep(START_MS + HOUR_MS, "ephyra"),),
}


def changes(draw, readings, count):
    """Moves, calibrations and batches whose limits go along; some are refused."""
    acts = []
    for place in sorted(draw.integers(0, len(readings), count).tolist()):
        before_ms = int(readings.at_ms[place - 1]) if place else START_MS
        at_ms = before_ms + int(draw.integers(0, int(readings.at_ms[place]) - before_ms + 1))
        at_ms = max([at_ms, *(it.at_ms for _, it in acts[-1:])])
        vessel, stage = (
            str(draw.choice(["kreisel-1", "kreisel-2"])),
            str(draw.choice(["polyp", "ephyra", "egg"])),
        )
        move = {"vessel": vessel, "stage": stage, "over_s": float(draw.choice([0, 0, 900, 5_400]))}
        probe, quantity = [("k1-ct", "temperature"), ("k1-ct", "conductivity"), ("k1-do", "oxygen")][
            int(draw.integers(0, 3))
        ]
        points = [{"read": 15.0, "true": 15.0 + float(draw.normal(0, 0.05))}]
        made = {"probe": probe, "quantity": quantity, "standard": "invented lot", "points": points}
        batch = {"what": "stage", "cohort": "e1", "stage": stage, "limits_too": [vessel]}
        kind, body = [
            ("move_stage", move),
            ("move_stage", move),
            ("calibrate", made),
            ("calibrate", {**made, "withdrawn": True}),
            ("culture", batch),
        ][int(draw.integers(0, 5))]
        acts.append((place, Action(at_ms, kind, "kim", body)))
    return acts


def in_order(*lots):
    return tuple(sorted((it for lot in lots for it in lot), key=lambda it: (it[1].at_ms, it[0])))


def judged(plan, readings, parts, common=None):
    """Fed in parts, with a snapshot and back between them."""
    engine, said = Engine(plan, START_MS, common), Record()
    for start, stop in pairwise([0, *parts, len(readings)]):
        engine = engine if common else through_json(engine)
        said.add(engine.feed(readings.part(start, stop)))
    return engine, said


@pytest.mark.parametrize("lot", range(12))
def test_what_changes_one_vessel_cuts_no_other(lot, monkeypatch):
    draw = np.random.default_rng([31, lot])
    readings = troubled_hours(draw)
    acts = in_order(changes(draw, readings, 20), work(draw, readings, 10))
    plan = replace(ALONE, steps=STEPS if lot % 2 else {})
    said, blocks = judged_together_and_apart(plan, readings, acts, monkeypatch)
    assert blocks <= 2  # eight hours, and midnight
    assert said.refused


@pytest.mark.parametrize("lot", range(6))
def test_it_means_the_same_wherever_the_readings_are_cut(lot):
    """Also where vessels of one loop look at each other, and by several engines at once."""
    draw = np.random.default_rng([32, lot])
    readings = troubled_hours(draw, hours=3)
    acts = in_order(changes(draw, readings, 12), work(draw, readings, 6))
    readings = replace(readings, acts=acts)
    plan = replace(PLAN if lot % 2 else ALONE, steps=STEPS)
    few = sorted(draw.integers(1, len(readings), 5).tolist())
    many = sorted(draw.integers(1, len(readings), 60).tolist())
    whole, said = judged(plan, readings, [])
    common = CommonWater()
    others = [judged(plan, readings, few), judged(plan, readings, many)]
    others += [judged(plan, readings, [], common), judged(plan, readings, [], common)]
    for engine, said_so in others:
        assert said_so.as_text() == said.as_text()
        assert_same_state(engine, whole)


def acted(readings, *deeds):
    """What people do, each before a reading and so many milliseconds before it."""
    return [
        (place, Action(int(readings.at_ms[place]) - before_ms, kind, "kim", body))
        for place, before_ms, kind, body in deeds
    ]


MOVED = "move_stage", {"vessel": "kreisel-1", "stage": "polyp"}
CHECKED = (
    "calibrate",
    {
        "probe": "k1-ct",
        "quantity": "temperature",
        "standard": "invented ice point",
        "points": [{"read": 15.2, "true": 15.0}],
    },
)
OF_K1 = {1: 15.0, 2: 40.0, 3: 8.2}
OF_K2 = {5: 15.0, 6: 15.05, 7: 50.0}


def steady(ticks, without=lambda source, tick: False):
    """Readings of both vessels each 30 s, that creep a little."""
    return readings_of(
        [
            (it, 30_000 if it == 1 else 0, value + 0.01 * (tick % 7) + 0.001 * it)
            for tick in range(ticks)
            for it, value in (OF_K1 | OF_K2).items()
            if it == 1 or not without(it, tick)
        ]
    )


def at_tick(readings, tick):
    return int((readings.source == 1).nonzero()[0][tick])


def test_a_batch_moves_the_limits_that_go_along(monkeypatch):
    readings = steady(40)
    batch = {"what": "stage", "cohort": "e1", "stage": "polyp", "limits_too": ["kreisel-1"]}
    acts = acted(readings, (at_tick(readings, 20), 0, "culture", batch))
    said, blocks = judged_together_and_apart(ALONE, readings, acts, monkeypatch)
    assert blocks == 1
    assert len(said.moved) == 1


def test_a_vessel_that_looked_at_what_is_cut_is_cut_too(monkeypatch):
    """Its own thermometers are lost: what the loop's other vessel shows stands in, calibrated meanwhile."""
    readings = steady(80, lambda source, tick: source in {5, 6} and tick > 20)
    acts = acted(readings, (at_tick(readings, 40), 0, *CHECKED))
    said, blocks = judged_together_and_apart(CALM, readings, acts, monkeypatch)
    assert blocks > 2
    assert any(event["condition"] == "silent" for event in said.events)


def test_vessels_of_a_loop_that_are_both_cut_are_cut_together(monkeypatch):
    readings = steady(80, lambda source, tick: source in {5, 6} and tick > 20)
    move = "move_stage", {"vessel": "kreisel-2", "stage": "ephyra"}
    acts = acted(readings, (at_tick(readings, 30), 0, *move), (at_tick(readings, 40), 0, *CHECKED))
    _, blocks = judged_together_and_apart(CALM, readings, acts, monkeypatch)
    assert blocks <= 2


def test_what_is_lost_before_a_move_is_told_by_the_stage_before_it(monkeypatch):
    """Nothing is read for ten minutes, and the move comes in the midst: a polyp asks for no oxygen."""
    rows = [(it, 30_000 if it == 1 else 0, value) for _ in range(9) for it, value in OF_K1.items()]
    readings = readings_of([*rows, (1, 600_000, 15.0), *rows])
    acts = acted(readings, (27, 200_000, *MOVED))
    said, blocks = judged_together_and_apart(ALONE, readings, acts, monkeypatch)
    assert blocks <= 2
    lost = [it for it in said.events if it["condition"] == "unwatched" and "kreisel-1/oxygen" in str(it)]
    assert lost[0]["at_ms"] < acts[0][1].at_ms


@pytest.mark.parametrize("cut", [(MOVED[0], {**MOVED[1], "stage": "ephyra"}), CHECKED])
def test_what_was_read_before_a_cut_is_the_newest_while_nothing_is_read_after_it(cut, monkeypatch):
    """Whoever ends the work is told where the water is; cell and oxygen probe are being wiped."""
    readings = steady(80, lambda source, tick: source in {2, 3} and tick >= 40)
    work = "begin_maintenance", {"target": "vessel/kreisel-1", "for_s": 3_000, "why": "care"}
    over = "end_maintenance", {"target": "vessel/kreisel-1"}
    deeds = [(at_tick(readings, tick), 0, *deed) for tick, deed in ((31, work), (40, cut), (42, over))]
    said, blocks = judged_together_and_apart(ALONE, readings, acted(readings, *deeds), monkeypatch)
    assert blocks == 1
    (details,) = [details for name, details in said.notices if name.startswith("maintenance over")]
    assert "kreisel-1/salinity" not in details["unknown"]


def test_a_silence_outlasts_a_move():
    engine, readings = Engine(ALONE, START_MS), steady(40, lambda source, tick: source == 3 and tick > 10)
    engine.feed(replace(readings, acts=tuple(acted(readings, (at_tick(readings, 30), 0, *MOVED)))))
    assert "kreisel-1/oxygen/silent" in [alarm.name for alarm in engine.alarms() if alarm.active]


@pytest.mark.parametrize("stops", [100, 40])
def test_the_count_of_a_probes_answers_goes_on_over_a_cut(stops, monkeypatch):
    """It counts on, or no more: what is repeated is old."""
    rows, plan = [], replace(ALONE, fresh={"k1-ct": 9})
    for tick in range(100):
        counted = {9: float(min(tick, stops)), 1: 15.0 + 0.01 * (tick % 7), 2: 40.0, 3: 8.2}
        rows += [(it, 30_000 if it == 9 else 0, value) for it, value in counted.items()]
    readings = readings_of(rows)
    said, blocks = judged_together_and_apart(plan, readings, acted(readings, (121, 0, *CHECKED)), monkeypatch)
    assert blocks == 1
    assert any("stuck" in str(event) for event in said.events) is (stops < 100)


def test_a_cell_that_was_dry_before_a_cut_is_dry_still_after_it(monkeypatch):
    """It is read seldom: only its newest reading before the cut tells that no new spell begins."""
    rows = [
        (it, 600_000 if it == 1 else 0, 0.01 if it == 2 else value + 0.01 * (tick % 7))
        for tick in range(20)
        for it, value in OF_K1.items()
    ]
    readings = readings_of(rows)
    judged_together_and_apart(ALONE, readings, acted(readings, (30, 0, *CHECKED)), monkeypatch)


def test_what_all_look_at_or_people_do_cuts_everything(monkeypatch):
    readings, room = steady(40), {**CHECKED[1], "probe": "room", "quantity": "air_pressure"}
    weather = replace(readings, source=np.where(readings.source == 6, 4, readings.source))
    room["points"] = [{"read": 15.0, "true": 25.0}]
    _, blocks = judged_together_and_apart(
        ALONE, weather, acted(weather, (50, 0, "calibrate", room)), monkeypatch
    )
    assert blocks > 1
    shelf = "shelve", {"alarm": "kreisel-1/temperature/high", "for_s": 60, "why": "known"}
    looked = acted(readings, (50, 0, *CHECKED), (80, 0, *shelf))
    _, blocks = judged_together_and_apart(ALONE, readings, looked, monkeypatch)
    assert blocks > 1
    looked = acted(readings, (50, 0, *MOVED), (80, 0, *shelf))
    _, blocks = judged_together_and_apart(ALONE, readings, looked, monkeypatch)
    assert blocks == 1


def test_a_planned_move_comes_before_what_somebody_does_at_that_moment(monkeypatch):
    readings = steady(40)
    place = at_tick(readings, 20)
    steps = {"kreisel-1": (StageStep(int(readings.at_ms[place]), "polyp"),)}
    acts = acted(readings, (place, 0, "move_stage", {"vessel": "kreisel-1", "stage": "ephyra"}))
    _, blocks = judged_together_and_apart(replace(ALONE, steps=steps), readings, acts, monkeypatch)
    assert blocks == 1


def by_hand(vessel, value):
    its = {"method": "bottle", "instrument": "bench meter", "vessel": vessel, "quantity": "temperature"}
    return "hand_measurement", {**its, "value": value}


def leapt(readings, tick, kelvin):
    """A vessel's thermometer leaps and stays there."""
    after = (readings.source == 1) & (readings.seq > readings.seq[at_tick(readings, tick)])
    return replace(readings, value=readings.value + kelvin * after)


def test_a_stage_whose_probe_may_leap_less_is_doubted_by_what_that_stage_allows(monkeypatch):
    """What is a leap follows from the stage that is moved in; a hand measurement bears it out."""
    calmer = replace(ALONE.quality[Quantity.TEMPERATURE], max_jump=0.2)
    plan = replace(ALONE, closer_quality={"polyp/k1-ct": {Quantity.TEMPERATURE: calmer}})
    readings = leapt(steady(100), 60, 0.6)
    hand = by_hand("kreisel-1", 15.6)
    acts = acted(readings, (at_tick(readings, 30), 0, *MOVED), (at_tick(readings, 62), 0, *hand))
    said, blocks = judged_together_and_apart(plan, readings, acts, monkeypatch)
    assert blocks > 1
    assert [details["compared"] for name, details in said.notices if name.startswith("hand check")] == [[]]


def test_a_vessel_is_looked_at_whose_name_has_spaces_around_it(monkeypatch):
    readings = leapt(steady(100), 60, 4.0)
    acts = acted(readings, (at_tick(readings, 62), 0, *by_hand(" kreisel-1 ", 19.0)))
    said, _ = judged_together_and_apart(ALONE, readings, acts, monkeypatch)
    assert not said.refused


def test_a_probe_is_calibrated_whose_name_is_given_as_a_number(monkeypatch):
    sources = (replace(it, probe="5") if it.probe == "k1-ct" else it for it in ALONE.sources)
    plan, readings = replace(ALONE, sources=tuple(sources)), steady(80)
    acts = acted(readings, (at_tick(readings, 40), 0, CHECKED[0], {**CHECKED[1], "probe": 5}))
    said, blocks = judged_together_and_apart(plan, readings, acts, monkeypatch)
    assert blocks == 1
    assert not said.refused
