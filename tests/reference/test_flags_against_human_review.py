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
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ioos_qc import qartod as ioos

from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quality.quality import judge
from rules.quality.settings import DEFAULT_QUALITY
from rules.quality.state import QualityState
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.readings import Readings
from rules.water.specific_conductance import Compensation
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


SONDE = {
    Quantity.TEMPERATURE: ("water_temperature_degC", "water_temperature_flag"),
    Quantity.CONDUCTIVITY: ("specific_conductance_25C_mS_per_cm", "specific_conductance_flag"),
    Quantity.SALINITY: ("salinity_psu", "salinity_flag"),
    Quantity.OXYGEN: ("dissolved_oxygen_mg_per_L", "do_mg_per_L_flag"),
}
EXAMPLES = {
    Quantity.TEMPERATURE: (3.0, 8.0),
    Quantity.CONDUCTIVITY: (3.0, 8.0),
    Quantity.SALINITY: (3.0, 8.0),
    Quantity.OXYGEN: (4.0, 8.0),
}
"""Spike thresholds of the QARTOD manuals' examples (from memory; for conductivity those of salinity)."""

OPEN_WATER = {quantity: replace(settings, max_jump=None) for quantity, settings in DEFAULT_QUALITY.items()}
"""An estuary is no vessel: its water may be another one within minutes. Under a vessel's settings
what follows a leap is doubted until a witness speaks: of conductivity 758 rejected rows are caught and 1899
accepted ones flagged, of salinity 762 and 2070, more than ioos-qc flags.
"""

TOGETHER = [
    (Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.OXYGEN),
    (Quantity.TEMPERATURE, Quantity.SALINITY),
]
TABLE = """
| quantity     | rejected | caught | by ioos-qc | accepted | flagged | by ioos-qc |
| temperature  |      758 |    757 |        757 |    34352 |      26 |       8986 |
| conductivity |      954 |    630 |         11 |    34156 |     345 |       1292 |
| salinity     |      954 |    762 |         11 |    34156 |     587 |       1759 |
| oxygen       |     3884 |    769 |        999 |    31226 |     443 |       2378 |
"""
"""An estuary year: rows that people rejected or accepted, and how many of them are flagged 3 or 4.

Of oxygen ioos-qc catches more: a flat-line test with EPS 0.05 on values of 0.1 mg/L, which flags every
thirteenth accepted row too. Most of the rows that it catches were rejected for a calibration afterwards.
"""


def watched(quantities):
    """Return the flags of the estuary's year by quantity, as the engine gives them to one probe."""
    columns = [reviewed("nerr_apacp_2012_15min", *SONDE[quantity]) for quantity in quantities]
    time_ms, value = columns[0][0], np.stack([column[1] for column in columns], axis=1).ravel()
    at_ms, row = np.repeat(time_ms, len(quantities)), np.repeat(np.arange(time_ms.size), len(quantities))
    there = np.flatnonzero(~np.isnan(value))
    source = np.tile(np.arange(1, len(quantities) + 1), time_ms.size)
    columns = (at_ms, source, at_ms, value)
    readings = Readings(1 + np.arange(there.size), *(column[there] for column in columns))
    linear = {"compensation": Compensation.LINEAR, "compensation_per_kelvin": 0.0191}
    sources = tuple(
        Source(number, "sonde", q, "pier", 2_700_000, **(linear if q is Quantity.CONDUCTIVITY else {}))
        for number, q in enumerate(quantities, 1)
    )
    engine = Engine(RackPlan("pier", sources, {"pier": ""}, {}, OPEN_WATER), int(time_ms[0]) - 1)
    found = {quantity: np.full(time_ms.size, Flag.MISSING, dtype=np.uint8) for quantity in quantities}
    outcome = engine.feed(readings)
    for told in (*outcome.flags, *outcome.amendments):  # what follows amends the last reading of a block
        quantity = Quantity(told.channel.split("/")[1])
        if quantity in found:
            found[quantity][row[there[told.seq - 1]]] = told.summary
    return found


def flagged_by_ioos_qc(time_ms, value, quantity):
    """What its tests flag 3 or 4 at the manuals' examples: three deviations, three and five equal."""
    settings, times = DEFAULT_QUALITY[quantity], time_ms.astype("datetime64[ms]").astype("datetime64[ns]")
    sensor, operator = settings.sensor_range, settings.operator_range
    windows = [np.nanstd(value[at : at + 100]) for at in range(0, value.size - 100, 100)]  # TIM_DEV: 25 h
    found = (
        ioos.gross_range_test(value, (sensor.low, sensor.high), (operator.low, operator.high)),
        ioos.spike_test(value, *EXAMPLES[quantity]),
        ioos.rate_of_change_test(value, times, 3.0 * float(np.nanmedian(windows)) / 900.0),
        ioos.flat_line_test(value, times, 3 * 900, 5 * 900, 0.05),
    )
    return np.logical_or.reduce([(flags == Flag.SUSPECT) | (flags == Flag.FAIL) for flags in found])


@pytest.mark.parametrize("together", TOGETHER, ids=["with conductivity", "with salinity"])
def test_more_of_what_people_rejected_is_caught_and_less_of_what_they_accepted(together):
    ours, table = watched(together), {}
    for name, *numbers in (line.strip("| ").split("|") for line in TABLE.split("\n")[2:-1]):
        table[name.strip()] = [int(number) for number in numbers]
    for quantity in together:
        time_ms, value, review = reviewed("nerr_apacp_2012_15min", *SONDE[quantity])
        flagged = (ours[quantity] == Flag.SUSPECT) | (ours[quantity] == Flag.FAIL)
        theirs = flagged_by_ioos_qc(time_ms, value, quantity)
        rejected, accepted = review == "-3", review == "0"
        caught, wrong = np.count_nonzero(rejected & flagged), np.count_nonzero(accepted & flagged)
        their_caught, their_wrong = np.count_nonzero(rejected & theirs), np.count_nonzero(accepted & theirs)
        both = [np.count_nonzero(rejected), caught, their_caught, np.count_nonzero(accepted)]
        assert [*both, wrong, their_wrong] == table[quantity]
        assert wrong < their_wrong
        assert caught >= their_caught or quantity is Quantity.OXYGEN


def test_a_probe_pinned_at_50_degrees_never_passes_and_is_soon_frozen():
    """Instrument malfunction, 6 to 14 June 2012: 757 rejected rows at exactly 50.0 °C."""
    _, value, review = reviewed("nerr_apacp_2012_15min", *SONDE[Quantity.TEMPERATURE])
    pinned = (value == 50.0) & (review == "-3")
    assert np.count_nonzero(pinned) == 757
    found = watched((Quantity.TEMPERATURE,))[Quantity.TEMPERATURE]
    assert set(found[pinned].tolist()) == {Flag.SUSPECT, Flag.FAIL}
    assert np.mean(found[pinned] == Flag.FAIL) > 0.9


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
