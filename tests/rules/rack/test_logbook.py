"""Entries of the logbook: what a sample says, and what is refused; all entries are invented."""

import math

import pytest

from rules.errors import InputError
from rules.rack.logbook import ENTRY_KINDS, check_entry, check_sample, is_withdrawn, range_of, sample_of


def test_one_value_is_itself_and_several_have_mean_range_and_spread():
    """2, 4, 4, 4, 5, 5, 7, 9: mean 5, sum of squares 32, n - 1 = 7."""
    assert sample_of([]) == {}
    assert sample_of([3.5]) == {"value": 3.5}
    its = sample_of([2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0])
    assert its.pop("sd") == pytest.approx(math.sqrt(32 / 7))
    assert its == {"value": 5.0, "n": 8, "low": 2.0, "high": 9.0, "values": [2, 4, 4, 4, 5, 5, 7, 9]}
    assert sample_of([2.0, 4.0])["n"] == 2


def test_only_a_correction_takes_an_entry_back():
    assert is_withdrawn({"withdrawn": True, "corrects": 4})
    assert not is_withdrawn({"withdrawn": True})
    assert not is_withdrawn({"corrects": 4})


@pytest.mark.parametrize(
    ("value", "n", "low", "high"), [(5, 1, 5, 5), (5, 3, 4, 6), (5, 9, math.nan, math.nan)]
)
def test_a_mean_within_its_range_is_taken(value, n, low, high):
    check_sample(value, n, low, high)


@pytest.mark.parametrize(
    ("value", "n", "low", "high", "said"),
    [
        (5, 0, 5, 5, "n: found 0; expected how many were measured, a whole number from 1"),
        (5, 2.5, 5, 5, "n: found 2.5"),
        (5, 3, 5.1, 6, "value: found 5; a mean lies within its range, 5.1 to 6"),
        (5, 3, 4, 4.9, "value: found 5; a mean lies within its range, 4 to 4.9"),
    ],
)
def test_what_is_no_mean_gets_one_line(value, n, low, high, said):
    with pytest.raises(InputError) as error:
        check_sample(value, n, low, high)
    assert str(error.value).startswith(said)


def test_a_stage_may_have_a_range_of_its_own():
    assert range_of("bell_diameter", "ephyra") == (0, 40)
    assert range_of("bell_diameter", "adult") == (0, 500)


@pytest.mark.parametrize("kind", [name for name, its in ENTRY_KINDS.items() if not its.in_words])
def test_what_is_on_the_edge_of_a_kind_is_taken_and_what_is_beyond_is_not(kind):
    low, high = ENTRY_KINDS[kind].within
    for value in (low, high):
        check_entry(kind, value, "polyp")
    for value in (low - 1, high + 1):
        with pytest.raises(InputError, match=f"{kind} in polyp is a"):
            check_entry(kind, value, "polyp")


@pytest.mark.parametrize("kind", ["count", "deaths", "stomachs"])
def test_half_an_animal_is_none(kind):
    with pytest.raises(InputError, match="is a whole number from 0"):
        check_entry(kind, 2.5, "ephyra")


def test_nothing_counted_is_below_nought():
    assert {its.within[0] for name, its in ENTRY_KINDS.items() if its.whole or its.summed} == {0}
