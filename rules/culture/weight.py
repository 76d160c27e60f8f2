"""How wet weight goes with bell diameter: of bells that the site has weighed, until then a placeholder."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from rules.culture.intervals import Line, line_through
from rules.rack.logbook import check_entry

PLACEHOLDER = 2.8
"""Of wet weight on bell diameter, without a source."""
LEAST_PAIRS, WITHIN = 15, 0.5
"""So many bells are needed, and that they tell the exponent within half a unit (project judgement).

A rate of weight is then off by a fifth at most for its sake (0.5 of 2.8). Where weights scatter by a fifth,
fifteen bells do not tell it so if the widest has twice the diameter of the least (0.53), and do if thrice.
"""
POWERS = (1.5, 4.0)
"""Between what an exponent lies (project judgement).

A sheet of one thickness has 2, one shape at all sizes 3 (geometry); others come of slips and of bells alike.
"""
_NO_BELLS = {"planula", "polyp", "polyp-cooling", "strobila", "podocyst"}
_MG_PER_CUBIC_MM = (0.008, 0.54)
"""A sheet a hundredth as thick as it is wide, and a ball of sea water (geometry): no bell is beyond them.

It keeps out slips such as g for mg or cm for mm, and weights that stand beside another bell's diameter.
"""
Pair = tuple[float, float]
"""The diameter [mm] and the wet weight [mg] of one bell."""


@dataclass(frozen=True, slots=True)
class Weight:
    """What bells that were weighed say: W = factor D^exponent, in mg and mm.

    `line` is that of the logarithms: its slope is the exponent, its intercept the factor's; None of too few.
    """

    pairs: int = 0
    line: Line | None = None

    @property
    def own(self) -> Line | None:
        """Return the line where it takes the place of the placeholder."""
        line = self.line
        if line is None or self.pairs < LEAST_PAIRS or line.slope - line.low > WITHIN:
            return None
        return line if POWERS[0] <= line.slope <= POWERS[1] else None

    @property
    def exponent(self) -> float:
        """Return the exponent that counts."""
        return self.own.slope if self.own else PLACEHOLDER

    @property
    def basis(self) -> str:
        """Say which exponent that is."""
        if own := self.own:
            return f"exponent {own.slope:.2f} ({own.low:.2f} to {own.high:.2f}) of {self.pairs} bells weighed"
        return f"a placeholder exponent of {PLACEHOLDER:g}"


UNWEIGHED = Weight()


def weight_of(pairs: Iterable[Pair]) -> Weight:
    """Return what pairs of diameter and weight say, by least squares of the logarithms.

    One that comes again says nothing new: written down twice, it would only feign a narrower interval.
    """
    made = [(math.log(mm), math.log(mg)) for mm, mg in dict.fromkeys(pairs)]
    return Weight(len(made), line_through([x for x, _ in made], [y for _, y in made]))


def pairs_of(body: Mapping[str, Any]) -> list[Pair]:
    """Return the pairs of an entry of wet weight; a mean of several that are not listed is none."""
    alone = [body.get("value")] if body.get("n", 1) == 1 else []
    diameters, weights = body.get("diameters_mm", []), body.get("values", alone)
    usable = all(isinstance(it, list) and all(map(_is_size, it)) for it in (diameters, weights))
    return list(zip(diameters, weights, strict=True)) if usable and len(diameters) == len(weights) else []


def unfit_pairs(body: Mapping[str, Any], stage: str) -> str:
    """Say in one line why diameters are none of the weights beside which they stand; InputError likewise."""
    if stage in _NO_BELLS:
        return f"diameters_mm: {stage} has no bell"
    pairs = pairs_of(body)
    if not pairs:
        return "diameters_mm: expected one above 0 for each weight, in their order"
    for mm, mg in pairs:
        check_entry("bell_diameter", mm, stage)
        low, high = (each * mm**3 for each in _MG_PER_CUBIC_MM)
        if not low <= mg <= high:
            return f"diameters_mm: found {mg:g} mg at {mm:g} mm; expected {low:.2g} to {high:.2g} mg there"
    return ""


def _is_size(value: object) -> bool:
    return isinstance(value, int | float) and 0 < value <= 1e12
