"""A gateway that plays a record: of a whole probe, of one channel, beside a coarse one. Invented."""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, State, Trigger
from rules.engine import Engine
from rules.quality.probe_faults import FaultReason
from rules.readings import Readings
from tests.faults.chain import C1, MINUTE, O1, POLL, START_MS, T1, Water

HOUR_OF = 70 * MINUTE // POLL


def ran(*again, coarse=False):
    """What was raised by the fault's end, with these channels played again from it on."""
    found = Water(hours=5).measured()
    if coarse:
        found.value[T1] = np.round(found.value[T1], 1)
    first = int(np.argmax(found.after))
    for it in again:
        past = found.value[it][first - HOUR_OF : first]
        found.value[it][first:] = np.resize(past, found.at.size - first)
    told = found.run()
    return [event for event in told.events if event.trigger in (Trigger.RAISED, Trigger.SUPPRESSED)], told


def faults(raised):
    return {event.quantity: event for event in raised if event.condition is Condition.PROBE_FAULT}


@pytest.mark.parametrize("coarse", [False, True])
def test_a_whole_probe_is_found_out_with_what_is_too_coarse_to_tell_by_itself(coarse):
    raised, told = ran(T1, C1, O1, coarse=coarse)
    found = faults(raised)
    assert set(found) == {"temperature", "conductivity", "oxygen"}
    assert [event.evidence.reason for event in raised if event.trigger is Trigger.RAISED] == [
        FaultReason.PLAYED
    ]
    for event in found.values():
        assert event.evidence.reason == FaultReason.PLAYED
        assert event.at_ms - told.fault_ms <= 30 * MINUTE
        assert abs(event.since_ms - told.fault_ms) <= 5 * MINUTE, "when the record began"


def test_of_one_channel_the_others_stay_believed():
    raised, told = ran(O1)
    assert set(faults(raised)) == {"oxygen"}
    hidden = {name for event in raised for name in event.evidence.hidden}
    assert hidden
    assert all("oxygen" in name for name in hidden)
    assert min(event.at_ms for event in raised) - told.fault_ms <= 30 * MINUTE


def test_of_no_channel_nothing_is_said():
    assert ran()[0] == []
    assert ran(coarse=True)[0] == []


def test_a_coarse_probe_that_plays_the_day_before_hides_no_crash():
    """It is found by how long it rests on each value, some hours after: before nothing could tell it."""
    found = Water(hours=35, every_ms=MINUTE, fault_at=26 * 60 * MINUTE)
    found.saturation[1] = found.saturation[1] - 70.0 * np.clip(found.since_h - 6.5, 0.0, 1.0)
    found.measured()
    found.value[O1] = np.round(found.value[O1], 1)
    day = 24 * 60
    found.value[O1][found.after] = found.value[O1][np.flatnonzero(found.after) - day]
    told = found.run()
    raised = [event for event in told.events if event.trigger is Trigger.RAISED]
    assert [event.alarm for event in raised] == ["probe/k1-multi/unwatched"]
    assert raised[0].evidence.reason.startswith(FaultReason.PLAYED)
    assert raised[0].at_ms - told.fault_ms <= 6 * 60 * MINUTE


@pytest.mark.parametrize("share_of", ["all", "oxygen"])
@pytest.mark.parametrize("digit", [0.0, 0.01])
@pytest.mark.parametrize("lag", [2, 3, 5, 12])
def test_a_gateway_that_says_the_same_few_answers_over_and_over_hides_no_crash(lag, digit, share_of):
    """Seen: of a round of five answers and fewer nothing was told, whatever became of the water."""
    found = Water(hours=7)
    found.saturation[1] = found.saturation[1] - 75 * np.clip(found.since_h - 1, 0, 1)
    found.measured()
    begins = int(np.argmax(found.after))
    for source in (T1, C1, O1) if share_of == "all" else (O1,):
        its = found.value[source]
        its[:] = np.round(its / digit) * digit if digit else its
        its[begins:] = np.resize(its[begins - lag : begins], its.size - begins)
    told = found.run()
    calls = [it for it in told.events if it.trigger is Trigger.RAISED and it.state is State.UNACKNOWLEDGED]
    assert [it.alarm for it in calls] == ["probe/k1-multi/unwatched"]
    assert calls[0].at_ms - told.fault_ms <= 40 * MINUTE
    assert "k1/oxygen_saturation" in calls[0].evidence.hidden


def test_a_round_stands_also_in_a_block_in_which_its_channel_was_not_read():
    """Seen: fed a few readings at a time, what went round with its probe was believed now and then."""
    found = Water(hours=5).measured()
    begins = int(np.argmax(found.after))
    for source in (T1, C1, O1):
        found.value[source][begins:] = np.resize(
            found.value[source][begins - 3 : begins], found.at.size - begins
        )
    found.value[T1] = np.round(found.value[T1], 1)
    at, source, measured, value = map(np.array, zip(*found.readings(), strict=True))
    every = Readings(np.arange(at.size) + 1, at, source, measured, value)
    whole, few, events = Engine(found.plan(), START_MS), Engine(found.plan(), START_MS), []
    expected = whole.feed(every)
    for start in range(0, at.size, 2):
        events += few.feed(every.part(start, min(start + 2, at.size))).events
    assert events == expected.events
    assert few.alarms() == whole.alarms()
