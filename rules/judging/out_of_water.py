"""When a probe is out of the water: its conductivity cell says so, and a second witness must bear it out.

A cell alone may be broken. It is believed for the rest of its probe where temperature or oxygen jumped as it
went dry, or where somebody declared maintenance; and for minutes only, unless what jumped has not come back
since: a cell that broke meanwhile does not blind the rest. A dry cell itself fails either way. Of separate
probes that are lifted out together each is believed to be that jumps as the cell goes dry, for minutes only.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.judging.series import Series, known_at
from rules.judging.silence import SourceState
from rules.quantities import Quantity
from rules.rack.plan import Source

DRY_BELOW_MS_CM = 1.0
"""Salinity 0.5: no sea water conducts less. A film on a cell in air leaves some 0.01 mS/cm, and 0.2 to 0.8
is a probe being rinsed in fresh water (common practice, no source)."""

SETTLES_WITHIN_MS = 120_000
"""A probe that is back in the water is not believed before (common practice, no source: eight times the
15 s in which a slow thermometer goes 63 % of the way)."""

BELIEVED_FOR_MS = 600_000
"""So long may a cell that was borne out speak for its probe once nothing else does (project judgement)."""

JUMPS_WITHIN_MS = 180_000
"""What leaves the water shows it in its other quantities within this time, or one and a half of their polls
where these are slower (project judgement)."""

_JUMP_C = 0.5
_JUMP_SHARE = 0.05
"""A jump, in kelvin or as a share of the oxygen; no vessel changes so much in minutes (project judgement)."""

WITNESSES = (Quantity.TEMPERATURE, Quantity.OXYGEN, Quantity.OXYGEN_SATURATION)

Bools = NDArray[np.bool_]
Times = NDArray[np.int64]


def cells_of(sources: Iterable[Source]) -> Mapping[str, int]:
    """Return the source that is the conductivity cell of each probe that has one."""
    return {source.probe: source.id for source in sources if source.quantity is Quantity.CONDUCTIVITY}


def lifted_together(sources: Sequence[Source]) -> Iterator[tuple[int, int]]:
    """Go through what has no cell on its probe, beside a cell that has nothing on its own (ids of both)."""
    cells = cells_of(sources)
    shared = {it.probe for it in sources if it.quantity in WITNESSES}
    alone = {it.vessel: it.id for it in sources if cells.get(it.probe) == it.id and it.probe not in shared}
    for it in sources:
        if it.quantity in WITNESSES and it.probe not in cells and it.vessel in alone:
            yield it.id, alone[it.vessel]


@dataclass(frozen=True, slots=True)
class Dryness:
    """What a cell says in a block, shapes n + 1: element k is what is known after k of its readings.

    `last_ms` is when it was last dry, `spell_ms` when that spell began; -1 for never. `first_ms` is when it
    was first read.
    """

    cell: Series
    first_ms: int
    last_ms: Times
    spell_ms: Times

    @property
    def dry(self) -> Bools:
        """Return which of the cell's own readings are not of the water (shape n)."""
        return self.cell.value < DRY_BELOW_MS_CM

    @property
    def in_water(self) -> Bools:
        """Return which of the cell's own readings are of the water, the probe having settled (shape n)."""
        last_ms = self.last_ms[1:]
        settled: Bools = (last_ms < 0) | (self.cell.time_ms - last_ms > SETTLES_WITHIN_MS)
        return settled

    def put_in(self, here: NDArray[np.intp], time_ms: Times, heard_ms: int) -> Bools:
        """Return which readings (places `here`, shape m) follow soon on a dry spell, a long or the first one.

        Somebody has put the probe in: it was out for long, or never in before. `heard_ms` is when the cell
        was last read before the block.
        """
        if not here.size or self.is_over(time_ms, SETTLES_WITHIN_MS + BELIEVED_FOR_MS):
            return np.zeros(here.size, dtype=np.bool_)
        known = self.cell.index.searchsorted(here, side="right")
        last_ms, spell_ms = self.last_ms[known], self.spell_ms[known]
        settled_ms = np.concatenate([[heard_ms], self.cell.time_ms])[known] - last_ms
        soon = time_ms - last_ms <= SETTLES_WITHIN_MS + BELIEVED_FOR_MS
        new = (last_ms - spell_ms >= BELIEVED_FOR_MS) | (spell_ms - self.first_ms <= SETTLES_WITHIN_MS)
        found: Bools = (last_ms >= 0) & (settled_ms > SETTLES_WITHIN_MS) & soon & new
        return found

    def is_over(self, time_ms: Times, within_ms: int = SETTLES_WITHIN_MS) -> bool:
        """Return whether no reading at these times (in any order) lies within a time after a dry one."""
        return bool(self.last_ms[-1] < 0 or time_ms.min() - self.last_ms[-1] > within_ms)


def dryness(cell: Series, state: SourceState) -> Dryness:
    """Return what a cell says in a block; `state` is what was known before."""
    if not cell.time_ms.size:
        return Dryness(cell, state.first_ms, np.array([state.dry_ms]), np.array([state.spell_ms]))
    first_ms = int(cell.time_ms[0]) if state.first_ms < 0 else state.first_ms
    dry = cell.value < DRY_BELOW_MS_CM
    if not np.count_nonzero(dry):  # then all is as it was before
        return Dryness(cell, first_ms, *(np.full(dry.size + 1, it) for it in (state.dry_ms, state.spell_ms)))
    dry_ms = np.where(dry, cell.time_ms, np.int64(-1))
    last_ms = np.maximum.accumulate(np.concatenate([[state.dry_ms], dry_ms]))
    before = last_ms[:-1]
    was_dry = np.concatenate([[0 <= state.dry_ms == state.time_ms], dry[:-1]])
    begins = dry & ~was_dry & ((before < 0) | (cell.time_ms - before > SETTLES_WITHIN_MS))
    spell_ms = np.concatenate([[state.spell_ms], np.where(begins, cell.time_ms, np.int64(-1))])
    return Dryness(cell, first_ms, last_ms, np.maximum.accumulate(spell_ms))


def values_in_water(other: Series, dryness: Dryness, state: SourceState) -> NDArray[np.float64]:
    """Return what another source of the probe said when the cell was last in the water.

    Element k is what is known after k such readings of the cell.
    """
    wet = dryness.cell.index[dryness.in_water]
    if not wet.size:
        return np.array([state.wet])
    newest = np.concatenate([[state.raw], other.value])[known_at(other.index, wet)]
    return np.concatenate([[state.wet], newest])


def away(
    here: NDArray[np.intp], other: Series, quantity: Quantity, dryness: Dryness, state: SourceState
) -> Bools:
    """Return whether another quantity is a jump away, at places `here`, from what it was in the water."""
    wet = dryness.cell.index[dryness.in_water]
    past = values_in_water(other, dryness, state)[wet.searchsorted(here, side="right")]
    newest = np.concatenate([[state.raw], other.value])[other.index.searchsorted(here, side="right")]
    far: Bools = np.abs(newest - past) >= (
        _JUMP_C if quantity is Quantity.TEMPERATURE else _JUMP_SHARE * np.abs(past)
    )
    return far


def jumps_within_ms(source: Source) -> int:
    """Return within what time another quantity of a probe must jump to bear a cell out."""
    return max(JUMPS_WITHIN_MS, source.every_ms * 3 // 2)


def jumps(other: Series, source: Source, dryness: Dryness, state: SourceState) -> tuple[Times, Times]:
    """Return where in the block another quantity jumps as the cell goes dry, and in which spell."""
    known = dryness.cell.index.searchsorted(other.index, side="right")
    spell_ms, far = dryness.spell_ms[known], away(other.index, other, source.quantity, dryness, state)
    soon = (spell_ms >= 0) & (other.time_ms - spell_ms <= jumps_within_ms(source))
    return other.index[far & soon], spell_ms[far & soon]


def given_up(dryness: Dryness, still_away: Bools) -> tuple[Times, Times]:
    """Return at which dry readings of the cell its spell is believed no longer, and which spell that is.

    `still_away` says at each of them (shape m) whether something that shares the probe has not come back.
    """
    cell, spell_ms = dryness.cell, dryness.spell_ms[1:][dryness.dry]
    over = (cell.time_ms[dryness.dry] - spell_ms > BELIEVED_FOR_MS) & ~still_away
    return cell.index[dryness.dry][over], spell_ms[over]


def borne_out(found: Sequence[tuple[Times, Times]], before_ms: int) -> tuple[Times, Times]:
    """Put what witnesses found (places and spells) in order: places, and the spell last borne out after each.

    The second has an element more, `before_ms` in front.
    """
    if not found:
        return np.array([], dtype=np.int64), np.array([before_ms])
    places = np.concatenate([np.array([], dtype=np.int64), *(place for place, _ in found)])
    spells = np.concatenate([np.array([], dtype=np.int64), *(spell for _, spell in found)])
    order = np.argsort(places, kind="stable")
    return places[order], np.maximum.accumulate(np.concatenate([[before_ms], spells[order]]))


def believed_out(
    here: NDArray[np.intp],
    time_ms: Times,
    dryness: Dryness,
    witness: tuple[Times, Times],
    ended: tuple[Times, Times],
) -> Bools:
    """Return at which readings (places `here`, shape m) the probe counts as out of the water or just back.

    `witness` says which spell was borne out from where on, `ended` which was given up.
    """
    known = dryness.cell.index.searchsorted(here, side="right")
    last_ms, spell_ms = dryness.last_ms[known], dryness.spell_ms[known]
    seen_twice, given_up = (
        spells[places.searchsorted(here, side="right")] == spell_ms for places, spells in (witness, ended)
    )
    lately = (last_ms >= 0) & (time_ms - last_ms <= SETTLES_WITHIN_MS)
    out: Bools = lately & seen_twice & ~given_up
    return out
