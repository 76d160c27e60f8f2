"""Flag numbers (QARTOD flags manual v1.2, 2020) and their combination (the order is ours, see the table)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from rules.quality.flags import Flag, QartodTest, combine, pack, summarise, unpack

FLAG_NUMBERS = [int(flag) for flag in Flag]
rows = npst.arrays(
    np.uint8,
    st.tuples(st.just(len(QartodTest)), st.integers(0, 6)),
    elements=st.sampled_from(FLAG_NUMBERS),
)


def test_the_numbers_are_those_of_the_manual():
    assert {flag.name: int(flag) for flag in Flag} == {
        "PASS": 1,
        "NOT_EVALUATED": 2,
        "SUSPECT": 3,
        "FAIL": 4,
        "MISSING": 9,
    }


@pytest.mark.parametrize(
    ("flags", "summary"),
    [
        ([1, 1, 1], 1),
        ([2, 2, 2], 2),  # nothing was evaluated
        ([2, 1, 2], 1),  # what was not evaluated says nothing
        ([9, 2, 1], 9),  # a pass must not hide that there is no value
        ([9, 2], 9),
        ([9, 9], 9),
        ([1, 3, 1], 3),
        ([2, 3], 3),
        ([3, 9], 3),  # a finding outranks a gap
        ([1, 3, 4], 4),  # the worse finding wins
        ([4, 9], 4),  # a frame that could not be read is a fault of the probe, not merely no value
        ([4, 2, 1], 4),
    ],
)
def test_combination_table(flags, summary):
    column = np.array(flags, dtype=np.uint8)[:, None]
    assert combine(column).tolist() == [summary]
    assert combine(column[::-1]).tolist() == [summary]


@given(rows)
def test_combining_readings_together_or_alone_is_the_same(tests):
    together = combine(tests)
    assert together.dtype == np.uint8
    assert together.tolist() == [int(combine(tests[:, [i]])[0]) for i in range(tests.shape[1])]


@given(rows)
def test_combining_in_two_steps_is_the_same(tests):
    halves = np.stack((combine(tests[:3]), combine(tests[3:])))
    assert combine(halves).tolist() == combine(tests).tolist()


def test_a_gap_does_not_condemn_the_reading_that_ends_it():
    tests = np.full((len(QartodTest), 1), Flag.PASS, dtype=np.uint8)
    tests[QartodTest.TIMING] = Flag.FAIL
    assert [flags.tolist() for flags in summarise(tests)] == [[1], [1]]


@pytest.mark.parametrize("test", [test for test in QartodTest if test is not QartodTest.TIMING])
def test_every_other_test_condemns_but_the_spike_only_afterwards(test):
    tests = np.full((len(QartodTest), 1), Flag.PASS, dtype=np.uint8)
    tests[test] = Flag.FAIL
    causal, summary = summarise(tests)
    assert summary.tolist() == [4]
    assert causal.tolist() == [1 if test is QartodTest.SPIKE else 4]


@given(rows)
def test_packing_keeps_every_flag(tests):
    packed = pack(tests)
    assert packed.dtype == np.uint32
    np.testing.assert_array_equal(unpack(packed), tests)


def test_a_packed_word_reads_as_the_flags():
    tests = np.array([[4], [1], [1], [2], [3], [1], [1], [2]], dtype=np.uint8)
    assert f"{pack(tests)[0]:x}" == "21132114"  # timing is the rightmost digit
