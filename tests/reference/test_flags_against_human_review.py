"""The default limits against people who reviewed the same readings.

Estuary: NERRS System-wide Monitoring Program, station apacp, 2012, flags of the Centralized Data
Management Office (0 accepted, -3 rejected). River: Logan River Observatory, Blacksmith Fork, 2019,
technician's labels (Jones, Jones and Horsburgh 2022, doi 10.1016/j.envsoft.2022.105364). Both are
read from the folder that BELLWATCH_SHARED_DATA names, or from one beside the checkout.

People reject on what they learn later, too (a calibration after the deployment); these tests ask
only for what the values themselves can show.
"""

import csv
import gzip
import os
from pathlib import Path

import numpy as np
import pytest

from rules.quality.flags import Flag
from rules.quality.quality import judge
from rules.quality.settings import DEFAULT_QUALITY, HOUR_MS
from rules.quality.state import QualityState
from rules.quantities import Quantity
from tests.rigs.places import ROOT

CHECKOUT = ROOT


def reviewed(file, column, review):
    """Return times, values and what the reviewers wrote of one column."""
    beside = CHECKOUT.parent / "shared" / "data"
    path = Path(os.environ.get("BELLWATCH_SHARED_DATA", beside)) / f"{file}.csv.gz"
    if not path.exists():
        pytest.skip(f"{path.name} may not be copied into the project; BELLWATCH_SHARED_DATA names its folder")
    with gzip.open(path, "rt", encoding="utf-8") as text:
        rows = list(csv.DictReader(text))
    times = np.array([row["time_utc"].removesuffix("Z") for row in rows], dtype="datetime64[ms]")
    values = np.array([row[column] or "nan" for row in rows], dtype=np.float64)
    return times.astype(np.int64), values, np.array([row[review] for row in rows])


def judged(time_ms, value, quantity):
    return judge(time_ms, value, DEFAULT_QUALITY[quantity], QualityState())


def test_a_probe_pinned_at_50_degrees_never_passes_and_fails_within_half_a_day():
    """Instrument malfunction, 6 to 14 June 2012: 757 rejected rows at exactly 50.0 °C."""
    time_ms, value, review = reviewed(
        "nerr_apacp_2012_15min", "water_temperature_degC", "water_temperature_flag"
    )
    pinned = (value == 50.0) & (review == "-3")
    assert np.count_nonzero(pinned) == 757
    found = judged(time_ms, value, Quantity.TEMPERATURE)
    assert set(found.causal[pinned].tolist()) == {Flag.SUSPECT, Flag.FAIL}
    since = time_ms - time_ms[pinned][0]
    assert set(found.causal[pinned & (since > 12 * HOUR_MS)].tolist()) == {Flag.FAIL}


@pytest.mark.parametrize(
    ("column", "review", "quantity", "most_suspect"),
    [
        ("water_temperature_degC", "water_temperature_flag", Quantity.TEMPERATURE, 0.03),
        ("dissolved_oxygen_mg_per_L", "do_mg_per_L_flag", Quantity.OXYGEN, 0.02),
        ("dissolved_oxygen_percent_sat", "do_percent_flag", Quantity.OXYGEN_SATURATION, 0.02),
    ],
)
def test_accepted_readings_of_the_estuary_do_not_fail(column, review, quantity, most_suspect):
    """Causal flags, those that alarms rest on. A tidal estuary is far livelier than a rack."""
    time_ms, value, reviews = reviewed("nerr_apacp_2012_15min", column, review)
    found = judged(time_ms, value, quantity).causal[reviews == "0"]
    assert found.size > 30_000
    assert not (found == Flag.FAIL).any()
    assert np.count_nonzero(found == Flag.SUSPECT) < most_suspect * found.size


def test_sentinels_of_a_logger_fail_and_leave_their_neighbours_alone():
    """7999 (over range) and -9999 (missing) of the river's logger, 28 of the latter."""
    time_ms, value, review = reviewed(
        "lro_blacksmithfork_2019_15min", "water_temperature_degC", "water_temperature_technician_label"
    )
    found = judged(time_ms, value, Quantity.TEMPERATURE)
    sentinel = (value == 7999.0) | (value == -9999.0)
    assert np.count_nonzero(value == -9999.0) == 28
    assert set(found.summary[sentinel].tolist()) == {Flag.FAIL}
    assert set(review[found.summary == Flag.FAIL].tolist()) <= {"1", "2", "7"}  # all of them labelled


def test_missing_readings_are_missing():
    time_ms, value, review = reviewed("nerr_apacp_2012_15min", "salinity_psu", "salinity_flag")
    found = judged(time_ms, value, Quantity.SALINITY)
    assert np.count_nonzero(review == "-2") == 26
    assert set(found.summary[review == "-2"].tolist()) == {Flag.MISSING}
    np.testing.assert_array_equal(found.summary == Flag.MISSING, np.isnan(value))
