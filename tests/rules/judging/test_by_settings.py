"""What no probe was ever configured for is unwatched by settings: shown, and never a call. Invented water."""

from dataclasses import replace

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Trigger
from rules.judging.watched import NO_WATER, WatchedState
from rules.quantities import Quantity
from tests.faults.chain import C1, HOUR, MINUTE, O1, START_MS, T1, T2, P, Water

USUAL = {"k1": {Quantity.TEMPERATURE: 14.6, Quantity.SALINITY: 31.4}}
ONLY = {
    "no thermometer": (C1, O1, P),
    "no cell": (T1, O1, P),
    "no optode": (T1, C1, P),
    "only a cell": (C1,),
    "only an optode": (O1,),
    "only a thermometer": (T1,),
    "a thermometer in the room": (T2, C1, O1, P),
    "nothing but a barometer": (P,),
}


def rack(kept, usual, hours=26):
    """A kreisel with some of its probes; the room's thermometer serves no vessel."""
    found = Water(hours=hours, every_ms=MINUTE).measured()
    for source in [it for it in found.value if it not in kept]:
        del found.value[source], found.read[source]
    plan = found.plan()
    sources = tuple(replace(it, vessel="rack") if it.id == T2 else it for it in plan.sources)
    return found, replace(plan, sources=sources, vessels={"k1": "ephyra"}, usual=usual)


@pytest.mark.parametrize("usual", [{}, USUAL], ids=["no usual water", "usual water"])
@pytest.mark.parametrize("only", ONLY)
def test_what_has_no_input_by_settings_calls_nobody_and_is_shown(only, usual):
    found, plan = rack(ONLY[only], usual)
    told = found.run(plan=plan)
    raised = [event.alarm for event in told.events if event.trigger is Trigger.RAISED]
    assert not raised
    for danger in told.engine.dangers():
        known = danger.watched
        if known.state is WatchedState.UNWATCHED:
            assert "by settings" in known.why, danger
    assert len(told.engine.dangers()) == 3


@pytest.mark.parametrize(
    ("only", "usual", "lost", "hidden"),
    [
        ("only an optode", USUAL, O1, "k1/oxygen_saturation"),
        ("no thermometer", USUAL, C1, "k1/salinity"),
        ("no thermometer", {}, O1, "k1/oxygen_saturation"),
        ("no cell", {}, T1, "k1/temperature"),
        ("only a thermometer", {}, T1, "k1/temperature"),
    ],
)
def test_what_settings_watch_even_roughly_is_called_once_it_is_lost(only, usual, lost, hidden):
    found, plan = rack(ONLY[only], usual)
    found.lose(lost)
    told = found.run(plan=plan)
    calls = [
        event
        for event in told.events
        if event.condition is Condition.UNWATCHED and event.trigger in (Trigger.RAISED, Trigger.WORSENED)
    ]
    assert len(calls) <= 2  # oxygen by a last temperature that grows old may follow
    assert hidden in calls[0].evidence.hidden
    assert calls[0].at_ms - told.fault_ms <= 31 * MINUTE


def test_a_crash_of_oxygen_is_told_by_an_optode_alone():
    """All usual water assumed: as likely, one priority lower, or as sure."""
    found = Water(hours=12, every_ms=MINUTE)
    share = np.clip((found.at - 7.3 * HOUR) / HOUR, 0.0, 1.0)
    found.saturation[1] = found.saturation[1] * (1 - 0.93 * share)
    found.measured()
    _, plan = rack(ONLY["only an optode"], USUAL)
    for source in [it for it in found.value if it != O1]:
        del found.value[source], found.read[source]
    told = found.run(plan=plan)
    calls = [event for event in told.events if event.condition is Condition.LOW_LOW]
    assert calls
    assert (calls[0].at_ms - START_MS) / HOUR < 8.6


def test_a_number_that_hardly_any_water_is_is_not_simply_watched():
    """What 15.0 as a float32 (0x41700000) is with its words in the other order: 0.00 °C on every screen."""
    found = Water(hours=2).measured()
    found.value[T1][:] = np.array([0x00004170], dtype=">u4").view(">f4").astype(float)[0]
    danger = next(it for it in found.run().engine.dangers() if it.quantity == "temperature")
    assert (danger.watched.state, danger.watched.why) == (WatchedState.WATCHED_ROUGHLY, NO_WATER)
