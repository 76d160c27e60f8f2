"""What the engine does over hours and days, beside its law (test_engine_law.py): worked by hand.

States and terms are those of IEC 62682 / ANSI/ISA-18.2 (from memory, see test_alarms.py).
"""

import json
from dataclasses import replace

import numpy as np
import pytest

from rules.alarms.alarm import AlarmRules
from rules.alarms.life_cycle import Condition, Priority, State
from rules.engine import Engine
from rules.errors import InputError
from rules.plain import to_plain
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source, Supply
from rules.rack.stage_plan import StageStep
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Readings
from tests.rigs.watched_rack import (
    DAY,
    HOUR,
    MINUTE,
    PROMPT,
    START_MS,
    WatchedRack,
    plan_of,
    thermometers,
    told,
)

T = Quantity.TEMPERATURE
SECOND = 1_000
HIGH = "k1/temperature/high"
HIGH_HIGH = "k1/temperature/high_high"
CALM = {"polyp": {T: PROMPT}}


def rack(vessels=1, tolerance=PROMPT, **more):
    return WatchedRack(plan_of(thermometers(vessels), {"polyp": {T: tolerance}}, **more))


# Delays and deadband, through the whole engine


def test_an_alarm_waits_for_its_on_delay_and_leaves_after_its_off_delay():
    """Delays of 2 and 3 min, deadband 0.5: beyond at 1, told at 3; inside at 5, over at 8 minutes."""
    slow = replace(PROMPT, on_delay_ms=2 * MINUTE, off_delay_ms=3 * MINUTE, deadband=0.5)
    watched = rack(tolerance=slow)
    values = [15, 18.5, 18.5, 18.5, 17.6, 17.4, 17.4, 17.4, 17.4, 17.4]
    watched.read_all([(minute * MINUTE, 1, value) for minute, value in enumerate(values)])
    assert [(str(it.trigger), it.at_ms - START_MS, it.since_ms - START_MS) for it in watched.events] == [
        ("raised", 3 * MINUTE, MINUTE),
        ("returned", 8 * MINUTE, MINUTE),
    ]


def test_a_critical_value_is_told_after_its_own_shorter_delay():
    slow = replace(PROMPT, on_delay_ms=5 * MINUTE, critical_on_delay_ms=MINUTE)
    watched = rack(tolerance=slow)
    watched.read_all([(minute * MINUTE, 1, 25.0) for minute in range(10)])
    told_at = [(it.alarm, it.at_ms - START_MS, it.priority) for it in watched.events]
    assert told_at == [(HIGH_HIGH, MINUTE, Priority.CRITICAL), (HIGH, 5 * MINUTE, Priority.MEDIUM)]
    assert watched.states == {HIGH_HIGH: "unacknowledged", HIGH: "suppressed by design"}


def test_a_critical_alarm_that_was_seen_is_announced_again_while_it_stands():
    watched = rack(alarm_rules=AlarmRules(reannounce_ms=2 * HOUR))
    watched.read(0, 1, 25.0)
    watched.do(MINUTE, "acknowledge", alarm=HIGH_HIGH)
    watched.wait(2 * HOUR + MINUTE)
    assert watched.states[HIGH_HIGH] == "acknowledged"
    watched.wait(2 * HOUR + MINUTE + 1)
    assert watched.states == {HIGH_HIGH: "unacknowledged", HIGH: "suppressed by design"}
    assert watched.events[-1].at_ms == START_MS + 2 * HOUR + MINUTE


# Stages


STAGES = {
    "polyp": {T: replace(PROMPT, advisory=Band(18, 22), critical=Band(15, 25))},
    "strobila": {T: replace(PROMPT, advisory=Band(8, 12), critical=Band(4, 15))},
    "planula": {T: replace(PROMPT, advisory=Band(18, 22), critical=Band(15, 25))},
    "bare": {},
}
NOON = 6 * HOUR


def keeper_rack(steps=(), **more):
    return WatchedRack(plan_of(thermometers(1), STAGES, steps={"k1": tuple(steps)} if steps else {}, **more))


@pytest.mark.parametrize("planned", [True, False])
def test_a_stage_move_at_noon_is_no_alarm_at_one_minute_past(planned):
    """Ten days of cooling by 1 °C a day: 20 °C is not above the limit of 22 before two days are over."""
    watched = keeper_rack([StageStep(START_MS + NOON, "strobila", 10 * DAY)] if planned else ())
    watched.read(NOON - MINUTE, 1, 20.0)
    if not planned:
        watched.do(NOON, "move_stage", vessel="k1", stage="strobila", over_s=10 * 86_400)
    for after in (MINUTE, HOUR, DAY, 2 * DAY):
        assert watched.read(NOON + after, 1, 20.0) == []
    assert watched.read(NOON + 2 * DAY + MINUTE, 1, 20.0)[0].alarm == HIGH
    assert watched.events[-1].evidence.limit == pytest.approx(20.0, abs=0.001)


def test_water_that_follows_the_ramp_is_never_an_alarm_and_on_the_way_back_neither():
    steps = [
        StageStep(START_MS + DAY, "strobila", 10 * DAY),
        StageStep(START_MS + 20 * DAY, "polyp", 5 * DAY),
    ]
    watched = keeper_rack(steps)
    hours = np.arange(0, 27 * 24)
    course = np.interp(hours / 24, [1, 11, 20, 25], [20, 10, 10, 20])
    watched.read_all([(int(hour) * HOUR, 1, float(value)) for hour, value in zip(hours, course, strict=True)])
    assert watched.events == []
    assert watched.engine.stages()["k1"].stage == "polyp"


def test_a_move_in_the_middle_of_a_ramp_is_no_alarm_at_one_minute_past_either():
    """After five of ten days the band is 13 to 17 °C and the water at 15; the keeper goes back to polyps."""
    watched = keeper_rack()
    watched.do(0, "move_stage", vessel="k1", stage="strobila", over_s=10 * 86_400)
    watched.read(5 * DAY - MINUTE, 1, 15.0)
    watched.do(5 * DAY, "move_stage", vessel="k1", stage="polyp", over_s=5 * 86_400)
    hours = np.arange(1, 5 * 24)
    course = np.interp(hours / 24, [0, 5], [15, 20])
    watched.read_all(
        [(5 * DAY + int(hour) * HOUR, 1, float(value)) for hour, value in zip(hours, course, strict=True)]
    )
    assert watched.events == []


def test_an_engine_that_starts_in_the_middle_of_the_second_ramp_knows_the_first_stage():
    """Started on day 22.5 of strobila on day 0, polyp over five days from day 20: the band is 13 to 17 °C."""
    day_0 = START_MS - 22 * DAY - DAY // 2
    steps = [StageStep(day_0, "strobila", 10 * DAY), StageStep(day_0 + 20 * DAY, "polyp", 5 * DAY)]
    watched = keeper_rack(steps)
    assert watched.read(MINUTE, 1, 15.0) == []
    assert told(watched.read(2 * MINUTE, 1, 20.0)) == [(HIGH, "raised")]


def test_a_move_without_a_ramp_holds_at_once():
    watched = keeper_rack()
    watched.read(0, 1, 20.0)
    watched.do(MINUTE, "move_stage", vessel="k1", stage="strobila")
    assert told(watched.read(2 * MINUTE, 1, 20.0)) == [(HIGH_HIGH, "raised"), (HIGH, "suppressed")]


def test_a_stage_without_limits_lets_alarms_return_and_raises_none():
    watched = keeper_rack()
    watched.read(0, 1, 24.0)
    watched.do(1, "acknowledge", alarm=HIGH)
    assert told(watched.do(2, "move_stage", vessel="k1", stage="bare")) == [(HIGH, "returned")]
    assert watched.read(MINUTE, 1, 40.0) == []


def about_stages(watched):
    return [notice for notice in watched.notices if notice.kind == "stage runs long"]


def test_a_stage_that_runs_long_is_reminded_of_once_to_the_millisecond():
    """Planulae settle within seven to ten days (common practice, no source)."""
    plan = plan_of(
        thermometers(1),
        STAGES,
        steps={"k1": (StageStep(START_MS + HOUR, "planula"),)},
        usual_stay_ms={"planula": 10 * DAY},
    )
    watched = WatchedRack(plan, restarting=True)
    watched.wait(HOUR + 10 * DAY - 1)
    assert about_stages(watched) == []
    watched.wait(HOUR + 10 * DAY)
    watched.wait(HOUR + 30 * DAY)
    (notice,) = about_stages(watched)
    assert (notice.kind, notice.vessel, notice.at_ms) == (
        "stage runs long",
        "k1",
        START_MS + HOUR + 10 * DAY,
    )
    assert notice.details == {"stage": "planula"}


def test_a_stage_that_was_moved_in_time_is_not_reminded_of():
    watched = keeper_rack([StageStep(START_MS + 1, "planula")], usual_stay_ms={"planula": DAY})
    watched.do(HOUR, "move_stage", vessel="k1", stage="polyp")
    watched.wait(5 * DAY)
    assert watched.notices == []


# Silence


def test_silence_is_told_to_the_millisecond_and_the_limit_is_still_in_time():
    watched = WatchedRack(plan_of(thermometers(1, silent_after_ms=90 * SECOND), CALM))
    watched.read(10 * SECOND, 1, 15.0)
    assert watched.wait(100 * SECOND) == []
    (event,) = watched.wait(100 * SECOND + 1)
    assert (event.alarm, event.at_ms - START_MS, event.since_ms - START_MS) == (
        "k1/temperature/silent",
        100 * SECOND,
        10 * SECOND,
    )


def test_a_reading_at_the_limit_keeps_a_source_from_falling_silent():
    watched = WatchedRack(plan_of(thermometers(1, silent_after_ms=90 * SECOND), CALM))
    watched.read_all([(10 * SECOND, 1, 15.0), (100 * SECOND, 1, 15.0)])
    assert watched.events == []


def test_a_silent_bus_is_one_announced_alarm_and_its_return_announces_no_other():
    care_not = {"polyp": {}}
    watched = WatchedRack(plan_of(thermometers(4, silent_after_ms=120 * SECOND), care_not))
    watched.read_all([(number * SECOND, number, 15.0) for number in (1, 2, 3, 4)])
    watched.wait(10 * MINUTE)
    raised = [event for event in watched.events if event.state is State.UNACKNOWLEDGED]
    assert [event.alarm for event in raised] == ["k1/temperature/silent"]
    assert raised[0].cause == "bus/bench"
    assert raised[0].vessels == ("k1", "k2", "k3", "k4")
    others = [event for event in watched.events if event.state is State.SUPPRESSED]
    assert {event.why for event in others} == {"k1/temperature/silent"}
    assert len(others) == 3
    watched.events.clear()
    watched.read_all([(10 * MINUTE + 10 * number * SECOND, number, 15.0) for number in (1, 2, 3, 4)])
    assert [event.alarm for event in watched.events if str(event.trigger) == "raised"] == []
    assert watched.states == {"k1/temperature/silent": "returned unacknowledged"}


def test_one_dead_probe_of_two_quantities_is_one_alarm():
    sources = (
        Source(1, "ct", Quantity.CONDUCTIVITY, "k1", 60 * SECOND, "bench"),
        Source(2, "ct", T, "k1", 60 * SECOND, "bench"),
        Source(3, "other", T, "k2", DAY, "bench"),
    )
    watched = WatchedRack(plan_of(sources, CALM))
    watched.read_all([(0, 1, 40.0), (0, 2, 15.0), (0, 3, 15.0)])
    watched.wait(5 * MINUTE)
    assert told(watched.events) == [
        ("k1/conductivity/silent", "suppressed"),
        ("k1/temperature/silent", "suppressed"),
    ]
    watched.wait(2 * HOUR)
    assert told(watched.events[2:]) == [("probe/ct/unwatched", "raised")]
    assert watched.events[2].priority is Priority.CRITICAL
    assert watched.events[2].at_ms == START_MS + 30 * MINUTE


def test_a_silent_bus_hides_what_all_its_probes_watched_and_is_one_alarm():
    watched = WatchedRack(plan_of(thermometers(3, silent_after_ms=2 * MINUTE), CALM))
    watched.read_all([(number * SECOND, number, 15.0) for number in (1, 2, 3)])
    watched.wait(HOUR)
    raised = [event for event in watched.events if event.alarm == "bus/bench/unwatched"]
    assert [(str(event.trigger), event.priority) for event in raised] == [("raised", Priority.CRITICAL)]
    assert raised[0].evidence.hidden == ("k1/temperature", "k2/temperature", "k3/temperature")
    assert raised[0].vessels == ("rack", "k1", "k2", "k3")
    assert raised[0].evidence.reason == "silent"
    assert [alarm.name for alarm in watched.engine.alarms() if alarm.announced] == ["bus/bench/unwatched"]
    watched.read_all([(HOUR + number * SECOND, number, 15.0) for number in (1, 2, 3)])
    assert "bus/bench/unwatched" in watched.states, "seen again, and nobody knows yet that it was not"
    assert not [alarm for alarm in watched.engine.alarms() if alarm.active]


def test_what_a_lost_probe_hides_later_is_told_when_it_is_hidden():
    sources = (
        Source(1, "multi", T, "k1", 2 * MINUTE, "bench"),
        Source(2, "multi", Quantity.SALINITY, "k1", 2 * MINUTE, "bench"),
    )
    both = {T: PROMPT, Quantity.SALINITY: replace(PROMPT, advisory=Band(20, 38), critical=Band(10, 40))}
    watched = WatchedRack(plan_of(sources, {"polyp": both}))
    watched.read_all([(minute * MINUTE, 2, 30.0) for minute in range(60)])
    watched.wait(2 * HOUR)
    told_of = [event for event in watched.events if event.alarm == "probe/multi/unwatched"]
    assert [(str(it.trigger), (it.at_ms - START_MS) / MINUTE) for it in told_of] == [
        ("raised", 30.0),
        ("worsened", 89.0),
    ]
    assert told_of[1].evidence.hidden == ("k1/temperature", "k1/salinity")


def test_a_silence_that_comes_to_hide_a_danger_goes_over_into_one_alarm():
    """No stage asks for the temperature, and salinity does without it for hours, ever less surely."""
    sources = (
        Source(1, "multi", T, "k1", 2 * MINUTE, "bench"),
        Source(2, "multi", Quantity.CONDUCTIVITY, "k1", 2 * MINUTE, "bench"),
    )
    narrow = Tolerance(target=34.0, critical=Band(33.0, 35.0), critical_on_delay_ms=0)
    watched = WatchedRack(plan_of(sources, {"polyp": {Quantity.SALINITY: narrow}}))
    watched.read_all([(0, 1, 15.0), *((minute * MINUTE, 2, 42.0) for minute in range(300))])
    announced = [event for event in watched.events if event.state is State.UNACKNOWLEDGED]
    assert told(announced) == [("k1/temperature/silent", "raised"), ("probe/multi/unwatched", "worsened")]
    assert [event.priority for event in announced] == [Priority.LOW, Priority.CRITICAL]
    assert announced[0].cause == announced[1].cause
    assert watched.states["k1/temperature/silent"] == "suppressed by design"
    watched.read_all([(300 * MINUTE, 1, 15.0), (300 * MINUTE + 1, 2, 42.0)])
    assert [alarm.name for alarm in watched.engine.alarms() if alarm.active] == []


def test_a_probe_that_is_heard_again_before_it_hid_a_danger_for_too_long_calls_nobody():
    watched = WatchedRack(plan_of(thermometers(1, silent_after_ms=2 * MINUTE), CALM), restarting=True)
    watched.read_all([(0, 1, 15.0), (20 * MINUTE, 1, 15.0), (21 * MINUTE, 1, 15.0)])
    assert watched.steps == [("k1/temperature/silent", "suppressed"), ("k1/temperature/silent", "released")]
    assert watched.states == {}


def test_a_probe_that_is_replaced_under_another_name_ends_what_the_old_one_hid():
    plan = plan_of(thermometers(1, silent_after_ms=2 * MINUTE), CALM)
    watched = WatchedRack(plan)
    watched.read(0, 1, 15.0)
    watched.wait(HOUR)
    watched.configure(HOUR, replace(plan, sources=(replace(plan.sources[0], id=2, probe="new"),)))
    assert [alarm.name for alarm in watched.engine.alarms() if alarm.active] == []
    watched.read(HOUR + MINUTE, 2, 15.0)
    watched.wait(HOUR + 2 * MINUTE)
    assert watched.steps[-2:] == [
        ("k1/temperature/silent", "released"),
        ("probe/t1/unwatched", "returned"),
    ]
    watched.wait(3 * HOUR)
    assert watched.steps[-1] == ("probe/new/unwatched", "raised")


def test_what_is_under_maintenance_falls_silent_unheard():
    watched = WatchedRack(plan_of(thermometers(2, silent_after_ms=60 * SECOND), CALM))
    watched.do(0, "begin_maintenance", target="bus/bench", why="new cable", for_s=600)
    watched.wait(5 * MINUTE)
    assert {str(event.trigger) for event in watched.events} == {"suppressed"}
    watched.wait(11 * MINUTE)
    raised = [event.alarm for event in watched.events if str(event.trigger) == "raised"]
    assert raised == ["k1/temperature/silent"], "still silent afterwards: one of the two tells it"


# Causes


def test_a_failed_chiller_on_a_shared_loop_is_one_alarm_until_one_vessel_is_worse():
    loop = Supply("cold-loop", T, ("k1", "k2", "k3"))
    watched = rack(3, supplies=(loop,))
    watched.read_all([(0, 1, 19.0), (1, 2, 19.0), (2, 3, 19.0)])
    assert watched.steps == [
        (HIGH, "raised"),
        ("k2/temperature/high", "suppressed"),
        ("k3/temperature/high", "suppressed"),
    ]
    assert watched.events[-1].vessels == ("k3", "k1", "k2")
    assert watched.events[-1].why == HIGH
    assert told(watched.read(MINUTE, 3, 24.0)) == [("k3/temperature/high_high", "raised")]
    assert watched.events[-1].priority is Priority.CRITICAL


def test_vessels_that_share_nothing_are_told_one_by_one():
    watched = rack(2)
    watched.read_all([(0, 1, 19.0), (1, 2, 19.0)])
    assert watched.steps == [(HIGH, "raised"), ("k2/temperature/high", "raised")]


def test_no_critical_vessel_stays_unannounced_in_a_flood():
    """Twenty vessels of one loop get too warm, one after the other, and each is acknowledged at once."""
    count = 20
    loop = Supply("cold-loop", T, tuple(f"k{number}" for number in range(1, count + 1)))
    watched = rack(count, supplies=(loop,))
    for number in range(1, count + 1):
        watched.read(number * MINUTE, number, 25.0)
        name = f"k{number}/temperature/high_high"
        assert watched.states[name] == "unacknowledged"
        watched.do(number * MINUTE + 1, "acknowledge", alarm=name)


def test_what_happens_at_one_moment_is_told_in_order_of_urgency():
    """One reading crosses the advisory and the critical limit: one announcement of the worst, not two."""
    watched = rack()
    watched.read(0, 1, 25.0)
    assert [(event.alarm, event.trigger, event.priority) for event in watched.events] == [
        (HIGH_HIGH, "raised", Priority.CRITICAL),
        (HIGH, "suppressed", Priority.MEDIUM),
    ]


# Probes that cannot be believed


def test_readings_that_cannot_be_raise_no_alarm_of_the_water_but_one_of_the_probe():
    watched = rack()
    watched.read_all([(minute * MINUTE, 1, 5000.0) for minute in range(4)])
    assert [(event.alarm, event.priority) for event in watched.events] == [
        ("k1/temperature/probe_fault", Priority.LOW)
    ]


@pytest.mark.parametrize(
    ("tolerances", "expected"),
    [
        ({}, None),
        ({T: Tolerance(advisory=Band(12, 18))}, Priority.MEDIUM),
        ({T: Tolerance(max_rise_per_hour=1.0)}, Priority.HIGH),
        ({T: Tolerance(critical=Band(8, 23))}, Priority.CRITICAL),
        ({T: Tolerance(max_disagreement=1.0)}, None),
        ({Quantity.SALINITY: Tolerance(critical=Band(20, 38))}, None),
    ],
)
def test_what_a_failing_probe_hides_is_as_urgent_as_the_worst_alarm_that_is_lost_with_it(
    tolerances, expected
):
    """The last case: temperature has no limit itself, and salinity goes on without it, less surely."""
    sources = (
        Source(1, "t", T, "k1", 2 * MINUTE, "bench"),
        Source(2, "c", Quantity.CONDUCTIVITY, "k1", 2 * MINUTE, "bench"),
    )
    watched = WatchedRack(plan_of(sources, {"polyp": tolerances}))
    rows = [(minute * MINUTE, *read) for minute in range(32) for read in ((1, 5000.0), (2, 39.0))]
    watched.read_all(rows)
    found = {event.alarm: event.priority for event in watched.events if event.trigger == "raised"}
    its_own = {"k1/temperature/probe_fault": Priority.LOW}
    hidden = {} if expected is None else {"probe/t/unwatched": expected}
    assert found == (hidden or its_own), "one alarm: of what is hidden, or of the probe"
    for event in watched.events:
        if event.alarm in hidden:
            assert event.at_ms == START_MS + 30 * MINUTE
            assert (event.evidence.hidden, event.vessels) == (("k1/temperature",), ("k1",))


def test_a_lost_barometer_is_of_low_priority_because_its_last_value_stands_in():
    sources = (
        Source(1, "ct", T, "k1", DAY, "bench"),
        Source(2, "ct", Quantity.CONDUCTIVITY, "k1", DAY, "bench"),
        Source(3, "do", Quantity.OXYGEN, "k1", DAY, "bench"),
        Source(4, "room", Quantity.AIR_PRESSURE, "rack", 60 * SECOND, "air"),
    )
    saturation = {Quantity.OXYGEN_SATURATION: replace(PROMPT, advisory=Band(80, 103), critical=Band(60, 107))}
    watched = WatchedRack(plan_of(sources, {"polyp": saturation}))
    watched.read_all([(0, 4, 1013.0), (1, 1, 15.0), (2, 2, 40.0)])
    (event,) = watched.wait(5 * MINUTE)
    assert (event.alarm, event.priority) == ("rack/air_pressure/silent", Priority.LOW)
    assert told(watched.read(6 * MINUTE, 3, 4.0))[0] == ("k1/oxygen_saturation/low_low", "raised")


def test_redundant_probes_that_disagree_say_so_on_the_second():
    sources = (Source(1, "a", T, "k1", DAY, "bench"), Source(2, "b", T, "k1", DAY, "bench"))
    watched = WatchedRack(plan_of(sources, {"polyp": {T: replace(PROMPT, max_disagreement=0.5)}}))
    watched.read_all([(0, 1, 15.0), (1, 2, 15.5)])
    assert watched.events == []
    (event,) = watched.read(MINUTE, 2, 15.6)
    assert (event.alarm, event.priority) == ("k1/temperature/b/disagreement", Priority.MEDIUM)
    assert event.evidence.value == pytest.approx(0.6)
    assert told(watched.read(2 * MINUTE, 2, 15.3)) == [("k1/temperature/b/disagreement", "returned")]


def test_salinities_of_two_cells_are_compared_too():
    """40.0 and 41.5 mS/cm at 15 °C are salinities of some 32.4 and 33.7: more than 1 apart."""
    sources = (
        Source(1, "a", T, "k1", DAY, "bench"),
        Source(2, "a", Quantity.CONDUCTIVITY, "k1", DAY, "bench"),
        Source(3, "b", Quantity.CONDUCTIVITY, "k1", DAY, "bench"),
    )
    limits = replace(PROMPT, advisory=Band(), critical=Band(), max_disagreement=1.0)
    watched = WatchedRack(plan_of(sources, {"polyp": {Quantity.SALINITY: limits}}))
    watched.read_all([(0, 1, 15.0), (1, 2, 40.0), (2, 3, 41.5)])
    assert told(watched.events) == [("k1/salinity/b/disagreement", "raised")]
    assert watched.events[0].evidence.value == pytest.approx(1.35, abs=0.1)


# Maintenance


@pytest.mark.parametrize("by_hand", [True, False])
def test_after_maintenance_it_is_said_whether_the_water_is_back(by_hand):
    watched = WatchedRack(plan_of(thermometers(4, silent_after_ms=HOUR), CALM))
    watched.do(0, "begin_maintenance", target="bus/bench", why="water change", for_s=7_200)
    watched.read_all([(MINUTE, 4, 15.0), (119 * MINUTE, 1, 15.0), (119 * MINUTE, 2, 19.0)])
    if by_hand:
        watched.do(2 * HOUR - 1, "end_maintenance", target="bus/bench")
    else:
        watched.wait(2 * HOUR)
    (notice,) = watched.notices
    assert (notice.kind, notice.vessel) == ("maintenance over", "bus/bench")
    assert notice.details == {"outside": ["k2/temperature"], "unknown": ["k3/temperature", "k4/temperature"]}
    assert watched.engine.maintenance() == {}
    assert watched.states["k2/temperature/high"] == "unacknowledged"


def test_the_check_after_maintenance_knows_of_a_ramp_under_way():
    """Half way from 18-22 to 8-12 °C the band is 13-17 °C."""
    watched = keeper_rack()
    watched.do(0, "move_stage", vessel="k1", stage="strobila", over_s=10 * 86_400)
    for hour, value, outside in ((120, 15.0, []), (121, 10.0, ["k1/temperature"])):
        watched.do(hour * HOUR, "begin_maintenance", target="vessel/k1", why="water change", for_s=60)
        watched.read(hour * HOUR + 1, 1, value)
        watched.wait(hour * HOUR + MINUTE)
        assert watched.notices[-1].details["outside"] == outside


def test_maintenance_declared_twice_or_ended_by_hand_ends_once():
    watched = rack()
    watched.do(0, "begin_maintenance", target="vessel/k1", why="x", for_s=60)
    watched.do(1, "end_maintenance", target="vessel/k1")
    watched.wait(DAY)
    assert [notice.kind for notice in watched.notices] == ["maintenance over"]


# Restart


LATCHING = AlarmRules(latching=(Condition.LOW,), reannounce_ms=HOUR)
BRING_INTO = {
    "unacknowledged": [("read", 20.0)],
    "acknowledged": [("read", 20.0), ("acknowledge", {})],
    "returned unacknowledged": [("read", 20.0), ("read", 15.0)],
    "latched unacknowledged": [("read", 10.0), ("read", 15.0)],
    "latched acknowledged": [("read", 10.0), ("acknowledge", {}), ("read", 15.0)],
    "shelved": [("read", 20.0), ("shelve", {"why": "x", "for_s": 1800})],
    "suppressed by design": [
        ("read", 20.0),
        ("begin_maintenance", {"target": "vessel/k1", "why": "x", "for_s": 1800}),
    ],
    "out of service": [("read", 20.0), ("take_out_of_service", {"why": "x"})],
    "normal": [("read", 15.0)],
}
AFTERWARDS = [
    ("read", 15.0),
    ("read", 25.0),
    ("read", 20.0),
    ("acknowledge", {}),
    ("read", 15.0),
    ("acknowledge", {}),
    ("reset", {}),
    ("read", 5.0),
]


def test_a_way_into_each_state_is_known():
    assert set(BRING_INTO) == {str(state) for state in State}


@pytest.mark.parametrize("state", BRING_INTO)
def test_a_restart_in_any_state_resumes_in_it_and_goes_on_as_if_nothing_had_happened(state):
    def life(restarting):
        watched = rack(alarm_rules=LATCHING)
        minute = 0
        for kind, what in [*BRING_INTO[state], ("restart", None), *AFTERWARDS]:
            minute += 10
            if kind == "read":
                watched.read(minute * MINUTE, 1, what)
            elif kind == "restart":
                assert set(watched.states.values()) == ({state} - {"normal"})
                watched.restarting = restarting
                watched.wait(minute * MINUTE)
                assert set(watched.states.values()) == ({state} - {"normal"})
            else:
                alarm = next(iter(watched.states), HIGH)
                watched.do(minute * MINUTE, kind, **{"alarm": alarm} | what)
        watched.wait(5 * HOUR)
        return [to_plain(event) for event in watched.events], watched.states

    assert life(restarting=True) == life(restarting=False)


# Another plan


def test_what_is_taken_out_of_the_plan_returns_and_what_stays_goes_on():
    watched = rack(2)
    watched.read_all([(0, 1, 19.0), (0, 2, 19.0)])
    watched.do(1, "acknowledge", alarm=HIGH)
    assert told(watched.configure(MINUTE, plan_of(thermometers(2)[1:], CALM))) == [(HIGH, "returned")]
    assert watched.states == {"k2/temperature/high": "unacknowledged"}
    assert watched.read(2 * MINUTE, 1, 30.0) == [], "its readings are passed over"
    gone = [notice.details["said"] for notice in watched.notices if notice.kind == "not watched any more"]
    assert gone == ["k1/temperature"]


def test_however_much_is_taken_out_of_the_plan_one_line_that_can_be_read_says_so():
    watched = rack(9)
    watched.configure(MINUTE, plan_of(thermometers(9)[:1], CALM))
    (notice,) = watched.notices
    assert notice.details["said"].startswith("k2/temperature, k3/temperature")
    assert notice.details["said"].endswith(" and 3 more")
    assert len(notice.details["said"]) <= 200


def test_a_held_alarm_whose_channel_vanishes_lets_go_when_its_hold_ends():
    watched = rack(2)
    watched.read(0, 1, 19.0)
    watched.do(1, "shelve", alarm=HIGH, why="x", for_s=600)
    watched.do(1, "take_out_of_service", alarm="k1/temperature/low", why="x")
    assert watched.configure(MINUTE, plan_of(thermometers(2)[1:], CALM)) == []
    watched.wait(HOUR)
    assert watched.states == {"k1/temperature/low": "out of service"}
    watched.do(HOUR, "put_back_into_service", alarm="k1/temperature/low")
    assert watched.states == {}
    assert watched.refusal == ""


def test_maintenance_of_what_vanishes_still_ends():
    watched = rack(2)
    watched.do(0, "begin_maintenance", target="vessel/k1", why="x", for_s=600)
    watched.read(1, 1, 19.0)
    watched.configure(MINUTE, plan_of(thermometers(2)[1:], CALM))
    watched.wait(HOUR)
    assert watched.states == {}
    assert watched.engine.maintenance() == {}


def test_a_plan_with_a_step_in_the_past_makes_it_now_and_turns_no_time_back():
    watched = keeper_rack()
    watched.wait(5 * HOUR)
    late = plan_of(thermometers(1), STAGES, steps={"k1": (StageStep(START_MS + 2 * HOUR, "strobila"),)})
    watched.configure(5 * HOUR, late)
    assert watched.engine.stages()["k1"].since_ms == START_MS + 2 * HOUR
    watched.wait(6 * HOUR)
    assert watched.engine.clock_ms == START_MS + 6 * HOUR
    watched.read(7 * HOUR, 1, 20.0)
    times = [event.at_ms for event in watched.events]
    assert times == sorted(times)
    assert watched.states == {HIGH_HIGH: "unacknowledged", HIGH: "suppressed by design"}


def test_a_usual_stay_that_is_over_when_it_is_first_said_is_reminded_of_at_once_and_once():
    steps = {"k1": (StageStep(START_MS + 1, "planula"),)}
    watched = WatchedRack(plan_of(thermometers(1), STAGES, steps=steps))
    watched.wait(11 * DAY)
    told_of = plan_of(thermometers(1), STAGES, steps=steps, usual_stay_ms={"planula": 10 * DAY})
    watched.configure(12 * DAY, told_of)
    watched.configure(13 * DAY, told_of)
    watched.wait(20 * DAY)
    assert [notice.at_ms - START_MS for notice in about_stages(watched)] == [12 * DAY]


def test_a_limit_that_is_made_wider_lets_its_alarm_go_with_the_next_reading():
    watched = rack()
    watched.read(0, 1, 19.0)
    watched.configure(1, plan_of(thermometers(1), {"polyp": {T: replace(PROMPT, advisory=Band(12, 20))}}))
    assert told(watched.read(MINUTE, 1, 19.0)) == [(HIGH, "returned")]


# Odd racks and odd inputs


def test_a_rack_without_probes_or_vessels_lets_time_pass():
    watched = WatchedRack(RackPlan("empty", (), {}, {}, {}))
    assert watched.wait(DAY) == []
    assert watched.read(2 * DAY, 7, 15.0) == []
    assert watched.engine.clock_ms == START_MS + 2 * DAY
    assert watched.engine.channels() == watched.engine.alarms() == []


def test_a_vessel_whose_stage_has_no_limits_is_watched_for_silence_only():
    plan = plan_of(thermometers(1, silent_after_ms=60 * SECOND), {})
    watched = WatchedRack(plan)
    watched.read(0, 1, 35.0)
    assert told(watched.wait(HOUR)) == [("k1/temperature/silent", "raised")]
    assert watched.events[0].priority is Priority.LOW


def test_readings_out_of_order_are_refused_and_change_nothing():
    engine = Engine(plan_of(thermometers(2), CALM), START_MS)
    before = json.dumps(engine.snapshot())

    def block(*rows):
        at, source, time = np.array(rows, dtype=np.int64).T.copy() + np.array([[START_MS], [0], [START_MS]])
        return Readings(np.arange(len(rows)), at, source, time, np.full(len(rows), 15.0))

    for rows in ([(5, 1, 5), (4, 2, 4)], [(-1, 1, -1)], [(5, 1, 5), (6, 1, 5)], [(5, 1, 5), (6, 1, 4)]):
        with pytest.raises(InputError, match=r"order of their arrival|must rise"):
            engine.feed(block(*rows))
        assert json.dumps(engine.snapshot()) == before
    engine.feed(block((5, 1, 5)))
    with pytest.raises(InputError, match="must rise"):
        engine.feed(block((6, 1, 5)))
    with pytest.raises(InputError, match="cannot run back"):
        engine.advance(START_MS)


def test_an_empty_block_changes_nothing():
    engine = Engine(plan_of(thermometers(1), CALM), START_MS)
    none = np.array([], dtype=np.int64)
    before = json.dumps(engine.snapshot())
    outcome = engine.feed(Readings(none, none, none, none, np.array([])))
    assert outcome.flags == outcome.events == []
    assert json.dumps(engine.snapshot()) == before


def test_a_snapshot_of_another_version_is_refused():
    snapshot = Engine(plan_of(thermometers(1), CALM), START_MS).snapshot()
    with pytest.raises(InputError, match="snapshot version 0"):
        Engine.restore({**snapshot, "version": 0})


def test_people_see_every_channel_as_it_stands():
    watched = WatchedRack(plan_of(thermometers(2, silent_after_ms=HOUR), CALM))
    watched.read(0, 1, 15.5)
    watched.wait(2 * HOUR)
    one, two = watched.engine.channels()
    assert (one.channel.name, one.value, one.time_ms, one.silent) == ("k1/temperature", 15.5, START_MS, True)
    assert one.tolerance is PROMPT
    assert np.isnan(two.value)
    assert watched.engine.newest_times_ms() == {1: START_MS, 2: -1}


@pytest.mark.parametrize(
    ("every", "silent_after", "told_after"),
    [(10 * SECOND, HOUR, 30), (20 * MINUTE, 45 * MINUTE, 60), (9 * MINUTE, 20 * MINUTE, 30)],
    ids=["a patient silence delays nothing", "three slow polls", "less than three polls"],
)
def test_unwatched_counts_from_the_last_reading_and_waits_for_three_polls_of_the_settings(
    every, silent_after, told_after
):
    (one,) = thermometers(1, silent_after_ms=silent_after)
    watched = WatchedRack(plan_of((replace(one, every_ms=every),), CALM))
    watched.read(0, 1, 15.0)
    watched.wait(3 * HOUR)
    (raised,) = [event for event in watched.events if event.state is State.UNACKNOWLEDGED]
    assert (raised.alarm, raised.at_ms) == ("probe/t1/unwatched", START_MS + told_after * MINUTE)
    assert raised.since_ms == START_MS
