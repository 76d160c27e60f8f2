"""Statistics by whole hours, against Python's own `statistics` over the same readings."""

import json
import math
import statistics
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.plain import from_plain, to_plain
from rules.quality.hour_statistics import QUANTA, Buckets, HourStatistics, begins
from rules.quality.settings import HOUR_MS, Range

SENSOR = Range(-5.0, 50.0)
QUANTUM = 55.0 / QUANTA

values = st.one_of(st.floats(-5.0, 50.0), st.sampled_from([10.0, 10.5]), st.just(math.nan))
steps = st.sampled_from([60_000, 900_000, HOUR_MS, 3 * HOUR_MS, 30 * HOUR_MS])
series = st.lists(st.tuples(steps, values), min_size=1, max_size=60)


def arrays(readings):
    time_ms = 1_760_000_000_000 + np.cumsum([step for step, _ in readings], dtype=np.int64)
    return time_ms, np.array([value for _, value in readings], dtype=np.float64)


def before(time_ms, value, hour, hours):
    """Usable readings of each of the `hours` before `hour` that holds any."""
    of_hour = [
        [x for t, x in zip(time_ms, value, strict=True) if t // HOUR_MS == h and not math.isnan(x)]
        for h in range(hour - hours, hour)
    ]
    return [held for held in of_hour if held]


@given(
    st.lists(st.sampled_from([0, 1, 59_999, 300_000, HOUR_MS, 2**61]), max_size=3), st.integers(0, HOUR_MS)
)
def test_hours_begin_where_the_quotient_changes(steps, first_ms):
    """Also after a wait of which nobody could list the hours."""
    time_ms = first_ms + np.cumsum([0, *steps])
    numbers, starts, count = begins(time_ms, HOUR_MS)
    plainly = [t // HOUR_MS for t in time_ms.tolist()]
    assert numbers.tolist() == sorted(set(plainly))
    assert starts.tolist() == [plainly.index(number) for number in numbers]
    assert count.tolist() == [plainly.count(number) for number in numbers]


@given(series, st.sampled_from([1, 3, 4]))
def test_deviation_and_span_are_those_of_the_readings(readings, hours):
    time_ms, value = arrays(readings)
    found, count = HourStatistics.of(time_ms, value, SENSOR)
    deviations, spans = found.deviation_before(hours, 0, SENSOR), found.span_before(hours, 0)
    hour_of_each = np.repeat(found.hour, count).tolist()
    assert hour_of_each == (time_ms // HOUR_MS).tolist()
    for hour, deviation, span in zip(found.hour.tolist(), deviations, spans, strict=True):
        held = before(time_ms.tolist(), value.tolist(), hour, hours)
        together = [x for one in held for x in one]
        if 2 * len(held) >= hours:
            # Rounding down moves values by half a quantum, give or take another half: so the deviation.
            assert abs(deviation - statistics.pstdev(together)) <= QUANTUM / 2 + 1e-9
        else:
            assert math.isnan(deviation)
        if len(held) == hours:
            assert span == max(together) - min(together)
        else:
            assert math.isnan(span)


@given(series, st.sets(st.integers(1, 59), max_size=5), st.sampled_from([1, 3]))
def test_is_the_same_however_cut(readings, cuts, hours):
    time_ms, value = arrays(readings)
    whole, _ = HourStatistics.of(time_ms, value, SENSOR)
    bounds = [0, *sorted(cut for cut in cuts if cut < len(value)), len(value)]
    carried = HourStatistics()
    for start, stop in pairwise(bounds):
        part, _ = HourStatistics.of(time_ms[start:stop], value[start:stop], SENSOR)
        carried = carried.followed_by(part).last_hours(hours)
        carried = from_plain(HourStatistics, json.loads(json.dumps(to_plain(carried))))
    assert json.dumps(to_plain(carried)) == json.dumps(to_plain(whole.last_hours(hours)))
    for of_carried, of_whole in (
        (carried.deviation_before(hours, 0, SENSOR)[-1], whole.deviation_before(hours, 0, SENSOR)[-1]),
        (carried.span_before(hours, 0)[-1], whole.span_before(hours, 0)[-1]),
    ):
        np.testing.assert_equal(of_carried, of_whole)


def test_quanta_are_finer_than_a_probe_and_sums_have_room():
    assert QUANTUM < 1e-4
    assert QUANTA**2 * 2**23 <= 2**63  # squared sums of 93 readings a second over 25 hours


def test_quanta_count_from_the_sensors_lower_limit_to_its_upper_one():
    """As the sums have it: readings, quanta, squared quanta; what is not usable counts for nothing."""
    time_ms = 1_760_000_000_000 + 60_000 * np.arange(4)
    found, _ = HourStatistics.of(time_ms, np.array([-5.0, 50.0, 22.5, math.nan]), SENSOR)
    whole, half = 2**20, 2**19
    assert found.sums[:, 0].tolist() == [3, whole + half, whole**2 + half**2]
    assert found.extremes[:, 0].tolist() == [-5.0, -50.0]
    more = found.with_more(np.array([50.0, math.nan]), SENSOR)
    assert more.sums[:, 0].tolist() == [4, 2 * whole + half, 2 * whole**2 + half**2]


@pytest.mark.parametrize("hidden", [0, 9, 40])
@pytest.mark.parametrize("size", [1, 2, 5, 40])
def test_buckets_are_the_same_however_cut(size, hidden):
    """A poll is a block of one. Some readings bear no witness; 7 lie in a bucket."""
    time_ms = 1_760_000_000_000 + 43_000 * np.arange(40)
    value = np.round(45.0 + np.sin(1.7 * np.arange(40)), 2)
    witness = np.where((np.arange(40) >= 11) & (np.arange(40) < 11 + hidden), math.nan, value)
    whole, _ = Buckets().followed_by(time_ms, value, witness)
    carried = Buckets()
    for start in range(0, 40, size):
        its = slice(start, start + size)
        carried, _ = carried.followed_by(time_ms[its], value[its], witness[its])
    np.testing.assert_equal(carried.when, whole.when)
    np.testing.assert_equal(carried.extremes, whole.extremes)
