"""Which readings are not of the water, by what the probe's cell had said when they came in."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rules.judging.channel import Series
from rules.judging.out_of_water import SETTLES_WITHIN_MS, dry_at, last_dry


def cell(*readings):
    """Conductivity readings as (place in the block, time in s, mS/cm)."""
    place, seconds, value = zip(*readings, strict=True) if readings else ((), (), ())
    return Series(
        np.array(place, dtype=np.intp), 1000 * np.array(seconds, dtype=np.int64), np.array(value, float)
    )


def dry(places, seconds, its_cell, before_ms=-1):
    found = dry_at(np.array(places), 1000 * np.array(seconds, dtype=np.int64), its_cell, before_ms)
    return None if found is None else found.tolist()


def test_a_probe_that_was_never_dry_costs_nothing():
    assert dry([0, 2], [0, 30], cell((1, 0, 41.0), (3, 30, 41.0))) is None


def test_only_what_the_cell_had_said_before_counts():
    """Temperature comes before conductivity in a poll: that in which the cell is first dry still counts."""
    its_cell = cell((1, 0, 41.0), (3, 30, 0.01), (5, 60, 0.01))
    assert dry([0, 2, 4], [0, 30, 60], its_cell) == [False, False, True]


def test_the_cell_judges_itself_at_once():
    assert dry([1, 3], [0, 30], cell((1, 0, 41.0), (3, 30, 0.01))) == [False, True]


def test_a_probe_that_is_back_settles_first():
    settles_s = SETTLES_WITHIN_MS // 1000
    its_cell = cell((0, 0, 0.01), (1, 30, 41.0))
    seconds = [30, settles_s, settles_s + 1]
    assert dry([2, 3, 4], seconds, its_cell) == [True, True, False]


def test_a_rinse_in_fresh_water_is_not_the_water_of_the_vessel():
    assert dry([1], [0], cell((1, 0, 0.6))) == [True]


@given(
    st.lists(
        st.tuples(st.integers(1, 200), st.sampled_from([0.01, 0.9, 1.0, 41.0]), st.booleans()), max_size=30
    ),
    st.integers(0, 30),
)
def test_any_cut_gives_the_same(steps, cut):
    seconds = (
        np.cumsum([gap for gap, _, _ in steps]).astype(np.int64) if steps else np.array([], dtype=np.int64)
    )

    def judged(start, stop, before_ms):
        here = range(start, min(stop, len(steps)))
        cells = [(place, int(seconds[place]), steps[place][1]) for place in here if steps[place][2]]
        others = [place for place in here if not steps[place][2]]
        its_cell = cell(*cells)
        found = dry(others, seconds[others].tolist(), its_cell, before_ms) if others else []
        return found or [False] * len(others), int(last_dry(its_cell, before_ms)[-1])

    first, before_ms = judged(0, cut, -1)
    second, end_ms = judged(cut, len(steps), before_ms)
    assert (first + second, end_ms) == judged(0, len(steps), -1)
