"""What one channel shows in a block, and what of it is carried on. By hand, from the words of the rules."""

from dataclasses import replace

import numpy as np
import pytest

from rules.judging.series import SAMPLES_KEPT, ChannelState, Samples, Series, number, sample, without
from rules.judging.trend import stretches
from rules.judging.water import show
from rules.quality.calm import MOVING
from rules.quality.flags import Flag, QartodTest, unpack
from rules.quality.probe_faults import Belied
from rules.quality.settings import QualitySettings, Range
from rules.quantities import Quantity

T, S = Quantity.TEMPERATURE, Quantity.SALINITY
LIMITS = QualitySettings(Range(0.0, 40.0), Range(5.0, 30.0), spike_suspect=3.0)
HOUR = 3_600_000


def series(*value, start_ms=100, **more):
    count = np.arange(len(value))
    return Series(2 * count, start_ms + 10 * count, np.array(value, dtype=np.float64), **more)


def shown(*value, state=None, dry=None, belie=None, **more):
    state = ChannelState() if state is None else state
    out = None if dry is None else (np.array(dry), np.array(dry))
    here = series(*value, start_ms=max(100, state.time_ms + 10), **more)
    return show(here, state, LIMITS, out, belie), state


def test_what_fails_may_not_be_used_and_what_is_suspect_may():
    found, state = shown(15.0, 99.0, 4.0, 16.0)
    assert found.judged.causal.tolist() == [1, 4, 3, 1]
    assert np.array_equal(found.usable, [15.0, np.nan, 4.0, 16.0], equal_nan=True)
    assert found.alone.tolist() == [False, True, False, False]
    assert (found.out, found.belied) == (None, None)
    assert (state.time_ms, state.value, state.flag, state.doubtful) == (130, 16.0, Flag.PASS, False)
    assert (state.good_time_ms, state.good_value, state.good_suspect) == (130, 16.0, False)
    assert (state.error, state.lacking) == (0.0, ())
    assert np.isnan(state.base)


@pytest.mark.parametrize(
    ("newest", "flag", "doubtful", "good"),
    [(4.0, Flag.SUSPECT, True, (110, 4.0, True)), (99.0, Flag.FAIL, True, (100, 15.0, False))],
)
def test_of_the_newest_is_carried_what_it_was_and_of_the_newest_good_one_what_that_was(
    newest, flag, doubtful, good
):
    _, state = shown(15.0, newest)
    assert (state.time_ms, state.value, state.flag, state.doubtful) == (110, newest, flag, doubtful)
    assert (state.good_time_ms, state.good_value, state.good_suspect) == good


def test_what_lacks_an_input_is_no_good_one():
    lacking = {T: np.array([False, True, True]), S: np.array([False, False, True])}
    error, base = np.array([0.0, 0.5, 0.75]), np.array([14.0, np.nan, np.nan])
    _, state = shown(15.0, 16.0, 17.0, error=error, lacking=lacking, base=base)
    assert (state.error, state.lacking) == (0.75, (T, S))
    assert (state.good_time_ms, state.good_value, state.base) == (100, 15.0, 14.0)
    _, state = shown(16.0, state=state, error=np.array([0.5]), lacking={T: np.array([True])})
    assert (state.error, state.lacking, state.good_time_ms, state.base) == (0.5, (T,), 100, 14.0)
    _, state = shown(16.0, state=state)
    assert (state.error, state.lacking, state.good_value) == (0.0, (), 16.0)
    assert np.isnan(state.base)


def test_without_a_good_one_the_good_one_before_is_kept():
    state = ChannelState(good_time_ms=50, good_value=15.0, good_suspect=True, base=13.0)
    _, after = shown(99.0, state=state)
    assert (after.good_time_ms, after.good_value, after.good_suspect, after.base) == (50, 15.0, True, 13.0)


def test_what_is_not_of_the_water_fails_and_the_stretch_after_it_begins_with_a_return():
    found, state = shown(15.0, 20.0, 20.0, 15.0, dry=[False, True, True, False])
    assert unpack(found.judged.tests)[QartodTest.SYNTAX].tolist() == [1, 4, 4, 1]
    assert np.isnan(found.usable).tolist() == [False, True, True, False]
    assert found.alone.tolist() == found.out.tolist() == [False, True, True, False]
    assert found.stretches == [(slice(0, 3), None), (slice(3, 4), True)]
    assert state.dry is False
    found, state = shown(15.0, 20.0, dry=[False, True])
    assert state.dry is True
    found, state = shown(15.0, 15.0, state=state)
    assert found.stretches == [(slice(0, 2), True)]


def test_where_other_probes_give_a_value_no_trend_goes_on():
    found, state = shown(15.0, 16.0, 17.0, elsewhere=np.array([0, 2, 2]))
    assert found.stretches == [(slice(0, 1), None), (slice(1, 3), False)]
    assert state.elsewhere == 2
    found, state = shown(15.0, state=state)
    assert (found.stretches, state.elsewhere) == ([(slice(0, 1), False)], 0)
    assert stretches(3, None, None, (False, 0)) == ([(slice(0, 3), None)], (False, 0))


def test_what_is_belied_may_not_be_used_and_is_doubted_where_water_may_be_so():
    def belie(judged):
        assert judged.causal.tolist() == [1, 1, 3]
        none, leapt = np.zeros(3, dtype=np.bool_), np.array([False, True, True])
        return Belied(np.full(3, MOVING), leapt, none, none, none, none, leapt)

    found, state = shown(15.0, 20.0, 4.0, belie=belie)
    assert found.judged.causal.tolist() == [1, 4, 4]
    assert found.alone.tolist() == [False, False, False], "by itself it does not fail"
    assert np.array_equal(found.series.doubted, [np.nan, 20.0, np.nan], equal_nan=True)
    assert np.array_equal(found.usable, [15.0, np.nan, np.nan], equal_nan=True)
    assert (state.flag, state.good_value, state.doubtful) == (Flag.FAIL, 15.0, True)


def test_where_nothing_is_belied_nothing_is_doubted():
    found, _ = shown(15.0, belie=lambda judged: None)
    assert (found.series.doubted, found.belied) == (None, None)


def test_a_part_of_a_series_is_cut_in_every_column():
    columns = {
        "error": np.array([0.1, 0.2, 0.3]),
        "suspect": np.array([True, False, True]),
        "elsewhere": np.array([1, 2, 3]),
        "base": np.array([4.0, 5.0, 6.0]),
        "doubted": np.array([7.0, 8.0, 9.0]),
        "otherwise": np.array([1.5, 2.5, 3.5]),
    }
    whole = series(15.0, 16.0, 17.0, lacking={T: np.array([True, False, True])}, **columns)
    part = whole.part(slice(1, 3))
    assert (part.index.tolist(), part.time_ms.tolist(), part.value.tolist()) == (
        [2, 4],
        [110, 120],
        [16.0, 17.0],
    )
    assert {name: getattr(part, name).tolist() for name in columns} == {
        name: its[1:].tolist() for name, its in columns.items()
    }
    assert part.lacks(0) == ()
    assert part.lacks(1) == (T,)
    assert whole.part(slice(0, 3)) is whole
    assert replace(whole, lacking={}).part(slice(0, 1)).lacks(0) == ()


def test_the_first_good_reading_of_each_hour_is_kept_for_a_day():
    hours = np.array([0.0, 0.5, 1.0, 1.2, 1.9, 3.0]) * HOUR
    value = np.array([np.nan, 15.0, 16.0, 17.0, 18.0, 19.0])
    its = Series(np.arange(6), hours.astype(np.int64), value)
    places, kept = sample(its, Samples())
    assert (places.tolist(), kept) == ([1, 2, 5], Samples((0, 1, 3), (15.0, 16.0, 19.0)))
    places, kept = sample(its, Samples((0,), (9.0,)))
    assert (places.tolist(), kept) == ([2, 5], Samples((0, 1, 3), (9.0, 16.0, 19.0)))
    places, after = sample(its, Samples((3,), (9.0,)))
    assert (places.tolist(), after) == ([], Samples((3,), (9.0,)))
    day = Series(np.arange(30), np.arange(30) * HOUR, np.arange(30.0))
    assert sample(day, Samples())[1] == Samples(tuple(range(6, 30)), tuple(np.arange(6.0, 30.0).tolist()))
    assert SAMPLES_KEPT == 24


def test_what_is_lacking_is_said_in_words_and_no_number_is_none():
    assert (
        without((T, Quantity.AIR_PRESSURE), 0.123) == "off by up to 0.12, no temperature and air pressure now"
    )
    assert (number(1.5), number(np.nan)) == (1.5, None)
