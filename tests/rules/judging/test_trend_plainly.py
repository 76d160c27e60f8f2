"""Trends reading by reading in plain numbers, beside numpy's polynomial fit. All readings are invented.

Windows and times are powers of two, so that every share of a window is an exact number.
"""

from dataclasses import replace
from itertools import pairwise
from statistics import median

import numpy as np
import pytest

from rules.judging.trend import NO_TREND, Rise, rose_from, trend
from rules.rack.tolerance import Band, Tolerance

LOT = 1_893_027_745
WINDOW, TICK, HOUR = 2**21, 2**15, 3_600_000


def slope(rows):
    """Of the line of least squares through (time, value) rows, per hour; 0 through one."""
    times = np.array([time_ms for time_ms, _ in rows])
    return (
        float(np.polyfit((times - times[-1]) / HOUR, [it for _, it in rows], 1)[0]) if len(rows) > 1 else 0.0
    )


class Plainly:
    """The median of each reading and the two before stands for the middle one of them, in time."""

    def __init__(self):
        self.good, self.medians = [], []

    def take(self, time_ms, value):
        """Return level, filled share, rate, newest rate, steady rate, lowest; None: unknown."""
        if np.isnan(value):
            return None
        self.good.append((time_ms, value))
        if len(self.good) < 3:
            return None
        now_ms = self.good[-2][0]
        self.medians.append((now_ms, median(it for _, it in self.good[-3:])))
        window = [row for row in self.medians if row[0] >= now_ms - WINDOW]
        filled = (now_ms - window[0][0]) / WINDOW
        if filled < 0.5:
            return self.medians[-1][1], filled, None
        rate, newest = slope(window), [row for row in window if row[0] >= now_ms - WINDOW / 4]
        enough = len(newest) > 4 and now_ms - newest[0][0] > WINDOW / 8
        middle = next(place for place, row in enumerate(window) if row[0] >= (window[0][0] + now_ms) / 2)
        halves = slope(window[: middle + 1]), slope(window[middle:])
        steady = min(halves, key=abs) if halves[0] * halves[1] > 0 else 0.0
        lowest = min(it for _, it in window)
        return self.medians[-1][1], filled, rate, slope(newest) if enough else rate, steady, lowest


def course(draw, size):
    """Slopes, steps and rest, with noise, outliers and gaps; values in 64ths."""
    value, level = [], 15.0
    while len(value) < size:
        length, per_tick = int(draw.integers(3, 60)), draw.choice([0.0, 0.0, 1 / 64, -1 / 64, 1 / 8, -1 / 4])
        value += (level + per_tick * np.arange(length)).tolist()
        level = value[-1]
    value = np.array(value[:size]) + draw.integers(-2, 3, size) / 64
    value[draw.random(size) < 0.03] += 5.0
    value[draw.random(size) < 0.05] = np.nan
    waits = np.where(draw.random(size) < 0.1, draw.choice([4, 16, 33, 80], size), draw.choice([1, 2, 4]))
    return TICK * (10_000_000 + np.cumsum(waits)), value


def close(value):
    return np.nan if value is None else pytest.approx(value, rel=1e-4, abs=1e-4)


@pytest.mark.parametrize("number", range(12))
def test_every_part_of_a_trend_is_that_of_the_medians_of_its_window(number):
    draw = np.random.default_rng([LOT, number])
    time_ms, value = course(draw, 260)
    found, _ = trend(time_ms, value, WINDOW, NO_TREND)
    since_ms = time_ms - np.random.default_rng([LOT, 200 + number]).integers(
        0, WINDOW + WINDOW // 4, value.size
    )
    plain, known, since = Plainly(), 0, found.since_per_hour(since_ms)
    for place, row in enumerate(zip(time_ms.tolist(), value.tolist(), strict=True)):
        expected = plain.take(*row)
        if expected is None:
            unknown = found.level, found.rate_per_hour, found.sure_per_hour, found.swift_per_hour
            assert all(np.isnan(its[place]) for its in unknown)
            continue
        level, filled, rate, *more = expected
        assert (found.level[place], found.filled[place] >= 0.5) == (level, rate is not None)
        if rate is None:
            assert np.isnan(found.rate_per_hour[place])
            continue
        newest, steady, lowest = more
        (now_ms, _), from_ms = plain.medians[-1], int(since_ms[place])
        rows = [it for it in plain.medians if it[0] >= now_ms - WINDOW and it[0] > from_ms]
        tells = len(rows) > 4 and now_ms - rows[0][0] > WINDOW / 8
        assert since[place] == close(slope(rows) if tells else 0.0)
        assert found.rate_per_hour[place] == close(rate)
        assert found.sure_per_hour[place] == close(rate * filled**2)
        assert found.newest_per_hour[place] == close(newest)
        assert found.swift_per_hour[place] == close(max(abs(rate), abs(newest)))
        assert found.steady_rate(np.array([place]))[0] == close(steady)
        assert found.lowest(place) == pytest.approx(lowest, abs=1e-5)
        known += 1
    assert known > 60


FALLS = Tolerance(advisory=Band(10.0, None), max_fall_per_hour=0.5)


@pytest.mark.parametrize("low", [None, 10.0, 14.0])
@pytest.mark.parametrize("number", range(6))
def test_what_rises_nearly_as_fast_as_it_must_not_fall_came_from_the_lowest_of_its_window(number, low):
    """Four fifths as fast; for an hour and a half; and only from within its band (project judgement)."""
    draw = np.random.default_rng([LOT, 100 + number])
    time_ms, value = course(draw, 260)
    tolerance = replace(FALLS, advisory=Band(low, None))
    plain, rose, expected = Plainly(), (np.nan, -HOUR * 9), []
    for row in zip(time_ms.tolist(), value.tolist(), strict=True):
        known = plain.take(*row)
        if known is not None and known[2] is not None and known[2] * known[1] ** 2 > 0.8 * 0.5:
            rose = (known[-1] if low is None or known[-1] >= low else np.nan, row[0])
        expected.append(rose[0] if row[0] - rose[1] <= 1.5 * HOUR else np.nan)
    state, past, found = NO_TREND, Rise(), []
    for start, stop in pairwise([0, *sorted(draw.choice(259, 9, replace=False) + 1), value.size]):
        part = slice(start, stop)
        course_of, state = trend(time_ms[part], value[part], WINDOW, state)
        told, past = rose_from(course_of, time_ms[part], tolerance, past)
        found += told.tolist()
    assert found == pytest.approx(expected, abs=1e-5, nan_ok=True)
    assert np.isfinite(expected).any() or low is not None


def test_a_rise_is_harmless_only_where_a_fall_is_limited_and_a_rise_is_not():
    time_ms, value = TICK * np.arange(200), 15.0 + np.arange(200) / 8
    course_of, _ = trend(time_ms, value, WINDOW, NO_TREND)
    for its in (replace(FALLS, max_rise_per_hour=1.0), replace(FALLS, max_fall_per_hour=None)):
        assert rose_from(course_of, time_ms, its, Rise(3.0, 7)) == (None, Rise(3.0, 7))
    assert rose_from(course_of, time_ms, FALLS, Rise())[0] is not None
