"""Numbers that the project chose, written down a second time: none changes without somebody who means it.

All are project judgement; the limits of the quality tests are in `test_settings.py`.
"""

from rules.judging.ranked_inputs import ANYWHERE, CHANGE_PER_HOUR, USUALLY
from rules.quality.calm import MOVED
from rules.quantities import Quantity

T, C, S, O2, SAT, P = Quantity


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
