"""What comes in one leap, from a reading to the next, is told as a move is, and is not over as it stays.

Water that is poured in takes its time to mix; a probe that is read in another vessel, or slipped, does not.
Sizes and times were drawn once, from the digits of a clock. Invented water.
"""

import gsw
import numpy as np
import pytest

from rules.alarms.life_cycle import Priority, State, Trigger
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES
from tests.faults.chain import C1, FAULT_AT, HOUR, MINUTE, O1, Water
from tests.rules.judging.test_to_and_fro import fed_in_pieces

FALLS, RISES = "k1/salinity/falling", "k1/salinity/rising"
BACK_H = 5.37


def leapt(by=-2.14, over_h=0.0, hours=9, until_h=np.inf):
    """Return a cell that reads less from the fault on, the thermometer beside it as before."""
    found = Water(hours=hours, every_ms=MINUTE).measured()
    share = found.after * 1.0 if not over_h else np.clip(found.since_h / over_h, 0.0, 1.0)
    found.value[C1] = found.value[C1] + by * share * (found.since_h < until_h)
    return found


def over_h(told, name=FALLS):
    """When an alarm was over, in hours after the fault; None where it stands."""
    ends = [event.at_ms for event in told.events if event.alarm == name and event.trigger is Trigger.RETURNED]
    return (ends[0] - told.fault_ms) / HOUR if ends else None


def test_what_leaps_and_stays_is_called_about_once_and_stands():
    told = leapt().run()
    first, *more = told.announced(Priority.HIGH)
    assert (first.alarm, more) == (FALLS, [])
    assert first.at_ms - told.fault_ms <= 30 * MINUTE
    assert first.evidence.reason.startswith("in one leap between two readings")
    now = next(alarm for alarm in told.engine.alarms() if alarm.name == FALLS)
    assert (now.state, now.priority) == (State.UNACKNOWLEDGED, Priority.MEDIUM)
    (eased,) = (event for event in told.events if (event.alarm, event.trigger) == (FALLS, Trigger.EASED))
    assert eased.evidence.reason == first.evidence.reason, "else its repeats say only that nothing falls"


@pytest.mark.parametrize("every_ms", [MINUTE // 4, MINUTE, 2 * MINUTE])
def test_it_is_so_for_oxygen_however_often_it_is_read(every_ms):
    found = Water(hours=9, every_ms=every_ms).measured()
    found.value[O1] = found.value[O1] - 0.83 * found.after
    told = found.run()
    assert [event.alarm for event in told.announced(Priority.HIGH)] == ["k1/oxygen_saturation/falling"]
    assert over_h(told, "k1/oxygen_saturation/falling") is None


def test_what_is_read_seldom_says_nothing_of_leaps():
    """In five minutes water that is poured in has mixed."""
    found = Water(hours=9, every_ms=5 * MINUTE).measured()
    found.value[C1] = found.value[C1] - 2.14 * found.after
    assert over_h(found.run()) <= 3.0


def test_a_leap_that_is_the_smaller_part_of_a_move_is_not_what_it_is():
    found = leapt(by=-1.7, over_h=0.5)
    found.value[C1] = found.value[C1] - 1.1 * (found.since_h > 0.25)
    told = found.run()
    assert [event.evidence.reason for event in told.announced(Priority.HIGH)] == [""]
    assert over_h(told) <= 3.0


@pytest.mark.parametrize("within_h", [0.1, 0.43])
def test_water_that_moves_as_far_within_minutes_is_over_as_it_moves_no_more(within_h):
    told = leapt(over_h=within_h).run()
    assert [event.alarm for event in told.announced(Priority.HIGH)] == [FALLS]
    assert over_h(told) <= 3.0


def test_it_stands_for_a_day_and_no_longer():
    assert over_h(leapt(hours=31).run()) == pytest.approx(24.0, abs=0.2)


def test_what_leaps_anew_on_the_next_day_is_told_anew():
    """That the first one is over does not wait for the second."""
    found = leapt(hours=31)
    found.value[C1] = found.value[C1] - 2.3 * (found.since_h > 25.9)
    told = found.run()
    assert over_h(told) == pytest.approx(24.0, abs=0.2)
    assert [event.trigger for event in told.announced(Priority.HIGH) if event.alarm == FALLS] == [
        Trigger.RAISED,
        Trigger.RAISED,
    ]


def test_it_is_over_as_it_leaps_back():
    assert over_h(leapt(until_h=BACK_H).run()) == pytest.approx(BACK_H, abs=0.05)


def test_it_is_over_where_somebody_is_at_work():
    work = {"target": "vessel/k1", "for_s": 1800, "why": "looked at the labels"}
    found = leapt()
    told = found.run([(found.fault_at + round(BACK_H * HOUR), "begin_maintenance", work)])
    assert all(alarm.name != FALLS for alarm in told.engine.alarms() if alarm.active)


def test_it_is_over_where_its_probe_is_calibrated():
    """What the probe said before is of no more use to compare with."""
    found = leapt()
    its = {"probe": "k1-multi", "quantity": "conductivity", "standard": "sea water"}
    standard = {**its, "points": [{"read": 46.0, "true": 46.1}]}
    told = found.run([(found.fault_at + round(BACK_H * HOUR), "calibrate", standard)])
    assert over_h(told) == pytest.approx(BACK_H, abs=0.05)


def test_it_is_over_where_another_stage_has_other_limits():
    found = leapt()
    own, other = (DEFAULT_TOLERANCES[it][Quantity.SALINITY] for it in ("ephyra", "polyp"))
    assert own.max_fall_per_hour != other.max_fall_per_hour
    move = {"vessel": "k1", "stage": "polyp", "over_s": 0}
    told = found.run([(found.fault_at + round(BACK_H * HOUR), "move_stage", move)])
    assert over_h(told) == pytest.approx(BACK_H, abs=0.05)


def test_what_moves_on_meanwhile_is_told():
    found = leapt(hours=12)
    found.value[C1] = found.value[C1] - 3.1 * np.clip((found.since_h - BACK_H) / 2.6, 0.0, 1.0)
    told = found.run()
    again = [event for event in told.announced(Priority.HIGH) if event.alarm == FALLS]
    assert [event.trigger for event in again] == [Trigger.RAISED, Trigger.WORSENED]
    assert 0 < (again[1].at_ms - told.fault_ms) / HOUR - BACK_H < 1.5


@pytest.mark.parametrize("until_h", [BACK_H, np.inf])
def test_it_is_the_same_however_the_readings_are_cut(until_h):
    found = leapt(until_h=until_h)
    assert fed_in_pieces(found, 905_113_248) == found.run().events


def test_a_leap_of_oxygen_that_is_over_as_the_animals_were_fed_is_heard_on_call():
    """Its limit counts for nothing meanwhile; what is said of it stays a number, as JSON knows them."""
    found = Water(hours=7, every_ms=MINUTE).measured()
    found.value[O1] = found.value[O1] - 0.83 * (found.after & (found.since_h < 2.37))
    told = found.run([(FAULT_AT + round(2.2 * HOUR), "log", {"vessel": "k1", "what": "feed", "value": 3.0})])
    name = "k1/oxygen_saturation/falling"
    assert over_h(told, name) == pytest.approx(2.37, abs=0.1)
    assert {event.evidence.limit for event in told.events if event.alarm == name} == {-10.0}


def test_water_that_creeps_beyond_its_limit_while_a_leap_stands_is_called_about():
    """Hours after the leap it goes on, slowly; who has seen the leap, each time, knows nothing of that."""
    found = leapt(by=1.37, hours=9)
    salinity = found.salinity[1] + 0.31 * np.clip(found.since_h - 1.9, 0.0, None)
    found.value[C1] = gsw.C_from_SP(salinity, found.temperature[1], 0.0) + 1.37 * found.after
    answers = [(FAULT_AT + round(hour * HOUR), "seen", {"number": 1}) for hour in (1.0, 2.05, 3.1, 4.2)]
    told = found.run(answers)
    assert over_h(told, RISES) is None
    beyond = found.value[C1] > gsw.C_from_SP(34.0, found.temperature[1], 0.0)
    called_h = told.called_s("salinity high", since_ms=told.fault_ms) / 3600
    assert called_h == pytest.approx(found.since_h[np.argmax(beyond)], abs=0.2)


@pytest.mark.parametrize(("first_h", "again_h", "third_h"), [(0.74, 2.13, 4.61), (3.3, 4.6, 11.2)])
def test_a_third_leap_that_stays_is_told_once_it_lasts(first_h, again_h, third_h):
    """The first and the second went back as they came, after as long as each other."""
    found = Water(hours=29, every_ms=MINUTE).measured()
    there = found.after & (found.since_h < first_h) | (found.since_h > third_h)
    there |= (found.since_h > again_h) & (found.since_h < again_h + first_h)
    found.value[C1] = found.value[C1] - 2.14 * there
    told = found.run()
    third = [
        event
        for event in told.announced()
        if event.alarm == FALLS and event.at_ms > told.fault_ms + third_h * HOUR
    ]
    assert [event.trigger for event in third] == [Trigger.RAISED]
    assert third[0].at_ms - told.fault_ms - third_h * HOUR < 1.5 * max(first_h, 1.2) * HOUR + 12 * MINUTE
    assert "in one leap" in third[0].evidence.reason
    assert fed_in_pieces(found, 318_442_907) == told.events
