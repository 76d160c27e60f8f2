"""How much CPU a record costs beside pandas, for the same finished columns in the same run.

    pytest tests/benchmarks/test_record_benchmark.py --benchmark-enable -s

What would refute the bounds: another ratio than printed, at any size (BELLWATCH_BENCHMARK_SCALE, as for the
replay), and memory that grows with the journal. What bringing rows out of SQLite and judging them costs is
printed beside.
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
from tests.benchmarks.test_replay_benchmark import KINDS, SCALE, VESSELS, YEAR_TICKS, cpu_s, journal_of

TICKS = max(int(YEAR_TICKS * SCALE), 1)
ROUNDS = 3
ABOUT = {"rack": "bench", "journal": "", "created": "2026-01-01T00:00:00Z"}
AT_MOST = {"csv": 2.0, "parquet": 1.5}
IMPORT_AT_MOST = 2.0
HELD_AT_MOST = {"csv": (150, 150), "parquet": (150, 20), "nc": (150, 150)}
"""Bytes for each reading more, of export and import: more than what peaks of single blocks differ by.

An export that kept its rows held 300, an import of Parquet 57 (measured). CSV is read some blocks ahead.
"""

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
def test_an_import_costs_no_more_than_pandas_into_a_database(journal, tmp_path, form, benchmark):
    """The same columns, read and stored; an import also looks for contradictions and seals."""
    assert main(["export", str(tmp_path / "out"), "--form", form, "--journal", str(journal)]) == 0
    path = tmp_path / f"out/reading.{form}"
    columns = ["seq", "at_ms", "source", "lag_ms", "value"]

    def by_pandas(turn):
        frame = (pd.read_csv if form == "csv" else pd.read_parquet)(path)[columns]
        with closing(sqlite3.connect(tmp_path / f"pandas{turn}.sqlite")) as db:
            frame.to_sql("reading", db, index=False)

    def ratios():
        for turn in range(ROUNDS):
            again = str(tmp_path / f"again{turn}.sqlite")
            ours = cost_s(lambda again=again: main(["import", str(tmp_path / "out"), again]))
            yield ours, cost_s(lambda turn=turn: by_pandas(turn))

    costs = benchmark.pedantic(lambda: sorted(ratios(), key=lambda its: its[0] / its[1]), rounds=1)
    ours, theirs = costs[len(costs) // 2]
    print(f"\nimport of {form}: {ours:.2f} s CPU, pandas {theirs:.2f} s, {ours / theirs:.2f} times")
    assert ours / theirs <= IMPORT_AT_MOST


@pytest.fixture(scope="module")
def sizes(tmp_path_factory):
    """Journals of a tenth, of a third and of the whole."""
    folder = tmp_path_factory.mktemp("sizes")
    ticks = [int(max(TICKS, 0.03 * YEAR_TICKS) * share) for share in (0.1, 0.3, 1.0)]
    return [journal_of(folder / f"{count}.sqlite", count) for count in ticks]


@pytest.mark.parametrize("form", ["csv", "parquet", "nc"])
def test_memory_does_not_grow_with_the_record(sizes, tmp_path, form):
    """From a third to the whole, several blocks each, peaks stay about the same."""
    readings = [int(path.stem) * VESSELS * len(KINDS) for path in sizes]
    peaks = []
    for path in sizes:
        record, again = tmp_path / f"{path.stem}.{form}", tmp_path / f"again{path.stem}.sqlite"
        options = [] if form == "nc" else ["--form", form]
        out = peak_mb("export", str(record), *options, "--journal", str(path))
        peaks.append((out, peak_mb("import", str(record), str(again))))
    print(f"\n{form}, MB of export and import: " + "; ".join(f"{out:.0f}, {back:.0f}" for out, back in peaks))
    for third, whole, at_most in zip(*peaks[1:], HELD_AT_MOST[form], strict=True):
        assert (whole - third) * 2**20 < at_most * (readings[2] - readings[1])


def peak_mb(*arguments):
    """The most that a process of its own held; its ru_maxrss would have ours in it, who started it."""
    command = "import sys\nfrom daemon.commands.cli import main\nassert main(sys.argv[1:]) == 0\n"
    command += (
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    done = subprocess.run(
        [sys.executable, "-c", command, *arguments], capture_output=True, text=True, check=True
    )
    return int(done.stdout.split()[-1]) / 1024
