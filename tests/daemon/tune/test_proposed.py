"""Incidents proposed from the water itself, hand measurements, deaths and blind hours, alarms or none."""

from itertools import pairwise

import numpy as np
import pytest

from daemon.sources.store import Watched
from daemon.tune.excursions import Excursions
from daemon.tune.proposed import from_actions, from_alarms, from_excursions, from_unwatched
from rules.alarms.episodes import episodes_of
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stage_plan import StageStep
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action, Readings
from tests.rigs.alarm_events import MINUTE_MS, START_MS, Story, changed

HIGH = DEFAULT_TOLERANCES["ephyra"][Quantity.TEMPERATURE].critical.high
WARM_FROM, WARM_TO = 300, 420


def warm_kreisel(cuts=(), quiet=True):
    """Two hours of water half a degree too warm; settings that alarm of nothing, if they are `quiet`."""
    source = Source(1, "k1-t", Quantity.TEMPERATURE, "kreisel-1", 600_000)
    tolerances = {"ephyra": {} if quiet else DEFAULT_TOLERANCES["ephyra"]}
    plan = RackPlan("warm", (source,), {"kreisel-1": "ephyra"}, tolerances, DEFAULT_QUALITY)
    minute = np.arange(600)
    at_ms = START_MS + minute * MINUTE_MS
    ramp = np.interp(minute, [0, 200, WARM_FROM, WARM_TO, 500], [-2, -2, 0.001, 0.001, -2])
    ramp[WARM_FROM : WARM_TO + 1] = 0.5
    value = HIGH + ramp + 0.01 * np.sin(minute)
    readings = Readings(minute + 1, at_ms, np.ones_like(minute), at_ms, value)
    engine, water, events = Engine(plan, START_MS), Excursions(), []
    bounds = [0, *cuts, len(readings)]
    for start, stop in pairwise(bounds):
        outcome = engine.feed(readings.part(start, stop))
        water.observe(engine, outcome)
        events += outcome.events
    return water, events


def test_water_that_no_alarm_was_raised_for_is_proposed_with_its_harm():
    """Harm begins when the time to respond is over: 60 min of `rationale`, half of it for ephyrae."""
    water, events = warm_kreisel()
    assert events == []
    (mark,) = from_excursions(water.found(), events)
    its = mark.incident
    assert (its.vessel, its.quantity, its.kind, its.call_wanted) == (
        "kreisel-1",
        "temperature",
        "water",
        None,
    )
    assert its.start_ms == START_MS + WARM_FROM * MINUTE_MS
    assert its.end_ms == START_MS + WARM_TO * MINUTE_MS
    assert its.start_ms < its.harm_ms <= its.end_ms
    assert "beyond what ephyra bears" in its.evidence


@pytest.mark.parametrize("cuts", [(310,), (300, 301, 419, 420, 421), range(1, 600, 7)])
def test_it_is_the_same_wherever_the_record_is_cut(cuts):
    assert warm_kreisel(cuts)[0].found() == warm_kreisel()[0].found()


def test_an_alarm_about_it_is_one_proposal_and_asks_whether_it_was_wanted():
    water, events = warm_kreisel(quiet=False)
    assert from_excursions(water.found(), events) == []
    (mark,) = from_alarms(episodes_of(events), START_MS + 600 * MINUTE_MS, water.found())
    assert mark.incident.call_wanted is None
    assert mark.incident.quantity == "temperature"
    assert mark.incident.harm_ms == water.found()[0].harm_ms


def test_deaths_and_measurements_by_hand_are_proposed():
    water, _ = warm_kreisel()
    by_hand = {"vessel": "kreisel-1", "quantity": "temperature", "method": "mercury", "instrument": "no. 2"}
    actions = [
        Action(START_MS, "hand_measurement", "kim", {**by_hand, "value": HIGH - 1}),
        Action(START_MS + 1, "hand_measurement", "kim", {**by_hand, "value": HIGH + 1}),
        Action(START_MS + 2, "hand_measurement", "kim", {"vessel": "kreisel-1"}),  # refused at the time
        Action(START_MS + 9, "log", "ana", {"vessel": "kreisel-1", "what": "deaths", "value": 7.0}),
        Action(START_MS + 9, "log", "ana", {"vessel": "kreisel-1", "what": "deaths", "value": 0.0}),
        Action(
            START_MS + 9, "culture", "ana", {"vessel": "tray-1", "what": "died", "value": 2, "cause": "cold"}
        ),
        Action(START_MS + 9, "culture", "ana", {"vessel": "tray-2", "what": "died", "share": 1.0}),
    ]
    found = [mark.incident for mark in from_actions(actions, water)]
    assert [(it.vessel, it.kind, it.quantity, it.severity, it.call_wanted) for it in found] == [
        ("kreisel-1", "water", "temperature", "", None),
        ("kreisel-1", "death", "", "loss", None),
        ("tray-1", "death", "", "loss", None),
        ("tray-2", "death", "", "loss", None),
    ]
    assert [it.evidence for it in found] == [
        f"{HIGH + 1:g} °C by hand",
        "7 found dead",
        "2 found dead",
        "100 % found dead",
    ]
    assert found[1].end_ms - found[1].start_ms == 24 * 60 * MINUTE_MS


def test_what_nobody_saw_and_a_record_with_a_hole_are_proposed():
    story = Story().stands(10, 90, "probe/k1-ct", "unwatched")
    events = [changed(event, hidden=("kreisel-1/salinity",)) for event in story.events]
    watched = Watched()
    at_ms = START_MS + np.array([0, 1, 200, 201]) * MINUTE_MS
    watched.add(Readings(np.arange(4), at_ms, np.ones(4, dtype=np.int64), at_ms, np.ones(4)))
    marks = from_unwatched(events, START_MS, watched.stretches, "kreisel-1 tray-1")
    spans = [(m.incident.vessels, m.incident.quantity, m.incident.end_ms - START_MS) for m in marks]
    assert spans == [
        (("kreisel-1",), "salinity", 90 * MINUTE_MS),
        (("kreisel-1", "tray-1"), "", 200 * MINUTE_MS),
    ]
    assert {m.incident.kind for m in marks} == {"unwatched"}


@pytest.mark.parametrize("cuts", [(), (250,), range(1, 600, 60)])
def test_on_a_ramp_each_reading_is_held_against_the_limit_of_its_own_moment(cuts):
    """A stage of the nursery's own: its limits fall from 20 to 10 °C between minute 100 and 500."""
    highs = {"warm": 20.0, "cool": 10.0}
    tolerances = {
        stage: {Quantity.TEMPERATURE: Tolerance(critical=Band(0.0, high))} for stage, high in highs.items()
    }
    steps = {"tray-1": (StageStep(START_MS + 100 * MINUTE_MS, "cool", 400 * MINUTE_MS),)}
    source = Source(1, "t1-t", Quantity.TEMPERATURE, "tray-1", 600_000)
    plan = RackPlan("own", (source,), {"tray-1": "warm"}, tolerances, DEFAULT_QUALITY, steps=steps)
    minute = np.arange(600)
    limit = np.interp(minute, [100, 500], [20.0, 10.0])
    value = np.where((minute >= 200) & (minute <= 260), limit + 0.2, limit - 0.2) + 0.01 * np.sin(minute)
    at_ms = START_MS + minute * MINUTE_MS
    readings = Readings(minute + 1, at_ms, np.ones_like(minute), at_ms, value)
    engine, water = Engine(plan, START_MS), Excursions()
    for start, stop in pairwise([0, *cuts, len(readings)]):
        water.observe(engine, engine.feed(readings.part(start, stop)))
    (found,) = water.found()
    assert [(it - START_MS) / MINUTE_MS for it in (found.start_ms, found.end_ms)] == [200, 260]
