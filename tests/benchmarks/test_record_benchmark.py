"""How much CPU a record costs beside pandas, for the same finished columns in the same run.

    pytest tests/benchmarks/test_record_benchmark.py --benchmark-enable -s

What would refute the bounds: another ratio than printed, at any size (BELLWATCH_BENCHMARK_SCALE, as for the
replay), and memory that grows with the journal. What bringing rows out of SQLite and judging them costs is
printed beside, and how an import compares with pandas' way into a database.
"""

import sqlite3
import subprocess
import sys
from contextlib import closing

import pandas as pd
import pytest

from daemon.commands.cli import main
from daemon.journal.journal import Journal
from daemon.record.from_journal import JournalTables, Part
from daemon.record.package import folder_writer
from tests.benchmarks.test_replay_benchmark import SCALE, YEAR_TICKS, cpu_s, journal_of

TICKS = max(int(YEAR_TICKS * SCALE), 1)
ROUNDS = 3
ABOUT = {"rack": "bench", "journal": "", "created": "2026-01-01T00:00:00Z"}
AT_MOST = {"csv": 2.0, "parquet": 1.5}

pytestmark = [
    pytest.mark.timeout(3600),
    pytest.mark.skipif(
        "not config.getoption('benchmark_enable')", reason="times CPU; pytest --benchmark-enable runs it"
    ),
]


def cost_s(work):
    start = cpu_s()
    work()
    return cpu_s() - start


@pytest.fixture(scope="module")
def journal(tmp_path_factory):
    path = tmp_path_factory.mktemp("year") / "journal.sqlite"
    journal_of(path, TICKS)
    return path


def written(folder, form, tables):
    with folder_writer(folder, form, ABOUT) as write:
        for name, part in tables:
            write(name, part)


def by_pandas(folder, form, frames):
    folder.mkdir()
    for name, frame in frames.items():
        if form == "csv":
            frame.to_csv(folder / f"{name}.csv", index=False)
        else:
            frame.to_parquet(folder / f"{name}.parquet", index=False)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_the_same_columns_cost_no_more_than_by_pandas(journal, tmp_path, form, benchmark):
    with closing(Journal(journal, writable=False)) as its:
        tables = [found for found in JournalTables(its, Part()).all() if found[0] in ("reading", "judged")]
    parts = {name: [part.to_pandas() for it, part in tables if it == name] for name, _ in tables}
    frames = {name: pd.concat(its, ignore_index=True) for name, its in parts.items()}

    def ratios():
        for turn in range(ROUNDS):
            ours = cost_s(lambda at=tmp_path / f"ours{turn}": written(at, form, tables))
            theirs = cost_s(lambda at=tmp_path / f"theirs{turn}": by_pandas(at, form, frames))
            yield ours, theirs

    costs = benchmark.pedantic(lambda: sorted(ratios(), key=lambda its: its[0] / its[1]), rounds=1)
    ours, theirs = costs[len(costs) // 2]
    whole = cost_s(lambda: main(["export", str(tmp_path / "out"), "--form", form, "--journal", str(journal)]))
    rows = sum(part.num_rows for _, part in tables)
    print(
        f"\n{form}, {rows} rows: {ours:.2f} s CPU, pandas {theirs:.2f} s, {ours / theirs:.2f} times; with "
        f"reading the journal and judging {whole:.2f} s, {whole / theirs:.2f} times"
    )
    assert ours / theirs <= AT_MOST[form]


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_import_beside_pandas_into_a_database(journal, tmp_path, form, benchmark):
    assert main(["export", str(tmp_path / "out"), "--form", form, "--journal", str(journal)]) == 0
    path = tmp_path / f"out/reading.{form}"

    def into_a_database():
        columns = ["seq", "at_ms", "source", "lag_ms", "value"]
        read = pd.read_csv if form == "csv" else pd.read_parquet
        with closing(sqlite3.connect(tmp_path / "pandas.sqlite")) as db:
            read(path)[columns].to_sql("reading", db, index=False)

    ours = cost_s(lambda: main(["import", str(tmp_path / "out"), str(tmp_path / "again.sqlite")]))
    theirs = benchmark.pedantic(lambda: cost_s(into_a_database), rounds=1)
    print(f"\nimport of {form}: {ours:.2f} s CPU, pandas {theirs:.2f} s, {ours / theirs:.2f} times")


def test_memory_does_not_grow_with_the_journal(tmp_path):
    """Peak memory of an export of twice as much is about the same; what a process has anyway is in it."""
    command = "import resource, sys\nfrom daemon.commands.cli import main\nassert main(sys.argv[1:]) == 0\n"
    command += "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    peaks = []
    for times in (2, 4):
        journal_of(tmp_path / f"{times}.sqlite", 5_000 * times)
        out = [str(tmp_path / f"out{times}"), "--journal", str(tmp_path / f"{times}.sqlite")]
        peaks.append(peak_kb(command, out))
    print(f"\npeak of an export: {peaks[0] / 1024:.0f} MB, of twice as much {peaks[1] / 1024:.0f} MB")
    assert peaks[1] < 1.25 * peaks[0]


def peak_kb(command, arguments):

    done = subprocess.run(
        [sys.executable, "-c", command, "export", *arguments], capture_output=True, text=True, check=True
    )
    return int(done.stdout.split()[-1])
