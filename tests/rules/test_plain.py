"""Records written as JSON and read back: the same bit for bit, and nothing taken that does not fit."""

import json
import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from rules.errors import InputError
from rules.plain import from_plain, to_plain


class Colour(StrEnum):
    DEEP_BLUE = "deep blue"
    RED = "red"


class Rank(IntEnum):
    NONE = 0
    FIRST = 1


@dataclass(frozen=True, slots=True)
class Leaf:
    number: float
    rank: Rank = Rank.NONE
    inner: "Leaf | None" = None


@dataclass(slots=True)
class Tree:
    name: str
    colours: Mapping[Colour, tuple[Leaf, ...]]
    by_number: dict[int, list[float]] = field(default_factory=dict)
    seen: set[str] = field(default_factory=set)
    curve: NDArray[np.float64] = field(default_factory=lambda: np.empty((2, 0)))
    until_ms: int | None = None


def bits(value):
    return struct.pack("<d", value)


def through(record):
    return from_plain(type(record), json.loads(json.dumps(to_plain(record))))


leaves = st.recursive(
    st.builds(Leaf, st.floats(), st.sampled_from(Rank)),
    lambda inner: st.builds(Leaf, st.floats(), st.sampled_from(Rank), inner),
    max_leaves=4,
)
trees = st.builds(
    Tree,
    st.text(max_size=5),
    st.dictionaries(st.sampled_from(Colour), st.lists(leaves, max_size=3).map(tuple)),
    st.dictionaries(st.integers(), st.lists(st.floats(), max_size=3)),
    st.sets(st.text(max_size=3)),
    st.lists(st.floats(), max_size=4).map(lambda values: np.array([values, values])),
    st.none() | st.integers(-(2**62), 2**62),
)


@given(trees)
def test_what_comes_back_is_the_same_bit_for_bit(tree):
    back = through(tree)
    assert json.dumps(to_plain(back)) == json.dumps(to_plain(tree))
    assert back.curve.dtype == np.float64
    assert back.curve.shape == tree.curve.shape
    assert {type(key) for key in back.colours} <= {Colour}
    assert {type(leaf) for some in back.colours.values() for leaf in some} <= {Leaf}
    assert (back.seen, back.until_ms) == (tree.seen, tree.until_ms)


@given(st.floats(allow_nan=False))
def test_a_number_keeps_every_bit(number):
    assert bits(through(Leaf(number)).number) == bits(number)


def test_what_is_not_a_number_stays_so():
    assert math.isnan(through(Leaf(math.nan)).number)


def test_a_rank_is_written_as_a_word_and_a_number_is_understood():
    assert to_plain(Leaf(1.0, Rank.FIRST))["rank"] == "first"
    assert from_plain(Leaf, {"number": 1.0, "rank": 1}) == Leaf(1.0, Rank.FIRST)
    assert from_plain(Leaf, {"number": 1.0, "rank": "none"}).rank is Rank.NONE


def test_a_key_that_is_missing_takes_the_default():
    assert from_plain(Tree, {"name": "x", "colours": {}}).seen == set()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({}, "Leaf: number is missing"),
        ({"number": 1.0, "size": 2, "age": 3}, "Leaf: no key is called age, no key is called size"),
    ],
)
def test_keys_that_do_not_fit_are_refused_in_one_line(data, words):
    with pytest.raises(InputError) as refused:
        from_plain(Leaf, data)
    assert str(refused.value) == words


@pytest.mark.parametrize("data", [{"number": 1.0, "rank": "third"}, {"number": 1.0, "rank": 7}])
def test_a_word_that_an_enum_does_not_have_is_no_value(data):
    with pytest.raises(KeyError):
        from_plain(Leaf, data)
