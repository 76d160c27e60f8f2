"""When sources fall silent: to the exact millisecond, worked by hand, and held against a slow reference."""

from itertools import pairwise

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.judging.silence import Scope, SourceState, note_heard, silences
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.readings import LongestWaits

LIMIT_MS = 100


def source(number, probe=None, bus="bench", silent_after_ms=LIMIT_MS):
    return Source(number, probe or f"p{number}", Quantity.TEMPERATURE, "k1", silent_after_ms, bus)


class Ears:
    """Hears blocks of readings and notes the silences as (source, at_ms, since_ms, begins, whole_bus)."""

    def __init__(self, *sources):
        self.sources = sources
        self.states = {one.id: SourceState(0) for one in sources}

    def hear(self, *heard):
        """A block of readings: (time of arrival, source)."""
        at_ms = np.array([when for when, _ in heard], dtype=np.int64)
        ids = np.array([who for _, who in heard])
        places = {one.id: np.flatnonzero(ids == one.id) for one in self.sources}
        places = {number: here for number, here in places.items() if here.size}
        found = self._found(at_ms, places)
        note_heard(self.states, at_ms, at_ms, places)
        return found

    def wait(self, until_ms):
        return self._found(np.array([until_ms], dtype=np.int64), {})

    def _found(self, at_ms, places):
        return [
            (it.source.id, it.at_ms, it.since_ms, it.begins, it.scope)
            for it in silences(self.sources, self.states, at_ms, places, LongestWaits(at_ms, places))
        ]


def test_a_reading_at_the_very_limit_is_still_in_time():
    ears = Ears(source(1))
    assert ears.hear((10, 1), (110, 1)) == []
    assert ears.hear((211, 1)) == [(1, 210, 110, True, Scope.PROBE), (1, 211, 110, False, Scope.PROBE)]


def test_time_may_reach_the_limit_but_not_pass_it():
    ears = Ears(source(1))
    ears.hear((10, 1))
    assert ears.wait(110) == []
    assert ears.wait(111) == [(1, 110, 10, True, Scope.PROBE)]


def test_a_silence_is_told_once_and_ends_with_the_next_reading():
    ears = Ears(source(1))
    assert ears.wait(101) == [(1, 100, 0, True, Scope.PROBE)]
    assert ears.wait(500) == ears.wait(100_000) == []
    assert ears.hear((100_050, 1)) == [(1, 100_050, 0, False, Scope.PROBE)]


def test_a_source_that_was_never_heard_is_silent_from_the_start():
    assert Ears(source(1)).wait(101) == [(1, 100, 0, True, Scope.PROBE)]


def test_each_source_has_its_own_limit():
    ears = Ears(source(1), source(2, silent_after_ms=300))
    assert [found[:2] for found in ears.wait(301)] == [(1, 100), (2, 300)]


def test_a_bus_is_silent_when_nothing_on_it_was_heard_for_half_the_limit():
    ears = Ears(source(1), source(2))
    ears.hear((0, 1), (50, 2))
    assert ears.wait(101) == [(1, 100, 0, True, Scope.BUS)], "the other was heard 50 ms ago: half the limit"
    assert ears.wait(151) == [(2, 150, 50, True, Scope.BUS)]


def test_a_bus_on_which_another_probe_was_just_heard_is_not_silent():
    ears = Ears(source(1), source(2))
    ears.hear((0, 1), (51, 2))
    assert ears.wait(101) == [(1, 100, 0, True, Scope.PROBE)]


def test_what_is_heard_on_another_bus_does_not_count():
    ears = Ears(source(1), source(2), source(3, bus="other"))
    ears.hear((0, 1), (10, 2), (90, 3))
    assert ears.wait(101) == [(1, 100, 0, True, Scope.BUS)]


def test_when_every_bus_is_silent_it_is_the_whole_rack():
    ears = Ears(source(1), source(2), source(3, bus="other"))
    ears.hear((0, 1), (10, 2), (50, 3))
    assert ears.wait(101) == [(1, 100, 0, True, Scope.RACK)]


def test_a_bus_with_a_single_probe_says_no_more_than_the_probe():
    ears = Ears(source(1, "ct"), source(2, "ct"))
    assert [found[4] for found in ears.wait(101)] == [Scope.PROBE, Scope.PROBE]


def test_probes_on_no_named_bus_are_not_one_bus():
    ears = Ears(source(1, bus=""), source(2, bus=""))
    assert [found[4] for found in ears.wait(101)] == [Scope.PROBE, Scope.PROBE]


def test_a_mate_that_is_heard_after_the_moment_was_silent_at_the_moment():
    """Within one block: what came later must not be known before."""
    ears = Ears(source(1), source(2))
    found = ears.hear((0, 1), (0, 2), (180, 2))
    assert found[:2] == [(1, 100, 0, True, Scope.BUS), (2, 100, 0, True, Scope.BUS)]


def test_a_limit_made_longer_keeps_no_silence_that_is_over_and_hides_none_that_comes():
    ears = Ears(source(1))
    assert ears.wait(150) == [(1, 100, 0, True, Scope.PROBE)]
    ears.sources = (source(1, silent_after_ms=1_000),)
    assert ears.wait(200) == []
    assert ears.hear((300, 1), (400, 1)) == [(1, 300, 0, False, Scope.PROBE)]
    assert ears.wait(1_401) == [(1, 1_400, 400, True, Scope.PROBE)]


def test_a_silence_within_a_block_ends_and_begins_again_in_its_places():
    """Silent from the start, heard twice with a gap in between, and silent again at the end."""
    ears = Ears(source(1), source(2, bus="other"))
    at_ms = np.array([200, 300, 350, 450, 500, 501, 601, 700])
    places = {1: np.array([1, 4]), 2: np.array([0, 2, 3, 5, 6, 7])}
    found = [
        it
        for it in silences(ears.sources, ears.states, at_ms, places, LongestWaits(at_ms, places))
        if it.source.id == 1
    ]
    assert [(it.position, it.at_ms, it.since_ms, it.begins) for it in found] == [
        (0, 100, 0, True),
        (1, 300, 0, False),
        (3, 400, 300, True),
        (6, 600, 500, True),  # not heard again at 500: intermittent since 400
    ]
    assert ears.states[1].silent


def slowly(arrivals, until_ms):
    """The same, millisecond by millisecond: a source is silent once it was not heard for more than 100 ms.

    From the second silence on it is intermittent, which nothing ends so soon.
    """
    last, silent, found = 0, False, []
    for now in range(until_ms + 1):
        if now - last > LIMIT_MS and not silent:
            found.append((now - 1, last, True))
            silent = True
        if now in arrivals:
            if silent and sum(begins for *_, begins in found) < 2:
                found.append((now, last, False))
            last, silent = now, False
    return found


@example({1, 102}, [])
@example({1, 101}, [1])
@settings(deadline=None)
@given(
    st.sets(st.integers(1, 900) | st.sampled_from([100, 101, 200, 202, 301]), max_size=12),
    st.lists(st.integers(0, 12), max_size=4),
)
def test_however_the_readings_are_cut_the_silences_are_those_of_the_slow_reference(arrivals, cuts):
    arrivals = sorted(arrivals)
    ears, found = Ears(source(1)), []
    bounds = sorted({0, len(arrivals), *(min(cut, len(arrivals)) for cut in cuts)})
    for start, stop in pairwise(bounds):
        found += ears.hear(*((when, 1) for when in arrivals[start:stop]))
    found += ears.wait(1_000)
    expected = slowly(set(arrivals), 1_000)
    assert [(at_ms, since_ms, begins) for _, at_ms, since_ms, begins, _ in found] == expected


@given(st.lists(st.integers(0, 900), max_size=4))
@settings(deadline=None)
def test_a_source_with_gaps_is_one_silence_until_it_has_answered_regularly_for_hours(cuts):
    """Polled each minute (five are silence): gaps of 7, 20 and 8 min, one of 4 that is none, then regular."""
    minute = 60_000
    ears, found = Ears(source(1, silent_after_ms=5 * minute)), []
    gaps = [(60, 67), (120, 140), (150, 158), (260, 264)]
    polled = [it for it in range(900) if not any(start < it < stop for start, stop in gaps)]
    bounds = sorted({0, len(polled), *(min(cut, len(polled)) for cut in cuts)})
    for start, stop in pairwise(bounds):
        found += ears.hear(*((when * minute, 1) for when in polled[start:stop]))
    assert [(at_ms // minute, begins) for _, at_ms, _, begins, _ in found] == [
        (65, True),
        (67, False),
        (125, True),
        (155, True),
        (264 + 240, False),
    ]
    assert ears.states[1].silent is False
