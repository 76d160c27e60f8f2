"""Which readings are not of the water, reading by reading in plain numbers, beside what the engine flags.

What is expected follows the words of `rules.judging.out_of_water`; its numbers stand here again, so that none
changes unseen. All readings are invented; a probe is lifted, breaks and comes back as by lot.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from rules.engine import Engine
from rules.judging.out_of_water import dryness
from rules.judging.series import Series
from rules.judging.silence import SourceState
from rules.quality.flags import Flag, QartodTest, unpack
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.readings import Action, Readings
from tests.rigs.watched_rack import EASY_QUALITY, plan_of

LOT = 3_140_972_561
START_MS = 1_760_054_400_000
T, C, O2 = 1, 2, 3
QUANTITIES = {T: Quantity.TEMPERATURE, C: Quantity.CONDUCTIVITY, O2: Quantity.OXYGEN}
TOGETHER = {T: "multi", C: "multi", O2: "multi"}
APART = {T: "t", C: "c", O2: "o"}
SETTLES_MS, BELIEVED_MS, JUMPS_MS = 120_000, 600_000, 180_000


@dataclass
class Plainly:
    """A cell and what is beside it: when it was dry, who bore a spell out, and which one was given up."""

    apart: bool
    jumps_ms: int
    dry_ms: int = -1
    spell_ms: int = -1
    dry: bool = False
    raw: dict[int, float] = field(default_factory=lambda: {T: math.nan, O2: math.nan})
    wet: dict[int, float] = field(default_factory=lambda: {T: math.nan, O2: math.nan})
    witness_ms: dict[int, int] = field(default_factory=lambda: {T: -1, C: -1, O2: -1})
    ended_ms: dict[int, int] = field(default_factory=lambda: {T: -1, C: -1, O2: -1})

    def take(self, time_ms, source, value, maintained):
        """Return whether a reading is not of the water."""
        dry = source == C and value < 1.0
        was, self.dry = self.dry, dry if source == C else self.dry
        if dry:
            if not was and (self.dry_ms < 0 or time_ms - self.dry_ms > SETTLES_MS):
                self.spell_ms = time_ms
            self.dry_ms = time_ms
            self._is_dry(time_ms, maintained)
        elif source == C and (self.dry_ms < 0 or time_ms - self.dry_ms > SETTLES_MS):
            self.wet = dict(self.raw)
        elif source != C:
            self.raw[source] = value
            if self.spell_ms >= 0 and time_ms - self.spell_ms <= self.jumps_ms and self._away(source):
                for it in (source, C) if self.apart else (T, C, O2):
                    self.witness_ms[it] = self.spell_ms
        lately = self.dry_ms >= 0 and time_ms - self.dry_ms <= SETTLES_MS
        borne_out = self.witness_ms[source] == self.spell_ms != self.ended_ms[source]
        return dry or (lately and borne_out)

    def _is_dry(self, time_ms, maintained):
        """Somebody at work bears a cell out; it is believed for minutes, longer where one is away."""
        if maintained:
            self.witness_ms = dict.fromkeys(self.witness_ms, self.spell_ms)
        over, away = time_ms - self.spell_ms > BELIEVED_MS, any(map(self._away, (T, O2)))
        for it in self.ended_ms:
            if over and not (away and not (self.apart and it != C)):
                self.ended_ms[it] = self.spell_ms

    def _away(self, source):
        by = abs(self.raw[source] - self.wet[source])
        return by >= (0.5 if source == T else 0.05 * abs(self.wet[source]))


def polls(draw, size):
    """Rows of (time, source, value) of spells in which any of three leaves the water, or breaks, or both."""
    rows, now_ms, water, shown = [], START_MS, {T: 15.0, C: 40.0, O2: 8.0}, {}
    while len(rows) < size:
        shown = dict(water)
        for it, to in ((T, draw.choice([15.25, 15.5, 20.0])), (C, draw.choice([0.0, 0.5, 1.0])), (O2, 8.4)):
            if draw.random() < 0.45:
                shown[it] = float(to)
        water[O2] = float(draw.choice([8.0, 8.0, 7.75]))
        for _ in range(int(draw.choice([1, 2, 4, 8, 21, 22, 50]))):
            now_ms += int(draw.choice([10_000, 30_000, 30_000, 60_000, 60_000, 120_000, 120_001, 300_000]))
            for it in draw.permutation([T, C, O2]).tolist():
                if draw.random() < 0.95:
                    rows.append((now_ms, it, shown[it]))
    return rows


def told(engine, rows, seq):
    """Which of the readings the engine says are not of the water."""
    at_ms, source = np.array([row[:2] for row in rows], dtype=np.int64).T.copy()
    value, numbers = np.array([row[2] for row in rows]), seq + np.arange(len(rows))
    found = {}
    for its in engine.feed(Readings(numbers, at_ms, source, at_ms, value)).flags:
        if its.channel.split("/")[1] in set(QUANTITIES.values()):
            dry = unpack(its.tests)[QartodTest.SYNTAX] == Flag.FAIL
            found |= dict(zip(its.seq.tolist(), dry.tolist(), strict=True))
    return [found[number] for number in numbers.tolist()]


@pytest.mark.parametrize("probes", [TOGETHER, APART], ids=["together", "apart"])
@pytest.mark.parametrize("number", range(2, 12))
def test_blocks_are_judged_as_reading_by_reading_in_plain_numbers(probes, number):
    draw = np.random.default_rng([LOT, number])
    every_ms, jumps_ms = [(0, JUMPS_MS), (120_000, JUMPS_MS), (300_000, 450_000)][number % 3]
    sources = tuple(
        Source(it, probes[it], QUANTITIES[it], "k1", 86_400_000, "bench", every_ms=every_ms) for it in probes
    )
    engine = Engine(plan_of(sources, {}, quality=EASY_QUALITY), START_MS)
    plain, rows = Plainly(probes is APART, jumps_ms), polls(draw, 900)
    start, found, expected, until_ms = 0, [], [], 0
    while start < len(rows):
        stop = min(start + int(draw.integers(1, draw.choice([2, 60]))), len(rows))
        found += told(engine, rows[start:stop], start + 1)
        expected += [plain.take(*row, row[0] < until_ms) for row in rows[start:stop]]
        start, now_ms = stop, rows[stop - 1][0]
        if number % 2 == 0 and draw.random() < 0.1 and now_ms >= until_ms:
            body = {"target": "vessel/k1", "for_s": 600.0, "why": "wipes the probe"}
            assert not engine.act(Action(now_ms, "begin_maintenance", "kim", body)).refusal
            until_ms = now_ms + 600_000
    assert found == expected
    wrong = [dry for dry, row in zip(expected, rows, strict=True) if row[1] != C]
    assert any(wrong), "else nothing was lifted"


MINUTE = 60_000


@pytest.mark.parametrize(
    ("dry_min", "wet_min", "first_min", "read_min", "new"),
    [
        ((10, 20), (23,), 0, 24, True),  # out for ten minutes
        ((10, 19), (23,), 0, 24, False),  # for less
        ((2, 9), (12,), 0, 13, True),  # since two minutes after it was first read: it was never in
        ((3, 9), (12,), 0, 13, False),
        ((10, 20), (22,), 0, 24, False),  # not settled yet
        ((10, 20), (23,), 0, 32, True),  # for twelve minutes after
        ((10, 20), (23,), 0, 33, False),
        ((), (10, 20), 0, 21, False),
    ],
)
@pytest.mark.parametrize("cut", [False, True])
def test_a_probe_has_just_been_put_in_soon_after_a_long_or_its_first_dry_spell(
    dry_min, wet_min, first_min, read_min, new, cut
):
    """Dry each minute from the first to the last of `dry_min`."""
    dry = range(dry_min[0], dry_min[-1] + 1) if dry_min else ()
    minutes = np.array([*dry, *wet_min])
    value = np.where(np.isin(minutes, dry), 0.0, 40.0)
    state = SourceState(0, first_ms=first_min * MINUTE)
    cell = Series(np.arange(minutes.size), minutes * MINUTE, value)
    found, heard_ms = dryness(cell, state), 0
    if cut:
        state = replace(state, dry_ms=int(found.last_ms[-1]), spell_ms=int(found.spell_ms[-1]))
        heard_ms, found = int(minutes[-1]) * MINUTE, dryness(cell.part(slice(0, 0)), state)
    here = np.array([minutes.size])
    assert found.put_in(here, np.array([read_min * MINUTE]), heard_ms).tolist() == [new]
    assert found.put_in(here[:0], np.array([], dtype=np.int64), heard_ms).tolist() == []
