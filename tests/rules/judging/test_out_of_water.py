"""Which readings are not of the water, by what the probe's cell and a second witness had said by then."""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.readings import Readings
from tests.rigs.examples import examples
from tests.rigs.watched_rack import MINUTE, PROMPT, START_MS, WatchedRack, plan_of

WET, DRY, RINSED = 41.0, 0.02, 0.6
POLL = 30_000
PROBE = (
    Source(1, "multi", Quantity.TEMPERATURE, "k1", 10 * MINUTE, "bench"),
    Source(2, "multi", Quantity.CONDUCTIVITY, "k1", 10 * MINUTE, "bench"),
    Source(3, "multi", Quantity.OXYGEN, "k1", 10 * MINUTE, "bench"),
)


def rack(**more):
    return WatchedRack(plan_of(PROBE, {"polyp": {Quantity.TEMPERATURE: PROMPT}}, **more))


def polled(watched, polls, start=0):
    """Take in polls of (temperature, conductivity, oxygen) as one block; return what came last."""
    watched.read_all(
        [
            (number * POLL, source, value)
            for number, poll in enumerate(polls, start)
            for source, value in enumerate(poll, 1)
        ]
    )
    return {channel.channel.name.split("/")[-1]: channel for channel in watched.engine.channels()}


def believed(channels):
    """Return which quantities are not failed."""
    return {name for name, now in channels.items() if now.flag != 4 and not np.isnan(now.value)}


def reasons(watched):
    return {alarm.channel.split("/")[-1]: alarm.evidence.reason for alarm in watched.engine.alarms()}


def test_a_dead_cell_alone_is_its_own_fault_and_the_heat_is_told():
    """A cell that dies at 0.02 mS/cm says nothing about the thermometer beside it."""
    watched = rack()
    polled(watched, [(15.0, WET, 8.0)] * 20)
    channels = polled(watched, [(15.0, DRY, 8.0)] * 10, start=20)
    assert "temperature" in believed(channels)
    assert reasons(watched)["conductivity"] == "impossible value"
    polled(watched, [(15.0 + 0.05 * n, DRY, 8.0) for n in range(240)], start=30)
    assert "k1/temperature/high" in watched.states


@pytest.mark.parametrize(
    "in_air", [(22.0, DRY, 8.0), (15.5, DRY, 8.0), (15.0, DRY, 9.3), (22.0, RINSED, 8.0)]
)
def test_a_jump_of_temperature_or_oxygen_bears_the_cell_out(in_air):
    watched = rack()
    polled(watched, [(15.0, WET, 8.0)] * 20)
    channels = polled(watched, [in_air] * 8, start=20)
    assert believed(channels) == set()
    assert set(reasons(watched).values()) == {"in air"}


@pytest.mark.parametrize(("thermometer", "flag"), [("multi", 3), ("apart", 1)])
def test_oxygen_is_as_doubtful_as_the_thermometer_by_which_its_own_probe_corrects_it(thermometer, flag):
    sources = (replace(PROBE[0], probe=thermometer), *PROBE[1:])
    watched = WatchedRack(plan_of(sources, {"polyp": {Quantity.TEMPERATURE: PROMPT}}))
    impossible_c = -40.0
    assert polled(watched, [(impossible_c, WET, 8.0)])["oxygen"].flag == flag


def test_maintenance_bears_the_cell_out():
    watched = rack()
    polled(watched, [(15.0, WET, 8.0)] * 20)
    watched.do(20 * POLL - 1, "begin_maintenance", target="vessel/k1", for_s=3600, why="cleaning the probe")
    assert believed(polled(watched, [(15.0, DRY, 8.0)] * 8, start=20)) == set()


def test_a_jump_long_after_the_cell_went_dry_bears_nothing_out():
    watched = rack()
    polled(watched, [(15.0, WET, 8.0)] * 20 + [(15.0, DRY, 8.0)] * 8)
    assert "temperature" in believed(polled(watched, [(17.0, DRY, 8.0)] * 4, start=28))


def test_a_cell_is_believed_for_minutes_unless_what_jumped_stays_away():
    watched = rack()
    polled(watched, [(15.0, WET, 8.0)] * 20)
    assert believed(polled(watched, [(25.0, DRY, 8.0)] * 41, start=20)) == set(), "it still hangs in the air"
    assert believed(polled(watched, [(15.1, DRY, 8.0)] * 3, start=61)) >= {"temperature"}, (
        "the cell is broken"
    )
    polled(watched, [(15.0 + 0.05 * n, DRY, 8.0) for n in range(240)], start=64)
    assert {"k1/temperature/high", "k1/conductivity/probe_fault"} <= watched.states.keys(), "heat is told"


@pytest.mark.parametrize("every_min", [1, 2, 3, 5, 10])
def test_a_cell_that_broke_hours_ago_bears_no_witness_however_seldom_it_is_read(every_min):
    """Seen: read each three minutes or more seldom it went dry anew each time; oxygen that fell was air."""
    falls = [8.0 - 5.0 * np.clip(number * every_min / 60, 0, 1) for number in range(120 // every_min)]
    polls = [(15.0, WET, 8.0)] * 20 + [(15.0, DRY, 8.0)] * (240 // every_min)
    polls += [(15.0, DRY, oxygen) for oxygen in falls]
    watched = rack()
    watched.read_all(
        [
            (number * every_min * MINUTE, source, value)
            for number, poll in enumerate(polls)
            for source, value in enumerate(poll, 1)
        ]
    )
    now = {it.channel.name.split("/")[-1]: it for it in watched.engine.channels()}
    assert now["oxygen"].value == 3.0
    assert {"temperature", "oxygen"} <= believed(now)


def test_a_probe_that_is_back_settles_first():
    watched = rack()
    polled(watched, [(15.0, WET, 8.0)] * 20 + [(22.0, DRY, 8.0)] * 4)
    assert believed(polled(watched, [(18.0, WET, 8.0)] * 4, start=24)) == set()
    assert "temperature" in believed(polled(watched, [(15.0, WET, 8.0)], start=28))


POLLS = st.lists(
    st.tuples(
        st.sampled_from([15.0, 15.2, 22.0, 26.0]),
        st.sampled_from([WET, WET, DRY, 1.0]),
        st.sampled_from([8.0, 8.1, 9.5]),
        st.sampled_from([1_000, POLL, POLL, 4 * MINUTE]),
    ),
    min_size=1,
    max_size=40,
)


@given(POLLS, st.lists(st.integers(0, 120), max_size=8))
@settings(max_examples=examples(30))
def test_any_cut_gives_the_same(polls, cuts):
    rows, at_ms = [], START_MS
    for *values, wait_ms in polls:
        at_ms += wait_ms
        rows += [(at_ms, source, value) for source, value in enumerate(values, 1)]
    at, source = np.array([row[:2] for row in rows], dtype=np.int64).T
    value = np.array([row[2] for row in rows])
    readings = Readings(np.arange(1, len(rows) + 1), at, source, at, value)

    def judged(bounds):
        engine, flags = Engine(plan_of(PROBE, {"polyp": {Quantity.TEMPERATURE: PROMPT}}), START_MS), {}
        for start, stop in pairwise(bounds):
            outcome = engine.feed(readings.part(start, stop))
            engine = Engine.restore(json.loads(json.dumps(engine.snapshot())))
            for block in outcome.flags:
                tests = (block.tests & np.uint32(0xFF)).tolist()
                flags |= {
                    (block.channel, seq): test for seq, test in zip(block.seq.tolist(), tests, strict=True)
                }
        return flags, json.dumps(engine.snapshot(), sort_keys=True)

    inner = sorted({min(cut, len(rows)) for cut in cuts} - {0, len(rows)})
    assert judged([0, *inner, len(rows)]) == judged([0, len(rows)])


@given(st.floats(5, 12), st.integers(25, 240), st.integers(1, 3), st.sampled_from([1, -1]))
@settings(max_examples=examples(20))
def test_a_probe_that_was_on_the_bench_from_the_start_is_believed_once_it_is_in_the_water(
    away, polls, way, sign
):
    """Nobody knew that it was in air: what it leapt off was the air of the room."""
    watched, air = rack(quality=DEFAULT_QUALITY), 15.0 + sign * away
    bench = [(air, DRY, 9.0)] * polls
    wetting = [(air + (15.0 - air) * n / (way + 1), DRY, 9.0) for n in range(1, way + 1)]
    soon = polled(watched, [*bench, *wetting, *[(15.0, WET, 8.0)] * 20])
    assert soon["temperature"].flag == 1, "ten minutes after"
    warm = [(15.0 + 0.05 * n, WET + 0.05 * n, 8.0) for n in range(160)]
    polled(watched, warm, start=polls + way + 20)
    assert "k1/temperature/high" in watched.states


@given(st.integers(1, 10))
@settings(max_examples=examples(5))
def test_a_cell_that_flickers_makes_no_leap_of_the_thermometer_true(dry):
    watched = rack(quality=DEFAULT_QUALITY)
    polled(watched, [(15.0, WET, 8.0)] * 60)
    flicker = [(15.0, DRY, 8.0)] * dry
    then = polled(watched, [*flicker, *[(15.0, WET, 8.0)] * 6, *[(27.0, WET, 8.0)] * 30], start=60)
    assert then["temperature"].flag == 4
