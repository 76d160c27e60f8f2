"""What comes and goes for hours is told twice, and no danger waits for it. Invented water.

The drift of a probe that is reset again and again looks like water that moves to and fro: nothing shows that
it does not. Periods and sizes were drawn once, by `secrets`; they come from no threshold of the rules.
"""

import json
from dataclasses import replace

import numpy as np
import pytest

from rules.alarms.life_cycle import Priority, State, Trigger
from rules.engine import Engine
from rules.quantities import Quantity
from rules.rack.plan import Supply
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.faults.chain import C1, FAULT_AT, HOUR, MINUTE, O1, O2, START_MS, T1, T2, Water

RESETS = [
    # the probe, how far it drifts each time (its own unit), hours from one reset to the next
    (C1, 4.2, 1.53),
    (C1, -3.7, 2.28),
    (C1, 3.1, 1.39),
    (O1, -1.7, 1.13),
]


def sawtooth(found, source, size, every_h):
    found.value[source] = found.value[source] + size * (found.since_h / every_h % 1.0)
    return found


MOVES = ("rising", "falling")


@pytest.mark.parametrize(("source", "size", "every_h"), RESETS)
def test_a_probe_that_drifts_and_is_reset_all_night_is_told_twice_of_each_move(source, size, every_h):
    """The first is news, and so is that it comes again: that says that more are only told if they last."""
    told = sawtooth(Water(hours=17, every_ms=MINUTE).measured(), source, size, every_h).run()
    moves = [event for event in told.announced() if event.condition in MOVES]
    often = {event.alarm: sum(other.alarm == event.alarm for other in moves) for event in moves}
    assert max(often.values()) == 2, often
    again = {event.alarm: event.evidence.reason for event in moves}
    twice = [again[name] for name, times in often.items() if times == 2]
    assert all(
        "2 times within" in reason and "more are told if they last, or are worse" in reason
        for reason in twice
    )
    held = [event for event in told.events if event.why == "what comes and goes"]
    assert len(held) >= 3
    drifts = "rising" if size > 0 else "falling"
    leapt = {event.condition for event in moves if "in one leap" in event.evidence.reason}
    assert leapt <= set(MOVES) - {drifts}, "it drifts that way, and leaps back"


def test_what_is_milder_is_part_of_a_move_that_was_told_twice():
    """Out of its band for as long as it falls: told on the mornings after as part of that."""
    told = sawtooth(Water(hours=17, every_ms=MINUTE).measured(), C1, -3.7, 2.28).run()
    low = [event for event in told.events if event.alarm == "k1/salinity/low"]
    assert {event.why for event in low if event.trigger is Trigger.SUPPRESSED} == {"k1/salinity/falling"}
    assert not [event for event in told.announced() if event.alarm == "k1/salinity/low"]


def test_what_is_critical_is_told_each_time():
    """Nothing shows that it is not the water: a pump that fails again after it was mended is news."""
    told = sawtooth(Water(hours=12, every_ms=MINUTE).measured(), O1, 1.5, 1.07).run()
    tops = [event for event in told.announced() if event.alarm == "k1/oxygen_saturation/high_high"]
    assert len(tops) == int((12 - 3) / 1.07)


def test_what_comes_and_goes_is_told_again_the_next_day():
    """A supply that swings for days is not told of once and for all."""
    told = sawtooth(Water(hours=5 * 24, every_ms=MINUTE).measured(), C1, 4.2, 1.53).run()
    rises = [(e.at_ms - told.fault_ms) / HOUR for e in told.announced() if e.alarm == "k1/salinity/rising"]
    assert [int(hours // 24) for hours in rises] == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4], rises


def test_a_move_that_lasts_longer_than_before_is_told():
    """Salt that rises and falls again and again; the last time it rises for hours."""
    found = Water(hours=17, every_ms=MINUTE)
    last = found.since_h - 9.1
    to_and_fro = np.where(last > 0, 0.0, 3.0 * (found.since_h / 1.5 % 1.0))
    found.salinity[1] = found.salinity[1] + to_and_fro + 0.9 * np.clip(last, 0.0, 4.0)
    told = found.measured().run()
    rises = [
        (event.at_ms - told.fault_ms) / HOUR
        for event in told.announced()
        if event.alarm == "k1/salinity/rising"
    ]
    assert [hours > 9.1 for hours in rises] == [False, False, True], rises


DANGERS = {
    # what moves, to where, within hours; the alarm of the limit that it crosses
    "heat": ("temperature", Quantity.TEMPERATURE, 26.3, 2.6, "high_high"),
    "crash": ("saturation", Quantity.OXYGEN_SATURATION, 21.0, 0.9, "low_low"),
    "brine": ("salinity", Quantity.SALINITY, 40.4, 2.2, "high_high"),
}
DRIFTS = [(C1, 2.6, 1.39), (C1, -2.1, 1.9), (O1, -1.7, 1.13)]


@pytest.mark.parametrize("danger", DANGERS)
@pytest.mark.parametrize(("source", "size", "every_h"), DRIFTS)
def test_a_danger_that_comes_meanwhile_is_told_in_its_time(danger, source, size, every_h):
    """At its limit: within its delay, and by what the drift moves what is measured."""
    what, quantity, to, within_h, condition = DANGERS[danger]
    critical = DEFAULT_TOLERANCES["ephyra"][quantity].critical
    limit = critical.high if condition == "high_high" else critical.low
    found = Water(hours=15, every_ms=MINUTE)
    share = np.clip((found.since_h - 8.3) / within_h, 0.0, 1.0)
    course = getattr(found, what)
    course[1] = course[1] + (to - course[1]) * share
    told = sawtooth(found.measured(), source, size, every_h).run()
    beyond = course[1] > limit if condition == "high_high" else course[1] < limit
    crossed_ms = START_MS + int(found.at[np.argmax(beyond)])
    name = f"k1/{quantity}/{condition}"
    in_min = [
        (event.at_ms - crossed_ms) / MINUTE
        for event in told.announced(Priority.CRITICAL)
        if event.alarm == name
    ]
    assert any(abs(minutes) <= 26 for minutes in in_min), in_min


FOR_GOOD = [
    # what moves, its quantity, its critical limit; how far and within how many hours it moves twice and comes
    # back, and then for good. Drawn once, from the digits of a clock
    ("saturation", "low_low", 60.0, [(-31.9, 0.46), (-24.7, 0.81)], (-44.8, 1.57)),
    ("saturation", "low_low", 60.0, [(-12.5, 0.29), (-16.3, 0.52), (-14.1, 0.37)], (-57.0, 0.88)),
    ("temperature", "high_high", 23.0, [(4.9, 1.9), (6.1, 3.2)], (10.6, 2.7)),
    ("salinity", "low_low", 25.0, [(-3.4, 1.6), (-4.2, 2.3)], (-9.7, 4.1)),
]


def moves_again(waves):
    """Return the water that moves, is put right within the hour, and moves again, the last time for good."""
    what, way, limit, waves, (by, within_h) = waves
    found = Water(hours=22, every_ms=MINUTE)
    begins = 0.2
    course = getattr(found, what)
    for size, hours in waves:
        back = np.clip((found.since_h - begins - hours - 0.2) / 0.7, 0.0, 1.0)
        course[1] = course[1] + size * (np.clip((found.since_h - begins) / hours, 0.0, 1.0) - back)
        begins += hours + 2.6
    course[1] = course[1] + by * np.clip((found.since_h - begins) / within_h, 0.0, 1.0)
    beyond = course[1] < limit if way == "low_low" else course[1] > limit
    return found.measured(), START_MS + FAULT_AT + begins * HOUR, START_MS + int(found.at[np.argmax(beyond)])


@pytest.mark.parametrize("waves", FOR_GOOD)
def test_water_that_moves_again_is_told_as_soon_as_it_would_be_the_first_time(waves):
    """It never leapt, as a probe that is reset does: each time is news, however often it came."""
    found, begins_ms, crossed_ms = moves_again(waves)
    told = found.run()
    told_ms = [event.at_ms for event in told.announced(Priority.HIGH) if event.at_ms > begins_ms]
    alone, alone_ms, _ = moves_again((*waves[:3], [], waves[4]))
    first_ms = [event.at_ms for event in alone.run().announced(Priority.HIGH) if event.at_ms > alone_ms]
    assert told_ms[0] - begins_ms <= first_ms[0] - alone_ms + 2 * MINUTE
    assert told_ms[0] < crossed_ms
    assert not any(event.why == "what comes and goes" for event in told.events)


def test_what_a_coarse_probe_shows_of_water_that_moves_again_is_told_each_time():
    """Where the water rests its last digit is all that moves: that is no leap."""
    found, _, _ = moves_again(FOR_GOOD[2])
    found.value[T1] = np.round(2 * found.value[T1]) / 2
    told = found.run()
    assert len([event for event in told.announced() if event.alarm == "k1/temperature/rising"]) >= 3
    assert not any(event.why == "what comes and goes" for event in told.events)


@pytest.mark.parametrize("waves", FOR_GOOD)
def test_water_that_moves_again_is_the_same_however_the_readings_are_cut(waves):
    found, _, _ = moves_again(waves)
    assert fed_in_pieces(found, 412_733_990) == found.run().events


def hovers(hours=30, further=0.0):
    """Oxygen that moves to and fro across its advisory limit (103 %), from hour 1 on, 97 to 103.6 %.

    From hour 22 on it is more, in mg/L.
    """
    found = Water(hours=hours, every_ms=MINUTE).measured()
    hum = 0.37 + 0.26 * np.sin(2 * np.pi * found.since_h / 0.63)
    its = hum * (found.since_h > 1.0) + further * (found.since_h > 22.0)
    found.value[O1] = np.round(found.value[O1] + its, 2)
    return found


def highs(told, least_h=0.0):
    return [
        (event.at_ms - told.fault_ms) / HOUR
        for event in told.announced()
        if event.alarm == "k1/oxygen_saturation/high" and event.at_ms > told.fault_ms + least_h * HOUR
    ]


def test_a_milder_limit_that_is_crossed_to_and_fro_is_told_twice_a_day():
    """Seen: 61 times in thirty hours."""
    told = hovers().run()
    assert [int(hours // 24) for hours in highs(told)] == [0, 0, 1, 1]
    assert len([event for event in told.events if event.why == "what comes and goes"]) >= 30


def test_what_goes_further_than_it_did_to_and_fro_is_told_as_it_does():
    """By more than the deadband, 3 %."""
    told = hovers(hours=26, further=0.26).run()
    assert len(highs(told)) - len(highs(told, 22.0)) == 2
    assert highs(told, 22.0)[0] <= 22.0 + 0.63


def test_a_limit_that_is_crossed_to_and_fro_is_the_same_however_the_readings_are_cut():
    found = hovers(hours=26, further=0.26)
    assert fed_in_pieces(found, 77_120_953) == found.run().events


def test_what_another_vessel_of_the_same_supply_does_is_told_meanwhile():
    found = Water(hours=10, every_ms=MINUTE)
    found.temperature[2] = found.temperature[2] - 9.0 * np.clip((found.since_h - 4.4) / 3.0, 0.0, 1.0)
    plan = sawtooth(found.measured(), T1, -1.1, 1.31).plan()
    loop = Supply("cold-loop", Quantity.TEMPERATURE, ("k1", "k2"))
    told = found.run(plan=replace(plan, supplies=(loop,)))
    falls = [event.alarm for event in told.announced(Priority.HIGH) if event.condition == "falling"]
    assert falls == ["k1/temperature/falling"] * 2 + ["k2/temperature/falling"]
    assert any(event.why == "what comes and goes" for event in told.events if event.vessel == "k1")


def test_what_people_move_at_work_does_not_count():
    """Twice it falls under maintenance, which tells nobody; the third time nobody is at work."""
    found = Water(hours=10, every_ms=MINUTE)
    for hours in (0.2, 2.2, 4.9):
        fall = np.clip((found.since_h - hours) / 0.8, 0.0, 1.0) - np.clip(
            found.since_h - hours - 1.0, 0.0, 1.0
        )
        found.salinity[1] = found.salinity[1] - 2.2 * fall
    work = {"target": "vessel/k1", "for_s": 4 * 3600, "why": "water change"}
    told = found.measured().run([(FAULT_AT, "begin_maintenance", work)])
    falls = [event for event in told.announced() if event.alarm == "k1/salinity/falling"]
    assert len(falls) == 1
    assert falls[0].at_ms > told.fault_ms + 4.9 * HOUR


def fed_in_pieces(found, seed):
    """Return what is told where the readings are cut anywhere, with a restart at each cut."""
    rows = found.readings()
    engine, events, draw, start = Engine(found.plan(), START_MS), [], np.random.default_rng(seed), 0
    while start < len(rows):
        stop = start + int(draw.integers(1, 160))
        part = rows[start:stop]
        at, source, measured = np.array([row[:3] for row in part], dtype=np.int64).T.copy()
        seq, value = start + 1 + np.arange(len(part)), np.array([row[3] for row in part])
        events += engine.feed(Readings(seq, at, source, measured, value)).events
        engine, start = Engine.restore(json.loads(json.dumps(engine.snapshot()))), stop
    return events + engine.advance(START_MS + int(found.at[-1])).events


def test_it_is_the_same_however_the_readings_are_cut():
    found = sawtooth(Water(hours=12, every_ms=MINUTE).measured(), C1, 4.2, 1.53)
    events = fed_in_pieces(found, 597_358_286)
    assert events == found.run().events
    assert any(event.why == "what comes and goes" for event in events)


def test_what_two_probes_of_a_bus_hide_is_not_told_again_of_each():
    """Thermometers and oxygen probes on one wire are read for each other from one moment on."""
    found = Water(hours=7, every_ms=MINUTE).measured()
    for one, other in ((T1, O1), (T2, O2)):
        t, o = found.value[one], found.value[other]
        found.value[one], found.value[other] = np.where(found.after, o, t), np.where(found.after, t, o)
    plan = found.plan()
    each = tuple(replace(it, probe=f"{it.vessel}-{it.quantity}") for it in plan.sources)
    told = found.run(plan=replace(plan, sources=each))
    assert [event.alarm for event in told.announced()] == ["bus/line/unwatched"]
    faults = {alarm.name: alarm.state for alarm in told.engine.alarms() if alarm.condition == "probe_fault"}
    assert set(faults.values()) == {State.SUPPRESSED}
    assert faults.keys() >= {"k1/temperature/probe_fault", "k2/oxygen/probe_fault"}
