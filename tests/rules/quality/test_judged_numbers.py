"""Numbers that the project chose, written down a second time: none changes without somebody who means it.

Where they come from stands beside them in the rules: manuals' examples, common practice, project judgement.
Here are the ways in which they must hang together.
"""

import pytest

from rules.judging.ranked_inputs import ANYWHERE, CHANGE_PER_HOUR, USUALLY
from rules.quality.calm import MOVED
from rules.quality.settings import DEFAULT_QUALITY, HOUR_MS, QualitySettings, Range
from rules.quantities import Quantity

T, C, S, O2, SAT, P = Quantity

LIMITS = {
    T: (-5, 50, 1, 33, 0.5, 3, 1, 20, 3, 0.2),
    C: (0, 100, 10, 65, 3, 10, 4, 30, 3, 0.3),
    S: (0, 50, 2, 42, 1.5, 5, 3, 20, 3, 0.2),
    O2: (0, 30, 0, 20, 2, 4, 1.5, 20, 3, 0.3),
    SAT: (0, 300, 0, 200, 20, 40, 15, 200, 3, 3),
    P: (600, 1100, 600, 1085, 2, 20, None, 30, None, 2),
}
"""Sensor's and operator's range, spikes, greatest jump, change an hour and in deviations, least step."""


@pytest.mark.parametrize("quantity", Quantity)
def test_the_limits_of_a_small_rack_are_these(quantity):
    low, high, lowest, highest, suspect, fail, jump, per_hour, deviations, step = LIMITS[quantity]
    assert DEFAULT_QUALITY[quantity] == QualitySettings(
        Range(low, high),
        Range(lowest, highest),
        max_gap_ms=HOUR_MS,
        spike_suspect=suspect,
        spike_fail=fail,
        max_jump=jump,
        max_change_per_hour=per_hour,
        max_change_deviations=deviations,
        min_step=step,
        deviation_hours=25,
        attenuated_hours=12,
        attenuated_by="range",
    )


def test_a_probe_has_to_show_what_moves_by_so_much_beside_it():
    """In conductivity, and in the oxygen that water holds, some 2 % for each kelvin (see the rules)."""
    assert MOVED == {
        T: {T: 0.5},
        C: {T: 0.5, C: 1.0},
        S: {S: 0.5},
        O2: {T: 2.0, O2: 0.5},
        SAT: {SAT: 5.0},
        P: {P: 3.0},
    }


def test_what_stands_in_for_a_lost_input_may_be_off_by_so_much():
    assert CHANGE_PER_HOUR == {T: 0.5, S: 0.3, P: 1.0}
    assert USUALLY == {T: 3.0, S: 3.0}
    assert ANYWHERE == {T: (15.0, 10.0), S: (32.0, 6.0)}
