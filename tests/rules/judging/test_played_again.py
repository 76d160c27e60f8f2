"""A gateway that plays a record: of a whole probe, of one channel, beside a coarse one. Invented."""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Trigger
from rules.quality.probe_faults import FaultReason
from tests.faults.chain import C1, MINUTE, O1, POLL, T1, Water

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
