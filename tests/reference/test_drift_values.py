"""Drift correction against a published example computed by other people.

- One-point correction: the example of `dr_correctOne` and `dr_factor` in the R package driftR 1.1
  (Shaughnessy, Prener & Hasenmueller 2019, Environ. Monit. Assess. 191:445), which follows Hasenmueller
  2011: six readings of a sonde, 18 September 2015, that read 1.07 mS/cm in a standard of 1 mS/cm at their
  end. Readings, times and shares of time as printed in the package's own documentation.
- The equations of Wagner et al. 2006 (USGS TM 1-D3): fouling Ef = (Ma - Mb) - (Fe - Fs), drift
  Ed = Vs - Vc, from memory; the report itself was not reached, so
  the numbers below are worked by hand from these equations and are not its printed example.
"""

import numpy as np

from rules.care.calibration import Cleaning
from rules.care.drift import Correction, corrected, drift_error, fouling_error

CLOCK = ["12:10:49", "12:15:50", "12:20:51", "12:25:51", "12:30:51", "12:35:51"]
SHARES = [0.0, 0.2003995, 0.4007989, 0.6005326, 0.8002663, 1.0]
CONDUCTANCE = np.array([0.754, 0.750, 0.750, 0.749, 0.749, 0.749])


def milliseconds(clock):
    hours, minutes, seconds = map(int, clock.split(":"))
    return ((hours * 60 + minutes) * 60 + seconds) * 1000


def test_one_point_correction_of_driftr():
    times = np.array([milliseconds(clock) for clock in CLOCK])
    correction = Correction(int(times[0]), int(times[-1]), ((1.07, drift_error(standard=1.0, read=1.07)),))
    expected = CONDUCTANCE + np.array(SHARES) * (1.0 - 1.07)
    got = corrected(times, CONDUCTANCE, correction)
    np.testing.assert_allclose(got, expected, atol=5e-9)  # the shares are printed to seven digits


def test_tm1d3_equations_worked_by_hand():
    """A cell reads 450 µS/cm before wiping and 462 after, while a field meter goes from 470 to 473."""
    fouling = fouling_error(Cleaning(before=450.0, after=462.0, meanwhile=473.0 - 470.0))
    assert fouling == 9.0
    drift = drift_error(standard=1000.0, read=980.0)
    assert drift == 20.0
