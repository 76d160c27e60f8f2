"""A probe that answers more rarely than its settings ask is judged by the settings. Invented water.

How slow it becomes is drawn by lots that were drawn once, by `secrets`.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from tests.faults.chain import C1, FAULT_AT, HOUR, MINUTE, O1, T1, Water

LOT = 3_239_595_027


def slowed(every_min):
    """A kreisel whose multi-probe, asked every 30 s, answers every so many minutes from some hour on."""
    found = Water(hours=FAULT_AT / HOUR + 6).measured()
    kept = (found.at - FAULT_AT) % round(every_min * MINUTE) < 30_000
    for source in (T1, C1, O1):
        found.read[source] &= ~found.after | kept
    return found.run()


def calls(told):
    begun = [e for e in told.events if e.trigger in (Trigger.RAISED, Trigger.WORSENED)]
    return [e for e in begun if e.state is State.UNACKNOWLEDGED and e.at_ms >= told.fault_ms]


@pytest.mark.parametrize("lot", range(3))
def test_what_it_still_shows_in_time_is_a_low_alarm_and_once(lot):
    told = slowed(np.random.default_rng([LOT, lot]).uniform(1.2, 7.5))
    found = calls(told)
    assert 1 <= len(found) <= 2, [event.alarm for event in found]
    assert {event.priority for event in found} == {Priority.LOW}


@pytest.mark.parametrize("lot", range(3))
def test_what_it_shows_too_late_is_unwatched_within_the_time_of_the_settings(lot):
    told = slowed(np.random.default_rng([LOT, 10 + lot]).uniform(11.5, 28.0))
    loud = [event for event in calls(told) if event.priority is Priority.CRITICAL]
    assert {event.condition for event in loud} == {Condition.UNWATCHED}
    assert len(loud) <= 3, [(event.at_ms - told.fault_ms) / HOUR for event in loud]
    assert (loud[0].at_ms - told.fault_ms) / MINUTE <= 11.0 + 0.5
