"""A measured series read and quantised, and every kind of unusable file told."""

import csv
import gzip
import json

import numpy as np
import pytest

from tests.rigs.places import DATA
from tests.rigs.playback.__main__ import senml_rows
from tests.rigs.playback.recording import (
    Column,
    PlaybackError,
    Recording,
    expected_rows,
    expected_senml,
    parse_column,
    read_recording,
    register_fields,
)

SERIES = DATA / "microcat_dune2_2026_60s.csv.gz"
COLUMNS = [
    Column("water_temperature_degC", "temperature"),
    Column("conductivity_S_per_m", "conductivity", 10.0),
]


@pytest.fixture(scope="module")
def series():
    return read_recording(SERIES, COLUMNS)


def test_every_row_of_the_measured_series_is_read(series):
    # counts and range as stated in tests/data/README.md
    assert len(series.time_ms) == 19_898
    assert series.time_ms[0] == 1_783_789_201_000  # 2026-07-11T17:00:01Z
    assert (np.diff(series.time_ms) > 0).all()
    assert int((series.values["conductivity"] <= 25.0).sum()) == 141
    with gzip.open(SERIES, "rt") as file:
        row = list(csv.DictReader(file))[9000]
    assert series.values["temperature"][9000] == float(row["water_temperature_degC"])
    assert series.values["conductivity"][9000] == float(row["conductivity_S_per_m"]) * 10.0


def test_floats_lose_what_single_precision_loses(series):
    expected = expected_rows(series, register_fields(["temperature", "conductivity"]))
    for quantity, values in expected.items():
        assert np.array_equal(values, series.values[quantity].astype(np.float32).astype(np.float64))


def test_scaled_integers_keep_the_files_own_four_decimals(series):
    expected = expected_rows(series, register_fields(["temperature", "conductivity"], "int32", 0.0001))
    assert np.allclose(expected["temperature"], series.values["temperature"], rtol=0, atol=1e-9)
    # 1e-5 S/m in the file are 1e-4 mS/cm
    assert np.allclose(expected["conductivity"], series.values["conductivity"], rtol=0, atol=1e-9)


def test_senml_numbers_come_back_after_the_units_factor(series):
    few = Recording(series.time_ms[:200], {name: values[:200] for name, values in series.values.items()})
    expected = expected_senml(few)
    for row, message in enumerate(senml_rows(few, "sea", lambda time_ms: time_ms)):
        temperature, conductivity = json.loads(message)
        assert temperature["bt"] * 1000 == few.time_ms[row]
        assert (temperature["u"], conductivity["u"]) == ("Cel", "S/m")
        assert temperature["v"] == expected["temperature"][row]
        assert conductivity["v"] * 10.0 == expected["conductivity"][row]


def test_registers_stand_one_after_the_other():
    fields = register_fields(["temperature", "oxygen", "salinity"], "float64")
    assert [field.address for field in fields.values()] == [0, 4, 8]
    assert {field.function for field in fields.values()} == {4}


def test_columns_are_told_as_text():
    assert parse_column("c=conductivity*10") == Column("c", "conductivity", 10.0)
    assert parse_column("t=temperature") == Column("t", "temperature", 1.0)


@pytest.mark.parametrize(
    "text", ["t", "t=", "=temperature", "t=heat", "t=temperature*x", "t=temperature*0", "t=oxygen*inf"]
)
def test_a_column_that_cannot_be_used_is_told(text):
    with pytest.raises(PlaybackError, match="expected COLUMN=QUANTITY"):
        parse_column(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time_utc,c\n2026-01-01,1\n", "has no column t; it has time_utc, c"),
        ("", "has no column t, time_utc; it has "),
        ("time_utc,t\n", "has no rows"),
        ("time_utc,t\nyesterday,1\n", "line 2: 'yesterday' is not an ISO 8601 time"),
        (
            "time_utc,t\n2026-01-01T00:00:00Z,1\n2026-01-01T00:01:00Z,\n",
            "line 3: t is ''; every row needs a finite number",
        ),
        ("time_utc,t\n2026-01-01T00:00:00Z,nan\n", "line 2: t is 'nan'"),
        ("time_utc,t\n2026-01-01T00:00:00Z\n", "line 2: t is ''"),
    ],
)
def test_a_file_that_cannot_be_played_is_told(tmp_path, text, says):
    path = tmp_path / "series.csv"
    path.write_text(text)
    with pytest.raises(PlaybackError) as refused:
        read_recording(path, [Column("t", "temperature")])
    assert str(path) in str(refused.value)
    assert says in str(refused.value)


def test_what_is_no_gzip_file_and_what_is_not_there_are_told(tmp_path):
    broken = tmp_path / "broken.csv.gz"
    broken.write_bytes(SERIES.read_bytes()[:1000])
    for path in (broken, tmp_path / "none.csv"):
        with pytest.raises(PlaybackError, match="cannot be read"):
            read_recording(path, COLUMNS)


def test_a_value_that_its_register_cannot_hold_is_told():
    recording = Recording(np.array([0, 1]), {"temperature": np.array([1.0, 400.0])})
    with pytest.raises(PlaybackError, match=r"row 2: temperature 400 does not fit int16 with scale 0.01"):
        expected_rows(recording, register_fields(["temperature"], "int16", 0.01))


def test_a_time_without_offset_is_utc(tmp_path):
    path = tmp_path / "series.csv"
    path.write_text("time_utc,t\n2026-07-11T17:00:01,1\n")
    assert read_recording(path, [Column("t", "temperature")]).time_ms.tolist() == [1_783_789_201_000]
