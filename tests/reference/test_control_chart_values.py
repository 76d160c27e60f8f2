"""The rules of Western Electric against their published average run lengths.

Champ & Woodall 1987, Technometrics 29:393-399, and the NIST/SEMATECH e-Handbook of Statistical Methods,
section 6.3.2: with all four rules a process that has not moved gives a false signal every 91.75 points on
average (371 with the first rule alone); one that moved by 0.6 or 1 sigma is seen after 20.90 or 9.22 points.
Values from memory; the simulation here confirms them.
"""

import numpy as np
import pytest

from rules.care.control_chart import LONGEST_RUN, broken_rule

RUNS = 3000


def run_lengths(shift, rng):
    for _ in range(RUNS):
        seen = []
        while not seen or broken_rule(seen[-LONGEST_RUN:]) is None:
            seen.append(float(rng.normal(shift, 1.0)))
        yield len(seen)


@pytest.mark.parametrize(("shift", "published"), [(0.0, 91.75), (0.6, 20.90), (1.0, 9.22)])
def test_average_run_length_is_the_published_one(shift, published):
    lengths = np.fromiter(run_lengths(shift, np.random.default_rng(1956)), dtype=float)
    four_standard_errors = 4 * lengths.std() / np.sqrt(RUNS)
    print(f"shift {shift}: {lengths.mean():.2f}, published {published}, bound {four_standard_errors:.2f}")
    assert lengths.mean() == pytest.approx(published, abs=four_standard_errors)
    assert four_standard_errors < 0.08 * published
