"""Intervals of 95 %: of a share that was counted, and of a slope."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

_Z = NormalDist().inv_cdf(0.975)


def wilson(count: float, of: float) -> tuple[float, float]:
    """Return between what the share of `count` of `of` is (0 to 1).

    Source: Wilson 1927, J. Am. Stat. Assoc. 22:209-212 (from memory; checked against statsmodels).
    """
    share, square = count / of, _Z**2 / of
    middle = (share + square / 2) / (1 + square)
    half = _Z / (1 + square) * math.sqrt(share * (1 - share) / of + square / (4 * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line by least squares, its slope with the interval of Student's t.

    `intercept_off` is by how much the intercept may be off to either side, likewise.
    """

    intercept: float
    slope: float
    low: float
    high: float
    intercept_off: float


def line_through(x: Sequence[float], y: Sequence[float]) -> Line | None:
    """Return the line through points; None of fewer than three, or where all are at one place."""
    count = len(x)
    if count < 3 or min(x) == max(x):
        return None
    mean_x, mean_y = math.fsum(x) / count, math.fsum(y) / count
    spread = math.fsum((each - mean_x) ** 2 for each in x)
    slope = math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / spread
    intercept = mean_y - slope * mean_x
    left = math.fsum((b - intercept - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    half = t_quantile(count - 2) * math.sqrt(left / (count - 2) / spread)
    off = half * math.sqrt(spread / count + mean_x**2)
    return Line(intercept, slope, slope - half, slope + half, off)


def t_quantile(degrees: int) -> float:
    """Return the 97.5 % point of Student's t, by halving.

    Source of the distribution: Abramowitz & Stegun 26.7.3 and 26.7.4 (from memory; checked against scipy).
    """
    low, high = 0.0, 13.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _t_within(middle, degrees) < 0.95 else (low, middle)
    return low


def _t_within(t: float, degrees: int) -> float:
    """Return how likely a value lies within t to either side of nought."""
    angle = math.atan(t / math.sqrt(degrees))
    cosine = math.cos(angle)
    term = total = cosine if degrees % 2 else 1.0
    if degrees == 1:
        return 2 * angle / math.pi
    for k in range(2 + degrees % 2, degrees - 1, 2):
        term *= cosine**2 * (k - 1) / k
        total += term
    sine = math.sin(angle) * total
    return 2 / math.pi * (angle + sine) if degrees % 2 else sine
