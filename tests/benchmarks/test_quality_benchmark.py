"""How fast readings are flagged, beside ioos-qc 3.0.0 on the same arrays in the same run.

Not a pass or fail of speed: `pytest tests/benchmarks --benchmark-enable -s` prints the figures. Ours
is `judge` with the default limits: eight tests, their summary and the state. ioos-qc's are its four
of the same name (gross range, spike, rate of change, flat line), without a summary.
"""

import itertools
import time

import numpy as np
import pytest
from ioos_qc import qartod as ioos

from rules.quality.quality import judge
from rules.quality.settings import DEFAULT_QUALITY
from rules.quality.state import QualityState
from rules.quantities import Quantity

SETTINGS = DEFAULT_QUALITY[Quantity.TEMPERATURE]
READINGS = 1_000_000


def water(size, interval_ms):
    """Invented: a slow swing, the probe's noise, rounded to 0.01 °C; a spike now and then, one frozen day."""
    random = np.random.default_rng(20261125)
    value = 16.0 + np.sin(np.arange(size) / 2880.0) + random.normal(0.0, 0.02, size)
    value[random.integers(0, size, size // 10_000)] += 4.0
    value[size // 2 : size // 2 + 2880] = value[size // 2]
    return 1_760_000_000_000 + interval_ms * np.arange(size), np.round(value, 2)


def four_of_ioos_qc(times, value):
    sensor, operator = SETTINGS.sensor_range, SETTINGS.operator_range
    ioos.gross_range_test(value, (sensor.low, sensor.high), (operator.low, operator.high))
    ioos.spike_test(value, SETTINGS.spike_suspect, SETTINGS.spike_fail)
    ioos.rate_of_change_test(value, times, SETTINGS.max_change_per_hour / 3600.0)
    ioos.flat_line_test(value, times, 300, 600, 1e-9)


@pytest.mark.parametrize("interval_ms", [30_000, 900_000])
def test_blocks_of_a_million(benchmark, interval_ms):
    time_ms, value = water(READINGS, interval_ms)
    found = benchmark(judge, time_ms, value, SETTINGS, QualityState())
    assert found.summary.size == READINGS


def test_reading_by_reading(benchmark):
    """What the live watch does: one reading in a block, two days of state carried."""
    time_ms, value = water(5760 + READINGS, 30_000)
    state = judge(time_ms[:5760], value[:5760], SETTINGS, QualityState()).state
    places = itertools.count(5760)

    def one():
        nonlocal state
        at = next(places)
        state = judge(time_ms[at : at + 1], value[at : at + 1], SETTINGS, state).state

    benchmark(one)
    assert state.time_ms[-1] == time_ms[next(places) - 1]


def test_beside_ioos_qc(benchmark):
    time_ms, value = water(READINGS // 5, 30_000)
    times = time_ms.astype("datetime64[ms]").astype("datetime64[ns]")
    started = time.perf_counter()
    four_of_ioos_qc(times, value)
    theirs = value.size / (time.perf_counter() - started)
    benchmark(judge, time_ms, value, SETTINGS, QualityState())
    if benchmark.enabled:
        ours = value.size / benchmark.stats.stats.min
        benchmark.extra_info["times ioos-qc"] = round(ours / theirs, 1)
        print(f"\nall tests together {ours / 1e6:.1f} million readings/s, ioos-qc's four {theirs / 1e6:.2f}:"
              f" {ours / theirs:.0f} times")  # fmt: skip
