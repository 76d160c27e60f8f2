"""Answers that are missing one by one: one low alarm with their share, and no danger later for it.

Invented water; what is drawn by lot was drawn once, by `secrets`.
"""

import itertools

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.engine import Engine
from rules.judging.drop_outs import drop_outs
from rules.judging.silence import SourceState, note_heard
from rules.plain import to_plain
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.readings import LongestWaits, Readings
from tests.faults.chain import C1, C2, FAULT_AT, HOUR, MINUTE, O1, O2, START_MS, T1, T2, Water

LOT = 3_094_417_526


def announced(told):
    return [
        event
        for event in told.events
        if event.trigger is Trigger.RAISED and event.state is State.UNACKNOWLEDGED
    ]


def missing(found, share, sources, until_ms=10**12):
    """Lose a share of the polls of a probe by lot, all its quantities in the same polls."""
    drawn = np.random.default_rng(LOT).random(found.at.size) < share
    for source in sources:
        found.read[source] &= ~(drawn & found.after & (found.at < until_ms))


@pytest.mark.parametrize("share", [0.17, 0.29, 0.44, 0.58])
@pytest.mark.parametrize("every_ms", [20_000, 30_000])
def test_a_probe_with_drop_outs_is_one_low_alarm_that_says_how_many(share, every_ms):
    found = Water(hours=30, every_ms=every_ms).measured()
    missing(found, share, (T1, C1, O1))
    told = found.run()
    assert [event.priority for event in announced(told)] == [Priority.LOW]
    alarm = next(it for it in told.engine.alarms() if "answers missing" in it.evidence.reason)
    assert alarm.cause == "probe/k1-multi"
    lost, _, due, *_ = alarm.evidence.reason.split(", ")[0].split()
    assert abs(int(lost) / int(due) - share) < 0.2


def test_a_line_with_drop_outs_is_one_alarm_with_the_vessels():
    found = Water(hours=9).measured()
    missing(found, 0.37, (T1, C1, O1, T2, C2, O2))
    told = found.run()
    assert [event.condition for event in announced(told)] == [Condition.PROBE_FAULT]
    assert {"k1", "k2"} <= set(announced(told)[0].vessels)


@pytest.mark.parametrize("share", [0.23, 0.41])
def test_answers_that_a_dead_mate_costs_are_part_of_what_that_hides(share):
    """Seen: a dead unit cost the others of its line every third turn, which was a second alarm."""
    found = Water(hours=9).measured()
    found.lose(T1, C1, O1)
    missing(found, share, (T2, C2, O2))
    told = found.run()
    assert [event.alarm for event in announced(told)] == ["probe/k1-multi/unwatched"]
    assert announced(told)[0].evidence.reason == "silent"
    gaps = next(it for it in told.engine.alarms() if "answers missing" in it.evidence.reason)
    assert (gaps.cause, gaps.state) == ("probe/k1-multi", State.SUPPRESSED)


def test_it_is_over_once_the_probe_answers_again():
    found = Water(hours=12).measured()
    missing(found, 0.31, (O1,), FAULT_AT + 3 * HOUR)
    told = found.run()
    over = [
        event.at_ms - told.fault_ms
        for event in told.events
        if event.trigger is Trigger.RETURNED and event.condition is Condition.PROBE_FAULT
    ]
    assert len(over) == 1
    assert 3 * HOUR < over[0] <= 3 * HOUR + 200 * 30_000
    assert not any(alarm.active for alarm in told.engine.alarms())


@pytest.mark.parametrize("hours", [1, 6])
def test_an_outage_or_a_few_missing_are_no_drop_outs(hours):
    found = Water(hours=15).measured()
    missing(found, 0.02, (T1, C1, O1))
    away = (found.at > FAULT_AT + hours * HOUR) & (found.at < FAULT_AT + hours * HOUR + 8 * MINUTE)
    found.read[O1] &= ~away
    told = found.run()
    assert not [event for event in told.events if "answers" in event.evidence.reason]


def test_however_the_readings_are_cut_the_count_is_the_same():
    found = Water(hours=7).measured()
    missing(found, 0.23, (T1, O1))
    missing(found, 0.14, (T2, C2, O2))
    rows = found.readings()
    at, source, measured = np.array([row[:3] for row in rows], dtype=np.int64).T.copy()
    value, seq = np.array([row[3] for row in rows]), np.arange(len(rows)) + 1
    cuts = np.random.default_rng(LOT).integers(1, len(rows), size=41)
    bounds = [0, *sorted(cuts.tolist()), len(rows)]
    whole, engine, events = Engine(found.plan(), START_MS), Engine(found.plan(), START_MS), []
    every = whole.feed(Readings(seq, at, source, measured, value)).events
    for start, stop in itertools.pairwise(bounds):
        part = slice(start, stop)
        block = Readings(seq[part], at[part], source[part], measured[part], value[part])
        events += engine.feed(block).events
    assert events == every
    assert any("answers missing" in event.evidence.reason for event in every)
    assert to_plain(engine.alarms()[0]) == to_plain(whole.alarms()[0])


def test_reading_by_reading_a_window_ends_as_it_does_in_a_block():
    """Every second answer is missing for three windows of a hundred, then none."""
    source = Source(1, "p", Quantity.TEMPERATURE, "k1", 10 * MINUTE, "line", every_ms=MINUTE)
    waits = np.concatenate((np.full(150, 2 * MINUTE), np.full(350, MINUTE)))
    time_ms = np.cumsum(waits)

    def told(step):
        states = {1: SourceState(0, 0)}
        for start in range(0, time_ms.size, step):
            part = time_ms[start : start + step]
            places = {1: np.arange(part.size)}
            found = list(drop_outs((source,), states, part, places, LongestWaits(part, places)))
            yield from ((int(part[it.position]) // MINUTE, it.begins, it.reason) for it in found)
            note_heard(states, part, part, places)

    whole = list(told(time_ms.size))
    half = [(minute, True, "50 of 100 answers missing") for minute in (100, 200, 300)]
    assert whole == [(20, True, "10 of 20 answers missing"), *half, (400, False, "")]
    assert list(told(1)) == list(told(7)) == whole


@pytest.mark.parametrize("few_ms", [2 * MINUTE, 12 * MINUTE])
def test_what_is_carried_is_the_same_as_a_window_ends_with_its_last_answer(few_ms):
    """After an answer missing, or a silence, whole windows of answers: none is due in the next one yet."""
    source = Source(1, "p", Quantity.TEMPERATURE, "k1", 10 * MINUTE, "line", every_ms=MINUTE)
    time_ms = np.cumsum(np.where(np.arange(320) == 17, few_ms, MINUTE))

    def carried(parts):
        states = {1: SourceState(0, 0)}
        for part in parts:
            its = part, {1: np.arange(part.size)}
            assert not list(drop_outs((source,), states, *its, LongestWaits(*its)))
            note_heard(states, part, part, {1: np.arange(part.size)})
        return states[1]

    for stop in range(80, 320):
        assert carried([time_ms[:stop]]) == carried(time_ms[:stop].reshape(-1, 1))
