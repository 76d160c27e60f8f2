"""Animals that have been fed draw oxygen down: their fall is told later, never their low limits."""

import pytest

from rules.alarms.life_cycle import Trigger
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.stages import DEFAULT_TOLERANCES
from tests.rigs.watched_rack import DAY, HOUR, MINUTE, START_MS, WatchedRack, plan_of

O2 = Quantity.OXYGEN_SATURATION
FED = 2 * HOUR


def raised(per_hour, *, fed=True, what="feed", vessel="k1"):
    """The first time [min after food] that each alarm is raised, where saturation falls from food on."""
    sources = tuple(Source(number, f"o{number}", O2, f"k{number}", 10 * DAY) for number in (1, 2))
    watched = WatchedRack(plan_of(sources, {"ephyra": DEFAULT_TOLERANCES["ephyra"]}), restarting=True)
    course = [(at, 1, 98.0 - per_hour * max(at - FED, 0) / HOUR) for at in range(0, 6 * HOUR, MINUTE)]
    watched.read_all([row for row in course if row[0] <= FED])
    if fed:
        watched.do(FED, "log", vessel=vessel, what=what)
    for hour in range(2, 6):
        watched.read_all([row for row in course if max(FED, hour * HOUR) < row[0] <= (hour + 1) * HOUR])
    times = {}
    for event in watched.events:
        if event.trigger in (Trigger.RAISED, Trigger.SUPPRESSED):
            times.setdefault(event.alarm, (event.at_ms - START_MS - FED) // MINUTE)
    return {name.rpartition("/")[2]: at for name, at in times.items()}


def test_a_fall_after_food_is_told_three_quarters_of_an_hour_later_at_most():
    hungry, fed = raised(12.0, fed=False), raised(12.0)
    assert 0 < fed["falling"] - hungry["falling"] <= 45


def test_low_limits_and_what_heads_for_them_stand_as_they_are():
    hungry, fed = raised(40.0, fed=False), raised(40.0)
    assert fed["low"] == hungry["low"]
    assert fed["heading_out"] == hungry["heading_out"]
    assert fed["falling"] > hungry["falling"]


@pytest.mark.parametrize("else_", [{"what": "note"}, {"vessel": "k2"}])
def test_only_food_in_the_same_vessel_counts(else_):
    assert raised(12.0, **else_) == raised(12.0, fed=False)


def test_food_excuses_no_fall_of_temperature():
    source = Source(1, "t", Quantity.TEMPERATURE, "k1", 10 * DAY)
    times = []
    for fed in (False, True):
        watched = WatchedRack(plan_of((source,), {"ephyra": DEFAULT_TOLERANCES["ephyra"]}))
        watched.read_all([(at, 1, 15.0) for at in range(0, FED + 1, MINUTE)])
        if fed:
            watched.do(FED, "log", vessel="k1", what="feed")
        falling = [(FED + at, 1, 15.0 - 2.0 * at / HOUR) for at in range(MINUTE, 2 * HOUR, MINUTE)]
        watched.read_all(falling)
        times.append([(event.alarm, event.at_ms) for event in watched.events])
    assert any(alarm.endswith("/falling") for alarm, _ in times[0])
    assert times[0] == times[1]
