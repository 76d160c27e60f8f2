"""A swift move that the quantity beside does not show, said once more point by point in plain numbers.

What is expected follows the words of `rules.quality.swift`; its numbers stand here again, so that none
changes unseen. All readings are invented.
"""

import math
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

import gsw
import numpy as np
import pytest

from rules.quality.swift import Swift, in_kelvin, swift
from rules.quantities import Quantity

LOT = 2_275_019_846
POINT, HOUR = 120_000, 3_600_000


@dataclass
class Plainly:
    """A source of which each reading is taken for itself; `far` is how many kelvin make a move swift."""

    far: float
    points: list[tuple[int, float, float]] = field(default_factory=list)
    apart: list[tuple[int, float]] = field(default_factory=list)
    floor: int = 0
    since_ms: int | None = None
    base: float = 0.0
    beside: float = 0.0
    usual: float = 0.0

    def take(self, time_ms, own, other, agreed):
        if not self.points or time_ms // POINT > self.points[-1][0] // POINT:
            self.points.append((time_ms, own, other))
            self._point(agreed)
        return math.nan if self.since_ms is None else self.base

    def _point(self, agreed):
        time_ms, own, other = self.points[-1]
        usual = median([it for _, it in self.apart[-24:]]) if self.apart else math.nan
        if self.since_ms is None and (lag := self._moved(usual)):
            self.since_ms, self.usual, (_, self.base, self.beside) = time_ms, usual, self.points[-1 - lag]
        if self.since_ms is not None:
            off = abs(own - self.base)
            alone = [abs(own - self.base - other + self.beside), abs(own - other - self.usual)]
            least = min((it for it in alone if not math.isnan(it)), default=math.inf)
            if off <= self.far / 2 or least <= max(self.far, off) / 4 or agreed:
                self.since_ms, self.floor = None, len(self.points) - 1
        hour = time_ms // HOUR
        if not math.isnan(own - other) and not (self.apart and self.apart[-1][0] >= hour):
            self.apart.append((hour, own - other))

    def _moved(self, usual):
        """Return by how many points before it moved off, the most there are; 0 where it did not."""
        at, (time_ms, own, other) = len(self.points) - 1, self.points[-1]
        found = 0
        for lag in range(2, min(16, at - 1) + 1):
            before_ms, start, other_start = self.points[at - lag]
            if at - lag <= self.floor:
                continue
            way = 1 if own > start else -1
            off, hours = way * (own - start), (time_ms - before_ms) / HOUR
            if not off > self.far or hours > 2 * lag * POINT / HOUR:
                continue
            alone = way * (own - start - other + other_start) > off / 2
            leads_away = abs(own - other - usual) > abs(start - other_start - usual)
            two_before = min(off, way * (own - self.points[at - lag - 1][1])) > max(self.far, 5.0 * hours)
            two_now = way * (self.points[-2][1] - start) > self.far / 2
            found = lag if alone and leads_away and two_before and two_now else found
        return found


def course(draw, size):
    """Water that is steady, moves slowly or swiftly, and stays; a reading now and then is stray."""
    value, level = [], 15.0
    while len(value) < size:
        length, by = int(draw.choice([1, 2, 5, 12, 20, 60])), float(draw.integers(-64, 65)) / 32
        part = (
            np.full(length, level)
            if draw.random() < 0.5
            else level + np.round(np.linspace(0, by, length) * 32) / 32
        )
        if draw.random() < 0.3:
            part[draw.integers(length)] += by
        value += part.tolist()
        level = float(part[-1]) + (by if draw.random() < 0.2 else 0.0)
    return np.array(value[:size])


def at_each(time_ms, own, other, borne_out, usual_k, past):
    """Return the base at each reading, by the points among them."""
    new = past.new_points(time_ms)
    agreed = None if borne_out is None else borne_out[new]
    bases, past = swift(time_ms[new], own[new], other[new], agreed, usual_k, past)
    return bases[new.searchsorted(np.arange(own.size), side="right")], past


@pytest.mark.parametrize("number", range(45))
def test_blocks_are_judged_as_reading_by_reading_in_plain_numbers(number):
    draw, size = np.random.default_rng([LOT, number]), 1200
    own, usual_k = course(draw, size), float(draw.choice([0.0, 0.375, 0.5, 0.75, 2.0]))
    follows = draw.choice([0.0, 0.5, 1.0], 30, p=[0.6, 0.2, 0.2]).repeat(40)
    other = np.where(draw.random(size) < 0.02, np.nan, 14.0 + follows * (own - 15.0))
    agreed = draw.random(size) < draw.choice([0.0, 0.01])
    waits = np.where(draw.random(size) < 0.02, draw.choice([POINT, 600_000, HOUR], size), 60_000)
    time_ms = 1_760_000_000_000 + np.cumsum(waits)
    plain = Plainly(min(max(2.0 * usual_k, 0.75), 3.0))
    rows = zip(*(it.tolist() for it in (time_ms, own, other, agreed)), strict=True)
    expected = [plain.take(*row) for row in rows]
    past, found = (
        Swift(),
        [],
    )  # seen: in a block that began before the return, a move soon after was passed over
    cuts = np.cumsum(draw.integers(1, draw.choice([3, 200]), size))
    for start, stop in pairwise([0, *cuts[cuts < size].tolist(), size]):
        part = slice(start, stop)
        borne_out = agreed[part] if agreed.any() else None
        told, past = at_each(time_ms[part], own[part], other[part], borne_out, usual_k, past)
        found += told.tolist()
    assert np.array_equal(found, expected, equal_nan=True)
    assert past.since_ms == (-1 if plain.since_ms is None else plain.since_ms)
    assert list(zip(past.hours, past.apart, strict=True)) == plain.apart[-24:]


def test_it_is_compared_at_all():
    """One of two kelvin within ten minutes, that the quantity beside does not show, until it is back."""
    own = np.concatenate((np.full(40, 15.0), np.full(60, 17.0), np.full(20, 15.0)))
    time_ms = 60_000 * np.arange(own.size)
    told, _ = at_each(time_ms, own, np.full(own.size, 15.0), None, 0.0, Swift())
    moved = np.flatnonzero(~np.isnan(told))
    assert (moved[0], moved[-1]) == (42, 99)
    assert set(told[moved]) == {15.0}


def test_a_cells_reading_is_as_many_kelvin_as_sea_water_conducts_more_by():
    """PSS-78 by the gsw library: from 10 to 25 °C some 2.1 % more for each kelvin, give or take a seventh."""
    cell = gsw.C_from_SP(32.0, np.array([10.0, 15.0, 20.0, 25.0]), 0.0)
    assert np.diff(in_kelvin(cell, Quantity.CONDUCTIVITY)) == pytest.approx(5.0, rel=1 / 7)
    assert in_kelvin(np.array([15.0, -3.0]), Quantity.TEMPERATURE).tolist() == [15.0, -3.0]
    nothing, least = (in_kelvin(np.array([it]), Quantity.CONDUCTIVITY) for it in (0.0, 0.01))
    assert nothing == least
