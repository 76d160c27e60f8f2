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


SLIPS = {
    "count": ("animals", 0, 1e7),
    "bell_diameter": ("mm", 0, 500),
    "wet_weight": ("mg", 0.01, 1e7),
    "feed": ("mL", 0, 1e5),
    "water_change": ("L", 0, 1e5),
    "deaths": ("animals", 0, 1e7),
    "pulse_rate": ("per min", 0, 150),
    "stomachs": ("stomachs", 0, 12),
    "deformed": ("%", 0, 100),
    "gut_full": ("%", 0, 100),
    "with_bubbles": ("animals", 0, 1e7),
    "food_density": ("prey/L", 0, 1e5),
    "uneaten": ("%", 0, 100),
    "ph": ("", 5, 10),
    "ammonia": ("mg N/L", 0, 300),
    "nitrite": ("mg N/L", 0, 100),
    "nitrate": ("mg N/L", 0, 500),
}
"""Between what a value is no slip of the pen: project judgement, written down a second time."""


def test_what_is_no_slip_of_the_pen():
    measured = {name: its for name, its in ENTRY_KINDS.items() if not its.in_words}
    assert {name: (its.unit, *its.within) for name, its in measured.items()} == SLIPS
    own = {name: its.of_stage for name, its in ENTRY_KINDS.items() if its.of_stage}
    assert own == {
        "bell_diameter": {"ephyra": (0, 40), "juvenile": (0, 150)},
        "wet_weight": {"ephyra": (0.01, 5e3), "juvenile": (0.01, 5e5)},
        "pulse_rate": {"adult": (0, 80)},
    }


def test_food_water_and_the_dead_add_up_and_words_need_no_number():
    def those(name):
        return {kind for kind, its in ENTRY_KINDS.items() if getattr(its, name)}

    assert those("summed") == {"feed", "water_change", "deaths"}
    assert those("whole") == {"count", "deaths", "stomachs", "with_bubbles"}
    assert those("in_words") == {"note", "acceptance", "cleaning", "treatment"}
    assert all(ENTRY_KINDS[kind].within == (-1e12, 1e12) for kind in those("in_words"))
    assert ENTRY_KINDS["ph"].beside == ("scale", "temperature_c", "salinity")
    assert ENTRY_KINDS["ammonia"].beside == ("ph", "scale", "temperature_c", "salinity")
