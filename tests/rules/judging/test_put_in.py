"""A probe that lies on the bench as the watch begins, and is put into the water minutes or hours later.

Invented; minutes and kelvin are drawn by lots that were drawn once, by `secrets`.
"""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.life_cycle import Trigger
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.readings import Readings
from tests.faults.chain import C1, MINUTE, O1, START_MS, T1, P, Water, solubility_mg_l
from tests.rigs.examples import examples

LOT = 803_317_468
APART = {T1: "k1-thermometer", C1: "k1-cell", O1: "k1-optode"}


def put_in(minutes, room_c, *, hours=3.0, barometer=True):
    """The probes of k1 on a bench for the first minutes; the water is 15 °C."""
    found, noise = Water(hours=hours).measured(), np.random.default_rng(LOT)
    if not barometer:
        del found.value[P], found.read[P]
    dry = found.at < minutes * MINUTE
    found.value[T1][dry] = room_c + 0.05 * noise.normal(size=dry.sum())
    found.value[C1][dry] = 0.015 + 0.003 * noise.random(dry.sum())
    found.value[O1][dry] = solubility_mg_l(room_c, 0.0) + 0.03 * noise.normal(size=dry.sum())
    return found


def plan_of(found, *, separate):
    plan = found.plan()
    names = APART if separate else {}
    return replace(plan, sources=tuple(replace(it, probe=names.get(it.id, it.probe)) for it in plan.sources))


@pytest.mark.parametrize("separate", [False, True], ids=["one probe", "separate probes"])
@pytest.mark.parametrize("number", range(4))
def test_it_is_believed_in_the_water_however_short_it_lay_there(number, separate):
    draw = np.random.default_rng([LOT, number])
    minutes = draw.uniform(2.5, 9.5) if number < 3 else draw.uniform(11.0, 60.0)
    found = put_in(minutes, draw.uniform(20.0, 25.0), barometer=number % 2 == 0)
    told = found.run(plan=plan_of(found, separate=separate))
    its = [now for now in told.engine.channels() if now.channel.vessel == "k1"]
    assert {now.flag for now in its} == {Flag.PASS}
    late_ms = START_MS + (minutes + 15) * MINUTE
    said = [(event.at_ms, event.alarm) for event in told.events if event.trigger is Trigger.RAISED]
    assert [alarm for at_ms, alarm in said if at_ms > late_ms] == [], "what the bench was is no trend"


@pytest.mark.parametrize("number", range(3))
def test_without_a_cell_the_call_says_how_a_check_by_hand_ends_it(number):
    """Nobody can tell it from a thermometer that leaps: the water that was is no witness."""
    draw = np.random.default_rng([LOT, 10 + number])
    minutes = draw.uniform(12.0, 60.0)
    found = put_in(minutes, draw.uniform(20.0, 25.0), barometer=number % 2 == 0)
    for it in set(found.value) - {T1, O1, P}:
        del found.value[it], found.read[it]
    body = {"method": "glass thermometer", "instrument": "a spare", "vessel": "k1", "value": 15.1}
    checked = (round((minutes + 45) * MINUTE), "hand_measurement", {**body, "quantity": "temperature"})
    told = found.run(deeds=[checked])
    calls = [text for text in told.texts() if "unwatched" in text]
    assert calls
    assert all("Measure by hand: bellwatch measure k1 temperature" in text for text in calls)
    assert not [alarm.name for alarm in told.engine.alarms() if alarm.active]


def test_a_cell_that_fails_for_minutes_lets_no_thermometer_lie():
    """It was in the water before: a connector may loosen both."""
    found = Water(hours=3.0).measured()
    found.value[C1][(found.at >= 60 * MINUTE) & (found.at < 65 * MINUTE)] = 0.02
    found.value[T1][found.at >= 68 * MINUTE] -= 6.0
    told = found.run()
    now = next(it for it in told.engine.channels() if it.channel.name == "k1/temperature")
    assert now.flag == Flag.FAIL


@settings(max_examples=examples(8), deadline=None)
@given(minutes=st.floats(0.6, 30.0), separate=st.booleans(), barometer=st.booleans(), data=st.data())
def test_any_cut_judges_it_alike(minutes, separate, barometer, data):
    found = put_in(minutes, 22.0, hours=1.2, barometer=barometer)
    plan, rows = plan_of(found, separate=separate), found.readings()
    at, source, measured = np.array([row[:3] for row in rows], dtype=np.int64).T.copy()
    whole = Readings(1 + np.arange(at.size), at, source, measured, np.array([row[3] for row in rows]))
    said, parts, engine = Engine(plan, START_MS).feed(whole).events, [], Engine(plan, START_MS)
    cuts = data.draw(st.lists(st.integers(0, at.size), max_size=12))
    for start, stop in pairwise([0, *sorted(cuts), at.size]):
        parts += engine.feed(whole.part(start, stop)).events
        engine = Engine.restore(json.loads(json.dumps(engine.snapshot())))
    assert parts == said
