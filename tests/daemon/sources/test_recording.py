"""What a replay reads from: CSVs of other loggers, InfluxDB, exports, and journals that cannot be read."""

import gzip
import json
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.commands.cli import main
from daemon.errors import SourceError
from daemon.mirror.lines import reading_line, reading_prefix
from daemon.sources.csv_readings import UNITS, CsvLayout, column_of, read_csv
from daemon.sources.influx import InfluxQuery, influx_recording
from daemon.sources.recording import in_blocks, merged
from rules.quantities import Quantity
from tests.rigs.nights.known_nights import SETTINGS, known_nights
from tests.rigs.parts.data_servers import BUCKET, Influx, needs_influx
from tests.rigs.parts.flux_shim import flux_shim

NOON_MS = 1_783_857_600_000  # 2026-07-12T12:00:00Z


def csv_file(folder, text, name="logger.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "written",
    [
        "2026-07-12T12:00:00Z",
        "2026-07-12T14:00:00+02:00",
        "2026-07-12 14:00:00",  # in the zone that is told
        "1783857600",
        "1783857600.0",
        "1783857600000",
    ],
)
def test_times_are_read_as_loggers_write_them(tmp_path, written):
    path = csv_file(tmp_path, f"when,t\n{written},15.5\n")
    table = read_csv(path, CsvLayout("when", zone=ZoneInfo("Europe/Copenhagen")), ["t"])
    assert table.time_ms.tolist() == [NOON_MS]
    assert table.values["t"].tolist() == [15.5]


def test_comments_blank_lines_decimal_commas_and_gaps(tmp_path):
    text = "# from the old logger\n# nothing here\n\ntime; t ;s\n1783857600;15,5;\n\n1783857660;;33,25\n"
    table = read_csv(csv_file(tmp_path, text), CsvLayout("time", delimiter=";", decimal=","), ["t", "s"])
    assert table.values["t"][0] == 15.5
    assert table.values["s"][1] == 33.25
    assert np.isnan([table.values["t"][1], table.values["s"][0]]).all()


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("time,t\n2026-07-12 12:00,1\n", "line 2, column time: '2026-07-12 12:00' has no time zone"),
        ("# a\ntime,t\n\nsoon,1\n", "line 4, column time: 'soon'; expected ISO 8601"),
        ("time,t\n1783857600,warm\n", "line 2, column t: 'warm'; expected a number or an empty cell"),
        ("time,t\n1783857600\n", "line 2: 1 cells; the header has 2"),
        ("time,t,t\n", "column 't' is twice"),
        ("time,x\n", "column 't' is not among time, x"),
        ("", "column 'time' is not among nothing"),
        ("time,t\n99999999999999999,1\n", "line 2, column time"),
        ("time,t\n46082.5,1\n", "line 2, column time: '46082.5'; expected ISO 8601"),  # a spreadsheet's day
        ("time,t\n1783857600,15,5\n", "line 2: 3 cells; the header has 2"),  # a decimal comma
    ],
)
def test_the_first_bad_cell_is_named_by_its_line(tmp_path, text, complaint):
    with pytest.raises(SourceError) as told:
        read_csv(csv_file(tmp_path, text), CsvLayout("time"), ["t"])
    assert complaint in str(told.value)


@pytest.mark.parametrize("logged", ["2026-03-29 02:00:00", "2026-03-29 02:59:59"])
def test_a_time_that_its_zone_has_not_is_told(tmp_path, logged):
    """A logger that keeps no summer time: its hour that is missing here would be laid over the next one."""
    path = csv_file(tmp_path, f"time,t\n2026-03-29 01:59:59,1\n{logged},1\n2026-03-29 03:00:00,1\n")
    zone = ZoneInfo("Europe/Copenhagen")
    with pytest.raises(SourceError, match=r"line 3, column time: .*no such time in Europe/Copenhagen"):
        read_csv(path, CsvLayout("time", zone=zone), ["t"])


def test_a_file_that_is_cut_short_is_told(tmp_path):
    path = tmp_path / "logger.csv.gz"
    path.write_bytes(gzip.compress(b"time,t\n" + b"1783857600,1\n" * 1000)[:-30])
    with pytest.raises(SourceError, match="expected a CSV file in UTF-8"):
        read_csv(path, CsvLayout("time"), ["t"])


def test_units_are_turned_into_the_quantity_s_own():
    """ITS-90 steam and ice points in °F and K; 1 S/m = 10 mS/cm; 1 bar = 1000 hPa (SI brochure)."""
    for text, given_value, value in (
        ("x=a/temperature[F]", 212.0, 100.0),
        ("x=a/temperature[F]", 32.0, 0.0),
        ("x=a/temperature[K]", 273.15, 0.0),
        ("x=a/conductivity[S/m]", 4.2914, 42.914),
        ("x=a/oxygen_saturation[/]", 0.98, 98.0),
        ("x=rack/air_pressure[bar]", 1.01325, 1013.25),
        ("a=b=c/salinity", 35.0, 35.0),
    ):
        column = column_of(text)
        assert column.factor * given_value + column.offset == pytest.approx(value, abs=1e-12)
    assert column_of("a=b=c/salinity").name == "a=b"
    for units in UNITS.values():
        assert next(iter(units.values())) == (1.0, 0.0)


@given(
    st.lists(
        st.tuples(st.integers(1, 2), st.integers(0, 20), st.one_of(st.none(), st.floats(0, 9))), max_size=40
    )
)
def test_series_are_merged_in_order_of_time_and_nothing_is_lost_uncounted(rows):
    series = {
        source: (
            np.array([time for which, time, _ in rows if which == source], dtype=np.int64),
            np.array([np.nan if v is None else v for which, _, v in rows if which == source], dtype=float),
        )
        for source in (1, 2)
    }
    readings, left_out = merged(series)
    assert (np.diff(readings.at_ms) >= 0).all()
    for source in (1, 2):
        times = readings.time_ms[readings.source == source]
        assert (np.diff(times) > 0).all()
    first = {}
    for source, time, value in rows:
        if value is not None:
            first.setdefault((source, time), value)
    found = zip(readings.source.tolist(), readings.time_ms.tolist(), readings.value.tolist(), strict=True)
    assert {(source, time): value for source, time, value in found} == first
    assert left_out == sum(value is not None for _, _, value in rows) - len(first)
    assert sum(len(block) for block in in_blocks(readings, 7)) == len(readings)


# InfluxDB


@pytest.fixture
def mirrored(tmp_path):
    """A real InfluxDB that holds a night of the known rack, behind the shim for Flux."""
    readings, _ = known_nights(0, 1)
    prefix = reading_prefix("known", "kreisel-4-ct", "temperature", "kreisel-4")
    other = reading_prefix("another", "kreisel-4-ct", "temperature", "kreisel-4")
    lines = [reading_line(prefix, each.value, each.time_ms) for each in readings]
    lines += [reading_line(other, 99.0, each.time_ms) for each in readings[:50]]
    with Influx(tmp_path) as server:
        server.write("\n".join(lines))
        with flux_shim(server, "secret") as url:
            yield url, readings


@needs_influx
def test_an_influxdb_is_replayed_reading_for_reading(mirrored, tmp_path):
    url, readings = mirrored
    recording = influx_recording(
        InfluxQuery(url, BUCKET, "nursery", "secret", "2020-01-01T00:00:00Z"), "known"
    )
    assert list(recording.sources.values()) == [("kreisel-4-ct", "temperature", "kreisel-4")]
    (block,) = recording.inputs()
    assert block.time_ms.tolist() == [each.time_ms for each in readings]
    assert block.value.tolist() == [each.value for each in readings]


@needs_influx
def test_the_command_replays_an_influxdb_as_it_does_a_csv(mirrored, tmp_path, capsys):
    url, readings = mirrored
    (tmp_path / "token").write_text("secret\n")
    settings = csv_file(tmp_path, SETTINGS, "known.toml")
    rows = "".join(f"{each.time_ms},{each.value!r}\n" for each in readings)
    from_csv = [str(csv_file(tmp_path, "time,t\n" + rows)), "--column=t=kreisel-4/temperature"]
    options = ["--bucket", BUCKET, "--org", "nursery", "--token-file", str(tmp_path / "token")]
    from_influx = [url, *options, "--since", "2020-01-01T00:00:00Z"]
    said = []
    for source in (from_csv, from_influx):
        events = tmp_path / "events.jsonl"
        assert main(["replay", *source, "--settings", str(settings), "--events", str(events)]) == 0
        said.append(events.read_text())
    assert said[0] == said[1]
    assert {json.loads(line)["condition"] for line in said[0].splitlines()} >= {"rising", "falling"}


@needs_influx
def test_what_the_server_refuses_is_told_in_one_line(mirrored):
    url, _ = mirrored
    with pytest.raises(SourceError, match="unauthorized") as told:
        influx_recording(InfluxQuery(url, BUCKET, "nursery", "wrong", "-30d"), "known")
    assert "\n" not in str(told.value)
    with pytest.raises(SourceError, match="no reading of rack elsewhere"):
        influx_recording(InfluxQuery(url, BUCKET, "nursery", "secret", "-3000d"), "elsewhere")


@pytest.mark.parametrize(
    ("query", "complaint"),
    [
        (InfluxQuery("http://127.0.0.1:9", None, "", "", "-1d"), "which bucket"),
        (InfluxQuery("http://127.0.0.1:9", "b", "", "", '-1d) |> drop("x"'), "expected RFC 3339"),
        (InfluxQuery("http://127.0.0.1:9", "b", "", "", "-1d"), "the server did not give the readings"),
    ],
)
def test_queries_that_cannot_be_asked_get_one_line(query, complaint):
    with pytest.raises(SourceError, match=complaint) as told:
        influx_recording(query, "known")
    assert "\n" not in str(told.value)


def test_the_units_of_every_quantity_are_known():
    assert set(UNITS) == set(Quantity)
