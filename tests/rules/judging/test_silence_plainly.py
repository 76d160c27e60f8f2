"""Silences moment by moment in plain numbers, of several sources on two buses, beside the arrays.

How often a source falls silent is counted by `rules.alarms.recurrence`, which has tests of its own.
"""

from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.recurrence import of_a_probe
from rules.errors import InputError
from rules.judging.silence import Scope, SourceState, note_heard, refuse_disorder, silences
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.readings import LongestWaits, Readings

LOT = 2_590_361_774
MINUTE = 60_000
SOURCES = tuple(
    Source(number, probe, Quantity.TEMPERATURE, "k1", minutes * MINUTE, bus)
    for number, (probe, bus, minutes) in enumerate(
        [("a", "x", 6), ("b", "x", 6), ("c", "y", 9), ("d", "y", 6), ("e", "", 6)], 1
    )
)


class Plainly:
    """Sources of which each moment is taken for itself."""

    def __init__(self):
        self.last, self.silent = {it.id: 0 for it in SOURCES}, dict.fromkeys(range(1, 6), False)
        self.drops = {it.id: of_a_probe() for it in SOURCES}

    def pass_time(self, until_ms):
        """A source is silent once time has passed its limit."""
        for it in SOURCES:
            fell_ms = self.last[it.id] + it.silent_after_ms
            if fell_ms < until_ms and not self.silent[it.id]:
                self.silent[it.id] = True
                often = self.drops[it.id].lose(self.last[it.id], fell_ms)
                reason = f"intermittent, silent {often}" if often else ""
                yield it.id, fell_ms, self.last[it.id], True, self._scope(it, fell_ms), reason

    def _scope(self, source, at_ms):
        """Not heard for half of what is silence: the probe, its bus with all on it, or every bus."""
        talks = {it.bus for it in SOURCES if at_ms - self.last[it.id] < it.silent_after_ms / 2}
        if not talks:
            return Scope.RACK
        return Scope.BUS if source.bus and source.bus not in talks else Scope.PROBE

    def take(self, at_ms, source_id):
        """A wait of more than two thirds of the limit is a gap, too."""
        drops, since_ms = self.drops[source_id], self.last[source_id]
        self.last[source_id] = at_ms
        limit_ms = next(it.silent_after_ms for it in SOURCES if it.id == source_id)
        if self.silent[source_id] or at_ms - since_ms > limit_ms * 2 / 3:
            if self.silent[source_id] and not drops.recurs:
                yield source_id, at_ms, since_ms, False, Scope.PROBE, ""
            self.silent[source_id] = False
            drops.come_back(since_ms, at_ms)
        elif drops.recurs and at_ms >= drops.over_ms:
            drops.recurs = False
            yield source_id, at_ms, drops.back_ms, False, Scope.PROBE, ""


def polls(draw, hours):
    rows, size = [], hours * 60
    both = {bus: np.zeros(size, dtype=np.bool_) for bus in ("x", "y", "")}
    for its in both.values():
        for _ in range(3):
            begins = int(draw.integers(0, size))
            its[begins : begins + int(draw.choice([4, 6, 7, 20]))] = True
    everything = int(draw.integers(0, size - 20))
    for it in SOURCES:
        lost = both[it.bus] | (np.arange(size) // 12 == everything // 12)
        for _ in range(int(draw.integers(0, 8))):
            begins = int(draw.integers(0, size))
            lost[begins : begins + int(draw.choice([3, 4, 5, 6, 7, 9, 30]))] = True
        late = draw.choice([0, 0, 0, 1], size)
        rows += [
            ((minute + 1) * MINUTE + int(late[minute]), it.id) for minute in np.flatnonzero(~lost).tolist()
        ]
    return sorted(rows)


@pytest.mark.parametrize("number", range(16))
def test_blocks_are_heard_as_moment_by_moment_in_plain_numbers(number):
    draw = np.random.default_rng([LOT, number])
    rows, plain, expected = polls(draw, 40), Plainly(), []
    for row in rows:
        expected += [*plain.pass_time(row[0]), *plain.take(*row)]
    states, found = {it.id: SourceState(0) for it in SOURCES}, []
    cuts = np.cumsum(draw.integers(1, draw.choice([2, 60, 3000]), len(rows)))
    for start, stop in pairwise([0, *cuts[cuts < len(rows)].tolist(), len(rows)]):
        at_ms, ids = np.array(rows[start:stop], dtype=np.int64).T.copy()
        places = {it: np.flatnonzero(ids == it) for it in np.unique(ids).tolist()}
        for it in silences(SOURCES, states, at_ms, places, LongestWaits(at_ms, places)):
            side = "right" if it.begins else "left"
            assert it.begins or at_ms[it.position] == it.at_ms
            assert not it.begins or it.position == at_ms.searchsorted(it.at_ms, side=side)
            found.append((it.source.id, it.at_ms, it.since_ms, it.begins, it.scope, it.reason))
        note_heard(states, at_ms, at_ms - 7, places)
    assert sorted(found, key=str) == sorted(expected, key=str)
    assert {it: (its.at_ms, its.silent, its.drops) for it, its in states.items()} == {
        it: (plain.last[it], plain.silent[it], plain.drops[it]) for it in states
    }
    assert all(its.time_ms == its.at_ms - 7 for its in states.values())
    assert {Scope.PROBE, Scope.RACK} <= {scope for *_, scope, _ in expected}


def block(at_ms, time_ms, source=(1, 1)):
    count = np.arange(len(at_ms))
    columns = (np.array(it, dtype=np.int64) for it in (at_ms, source, time_ms))
    return Readings(count, *columns, count.astype(float))


@pytest.mark.parametrize(
    ("readings", "fine"),
    [
        (block([10, 10], [6, 7]), True),
        (block([9, 10], [6, 7]), False),  # before the last
        (block([11, 10], [6, 7]), False),
        (block([10, 11], [5, 7]), False),  # not after the source's newest
        (block([10, 11], [6, 6]), False),
        (block([10, 11], [7, 6]), False),
        (block([10, 11, 12], [6, 8, 7], (1, 1, 1)), False),
    ],
)
def test_times_that_run_backwards_are_refused(readings, fine):
    """The clock stands at 10, the newest reading of the source was measured at 5."""
    for days in ([readings], [readings.part(0, 1), readings.part(1, len(readings))]):
        if fine:
            refuse_disorder(days, {1: SourceState(10, 5)}, 10)
            continue
        with pytest.raises(InputError, match=r"the order of their arrival|times of source 1 must rise"):
            refuse_disorder(days, {1: SourceState(10, 5)}, 10)
