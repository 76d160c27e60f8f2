"""Out of a journal and in again: the same readings to the last bit, and files that other tools read."""

import csv
import json
import math
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.commands.cli import main
from daemon.commands.engineer.export import export
from daemon.export.csv import TITLE, csv_rows
from daemon.export.rows import Selection
from daemon.journal.dating import Dating, Stretch
from daemon.journal.journal import Journal
from tests.rigs.bench import START_MS, Bench, quick_folder, swinging

pytestmark = pytest.mark.usefixtures("quiet_logs")

SOURCES = [
    ("k1-ct", "temperature", "k1"),
    ("k1-ct", "conductivity", "k1"),
    ("k1-do", "oxygen", "k1"),
    ("k2-ct", "temperature", "k2"),
    ("k2-s", "salinity", "k2"),
    ("room", "air_pressure", "rack"),
]


def readings_of(journal):
    """Every reading as people know it: names, UTC times, value bits, flag of its own channel."""
    found = journal._db.execute(
        "SELECT probe, quantity, vessel, at_ms, lag_ms, value, summary FROM reading r"
        " JOIN source s ON s.id = r.source LEFT JOIN flag f ON f.seq = r.seq"
        " AND f.channel LIKE vessel || '/' || quantity || '%' ORDER BY r.seq"
    ).fetchall()
    stretches = journal._db.execute("SELECT from_ms, ahead_ms, synchronised FROM dating").fetchall()
    dating = Dating(Stretch(a, b, bool(c)) for a, b, c in stretches)
    return [
        (*names, dating.utc_ms(at_ms), dating.at(at_ms).synchronised, lag_ms, value.hex(), flag)
        for *names, at_ms, lag_ms, value, flag in found
    ]


reading = st.tuples(
    st.integers(0, len(SOURCES) - 1),
    st.sampled_from([0, 0, 1, 999, 30_000]),
    st.integers(0, 5_000),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([None, None, 3, 4]),
)
jump = st.tuples(st.integers(1, 60), st.integers(-(10**7), 10**7), st.booleans())


def fill(path, steps, jumps):
    """A journal of these readings, dated in stretches that jump in both directions."""
    journal = Journal(path, writable=True)
    at_ms, newest = START_MS, {}
    with journal.transaction():
        for place, (source, wait_ms, lag_ms, value, flag) in enumerate(steps):
            for after, ahead_ms, known in jumps:
                if place == after:
                    at_ms += 1
                    journal.state.keep_stretch(Stretch(at_ms, ahead_ms, known))
            time_ms = max(at_ms + wait_ms - lag_ms, newest.get(source, 0) + 1)
            at_ms = max(at_ms + wait_ms, time_ms)
            newest[source] = time_ms
            probe, quantity, vessel = SOURCES[source]
            key = journal.inputs.source_id(probe, quantity, vessel)
            (row,) = journal.inputs.number([(at_ms, key, time_ms, value + 0.0)])
            journal.inputs.write([row])
            if flag:
                journal._db.execute(
                    "INSERT INTO flag VALUES (?, ?, ?, 0)", (row[0], f"{vessel}/{quantity}", flag)
                )
    return journal


@settings(max_examples=40, deadline=None)
@given(
    st.lists(reading, min_size=1, max_size=60),
    st.lists(jump, max_size=3),
    st.sampled_from([".csv", ".parquet"]),
)
def test_out_and_in_again_is_exact_whatever_the_clock_did(steps, jumps, kind):
    with quick_folder() as name:
        folder = Path(name)
        journal = fill(folder / "a.sqlite", steps, jumps)
        out = folder / f"out{kind}"
        count = export(journal, Selection(), out, flags=True)
        assert count == len(steps)
        assert main(["import", str(out), str(folder / "b.sqlite")]) == 0
        again = Journal(folder / "b.sqlite", writable=True)
        assert readings_of(again) == readings_of(journal)
        twice = folder / f"twice{kind}"
        export(again, Selection(), twice, flags=True)
        if kind == ".csv":
            assert twice.read_text().splitlines()[2:] == out.read_text().splitlines()[2:]
        else:
            assert pq.read_table(twice).equals(pq.read_table(out))
        again.close()
        journal.close()


@pytest.fixture
def journal(tmp_path):
    steps = [(k % len(SOURCES), 1_000, 250, 15 + k / 7, 4 if k == 9 else None) for k in range(60)]
    journal = fill(tmp_path / "journal.sqlite", steps, [])
    yield journal
    journal.close()


def table(path):
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_the_header_says_the_units_and_any_csv_reader_reads_it(journal, tmp_path):
    out = tmp_path / "out.csv"
    assert main(["export", str(out), "--journal", str(journal.path), "--flags"]) == 0
    assert out.read_text().startswith(TITLE + "\n")
    rows = table(out)
    assert list(rows[0]) == [
        "time",
        "taken in",
        "clock",
        "vessel",
        "probe",
        "temperature (°C)",
        "conductivity (mS/cm)",
        "salinity",
        "oxygen (mg/L)",
        "air_pressure (hPa)",
        *(f"{q} flag" for q in ("temperature", "conductivity", "salinity", "oxygen", "air_pressure")),
    ]
    first = rows[0]
    assert first["time"] == "2025-10-09T08:53:20.750Z"
    assert first["taken in"] == "2025-10-09T08:53:21.000Z"
    assert (first["clock"], first["vessel"], first["probe"], first["temperature (°C)"]) == (
        "set",
        "k1",
        "k1-ct",
        "15.0",
    )
    flagged = [row for row in rows if row["temperature flag"]]
    assert [row["temperature flag"] for row in flagged] == ["4"]


def test_a_range_and_vessels_are_picked_by_the_time_of_measurement(journal, tmp_path):
    out = tmp_path / "out.csv"
    span = ["--from", "2025-10-09T08:53:40", "--to", "2025-10-09T10:54:00+02:00"]
    assert main(["export", str(out), "--journal", str(journal.path), "--vessel", "k2", *span]) == 0
    rows = table(out)
    assert {row["vessel"] for row in rows} == {"k2"}
    assert "oxygen (mg/L)" not in rows[0]
    every = [(time, s) for _, _, s, time in whole(journal)]
    wanted = [t for t, vessel in every if vessel == "k2" and 1_760_000_020_000 <= t < 1_760_000_040_000]
    assert len(rows) == len(wanted) > 3


def whole(journal):
    return journal._db.execute(
        "SELECT probe, quantity, vessel, at_ms - lag_ms FROM reading JOIN source ON id = source"
    ).fetchall()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["out.txt"], "write to a file that ends in .csv or .parquet"),
        (["out.csv", "--vessel", "k9"], "no readings of vessel k9; the journal has: k1, k2, rack"),
        (["out.csv", "--from", "yesterday"], "'yesterday' is no time; expected ISO 8601"),
    ],
)
def test_what_cannot_be_exported_is_said_in_one_line(
    journal, tmp_path, capsys, arguments, words, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    assert main(["export", *arguments, "--journal", str(journal.path)]) == 2
    assert words in capsys.readouterr().err
    assert not list(tmp_path.glob("out*"))


def test_parquet_carries_units_and_types(journal, tmp_path):
    out = tmp_path / "out.parquet"
    export(journal, Selection(), out, flags=True)
    schema = pq.read_schema(out)
    assert schema.field("temperature (°C)").metadata == {b"unit": "°C".encode()}
    assert str(schema.field("time").type) == "timestamp[ms, tz=UTC]"
    assert str(schema.field("temperature flag").type) == "int8"
    read = pq.read_table(out).to_pylist()
    assert math.isclose(read[0]["temperature (°C)"], 15.0)
    assert read[0]["oxygen (mg/L)"] is None


def test_an_export_goes_on_while_the_daemon_writes(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(50))
    reader = Journal(bench.path, writable=False)
    reader._db.execute("BEGIN")
    reader._db.execute("SELECT count(*) FROM reading").fetchone()
    bench.take(swinging(50, START_MS + 50_000))
    reader._db.execute("ROLLBACK")
    assert export(reader, Selection(), tmp_path / "out.csv", flags=False) == 100
    reader.close()
    bench.power_cut()


def test_times_before_the_clock_was_set_are_marked(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(5))
    bench.journal.state.keep_stretch(Stretch(START_MS, 0, False))
    export(bench.journal, Selection(), tmp_path / "out.csv", flags=False)
    assert {row["clock"] for row in table(tmp_path / "out.csv")} == {"not set"}
    bench.journal.state.keep_stretch(Stretch(START_MS, 3_600_000, True))
    export(bench.journal, Selection(), tmp_path / "out.csv", flags=False)
    rows = table(tmp_path / "out.csv")
    assert {row["clock"] for row in rows} == {"set"}
    assert rows[0]["time"] == "2025-10-09T09:53:20.000Z"
    assert next(csv_rows(tmp_path / "out.csv")).time_ms == START_MS + 3_600_000
    bench.power_cut()
    assert json.dumps(rows)
