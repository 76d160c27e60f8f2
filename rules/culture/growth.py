"""How a batch does: growth, survival, strobilation, each with its interval. Two batches are no experiment."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from rules.culture.cohorts import Cohort
from rules.culture.intervals import Line, line_through, t_quantile, wilson

DAY_MS = 86_400_000
LEAST_DATES, LEAST_BELLS = 3, 10
Share = tuple[float, float | None, float | None]
"""A share or rate, and between what it is (None: not known)."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Bells measured at one time: their mean diameter [mm], and how many."""

    at_ms: int
    mean_mm: float
    n: int


def growth(samples: Sequence[Sample]) -> Line | None:
    """Return the line of ln(mean diameter) over days; its slope is the specific rate of the diameter per day.

    None of fewer than ten bells or three dates, where no rate says anything (project judgement).
    """
    usable = [it for it in samples if it.mean_mm > 0]
    if sum(it.n for it in usable) < LEAST_BELLS or len({it.at_ms // DAY_MS for it in usable}) < LEAST_DATES:
        return None
    days = [(it.at_ms - usable[0].at_ms) / DAY_MS for it in usable]
    return line_through(days, [math.log(it.mean_mm) for it in usable])


def days_to(to_mm: float, from_mm: float, rate_per_day: float, exponent: float) -> float:
    """Return in how many days bells grow from one diameter to another, as growth falls with weight.

    mu = a W^-0.2, of which `rate_per_day` is the specific rate of the weight at `from_mm`; W goes with the
    diameter to the `exponent`. Source: Riisgard & Larsen, MEPS (abstract). Above 20 mm it falls short of what
    was measured (6.6 for 11.3 % a day at 57 mm).
    """
    return float(((to_mm / from_mm) ** (0.2 * exponent) - 1) / (0.2 * rate_per_day))


def survival(of: Cohort) -> Share | None:
    """Return which share of the animals that came and did not leave is there; None: none came.

    Wilson's interval at the unfavourable ends of what is not counted exactly: rather too wide.
    """
    came, alive = of.came.and_also(of.left, -1), of.now
    if came.number < 1 or alive.number > came.number or alive.number < 0:
        return None
    share = alive.number / came.number
    if came.interval is None or alive.interval is None:
        return share, None, None
    least = min(alive.interval[0] / max(came.interval[1], 1.0), 1.0)
    most = min(alive.interval[1] / max(came.interval[0], 1.0), 1.0)
    (low, _), (_, high) = (wilson(it * came.number, came.number) for it in (least, most))
    return share, low, high


def discs_per_polyp(of: Cohort) -> Share | None:
    """Return the mean discs of the polyps that were looked at, with its interval of Student's t."""
    discs = [each for _, each in of.discs]
    if not discs:
        return None
    if len(discs) < 2:
        return discs[0], None, None
    half = t_quantile(len(discs) - 1) * stdev(discs) / math.sqrt(len(discs))
    return fmean(discs), fmean(discs) - half, fmean(discs) + half


def first_disc_ms(of: Cohort) -> int | None:
    """Return when a polyp was first seen to strobilate; None where none was."""
    seen = [at_ms for at_ms, each in of.discs if each > 0]
    seen += [at_ms for at_ms, stage in of.changes if stage == "strobila"]
    return min(seen, default=None)


def half_released_ms(of: Cohort) -> int | None:
    """Return when half of all its young were released; None where none were."""
    half, total = sum(number for _, number in of.released) / 2, 0.0
    for at_ms, number in of.released:
        total += number
        if total >= half:
            return at_ms
    return None
