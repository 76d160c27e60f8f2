"""When a probe is accused by hand checks: only where what both instruments may be off does not explain it.

Errors of an instrument are partly constant and partly scattered, and nobody knows the split. So a constant
difference of both accuracies together accuses nobody, and scatter is let average out: the means of the newest
one to eight checks are held against the bound, which is the wider the fewer they are. (Rules for independent
errors, as those of Western Electric 1956, accuse every honest probe beside a refractometer whose error is
constant.)

The instrument's own bias is estimated apart from the probes' only where it visited three probes or more:
it is the median of their mean differences, shrunk by how much of it the probes' accuracies explain. What is
common to all of them stays unknown until a standard is measured.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

CHECKS_KEPT = 8
"""The mean goes over no more checks: an older probe was perhaps another one."""

FROM_PROBES = 3

COVERAGE = 2.0
"""A stated accuracy is taken as two standard deviations, about 95 % (common practice; GUM's k = 2)."""

_SCATTER = 2.0
"""How many joint accuracies scatter alone may make of one check, four standard deviations: so that the
looks of a series together accuse less than one honest probe in a hundred (by simulation:
`tests/reference/test_control_chart_values.py`)."""


@dataclass(frozen=True, slots=True)
class Bias:
    """What is known of an instrument's own bias: by how much it makes probes read high, from how many.

    Of the instrument's accuracy `share` is known by the probes, the least accurate of which is `worst`.
    """

    high: float = 0.0
    probes: int = 0
    share: float = 0.0
    worst: float = 0.0

    def bound(self, probe: float, hand: float) -> float:
        """Return how far constant errors of both may put a probe from the hand, by their accuracies."""
        return probe + self.share * self.worst + (1.0 - self.share) * hand


def bias_of(differences: Sequence[float], worst: float, own: float) -> Bias:
    """Return the bias of an instrument from the mean difference at each probe that it visited.

    `worst` is the least accuracy of these probes, `own` the constant part of the instrument's. Probes that
    are no better than the instrument tell nothing of it.
    """
    count = len(differences)
    if count < FROM_PROBES or own <= worst:
        return Bias()
    share = own**2 / (own**2 + worst**2 / count)
    return Bias(share * median(differences), count, share, worst)


def allowed(bounds: Sequence[float], scatter: Sequence[float]) -> float:
    """Return how large the mean of n differences may be: each with its bound and its joint accuracy.

    With a share c of the errors constant that is c times the bound and sqrt(1 - c²) times the scatter of the
    mean; the sum is largest, whatever c is, at the root of the sum of both squares.
    """
    count = len(bounds)
    constant, scattered = math.fsum(bounds) / count, math.fsum(scatter) / count
    return math.hypot(constant, _SCATTER * scattered / math.sqrt(count))
