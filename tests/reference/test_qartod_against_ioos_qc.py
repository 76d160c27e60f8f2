"""The QARTOD tests against ioos-qc 3.0.0 (IOOS, `ioos_qc.qartod`) on measured series.

Where the manuals define a flag, the flags must be identical. Where the two differ on purpose, the
test asserts that they differ exactly there and nowhere else:

| test | where they differ | ours | ioos-qc | what decides it |
| --- | --- | --- | --- | --- |
| timing/gap | first reading | 2 | flag of the second | nothing is known of a gap before it |
| gross range | reversed range | refused | sorted, hides a slip | a range in a settings file is checked |
| spike | threshold 0 | a threshold | test switched off | manuals, test 6: greater than the threshold |
| rate of change | first reading, one beside a missing one | 2 | 1 | flags manual: 2 is "not evaluated" |
| rate of change | intervals of a fraction of a second | exact | whole seconds | manuals, test 7 |
| rate of change | fail threshold | none | optional | manuals, test 7: no flag 4 |
| flat line | others within EPS of it, not of each other | 3, 4 | 1 | manuals, test 8: x[n] - x[n-i] |
| flat line | EPS 0 | equal is flat | never fires | manuals, test 8: equal within EPS |
| flat line | missing readings in between | not counted | counted | five repeats are five values |
| attenuated signal | within an hour | as at its start | rolling | exact over any cut: whole hours |
| attenuated signal | range, a reading missing in the window | of the others | 2 | manuals, test 10 |
| combination | missing, with nothing worse than a pass | 9 | 1 or 2 | an alarm must not rest on no value |

Also by choice: syntax is judged by our drivers on frames, so there is nothing to compare; ioos-qc
has no multi-variate or neighbour test. Rate of change by standard deviations (manuals, test 7) is
not in ioos-qc either; `tests/rules/quality/test_hour_statistics.py` checks it against Python's `statistics`.

Series: `tests/data/README.md` for the moored recorder. The estuary (NERRS, station apacp, 2012) and
the river (Logan River Observatory, Blacksmith Fork, 2019) are read from the folder that the
environment variable BELLWATCH_SHARED_DATA names, or from one beside the checkout.
"""

import csv
import gzip
import itertools
import math
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from ioos_qc import qartod as ioos
from numpy.lib.stride_tricks import sliding_window_view

from rules.quality import qartod
from rules.quality.flags import Flag, QartodTest, combine, unpack
from rules.quality.flat_line import FlatRun, flat_line_test
from rules.quality.hour_statistics import HourStatistics
from rules.quality.quality import judge
from rules.quality.settings import DEFAULT_QUALITY, HOUR_MS, QualityError, QualitySettings, Range, Repeats
from rules.quality.state import QualityState
from rules.quantities import Quantity
from tests.rigs.places import ROOT

CHECKOUT = ROOT
MEASURED = {
    "sea temperature": ("microcat_dune2_2026_60s", "water_temperature_degC"),
    "sea conductivity": ("microcat_dune2_2026_60s", "conductivity_S_per_m"),
    "estuary temperature": ("nerr_apacp_2012_15min", "water_temperature_degC"),
    "estuary salinity": ("nerr_apacp_2012_15min", "salinity_psu"),
    "estuary oxygen": ("nerr_apacp_2012_15min", "dissolved_oxygen_mg_per_L"),
    "river temperature": ("lro_blacksmithfork_2019_15min", "water_temperature_degC"),
    "river oxygen": ("lro_blacksmithfork_2019_15min", "dissolved_oxygen_mg_per_L"),
}
NAMES = [*MEASURED, "generated", "generated with holes"]


WATER = Range(-5.0, 60.0)


@dataclass(frozen=True)
class Series:
    name: str
    time_ms: np.ndarray
    value: np.ndarray
    interval_ms: int
    scale: float  # a typical step, for thresholds that find something in every series

    @property
    def times(self):
        return self.time_ms.astype("datetime64[ms]").astype("datetime64[ns]")

    @property
    def missing(self):
        return np.isnan(self.value)


def series_of(name):
    if name in MEASURED:
        return with_scale(name, *measured(*MEASURED[name]))
    random = np.random.default_rng(20260725)
    value = np.round(16.0 + np.sin(np.arange(20_000) / 700.0) + random.normal(0.0, 0.03, 20_000), 2)
    value[random.integers(0, value.size, 200)] += 5.0
    value[4000:4100] = value[4000]
    if name == "generated with holes":
        value[random.integers(0, value.size, 400)] = math.nan
    return with_scale(name, 1_760_000_000_000 + 30_000 * np.arange(value.size), value)


def measured(file, column):
    path = CHECKOUT / "tests" / "data" / f"{file}.csv.gz"
    if not file.startswith("microcat"):
        beside = CHECKOUT.parent / "shared" / "data"
        path = Path(os.environ.get("BELLWATCH_SHARED_DATA", beside)) / path.name
        if not path.exists():
            pytest.skip(
                f"{path.name} may not be copied into the project; BELLWATCH_SHARED_DATA names its folder"
            )
    with gzip.open(path, "rt", encoding="utf-8") as text:
        rows = [(row["time_utc"].removesuffix("Z"), row[column] or "nan") for row in csv.DictReader(text)]
    times = np.array([time for time, _ in rows], dtype="datetime64[ms]")
    return times.astype(np.int64), np.array([value for _, value in rows], dtype=np.float64)


def with_scale(name, time_ms, value):
    # Off any grid that rounded values lie on, so that no comparison hangs on the last bit.
    scale = float(np.nanpercentile(np.abs(np.diff(value)), 90)) * 1.2345 + 1.2345e-6
    return Series(name, time_ms, value, int(np.median(np.diff(time_ms))), scale)


@pytest.fixture(params=NAMES, scope="module")
def series(request):
    return series_of(request.param)


def assert_same(ours, theirs):
    theirs = np.asarray(theirs)
    at = np.flatnonzero(ours != theirs)
    assert at.size == 0, f"{at.size} differ, first at {at[:9]}: ours {ours[at[:9]]}, theirs {theirs[at[:9]]}"


def test_every_series_has_something_to_find(series):
    """The comparisons below would be empty on a series without a finding."""
    spikes = qartod.spike_test(series.value, series.scale, 3.0 * series.scale)
    assert {Flag.PASS, Flag.SUSPECT, Flag.FAIL} <= set(spikes.tolist())


# Timing/gap


def test_timing_gap_differs_at_the_first_reading_only():
    random = np.random.default_rng(5)
    time_ms = 1_760_000_000_000 + np.cumsum(random.choice([60_000, HOUR_MS, HOUR_MS + 1000], 500))
    theirs = np.asarray(ioos.time_gap_test(time_ms.astype("datetime64[ms]").astype("datetime64[ns]"), 1))
    ours = qartod.timing_gap_test(time_ms, HOUR_MS)
    assert {1, 4} == set(theirs.tolist())
    assert ours[0] == Flag.NOT_EVALUATED
    assert theirs[0] == theirs[1]
    assert_same(ours[1:], theirs[1:])


# Gross range and climatology


def values_at(series, *shares):
    """Return values of the series itself, so that it matters that a limit passes."""
    return np.nanquantile(series.value, shares, method="nearest").tolist()


def test_gross_range(series):
    lowest, low, high, highest = values_at(series, 0.05, 0.2, 0.8, 0.95)
    ours = qartod.gross_range_test(series.value, Range(lowest, highest), Range(low, high))
    assert {1, 3, 4} <= set(ours.tolist())
    assert_same(ours, ioos.gross_range_test(series.value, (lowest, highest), (low, high)))


def test_gross_range_reversed_is_refused_where_it_was_sorted():
    value = np.array([-1.0, 3.0, 8.0])
    assert_same(np.array([4, 1, 4]), ioos.gross_range_test(value, (7.0, 2.0)))
    with pytest.raises(QualityError, match=r"range 7\.0 to 2\.0: the low limit must be below"):
        qartod.gross_range_test(value, Range(7.0, 2.0))


def test_climatology(series):
    low, high = values_at(series, 0.2, 0.8)
    config = [{"tspan": (series.times[0], series.times[-1]), "vspan": (low, high)}]
    theirs = ioos.climatology_test(config, series.value, series.times, np.zeros(series.value.size))
    ours = qartod.climatology_test(series.value, Range(low, high))
    assert {1, 3} <= set(ours.tolist())
    assert_same(ours, theirs)


# Spike


def test_spike(series):
    suspect, fail = series.scale, 3.0 * series.scale
    ours = qartod.spike_test(series.value, suspect, fail)
    assert_same(ours, ioos.spike_test(series.value, suspect, fail))


def test_spike_threshold_zero():
    value = np.array([1.0, 1.5, 1.0])
    assert np.asarray(ioos.spike_test(value, 0, None)).tolist() == [2, 1, 2]
    assert qartod.spike_test(value, 0.0, None).tolist() == [2, 3, 2]


# Rate of change


def test_rate_of_change_differs_only_where_a_reading_has_none_before_it(series):
    per_second = series.scale / (series.interval_ms / 1000.0)
    ours = qartod.rate_of_change_test(series.time_ms, series.value, per_second * 3600.0)
    theirs = np.asarray(ioos.rate_of_change_test(series.value, series.times, per_second))
    alone = np.concatenate(([True], series.missing[:-1])) & ~series.missing
    assert set(ours[alone].tolist()) == {Flag.NOT_EVALUATED}
    assert set(theirs[alone].tolist()) == {Flag.PASS}
    assert {1, 3} <= set(ours.tolist())
    assert_same(ours[~alone], theirs[~alone])


@pytest.mark.parametrize(
    ("interval_ms", "step", "limit_per_s", "ours", "theirs"),
    [
        (1500, 4.0, 3.0, Flag.PASS, Flag.SUSPECT),  # 2.67 per second, taken for 4
        (500, 4.0, 5.0, Flag.SUSPECT, Flag.PASS),  # 8 per second, taken for 4 / 0
        (2000, 4.0, 1.9, Flag.SUSPECT, Flag.SUSPECT),
        (2000, 4.0, 2.0, Flag.PASS, Flag.PASS),
    ],
)
@pytest.mark.filterwarnings("ignore:divide by zero:RuntimeWarning")  # ioos-qc's interval of 0 s
def test_rate_of_change_between_whole_seconds(interval_ms, step, limit_per_s, ours, theirs):
    time_ms, value = np.array([0, interval_ms]), np.array([10.0, 10.0 + step])
    times = time_ms.astype("datetime64[ms]").astype("datetime64[ns]")
    assert qartod.rate_of_change_test(time_ms, value, limit_per_s * 3600.0)[1] == ours
    assert np.asarray(ioos.rate_of_change_test(value, times, limit_per_s))[1] == theirs


def test_rate_of_change_has_no_fail():
    time_ms, value = np.array([0, 1000]), np.array([0.0, 1e6])
    times = time_ms.astype("datetime64[ms]").astype("datetime64[ns]")
    assert np.asarray(ioos.rate_of_change_test(value, times, 1.0, 10.0)).tolist() == [1, 4]
    assert qartod.rate_of_change_test(time_ms, value, 3600.0).tolist() == [2, 3]


# Flat line

COUNTS = (3, 5)  # REP_CNT_SUSPECT and REP_CNT_FAIL, example of the QARTOD manuals


def flat_line(series, eps, counts=COUNTS):
    settings = QualitySettings(
        Range(-20_000, 20_000),
        flat_line_eps=eps,
        flat_line_suspect=Repeats(counts[0]),
        flat_line_fail=Repeats(counts[1]),
    )
    return flat_line_test(series.time_ms, series.value, settings, FlatRun())[0]


def ioos_flat_line(series, tolerance, counts=COUNTS):
    seconds = [count * series.interval_ms // 1000 for count in counts]
    return np.asarray(ioos.flat_line_test(series.value, series.times, *seconds, tolerance))


def without_holes(series):
    kept = ~series.missing
    time_ms = series.time_ms[0] + series.interval_ms * np.arange(np.count_nonzero(kept))
    return Series(series.name, time_ms, series.value[kept], series.interval_ms, series.scale)


def test_flat_line_of_equal_readings(series):
    """ioos-qc's tolerance 0 finds nothing at all; one below the probe's resolution means equal readings."""
    whole = without_holes(series)
    ours = flat_line(whole, 0.0)
    assert_same(ours, ioos_flat_line(whole, 1e-9))
    assert set(ioos_flat_line(whole, 0).tolist()) == {Flag.PASS}
    assert ({3, 4} <= set(ours.tolist())) == (series.name != "sea temperature")  # its fourth decimal moves


def test_flat_line_differs_only_where_readings_agree_with_the_last_but_not_with_each_other(series):
    whole, eps = without_holes(series), 2.0 * series.scale
    ours, theirs = flat_line(whole, eps), ioos_flat_line(whole, eps)
    expected_ours = np.full(whole.value.size, Flag.PASS)
    expected_theirs = expected_ours.copy()
    for count, flag in zip(COUNTS, (Flag.SUSPECT, Flag.FAIL), strict=True):
        windows = sliding_window_view(whole.value, count + 1)
        near_last = (np.abs(windows - windows[:, -1:]) <= eps).all(axis=1)
        near_all = np.ptp(windows, axis=1) < eps
        assert not (near_all & ~near_last).any()
        expected_ours[count:][near_last] = flag
        expected_theirs[count:][near_all] = flag
    assert_same(ours, expected_ours)
    assert_same(theirs, expected_theirs)
    assert (ours >= theirs).all()
    assert (ours > theirs).any()


def test_flat_line_counts_values_not_places():
    value = np.array([1.0, 1.0, math.nan, 1.0, 1.0, 1.0, 2.0])
    series = Series("by hand", 1000 * np.arange(7), value, 1000, 1.0)
    assert ioos_flat_line(series, 1e-9).tolist() == [1, 1, 9, 3, 3, 4, 1]
    assert flat_line(series, 0.0).tolist() == [1, 1, 9, 1, 3, 3, 1]


# Attenuated signal


HOURS = 12  # TST_TIM, example of the wind manual


def variation_at_each_hour(time_ms, value, by):
    """Return our variation over the 12 hours before each hour, and where each hour begins."""
    found, readings = HourStatistics.of(time_ms, value, WATER)
    starts = readings.cumsum() - readings
    spans = found.span_before(HOURS, 0)
    if by == "range":
        return spans, starts
    return np.where(np.isnan(spans), math.nan, found.deviation_before(HOURS, 0, WATER)), starts


@pytest.mark.parametrize("by", ["range", "std"])
def test_attenuated_signal_is_that_of_the_window_at_the_start_of_the_hour(series, by):
    """At the last reading of an hour ioos-qc's window is exactly the hours by which ours judges the next one.

    The recorder's clock jitters by 1 s: its readings are put on the minute, so that the windows can agree.
    """
    time_ms = (series.time_ms + 15_000) // 30_000 * 30_000
    possible = (series.value > WATER.low) & (series.value < WATER.high)
    value = np.where(possible, series.value, math.nan)
    variation, starts = variation_at_each_hour(time_ms, value, by)
    suspect, fail = np.nanquantile(variation, [0.6, 0.2]) + 1.2345e-3
    ours = qartod.attenuated_signal_test(variation, suspect, fail)
    times = time_ms.astype("datetime64[ms]").astype("datetime64[ns]")
    theirs = ioos.attenuated_signal_test(value, times, suspect, fail, test_period=HOURS * 3600, check_type=by)
    evaluated = np.flatnonzero((ours != Flag.NOT_EVALUATED) & possible[starts - 1])
    assert {1, 3, 4} == set(ours[evaluated].tolist())
    ends = starts[evaluated]
    begins = np.searchsorted(time_ms, time_ms[ends - 1] - HOURS * HOUR_MS, side="right")
    holes = np.concatenate(([0], np.cumsum(~possible)))
    broken = (holes[ends] > holes[begins]) & (by == "range")  # ioos-qc takes no range where one is missing
    theirs = np.asarray(theirs)[ends - 1]
    assert set(theirs[broken].tolist()) <= {Flag.NOT_EVALUATED}
    assert_same(ours[evaluated][~broken], theirs[~broken])


# Combination


def test_combination_differs_only_where_a_missing_value_would_be_hidden():
    every = np.array(list(itertools.product(list(Flag), repeat=3)), dtype=np.uint8).T
    ours, theirs = combine(every), np.asarray(ioos.qartod_compare(list(every)))
    found = ((every == Flag.SUSPECT) | (every == Flag.FAIL)).any(axis=0)
    hidden = (every == Flag.MISSING).any(axis=0) & ~(every == Flag.MISSING).all(axis=0) & ~found
    only_passed = (every == Flag.PASS).any(axis=0) & hidden
    assert_same(ours[~hidden], theirs[~hidden])
    assert set(ours[hidden].tolist()) == {Flag.MISSING}
    assert set(theirs[only_passed].tolist()) == {Flag.PASS}
    assert set(theirs[hidden & ~only_passed].tolist()) == {Flag.NOT_EVALUATED}


def test_ioos_qc_has_no_test_beside_a_second_series():
    """If one comes, it belongs in the table above."""
    assert not [name for name in dir(ioos) if "neighb" in name or "multi" in name]


# The judge of all tests together


@pytest.mark.parametrize("name", NAMES)
def test_judged_rows_are_those_of_the_single_tests(name):
    """`judge` gives ioos-qc's flags; to its neighbours, what the sensor cannot report is missing."""
    series, settings = series_of(name), DEFAULT_QUALITY[Quantity.TEMPERATURE]
    tests = unpack(judge(series.time_ms, series.value, settings, QualityState()).tests)
    sensor, operator = settings.sensor_range, settings.operator_range
    spans = (sensor.low, sensor.high), (operator.low, operator.high)
    assert_same(tests[QartodTest.GROSS_RANGE], ioos.gross_range_test(series.value, *spans))
    impossible = tests[QartodTest.GROSS_RANGE] == Flag.FAIL
    value = np.where(impossible, math.nan, series.value)
    theirs = np.asarray(ioos.spike_test(value, settings.spike_suspect, settings.spike_fail))
    assert set(theirs[impossible].tolist()) <= {Flag.MISSING}
    assert set(tests[QartodTest.SPIKE, impossible].tolist()) <= {Flag.NOT_EVALUATED}
    assert_same(tests[QartodTest.SPIKE, ~impossible], theirs[~impossible])
