"""How much CPU a record costs beside pandas, for the same finished columns in the same run.

    pytest tests/benchmarks/test_record_benchmark.py --benchmark-enable -s

What would refute the bounds: another ratio than printed, at any size (BELLWATCH_BENCHMARK_SCALE, as for the
replay: 0.25 are the readings of three vessels in a year), and memory or CPU for each reading that grow with
the journal. What bringing rows out of SQLite and judging them costs is printed beside.
"""

import sqlite3
import subprocess
import sys
from contextlib import ExitStack, closing
from functools import partial
from itertools import pairwise

import pandas as pd
import pytest

from daemon.commands.cli import main
from daemon.journal.journal import Journal
from daemon.record.from_journal import JournalTables, Part
from daemon.record.package import folder_writer
from tests.benchmarks.test_replay_benchmark import KINDS, SCALE, VESSELS, YEAR_TICKS, cpu_s, journal_of

TICKS = max(int(YEAR_TICKS * SCALE), 1)
ROUNDS = 3 if SCALE < 0.1 else 1
ABOUT = {"rack": "bench", "journal": "", "created": "2026-01-01T00:00:00Z"}
AT_MOST = {"csv": 2.0, "parquet": 1.5}
IMPORT_AT_MOST = 1.5
HELD_AT_MOST = (150, 20)
"""Bytes for each reading more, of export and import: more than what peaks of single blocks differ by.

An export that kept its rows held 300; an import of the whole at once 57 of Parquet, 41 of CSV and 122 of
NetCDF (measured).
"""
GROWS_AT_MOST = 2.0
"""Times the CPU for each reading more of the smaller step; what grows with the square takes 3.25 times."""

pytestmark = [
    pytest.mark.timeout(3600),
    pytest.mark.skipif(
        "not config.getoption('benchmark_enable')", reason="times CPU; pytest --benchmark-enable runs it"
    ),
]


def cost_s(work, *arguments):
    start = cpu_s()
    work(*arguments)
    return cpu_s() - start


@pytest.fixture(scope="module")
def journal(tmp_path_factory):
    path = tmp_path_factory.mktemp("year") / "journal.sqlite"
    journal_of(path, TICKS)
    return path


def by_pandas(folder, form, name, place, frame):
    if form == "csv":
        frame.to_csv(folder / f"{name}.csv", index=False, mode="a", header=place == 0)
    else:
        frame.to_parquet(folder / f"{name}{place}.parquet", index=False)


def costs_beside(journal, folder, form):
    """Rows, and what they cost by ours and by pandas: part by part, since a year has no room in memory."""
    theirs_in, rows, ours, theirs = folder / "theirs", 0, 0.0, 0.0
    theirs_in.mkdir()
    tables = (found for found in JournalTables(journal, Part()).all() if found[0] in ("reading", "judged"))
    with ExitStack() as files:
        write = files.enter_context(folder_writer(folder / "ours", form, ABOUT))
        for place, (name, part) in enumerate(tables):
            frame, rows = part.to_pandas(), rows + part.num_rows
            ours += cost_s(write, name, part)
            theirs += cost_s(by_pandas, theirs_in, form, name, place, frame)
        ours += cost_s(files.close)
    return rows, ours, theirs


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_the_same_columns_cost_no_more_than_by_pandas(journal, tmp_path, form, benchmark):
    def rounds():
        for turn in range(ROUNDS):
            (folder := tmp_path / f"{turn}").mkdir()
            with closing(Journal(journal, writable=False)) as its:
                yield costs_beside(its, folder, form)

    costs = benchmark.pedantic(lambda: sorted(rounds(), key=lambda its: its[1] / its[2]), rounds=1)
    rows, ours, theirs = costs[len(costs) // 2]
    whole = cost_s(lambda: main(["export", str(tmp_path / "out"), "--form", form, "--journal", str(journal)]))
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
    read = (
        partial(pd.read_csv, usecols=columns) if form == "csv" else partial(pd.read_parquet, columns=columns)
    )

    def by_pandas(turn):
        frame = read(path)
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
    """Journals of a tenth, of a third and of the whole; their readings are in their names."""
    folder = tmp_path_factory.mktemp("sizes")
    ticks = [int(max(TICKS, 0.05 * YEAR_TICKS) * share) for share in (0.1, 0.3, 1.0)]
    return [journal_of(folder / f"{count * VESSELS * len(KINDS)}.sqlite", count) for count in ticks]


@pytest.mark.parametrize("form", ["csv", "parquet", "nc"])
def test_neither_memory_nor_time_for_a_reading_grows_with_the_record(sizes, tmp_path, form):
    """From a third to the whole, several blocks each, peaks stay about the same."""
    readings, found = [int(path.stem) for path in sizes], []
    for path in sizes:
        record, again = tmp_path / f"{path.stem}.{form}", tmp_path / f"again{path.stem}.sqlite"
        options = [] if form == "nc" else ["--form", form]
        out = peak_mb_and_cpu_s("export", str(record), *options, "--journal", str(path))
        found.append((out, peak_mb_and_cpu_s("import", str(record), str(again))))
    for work, (tenth, third, whole), held in zip(
        ("export", "import"), zip(*found, strict=True), HELD_AT_MOST, strict=True
    ):
        steps = [
            (more[1] - less[1]) / (after - before)
            for (less, more), (before, after) in zip(
                pairwise((tenth, third, whole)), pairwise(readings), strict=True
            )
        ]
        per_reading = (whole[0] - third[0]) * 2**20 / (readings[2] - readings[1])
        print(
            f"\n{form}, {work} of {readings}: {tenth[0]:.0f}, {third[0]:.0f}, {whole[0]:.0f} MB, "
            f"{per_reading:.0f} bytes for each more; CPU {steps[0] * 1e6:.2f}, then {steps[1] * 1e6:.2f} µs"
        )
        assert per_reading < held
        assert steps[1] < GROWS_AT_MOST * steps[0]


def peak_mb_and_cpu_s(*arguments):
    """The most that a process of its own held; its ru_maxrss would have ours in it, who started it."""
    command = "import sys\nfrom daemon.commands.cli import main\nassert main(sys.argv[1:]) == 0\n"
    command += (
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    start = cpu_s()
    done = subprocess.run(
        [sys.executable, "-c", command, *arguments], capture_output=True, text=True, check=True
    )
    return int(done.stdout.split()[-1]) / 1024, cpu_s() - start
