"""What is known at a place of a block, and what happens in its course; with water: test_work_in_a_block."""

import math

import numpy as np
import pytest

from rules import BLIND_REFUSED
from rules.judging.channel import ChannelState
from rules.judging.series import Series
from rules.judging.watch_list import WatchList
from rules.meanwhile import meanwhile, newest_before, newest_values
from rules.quality.leaps import Leap
from rules.quality.settings import DEFAULT_QUALITY
from rules.quality.swift import Swift
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.state import RackState
from rules.readings import Action, Readings
from tests.rigs.watched_rack import MINUTE, plan_of

SOURCES = (
    Source(1, "a", Quantity.TEMPERATURE, "k1", 5 * MINUTE, "bench"),
    Source(3, "c", Quantity.CONDUCTIVITY, "k1", 5 * MINUTE, "bench"),
)


def its_of(values, **more):
    count = np.arange(len(values))
    return Series(3 * count, 100 + 10 * count, np.array(values, dtype=np.float64), **more)


@pytest.mark.parametrize(
    ("place", "newest"),
    [
        (0, (7, 1.0)),
        (1, (100, 15.0)),
        (3, (100, 15.0)),
        (4, (110, 16.0)),
        (7, (110, 16.0)),
        (10, (130, 18.0)),
    ],
)
def test_the_newest_value_at_a_place_of_a_block_is_that_of_the_readings_before_it(place, newest):
    """The third is none."""
    judged = {"x": its_of([15.0, 16.0, np.nan, 18.0])}
    assert newest_before(place, judged, {"x": (7, 1.0), "y": (8, 2.0)}) == {"x": newest, "y": (8, 2.0)}


def test_what_lacks_an_input_is_no_newest_value():
    judged = {"x": its_of([15.0, 16.0, 17.0], error=np.array([0.0, 0.5, 0.0]))}
    found = [newest_before(place, judged, {"x": (7, 1.0)})["x"] for place in (1, 4, 7)]
    assert found == [(100, 15.0), (100, 15.0), (120, 17.0)]
    unsure = {"x": its_of([15.0], error=np.array([0.5]))}
    assert newest_before(9, unsure, {"x": (7, 1.0)}) == {"x": (7, 1.0)}


@pytest.mark.parametrize(
    ("doubt", "rules", "unknown"),
    [
        ({}, BLIND_REFUSED, set()),
        ({"leap": Leap(since_ms=0)}, BLIND_REFUSED, {"k1/conductivity", "k1/salinity"}),
        ({"swift": Swift(since_ms=0)}, BLIND_REFUSED, {"k1/conductivity", "k1/salinity"}),
        ({"leap": Leap(since_ms=0)}, BLIND_REFUSED - 1, set()),
    ],
)
def test_nothing_is_known_of_a_probe_that_is_doubted_nor_of_what_is_made_of_it(doubt, rules, unknown):
    plan = plan_of(SOURCES, {}, quality=DEFAULT_QUALITY)
    watched = WatchList(plan, RackState({}))
    states = {it.name: ChannelState(good_time_ms=9, good_value=15.0) for it in watched.channels}
    for name, its in doubt.items():
        setattr(states["k1/conductivity"], name, its)
    found = newest_values(watched, states, rules)
    assert {name for name, (_, value) in found.items() if math.isnan(value)} == unknown
    assert {at_ms for at_ms, _ in found.values()} == {9}


def test_what_happens_in_a_block_comes_in_its_order_each_moment_asked_for_when_the_last_is_over():
    at_ms = np.array([100, 200, 300, 300, 400])
    noted, over = (Action(at, "log", "kim", {}) for at in (250, 300))
    readings = Readings(
        np.arange(1, 6), at_ms, np.ones(5, np.int64), at_ms, np.ones(5), ((2, noted), (3, over))
    )
    moments, happened = [150, 250, 300, 400, 500], []
    for place, now_ms, action in meanwhile(
        readings, lambda until_ms: moments[0] if moments[0] <= until_ms else None
    ):
        happened.append((place, now_ms, action))
        if action is None:
            assert moments.pop(0) == now_ms
    assert happened == [
        (1, 150, None),
        (2, 250, None),
        (2, 250, noted),
        (2, 300, None),
        (3, 300, over),
        (4, 400, None),
    ]
