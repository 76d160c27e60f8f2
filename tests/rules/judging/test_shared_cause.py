"""What freezes or falls silent in the same poll on one line is one alarm that lists all. Invented water.

What is drawn by lot was drawn once, by `secrets`.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import State, Trigger
from rules.engine import Engine
from rules.readings import Readings
from tests.faults.chain import C1, C2, HOUR, MINUTE, O1, O2, START_MS, T1, T2, Water

LOT = 1_118_402_953
ALL = (T1, C1, O1, T2, C2, O2)


def freeze(found, sources, at_ms):
    after = found.at >= at_ms
    for source in sources:
        found.value[source][after] = found.value[source][np.argmax(after)]


def announced(told):
    begins = (Trigger.RAISED, Trigger.WORSENED)
    return [e for e in told.events if e.trigger in begins and e.state is State.UNACKNOWLEDGED]


@pytest.mark.parametrize("number", range(5))
def test_a_gateway_that_freezes_two_probes_is_one_alarm_that_lists_both(number):
    draw = np.random.default_rng(LOT + number)
    found = Water(hours=9, every_ms=int(draw.choice([20, 30, 60])) * 1000).measured()
    at_ms = round(draw.uniform(4, 7) * HOUR)
    freeze(found, ALL, at_ms)
    told = found.run()
    calls = announced(told)
    assert [event.alarm for event in calls] == ["bus/line/unwatched"]
    assert {name.partition("/")[0] for name in calls[0].evidence.hidden} == {"k1", "k2"}
    assert len(calls[0].evidence.hidden) == 6
    assert calls[0].evidence.reason == "stuck"
    assert (calls[0].at_ms - told.fault_ms - (at_ms - 3 * HOUR)) / MINUTE <= 30


def test_two_probes_that_freeze_hours_apart_are_two():
    found = Water(hours=9).measured()
    freeze(found, (T1, C1, O1), round(4.37 * HOUR))
    freeze(found, (T2, C2, O2), round(6.91 * HOUR))
    assert [event.alarm for event in announced(found.run())] == [
        "probe/k1-multi/unwatched",
        "probe/k2-multi/unwatched",
    ]


def test_two_probes_that_fall_silent_in_one_poll_are_one_though_a_third_still_talks():
    found = Water(hours=8).measured()
    found.lose(*ALL)
    told = found.run()
    assert [event.alarm for event in announced(told)][-1] == "bus/line/unwatched"
    assert len({event.cause for event in announced(told)}) == 1


def test_a_probe_that_stays_dead_after_nobody_watched_is_part_of_what_was_hidden_then():
    """Seen: what nobody had read was "doubted", and the dead probe was told anew, as one that hides none."""
    found = Water(hours=9).measured()
    found.lose(T1, C1, O1)
    back_ms = found.fault_at + round(1.7 * HOUR)
    watched = (found.at < found.fault_at) | (found.at > back_ms)
    found.read = {it: read & watched for it, read in found.read.items()}
    at, source, measured, value = map(np.array, zip(*found.readings(), strict=True))
    every = Readings(np.arange(at.size) + 1, at, source, measured, value)
    before, engine = int(at.searchsorted(START_MS + found.fault_at)), Engine(found.plan(), START_MS)
    events = engine.feed(every.part(0, before)).events
    events += engine.unwatched_until(START_MS + back_ms, int(at[before - 1])).events
    events += engine.feed(every.part(before, at.size)).events
    calls = [it for it in events if it.trigger is Trigger.RAISED and it.state is State.UNACKNOWLEDGED]
    assert [(it.alarm, it.evidence.reason) for it in calls] == [("bus/line/unwatched", "silent")]
    silent = [it for it in engine.alarms() if it.condition == "silent" and it.active]
    assert {(it.vessel, it.cause) for it in silent} == {("k1", "bus/line")}
