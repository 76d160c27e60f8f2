"""A thermostat's saw-tooth calls nobody, and a chiller that fails behind it is told in time.

The amplitudes, periods, shapes and slopes were drawn once at random and written down. What the rate is
measured against is the plain slope between both ends of an hour, as this project took it before.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Trigger
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.rigs.watched_rack import HOUR, MINUTE, START_MS

T = Quantity.TEMPERATURE
EPHYRA = DEFAULT_TOLERANCES["ephyra"][T]
LIMIT = EPHYRA.max_rise_per_hour
SAW_TEETH = [
    # to either side [°C], period [min], share of it that rises, phase, readings every [s]
    (0.3, 40, 0.5, 0.0, 60),
    (0.4, 9, 0.5, 0.0, 60),
    (0.33, 30, 0.74, 0.85, 60),
    (0.25, 57, 0.43, 0.19, 20),
    (0.23, 15, 0.58, 0.42, 20),
    (0.14, 39, 0.46, 0.23, 30),
    (0.16, 58, 0.59, 0.05, 60),
    (0.32, 18, 0.44, 0.62, 20),
    (0.12, 21, 0.81, 0.36, 20),
    (0.16, 47, 0.14, 0.43, 30),
    (0.31, 30, 0.28, 0.17, 30),
    (0.26, 69, 0.41, 0.05, 20),
    (0.34, 15, 0.82, 0.95, 30),
    (0.29, 55, 0.2, 0.53, 20),
]
FAILURES = [
    # °C per hour, the saw-tooth before it: to either side [°C], period [min]; readings every [s]
    (0.93, 0.22, 24, 60),
    (2.66, 0.01, 32, 30),
    (2.42, 0.07, 20, 60),
    (1.37, 0.28, 44, 60),
    (1.46, 0.3, 46, 60),
    (0.99, 0.21, 45, 30),
    (1.09, 0.34, 16, 30),
    (1.24, 0.0, 8, 60),
    (1.34, 0.36, 57, 20),
    (1.29, 0.19, 13, 20),
    (2.11, 0.04, 55, 60),
    (1.52, 0.08, 39, 30),
    (0.55, 0.0, 40, 60),
    (3.0, 0.4, 20, 60),
]


def saw_tooth(time_ms, amplitude, period_min, rising=0.5, phase=0.0):
    """Water of 15 °C that swings to either side, read with noise of 0.01 °C and rounded to as much."""
    at = (time_ms / (period_min * MINUTE) + phase) % 1.0
    swing = np.where(at < rising, 2 * at / rising - 1, 1 - 2 * (at - rising) / (1 - rising))
    noise = np.random.default_rng(period_min).normal(0.0, 0.01, time_ms.size)
    return 15.0 + amplitude * swing, noise


def rate_events(time_ms, value):
    """What an ephyra kreisel with one thermometer tells of how fast its water changes."""
    source = Source(1, "probe", T, "k1", 10 * MINUTE)
    engine = Engine(RackPlan("r", (source,), {"k1": "ephyra"}, {"ephyra": {T: EPHYRA}}, DEFAULT_QUALITY), 0)
    at_ms = START_MS + time_ms
    ones = np.ones(time_ms.size, dtype=np.int64)
    outcome = engine.feed(Readings(np.arange(time_ms.size), at_ms, ones, at_ms, np.round(value, 2)))
    told = [event for event in outcome.events if event.trigger is Trigger.RAISED]
    return [it for it in told if it.condition in (Condition.RISING, Condition.FALLING, Condition.HEADING_OUT)]


def between_ends(time_ms, value):
    """Return the slope between the readings at both ends of an hour."""
    first = np.searchsorted(time_ms, time_ms - HOUR)
    return (value - value[first]) / np.maximum(time_ms - time_ms[first], HOUR / 2) * HOUR


@pytest.mark.parametrize(("amplitude", "period_min", "rising", "phase", "every_s"), SAW_TEETH)
def test_two_days_of_saw_tooth_call_nobody(amplitude, period_min, rising, phase, every_s):
    time_ms = np.arange(0, 48 * HOUR, every_s * 1000)
    water, noise = saw_tooth(time_ms, amplitude, period_min, rising, phase)
    assert rate_events(time_ms, water + noise) == []


COLD_STARTS = 24
LOT = 2_209_417_733


@pytest.mark.parametrize("number", range(COLD_STARTS))
def test_a_swing_that_the_first_window_sees_half_of_calls_nobody(number):
    """Seen: half of such swings, from 0.25 °C to either side on, told by the first half of a window."""
    draw = np.random.default_rng([LOT, number])
    every_s = int(draw.choice([20, 30, 60]))
    time_ms = np.arange(0, 5 * HOUR, every_s * 1000)
    period_min = int(draw.integers(20, 80))
    water, noise = saw_tooth(
        time_ms, draw.uniform(0.25, 0.37), period_min, draw.uniform(0.15, 0.85), draw.random()
    )
    assert rate_events(time_ms, water + noise) == []


def test_the_slope_between_both_ends_would_have_called():
    """Shows that the table above can fail: one in three of its rows passes the limit by that slope."""
    time_ms = np.arange(0, 48 * HOUR, MINUTE)
    swings = [between_ends(time_ms, saw_tooth(time_ms, *row[:4])[0]) for row in SAW_TEETH]
    assert sum(np.max(np.abs(swing)) > LIMIT for swing in swings) > len(SAW_TEETH) / 3


@pytest.mark.parametrize(("per_hour", "amplitude", "period_min", "every_s"), FAILURES)
def test_a_failing_chiller_is_told_no_later_than_by_both_ends_and_a_third_of_an_hour(
    per_hour, amplitude, period_min, every_s
):
    """The chiller stops swinging the water when it fails, at the end of a swing or on its way.

    Counted from the failure: before the first window is full nobody can tell a slow swing from a slope.
    """
    time_ms = np.arange(0, 12 * HOUR, every_s * 1000)
    water, noise = saw_tooth(np.minimum(time_ms, 6 * HOUR), amplitude, period_min)
    water = water + per_hour * np.maximum(time_ms - 6 * HOUR, 0) / HOUR
    beyond = (between_ends(time_ms, water) > LIMIT) & (time_ms >= 6 * HOUR)
    plain_ms = int(time_ms[np.flatnonzero(beyond)[0]]) + EPHYRA.on_delay_ms
    told_ms = [event.at_ms - START_MS for event in rate_events(time_ms, water + noise)]
    assert min(at_ms for at_ms in told_ms if at_ms > 6 * HOUR) <= plain_ms + HOUR / 3
