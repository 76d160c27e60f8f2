"""A thermometer that lags behind the cell beside it makes salinity of a change of temperature.

Invented; sizes, hours and lags are drawn by a lot that was drawn once, by `secrets`.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import State, Trigger
from tests.faults.chain import C1, MINUTE, POLL, T1, Water

LOT = 3_391_740_262


def lagging(number, *, salt_per_hour=0.0):
    """Water that warms or cools by some kelvin within hours, by a thermometer with a lag of 10 to 60 min."""
    draw, found = np.random.default_rng([LOT, number]), Water(hours=7.0)
    kelvin, over_h = draw.uniform(0.7, 4.0) * (-1) ** number, draw.uniform(0.3, 3.0)
    found.temperature[1] = found.temperature[1] + kelvin * np.clip(found.since_h / over_h, 0.0, 1.0)
    found.salinity[1] = found.salinity[1] + salt_per_hour * found.since_h
    found.measured()
    share = 1.0 - np.exp(-POLL / MINUTE / draw.uniform(10.0, 60.0))
    shown = found.value[T1]
    for place in range(1, shown.size):
        shown[place] = shown[place - 1] + share * (shown[place] - shown[place - 1])
    return found


def announced(told):
    return [
        event
        for event in told.events
        if event.trigger in (Trigger.RAISED, Trigger.WORSENED) and event.state is State.UNACKNOWLEDGED
    ]


@pytest.mark.parametrize("number", range(12))
def test_no_salinity_is_told_to_change_by_it(number):
    """Seen: a rate of salinity by night, before the thermometer showed its own."""
    said = announced(lagging(number).run())
    assert [event.alarm for event in said if event.quantity != "temperature"] == []


@pytest.mark.parametrize("number", range(2))
def test_salt_that_changes_meanwhile_is_told_all_the_same(number):
    found = lagging(number, salt_per_hour=-4.0)
    said = announced(found.run())
    assert any(event.cause == "k1/salinity/down" for event in said)
    assert found.value[C1][-1] < found.value[C1][0]
