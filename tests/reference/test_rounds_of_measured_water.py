"""Measured water never goes round in the same few numbers; a gateway that says a few of them again does.

The series are those of test_qartod_against_ioos_qc.py, which names their sources. Measured water is the
witness against false alarms; the round itself is made of its own readings.
"""

import numpy as np
import pytest

from rules.quality.calm import MOVING
from rules.quality.repeats import Rounds, going_round
from tests.reference.test_qartod_against_ioos_qc import MEASURED, series_of

ENOUGH = 200
"""So many readings of a round are enough to be sure, however coarse these series are."""


@pytest.mark.parametrize("name", MEASURED)
def test_measured_water_is_never_accused(name):
    series = series_of(name)
    since_ms, _, _ = going_round(series.time_ms, series.value, Rounds())
    assert (since_ms == MOVING).all()


@pytest.mark.parametrize("lag", [2, 5, 13])
@pytest.mark.parametrize("name", MEASURED)
def test_a_round_of_its_own_readings_is_found(name, lag):
    series = series_of(name)
    sound = np.isfinite(series.value)
    time_ms, value = series.time_ms[sound], series.value[sound].copy()
    half = value.size // 2
    while np.ptp(value[half - lag : half]) == 0:
        half += 1
    value[half : half + ENOUGH + 1] = np.resize(value[half - lag : half], ENOUGH + 1)
    since_ms, _, _ = going_round(time_ms, value, Rounds())
    assert (since_ms[:half] == MOVING).all()
    assert since_ms[half + ENOUGH] != MOVING
