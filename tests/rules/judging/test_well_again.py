"""A probe whose fault is over is watched again within hours, where anything tells that it is well; else not.

Invented faults in invented calm water. What a cell shows of water that warms is of the gsw reference library.
"""

import json
from functools import cache

import gsw
import numpy as np
import pytest

from rules.engine import Engine
from rules.judging.watched import WatchedState
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings

MIDNIGHT_MS = 1_760_054_400_000  # 2025-10-10T00:00:00Z
HOUR, POLL = 3_600_000, 60_000
FAULT_H, HOURS = 54, 72
LOT = 1_207_733_951
T, C = 1, 2
SOURCES = (
    Source(T, "multi", Quantity.TEMPERATURE, "k1", 180_000, "a", every_ms=POLL),
    Source(C, "multi", Quantity.CONDUCTIVITY, "k1", 180_000, "a", every_ms=POLL),
)
PLAN = RackPlan(
    "bench", SOURCES, {"k1": "ephyra"}, {"ephyra": DEFAULT_TOLERANCES["ephyra"]}, quality=DEFAULT_QUALITY
)
AT = np.arange(POLL, HOURS * HOUR, POLL)
since_h = AT / HOUR - FAULT_H
"""After the fault began."""


def water(warms_k=0.0, over_h=4.0, salt_per_day=0.0):
    """What thermometer and cell read of water that warms from half an hour into the fault on, or dries up."""
    draws = np.random.default_rng(LOT).normal(size=(2, AT.size))
    warm = 15.0 + 0.2 * np.sin(2 * np.pi * AT / (24 * HOUR))
    warm += warms_k * np.clip((since_h - 0.5) / over_h, 0.0, 1.0)
    cell = gsw.C_from_SP(32.0 + salt_per_day * np.maximum(since_h, 0.0) / 24, warm, 0.0)
    return {T: np.round(warm + 0.01 * draws[0], 2), C: np.round(cell + 0.01 * draws[1], 2)}


def block(values, where):
    order = [(int(AT[place]), it, float(values[it][place])) for place in where.nonzero()[0] for it in (T, C)]
    at_ms = MIDNIGHT_MS + np.array([row[0] for row in order])
    source, value = (np.array([row[kind] for row in order]) for kind in (1, 2))
    return Readings(np.arange(1, at_ms.size + 1), at_ms, source, at_ms, value)


@cache
def before():
    engine = Engine(PLAN, MIDNIGHT_MS)
    engine.feed(block(water(), since_h < 0))
    return json.dumps(engine.snapshot())


def unwatched(values, until_h):
    """What nobody sees of what is measured, so many hours after the fault began."""
    engine = Engine.restore(json.loads(before()))
    engine.feed(block(values, (since_h >= 0) & (since_h <= until_h)))
    dangers = engine.dangers()
    lost = {str(it.quantity) for it in dangers if it.watched.state is WatchedState.UNWATCHED}
    return lost - {"oxygen_saturation"}


def while_faulty(until_h):
    return (since_h >= 0) & (since_h < until_h)


@pytest.mark.parametrize(("it", "size"), [(T, 2.0), (T, 3.5), (C, 3.0), (C, 8.0)])
def test_noise_that_ends_in_calm_water(it, size):
    for number in range(6):
        values, here = water(), while_faulty(2.0)
        noise = np.random.default_rng([LOT, number]).normal(size=np.count_nonzero(here))
        values[it][here] = np.round(values[it][here] + size * noise, 2)
        assert unwatched(values, 1.9), number
        assert not unwatched(values, 2.0 + 4.2), number  # loose for four hours


@pytest.mark.parametrize("warms_k", [-3.0, -2.0, 1.5, 2.0, 3.0])
def test_a_frozen_thermometer_that_thaws_reads_what_the_cell_bears_out(warms_k):
    """Seen: it leapt, as the water had moved meanwhile, and was doubted until somebody measured."""
    values, here = water(warms_k), while_faulty(5.0)
    values[T][here] = values[T][here][0]
    assert "temperature" in unwatched(values, 4.9)
    assert "temperature" in unwatched(values, 5.9)
    assert not unwatched(values, 6.6)


@pytest.mark.parametrize("off", [-3.0, -2.0, 2.0, 3.0])
@pytest.mark.parametrize("warms_k", [0.0, 0.5])
def test_one_that_thaws_and_lies_is_not_believed_because_time_goes_by(off, warms_k):
    values, here = water(warms_k), while_faulty(5.0)
    values[T][here] = values[T][here][0]
    values[T][since_h >= 5.0] += off
    assert "temperature" in unwatched(values, 17.5)


@pytest.mark.parametrize(("off", "salt_per_day"), [(1.5, 2.0), (-1.5, -2.0), (2.0, 3.0)])
def test_nor_because_the_salt_creeps_to_where_both_stand_as_usual(off, salt_per_day):
    """Water that dries up conducts more: after hours the cell reads as if it were as warm as told."""
    values = water(salt_per_day=salt_per_day)
    values[T][since_h >= 0.0] += off
    values[C][::300] += 2.0  # stray readings
    for until_h in (1, 5, 9, 13, 17.5):
        assert "temperature" in unwatched(values, until_h), until_h


def test_nor_is_one_beside_a_cell_that_tells_nothing_meanwhile():
    """What the cell showed last would bear it out for good."""
    values, here = water(2.5), while_faulty(5.0)
    values[T][here] = values[T][here][0]
    values[C][since_h >= 4.9] = np.nan
    assert "temperature" in unwatched(values, 17.5)
