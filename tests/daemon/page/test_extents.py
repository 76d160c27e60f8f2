"""Extents: not one spike is lost, however the readings come and however many columns there are."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.extents import HOUR_MS, Extents
from rules.quality.flags import Flag

FLAGS = st.sampled_from([Flag.PASS, Flag.SUSPECT, Flag.FAIL])
READINGS = st.lists(
    st.tuples(st.integers(0, 40 * HOUR_MS), st.floats(-5, 40, width=32), FLAGS), min_size=1, max_size=60
).map(lambda rows: sorted(rows, key=lambda row: row[0]))


def taken_in(rows, cuts=(), **how):
    extents = Extents(HOUR_MS, **how)
    for part in np.split(np.arange(len(rows)), sorted(set(cuts))):
        if part.size:
            times, values, flags = zip(*(rows[place] for place in part), strict=True)
            flag = np.array(flags, dtype=np.uint8)
            good = np.where(flag == Flag.FAIL, np.nan, values)
            extents.add(np.array(times), good, good, flag)
    return extents


@given(READINGS, st.integers(1, 50))
def test_the_columns_hold_the_extremes_of_all_that_was_believed(rows, at_most):
    columns = taken_in(rows).columns(0, 41 * HOUR_MS, at_most)
    believed = [value for _, value, flag in rows if flag != Flag.FAIL]
    assert len(columns.start_ms) <= at_most
    assert np.nanmin(columns.low, initial=99) == min(believed, default=99)
    assert np.nanmax(columns.high, initial=-99) == max(believed, default=-99)
    worse = [flag for _, _, flag in rows if flag != Flag.PASS]
    assert columns.flag.max() == max(worse, default=0)


@given(READINGS, st.lists(st.integers(0, 60), max_size=4), st.integers(1, 50))
def test_it_does_not_matter_how_readings_are_cut_into_blocks(rows, cuts, at_most):
    whole, cut = (taken_in(rows, by).columns(0, 41 * HOUR_MS, at_most) for by in ((), cuts))
    for one, other in zip((whole.low, whole.high, whole.flag), (cut.low, cut.high, cut.flag), strict=True):
        np.testing.assert_array_equal(one, other)


@given(READINGS)
def test_what_is_kept_for_a_while_only_agrees_with_what_is_kept_for_ever(rows):
    newest = rows[-1][0] // HOUR_MS * HOUR_MS
    span = (newest - 5 * HOUR_MS, newest + HOUR_MS, 6)
    some, every = taken_in(rows, keep=6).columns(*span), taken_in(rows).columns(*span)
    np.testing.assert_array_equal(some.low, every.low)
    np.testing.assert_array_equal(some.high, every.high)


@given(READINGS, st.integers(0, 60))
def test_what_is_older_may_come_later(rows, cut):
    whole, late = taken_in(rows), Extents(HOUR_MS)
    for part in (rows[cut:], rows[:cut]):
        if part:
            times, values, flags = (np.array(column) for column in zip(*part, strict=True))
            good = np.where(flags == Flag.FAIL, np.nan, values)
            late.add(times, good, good, flags.astype(np.uint8))
    one, other = (it.columns(0, 41 * HOUR_MS, 50) for it in (whole, late))
    np.testing.assert_array_equal(one.low, other.low)
    np.testing.assert_array_equal(one.flag, other.flag)


def test_a_stretch_in_which_nothing_was_read_is_empty():
    extents = taken_in([(0, 15.0, Flag.PASS), (10 * HOUR_MS, 16.0, Flag.PASS)])
    columns = extents.columns(-2 * HOUR_MS, 12 * HOUR_MS, 100)
    assert np.flatnonzero(~np.isnan(columns.low)).tolist() == [2, 12]
