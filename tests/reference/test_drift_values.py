"""Drift correction against numbers of other people.

- One-point correction: the example of `dr_correctOne` and `dr_factor` in the R package driftR 1.1
  (Shaughnessy, Prener & Hasenmueller 2019, Environ. Monit. Assess. 191:445), which follows Hasenmueller
  2011: six readings of a sonde, 18 September 2015, that read 1.07 mS/cm in a standard of 1 mS/cm at their
  end. Readings, times and shares of time as printed in the package's own documentation.
- A river station, Blacksmith Fork (Utah), 2019, data of the Logan River Observatory (Jones, Jones &
  Horsburgh 2022, doi 10.1016/j.envsoft.2022.105364): raw oxygen beside the series that a technician
  corrected. The visits are what his corrected series shows at the ends of each stretch. Not ours to hand on:
  the test skips where the file is not.
"""

import csv
import gzip
import os
from pathlib import Path

import numpy as np
import pytest

from rules.care.calibration import Calibration, Moves, Point
from rules.care.drift import Correction, corrected, corrections_of
from rules.quantities import Quantity
from tests.rigs.places import ROOT

CLOCK = ["12:10:49", "12:15:50", "12:20:51", "12:25:51", "12:30:51", "12:35:51"]
SHARES = [0.0, 0.2003995, 0.4007989, 0.6005326, 0.8002663, 1.0]
CONDUCTANCE = np.array([0.754, 0.750, 0.750, 0.749, 0.749, 0.749])


def milliseconds(clock):
    hours, minutes, seconds = map(int, clock.split(":"))
    return ((hours * 60 + minutes) * 60 + seconds) * 1000


def test_one_point_correction_of_driftr():
    times = np.array([milliseconds(clock) for clock in CLOCK])
    correction = Correction(int(times[0]), int(times[-1]), zero=1.07 - 1.0)
    expected = CONDUCTANCE + np.array(SHARES) * (1.0 - 1.07)
    got = corrected(times, CONDUCTANCE, correction)
    np.testing.assert_allclose(got, expected, atol=5e-9)  # the shares are printed to seven digits


STRETCHES = {  # when the sonde was set right, when it was visited, and what it read too high by then
    "2019-03-21T22:30:00": ("2019-04-30T21:00:00", -0.20),
    "2019-07-31T18:45:00": ("2019-08-21T18:30:00", 0.17),
    "2019-09-20T18:15:00": ("2019-10-24T18:30:00", 0.14),
}


@pytest.fixture(scope="module")
def river():
    """Times, raw oxygen and the technician's; NaN where he took it out."""
    name = "lro_blacksmithfork_2019_15min.csv.gz"
    path = Path(os.environ.get("BELLWATCH_SHARED_DATA", ROOT.parent / "shared" / "data")) / name
    if not path.exists():
        pytest.skip(f"{name} may not be copied into the project; BELLWATCH_SHARED_DATA names its folder")
    with gzip.open(path, "rt", encoding="utf-8") as text:
        rows = list(csv.DictReader(text))
    times = np.array([row["time_utc"].removesuffix("Z") for row in rows], dtype="datetime64[ms]")
    series = ("dissolved_oxygen_mg_per_L", "dissolved_oxygen_technician_corrected")
    return times.astype(np.int64), *(np.array([float(row[key] or "nan") for row in rows]) for key in series)


@pytest.mark.parametrize("start", STRETCHES)
def test_a_technicians_corrections_of_a_river(river, start):
    times, raw, technician = river
    end, high = STRETCHES[start]
    from_ms, to_ms = (int(np.datetime64(moment, "ms").astype(np.int64)) for moment in (start, end))
    here = (times >= from_ms) & (times <= to_ms) & np.isfinite(technician)
    assert here.sum() > 2000
    at_the_end = float(raw[times == to_ms][0])
    visits = [
        Calibration(at_ms, "sonde", Quantity.OXYGEN, (point,), "field meter", "kim", said=Moves.OFFSET)
        for at_ms, point in ((from_ms, Point(9.0, 9.0)), (to_ms, Point(at_the_end, at_the_end - high)))
    ]
    (correction,) = corrections_of(visits)["sonde/oxygen"]
    ours = corrected(times[here], raw[here], correction)
    farthest = np.abs(ours - technician[here]).max()
    print(f"{start}: {here.sum()} readings, at most {farthest:.6f} mg/L from the technician's")
    assert farthest < 0.005
    assert np.abs(raw[here] - technician[here]).max() > 0.13
