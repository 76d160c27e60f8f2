"""Both bounds of the control chart, over splits of what instruments are off into constant and scatter.

By simulation: a stated accuracy A is an error of which a part, uniform within ± cA, is constant over a series
and the rest scatters with a standard deviation of sqrt(1 - c²) A / 2. Also with both constant parts at their
ends against each other, the worst that honest instruments can do. The bounds are the project's own: an honest
probe is accused in under 1 % of series of 20 checks; one that is off by twice both accuracies added is seen
within 8 checks in 90 %. Run with -s to see the table.
"""

import numpy as np
import pytest

from rules.care.hand_checks import HandCheck, with_check

SERIES = 400
SPLITS = (0.0, 0.25, 0.5, 0.75, 1.0)
ACCURACIES = (
    (0.2, 0.5),
    *(pytest.param(*it, marks=pytest.mark.long) for it in ((0.2, 0.2), (0.1, 0.5), (0.5, 0.2))),
)


def accused_after(rng, probe, hand, split, *, off=0.0, checks=20, probes=1, worst=False):
    """After how many checks the first probe, off by so much, is accused; None where it is not."""
    ends = (1.0, -1.0) if worst else (None, None)
    biases = [split * probe * (ends[0] or rng.uniform(-1, 1)) for _ in range(probes)]
    biases[0] += off
    of_hand = split * hand * (ends[1] or rng.uniform(-1, 1))
    scatter = np.sqrt(1.0 - split**2) / 2.0
    charts = {}
    for count in range(1, checks + 1):
        for number, bias in enumerate(biases):
            reads = 33.0 + bias + rng.normal(0.0, scatter * probe)
            by_hand = 33.0 + of_hand + rng.normal(0.0, scatter * hand)
            name = f"k{number}/salinity"
            charts[name] = with_check(charts, name, HandCheck(0, by_hand, reads, probe, hand, "R2"))
        if charts["k0/salinity"].off_by is not None:
            return count
    return None


def share(seed, *given, series=SERIES, **more):
    rng = np.random.default_rng(seed)
    return sum(accused_after(rng, *given, **more) is not None for _ in range(series)) / series


@pytest.mark.parametrize(("probe", "hand"), ACCURACIES)
def test_an_honest_probe_is_left_in_peace_and_a_wrong_one_is_found(probe, hand):
    off = 2.0 * (probe + hand)
    for split in SPLITS:
        honest = share(1, probe, hand, split)
        worst = share(2, probe, hand, split, worst=True)
        found = share(3, probe, hand, split, off=off, checks=8)
        print(f"± {probe} by ± {hand}, constant {split:4.0%}: honest accused {honest:5.1%}, at its worst "
              f"{worst:5.1%}; off by {off:.1f} found {found:6.1%}")  # fmt: skip
        assert honest < 0.01
        assert worst < 0.01
        assert found >= 0.90


@pytest.mark.parametrize(
    "split", [0.0, *(pytest.param(it, marks=pytest.mark.long) for it in SPLITS[1:-1]), 1.0]
)
def test_so_it_is_where_the_instrument_visits_four_probes(split):
    honest = share(4, 0.2, 0.5, split, series=200, probes=4)
    found = share(5, 0.2, 0.5, split, series=200, off=1.4, checks=8, probes=4)
    print(f"four probes, constant {split:4.0%}: honest accused {honest:5.1%}; off by 1.4 found {found:6.1%}")
    assert honest < 0.01
    assert found >= 0.90


def test_four_probes_tell_of_a_smaller_error_than_one():
    """A refractometer that is 0.5 low at all of them, and a probe 0.9 off: alone nobody knows whose it is."""
    alone = share(6, 0.2, 0.5, 1.0, series=200, off=0.9, checks=8)
    with_others = share(6, 0.2, 0.5, 1.0, series=200, off=0.9, checks=8, probes=4)
    print(f"0.9 off: alone {alone:.0%}, beside three more {with_others:.0%}")
    assert with_others > alone + 0.15
