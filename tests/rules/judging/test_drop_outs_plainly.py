"""Missing answers counted reading by reading in plain numbers, beside the arrays. All is invented."""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.persistence import Turn, come_and_go
from rules.alarms.recurrence import of_a_probe
from rules.judging.drop_outs import drop_outs
from rules.judging.silence import Scope, SourceState, note_heard
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.readings import LongestWaits

LOT = 2_660_813_957
EVERY, SILENT_MS = 30_000, 600_000
SOURCES = (
    Source(1, "a", Quantity.TEMPERATURE, "k1", SILENT_MS, "bus", every_ms=EVERY),
    Source(2, "a", Quantity.CONDUCTIVITY, "k1", SILENT_MS, "bus", every_ms=EVERY),
    Source(3, "b", Quantity.TEMPERATURE, "k2", SILENT_MS, "bus", every_ms=EVERY),
    Source(4, "c", Quantity.TEMPERATURE, "k3", SILENT_MS, "bus", every_ms=2 * EVERY),
    Source(5, "d", Quantity.TEMPERATURE, "k4", SILENT_MS, "", every_ms=EVERY),
    Source(6, "e", Quantity.TEMPERATURE, "k5", SILENT_MS, "bus"),
)


@dataclass
class Count:
    """Of a source: answers due and missing in its window, whether that is told, and how often it was."""

    time_ms: int
    due: int = 0
    missing: int = 0
    gappy: bool = False
    gaps: object = field(default_factory=of_a_probe)
    over: bool = False


class Plainly:
    """A window is of a hundred answers due; of one gap at most four count, of a silence none."""

    def __init__(self, start_ms):
        self.counts = {it.id: Count(start_ms) for it in SOURCES if it.every_ms}
        self.by_id = {it.id: it for it in SOURCES}

    def take(self, time_ms, source_id):
        source, its = self.by_id[source_id], self.counts.get(source_id)
        if its is None:
            return
        if its.over:
            its.due, its.missing, its.over = its.due % 100, 0, False
        wait_ms, its.time_ms = time_ms - its.time_ms, time_ms
        lost = 0 if wait_ms > SILENT_MS else min(max(round(wait_ms / source.every_ms) - 1, 0), 4)
        its.due, its.missing = its.due + lost + 1, its.missing + lost
        its.over, turns, active = its.due >= 100, [], its.gappy
        if not its.gappy and its.missing >= 10:
            its.gappy = True
            turns.append(Turn(0, True, time_ms))
        elif its.gappy and its.over:
            its.gappy = its.missing >= 5
            turns.append(Turn(0, its.gappy, time_ms))
        for turn in come_and_go(turns, active, np.array([time_ms]), its.gaps):
            over = source_id, False, Scope.PROBE, "", None
            yield self._told(source, its, turn) if turn.active else over

    def _told(self, source, its, turn):
        mates = [it for it in SOURCES if it.bus == source.bus and it.every_ms]
        hit = {it.probe for it in mates if self.counts[it.id].missing >= 5}
        probes = {it.probe for it in mates}
        shared = source.bus and len(hit) > 1 and len(hit) > len(probes) / 2
        said = f"{its.missing} of {its.due} answers missing"
        reason = f"{said}, {turn.often}" if turn.often else said
        mute = [it for it in mates if its.time_ms - self.counts[it.id].time_ms > SILENT_MS and it.bus]
        dead = {it.probe for it in mute}
        if mute and len(hit - dead) >= len(probes - dead) / 2:
            return source.id, True, Scope.PROBE, reason, mute[0].id
        return source.id, True, Scope.BUS if shared else Scope.PROBE, reason, None


def polls(draw, hours):
    """Rows of (time, source): each probe loses a share of its answers for hours at a time, or is away."""
    rows = []
    for source in SOURCES:
        at_ms = np.arange(EVERY, hours * 3_600_000, source.every_ms or EVERY)
        share = draw.choice([0.0, 0.0, 0.04, 0.07, 0.2, 0.5], hours).repeat(3_600_000 // EVERY)
        lost = draw.random(at_ms.size) < share[at_ms // EVERY - 1]
        away = int(draw.integers(0, at_ms.size))
        lost[away : away + int(draw.choice([0, 5, 19, 20, 30, 900]))] = True
        late = draw.choice([0, 0, 0, 14_999, 15_000, 15_001], at_ms.size)
        rows += [(int(ms), source.id) for ms in (at_ms + late + source.id)[~lost]]
    return sorted(rows)


@pytest.mark.parametrize("number", range(10))
def test_blocks_are_counted_as_reading_by_reading_in_plain_numbers(number):
    """Seen: one probe's trouble, not its line's, where a block began just after a mate's window was over."""
    draw = np.random.default_rng([LOT, number])
    rows = polls(draw, 40)
    plain, states, found = Plainly(0), {it.id: SourceState(0, 0) for it in SOURCES}, []
    expected = [(place, *told) for place, row in enumerate(rows) for told in plain.take(*row)]
    cuts = np.cumsum(draw.integers(1, draw.choice([2, 30, 900]), len(rows)))
    for start, stop in pairwise([0, *cuts[cuts < len(rows)].tolist(), len(rows)]):
        time_ms, ids = np.array(rows[start:stop], dtype=np.int64).T
        places = {it: np.flatnonzero(ids == it) for it in np.unique(ids).tolist()}
        its = drop_outs(SOURCES, states, time_ms, places, LongestWaits(time_ms, places))
        for it in its:
            waits_for = it.waits_for.id if it.waits_for else None
            found.append((start + it.position, it.source.id, it.begins, it.scope, it.reason, waits_for))
        note_heard(states, time_ms, time_ms, places)
    assert sorted(found, key=lambda row: row[:2]) == expected
    assert {True, False} <= {begins for _, _, begins, *_ in expected}
