"""A control chart of the differences between a probe and hand checks, by the rules of Western Electric.

Source: Western Electric, Statistical Quality Control Handbook, 1956, as in the NIST/SEMATECH e-Handbook of
Statistical Methods, section 6.3.2. Parameters: the centre is 0, since a calibrated probe agrees with the
hand on average; sigma is what the stated accuracies of probe and hand together lead one to expect; the
chart starts anew at each calibration.
"""

import math
from collections.abc import Sequence
from enum import StrEnum

LONGEST_RUN = 8
"""No rule looks back on more differences."""

COVERAGE = 2.0
"""A stated accuracy is taken as two standard deviations, about 95 % (common practice; GUM's k = 2)."""


class ChartRule(StrEnum):
    """Which rule a chart broke, in words that go on with "the probe differs from hand checks:"."""

    BEYOND_3_SIGMA = "one difference beyond 3 sigma"
    TWO_OF_THREE = "two of three beyond 2 sigma on one side"
    FOUR_OF_FIVE = "four of five beyond 1 sigma on one side"
    EIGHT_IN_A_ROW = "eight in a row on one side"


_ZONES = (
    (ChartRule.BEYOND_3_SIGMA, 3.0, 1, 1),
    (ChartRule.TWO_OF_THREE, 2.0, 3, 2),
    (ChartRule.FOUR_OF_FIVE, 1.0, 5, 4),
    (ChartRule.EIGHT_IN_A_ROW, 0.0, 8, 8),
)
"""Each rule: how many sigmas, how far it looks back, and how many of these differences lie beyond."""


def sigma_of(*accuracies: float) -> float:
    """Return the standard deviation of a difference between instruments of independent accuracies."""
    return math.hypot(*accuracies) / COVERAGE


def broken_rule(differences: Sequence[float]) -> ChartRule | None:
    """Return the first rule that the newest of the differences, in units of sigma, breaks; None if none.

    `differences` run from the oldest to the newest, all since the probe was last calibrated.
    """
    if not differences:
        return None
    side = math.copysign(1.0, differences[-1])
    for rule, sigmas, back, at_least in _ZONES:
        beyond = [difference * side > sigmas for difference in differences[-back:]]
        if beyond[-1] and sum(beyond) >= at_least:
            return rule
    return None
