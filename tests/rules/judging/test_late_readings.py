"""A reading that was old when it came shows no danger of now: who waits for it is told so. Invented water.

What is drawn by lot was drawn once, by `secrets`.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import State, Trigger
from rules.engine import Engine
from rules.judging.watched import LATE, WatchedState
from rules.readings import Readings
from tests.faults.chain import C1, MINUTE, O1, START_MS, T1, Water

LOT = 1_604_227_733
FAULT_AT_MS = START_MS + Water().fault_at


def judged(rows, plan, cuts=()):
    """The engine after rows of arrival, source, moment and value; whom it called, and all that it told."""
    at, source, measured, value = map(np.array, zip(*sorted(rows, key=lambda row: row[:2]), strict=True))
    every = Readings(np.arange(at.size) + 1, at, source, measured, value)
    engine, events = Engine(plan, START_MS), []
    for start, stop in zip([0, *cuts], [*cuts, at.size], strict=True):
        events += engine.feed(every.part(start, stop)).events
    calls = [it for it in events if it.trigger is Trigger.RAISED and it.state is State.UNACKNOWLEDGED]
    return engine, calls, events


@pytest.mark.parametrize("late_min", [1.7, 4.3, 19.0])
def test_a_gateway_that_comes_to_deliver_late_is_told_once_where_that_is_longer_than_a_silence(late_min):
    """Of probes that are silent after two minutes."""
    found = Water(hours=7).measured()
    late_ms = round(late_min * MINUTE)
    rows = [(at + late_ms * (ms >= FAULT_AT_MS), it, ms, value) for at, it, ms, value in found.readings()]
    engine, calls, _ = judged(rows, found.plan())
    shown = [it for it in engine.channels() if it.tolerance is not None]
    if late_min < 2:
        assert (calls, {it.watched.state for it in shown}) == ([], {WatchedState.WATCHED})
        return
    assert [it.alarm for it in calls] == ["bus/line/unwatched"]
    assert calls[0].at_ms - FAULT_AT_MS <= 10 * MINUTE, "the delay of oxygen"
    assert {(it.watched.state, it.why) for it in shown} == {(WatchedState.UNWATCHED, LATE)}


@pytest.mark.parametrize("number", range(4))
def test_what_waited_somewhere_neither_ends_a_loss_nor_begins_its_delay_anew(number):
    """Seen: what had waited at the broker, of a probe dead since, counted as if measured when it came."""
    draw = np.random.default_rng([LOT, number])
    found = Water(hours=7).measured()
    died_ms = FAULT_AT_MS + int(draw.integers(40, 90)) * MINUTE
    come_ms = died_ms + int(draw.integers(60, 140)) * MINUTE
    rows = [
        (come_ms, it, ms, value) if it in (T1, C1, O1) and ms >= FAULT_AT_MS else (at, it, ms, value)
        for at, it, ms, value in found.readings()
        if it not in (T1, C1, O1) or ms < died_ms
    ]
    _, calls, events = judged(rows, found.plan())
    assert [it.alarm for it in calls] == ["probe/k1-multi/unwatched"]
    assert not [it for it in events if it.alarm == calls[0].alarm and it.trigger is Trigger.RETURNED]
    cuts = sorted(set(draw.integers(1, len(rows), 23).tolist()))
    assert judged(rows, found.plan(), cuts)[2] == events
