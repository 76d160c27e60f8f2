"""Jumps and scatter that no water makes; all readings are invented."""

import timeit
from time import process_time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.quality.history import DAY_MS, Learned
from rules.quality.leaps import Beside, Leap, leaps
from rules.quality.scatter import ERRATIC_NOISE, Scatter, bend_limit, erratic
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity

SETTINGS = DEFAULT_QUALITY[Quantity.TEMPERATURE]
POLL_MS, MINUTE = 30_000, 60_000
LOT = 911_423_306


def jumped(value, past=None, start=0, agreed=None):
    time_ms = POLL_MS * (1 + start + np.arange(len(value)))
    found, leap = leaps(time_ms, np.array(value, dtype=np.float64), SETTINGS, past or Leap(), agreed)
    return found.jumped, leap


def scatters(value, past=None, start=0):
    limit = bend_limit(Quantity.TEMPERATURE, None, 0)
    time_ms = POLL_MS * (1 + start + np.arange(len(value)))
    return erratic(time_ms, np.array(value, dtype=np.float64), limit, past or Scatter())


def test_a_jump_lasts_until_the_reading_is_back():
    found, _ = jumped([15.0, 15.0, 19.0, 19.5, 15.1, 15.0])
    assert found.tolist() == [False, False, True, True, False, False]


def test_a_probe_that_another_bears_out_does_not_come_to_count_as_loose():
    """Seen: of two sound thermometers in poured water, one was called faulty after three polls."""
    value = np.concatenate((np.full(20, 15.0), 15.0 - 1.6 * np.arange(1, 7), np.full(40, 5.4)))
    time_ms = POLL_MS * (1 + np.arange(value.size))
    found, leap = leaps(time_ms, value, SETTINGS, Leap(), np.ones(value.size, dtype=np.bool_))
    assert not found.loose.any()
    assert leap.begun_ms == ()
    assert leaps(time_ms, value, SETTINGS, Leap())[0].jumped.any()


def test_nor_does_one_beside_which_the_cell_moves_too():
    """Somebody pours four times within two hours; each step is too far for a probe alone."""
    value = np.repeat([15.0, 13.0, 11.0, 9.0, 7.0], 60)
    time_ms = POLL_MS * (1 + np.arange(value.size))
    poured = leaps(time_ms, value, SETTINGS, Leap(), None, Beside(1.5 * value, lambda own: own))
    assert (poured[0].jumped.any(), poured[0].loose.any(), poured[1].begun_ms) == (False, False, ())
    alone = leaps(time_ms, value, SETTINGS, Leap(), None, Beside(0.0 * value, lambda own: own))
    assert alone[0].jumped.any()


@pytest.mark.parametrize("number", range(20))
def test_a_probe_that_scatters_and_ends_where_it_was_before_is_believed_again(number):
    """Seen: the last leap was off another stray reading; the sound ones after it were doubted for good."""
    draw = np.random.default_rng([LOT, number])
    value = 15.0 + np.concatenate((np.zeros(40), draw.normal(0.0, 2.5, 80), np.zeros(240)))
    found, leap = jumped(value)
    assert found[40:120].any()
    assert not found[-119:].any()  # it was settled for an hour
    assert leap.since_ms == -1


@pytest.mark.parametrize("off", [-3.0, -2.0, 2.0, 3.0])
def test_one_that_ends_elsewhere_is_not_whatever_it_leapt_off_last(off):
    for number in range(20):
        draw = np.random.default_rng([LOT, number])
        value = 15.0 + np.concatenate((np.zeros(40), draw.normal(0.0, 2.5, 80), np.full(400, off)))
        assert jumped(value)[0][-270:].all(), number


def test_what_was_settled_for_an_hour_is_where_the_next_leap_is_off():
    """The water rose meanwhile; the second leap is back to what was before the first, and no water."""
    rise = 15.0 + np.minimum(np.arange(240) / 100, 1.8)
    value = np.concatenate((np.full(40, 15.0), [18.0], np.full(20, 15.0), rise, np.full(240, 15.0)))
    assert jumped(value)[0][-240:].all()


def test_a_leap_is_off_the_median_of_the_five_readings_before_it():
    _, leap = jumped([14.0, 14.0, 15.0, 15.01, 15.02, 15.03, 15.04, 20.0, 20.1])
    assert leap.base == pytest.approx(15.02, abs=1e-6)


def test_where_those_five_are_more_than_half_a_jump_apart_it_is_off_the_fifteen():
    """A burst may be stray without being a leap each."""
    _, leap = jumped([*[15.0] * 12, 15.9, 15.9, 15.9, 15.9, 18.0, 18.0])
    assert leap.base == 15.0
    _, leap = jumped([*[15.0] * 12, 15.4, 15.4, 15.4, 15.4, 18.0, 18.0])
    assert leap.base == 15.4


def test_what_stays_away_is_doubted_for_as_long():
    found, _ = jumped([15.0, 15.0, *[20.0] * 6000])
    assert found.tolist() == [False] * 2 + [True] * 6000


def test_an_offset_is_doubted_also_where_the_water_drifts_by_as_much():
    """A probe reads 3 K too much; within hours the water cools by as much and more."""
    water = 15.0 - np.clip((np.arange(1200) - 240) / 600 * 4.0, 0.0, 4.0)
    value = water + np.where(np.arange(1200) >= 120, 3.0, 0.0)
    found, _ = jumped(value)
    assert found.tolist() == [False] * 120 + [True] * 1080


def test_a_lagging_probe_leaps_within_some_polls():
    """A thermometer is lifted into air of 20 °C; it goes 63 % of the way in two minutes, four polls."""
    air = 20.0 - 5.0 * np.exp(-np.arange(120) / 4)
    back = 15.2 + 4.8 * np.exp(-np.arange(120) / 4)
    found, _ = jumped([*[15.0] * 20, *air, *back])
    assert not found[:20].any()
    assert found[24:140].all()
    assert not found[170:].any()


def test_what_crawls_back_is_believed_once_it_has_stayed():
    crawls = np.concatenate([np.full(20, 15.0), np.linspace(18.0, 15.2, 240), np.full(240, 15.2)])
    found, _ = jumped(crawls)
    assert found[20:260].all()
    assert not found[-60:].any()


def test_another_probe_bears_a_leap_out():
    value = np.array([15.0] * 5 + [19.0] * 50)
    agreed = np.arange(55) >= 7
    found, _ = jumped(value, agreed=agreed)
    assert np.flatnonzero(found).tolist() == [5, 6]


def test_stray_readings_close_together_leave_the_others_sound():
    value = np.full(60, 15.0)
    value[[20, 24, 29]] = 18.0, 12.5, 17.0
    found, _ = jumped(value)
    assert np.flatnonzero(found).tolist() == [20, 24, 29]


def test_one_reading_that_is_back_is_no_base_for_what_is_slower_than_a_poll():
    """Away for an hour, back at 15.0, and up by 0.8 K a poll, which from two polls before is too fast."""
    found, _ = jumped([*[15.0] * 40, *[11.0] * 130, 15.0, 15.8, *[16.6] * 6])
    assert found.tolist() == [False] * 40 + [True] * 130 + [False] * 8
    off_two, _ = jumped([*[15.0] * 40, *[11.0] * 130, 15.0, 15.0, 15.8, *[16.6] * 6])
    assert off_two[-6:].all()


@pytest.mark.parametrize(("then", "leapt"), [(15.78, False), (15.85, True)])
def test_soon_after_a_return_a_leap_is_off_what_the_one_before_was(then, leapt):
    """Back at 14.6 of 15.0, so off 14.8: 15.78 is 1.18 from the reading before and less than 1 from that."""
    found, _ = jumped([*[15.0] * 40, *[11.0] * 4, 14.6, *[then] * 3])
    assert found.tolist() == [False] * 40 + [True] * 4 + [False] + [leapt] * 3


def test_a_block_with_many_leaps_takes_a_time_that_grows_with_it():
    """Once every leap went through the rest of its block."""

    def seconds(size):
        value = np.where(np.arange(size) % 40 == 39, 19.0, 15.0)
        return min(timeit.repeat(lambda: jumped(value), timer=process_time, number=1, repeat=5))

    assert seconds(80_000) < 9 * seconds(20_000)


def test_noise_that_comes_and_goes_is_erratic_all_along():
    """At the border of what is too much, and for ten minutes an hour less; calm for an hour ends it."""
    draws = np.random.default_rng(LOT).normal(size=1200)
    noise = np.where(np.arange(1200) % 120 < 100, 0.5, 0.1)
    noise[960:] = 0.02
    found, _ = scatters(15.0 + noise * draws)
    assert found[40:1060].all()
    assert not found[1140:].any()


def test_a_fast_but_possible_warming_is_no_jump():
    """20 K an hour, the greatest rate that the settings take for water."""
    warming = 15.0 + 20.0 / 120 * np.arange(240)
    assert not jumped(warming)[0].any()
    assert not scatters(warming)[0].any()


@pytest.mark.parametrize(("noise", "is_erratic"), [(0.02, False), (0.15, False), (0.6, True), (3.0, True)])
def test_a_scattering_probe_is_erratic_within_ten_minutes(noise, is_erratic):
    draws = np.random.default_rng(LOT).normal(size=240)
    found, _ = scatters(15.0 + noise * draws)
    assert found[20:40].any() == is_erratic
    assert found[40:].mean() > 0.9 if is_erratic else not found.any()


def test_what_is_erratic_follows_from_the_probes_own_noise_within_a_factor_of_four():
    assert ERRATIC_NOISE[Quantity.TEMPERATURE] == 0.3
    now_ms, few, enough = 2 * DAY_MS, 35, 48
    usual = [Learned(0, *it, 0.01, 0.1) for it in ((few, 0.0, 0.02), (enough, 0.0, 0.02), (enough, 0.0, 0.0))]
    usual.append(Learned(0, enough, 0.0, 5.0, 0.01, 0.1))
    limits = [bend_limit(Quantity.TEMPERATURE, it, now_ms) / 1.65 for it in usual]
    assert limits == pytest.approx([0.3, 0.12, 0.075, 1.2])


@given(
    st.lists(st.sampled_from([15.0, 15.2, 19.0, 21.0, 9.0]) | st.floats(14, 16), min_size=1, max_size=90),
    st.integers(0, 90),
)
def test_cut_anywhere(values, cut):
    cut = min(cut, len(values))
    whole, first = jumped(values), jumped(values[:cut])
    second = jumped(values[cut:], first[1], start=cut)
    assert whole[0].tolist() == [*first[0].tolist(), *second[0].tolist()]
    whole, first = scatters(values), scatters(values[:cut])
    second = scatters(values[cut:], first[1], cut)
    assert whole[0].tolist() == [*first[0].tolist(), *second[0].tolist()]
    assert whole[1] == second[1]


def test_what_is_carried_of_a_jump_does_not_depend_on_the_cut():
    values = [15.0, 15.0, 19.0, 19.0, 15.0, 21.0]
    for cut in range(1, 6):
        assert jumped(values[cut:], jumped(values[:cut])[1], start=cut)[1] == jumped(values)[1]
