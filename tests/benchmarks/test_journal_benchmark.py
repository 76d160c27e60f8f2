"""What the journal costs: readings a second, bytes written to the card, size of the file, time to restart.

    pytest tests/benchmarks/test_journal_benchmark.py --benchmark-enable -s

The rack is invented: 12 vessels with a probe of three quantities each and a barometer, every 30 s,
37 readings in half a minute. BELLWATCH_BENCH_YEARS=1 fills a whole year (39 million readings, 1 GB)
before the restarts are timed; the usual run takes a hundredth of it.
"""

import os
import time
from pathlib import Path

import numpy as np
import pytest
import structlog

from daemon.check.load import load_settings
from daemon.journal.fold import engine_of, resume
from daemon.journal.integrity import _finding
from daemon.journal.journal import Journal
from daemon.settings.plan import rack_plan
from daemon.watch.watch import Watch
from drivers.readings import Reading
from tests.rigs.parts.small_disk import failing_disk, needs_mount

VESSELS = 12
EVERY_MS = 30_000
START_MS = 1_760_000_000_000
YEAR_MS = 365 * 24 * 3_600_000
YEARS = float(os.environ.get("BELLWATCH_BENCH_YEARS", "0.01"))
SETTINGS = """\
[rack]
name = "bench"
time_zone = "UTC"
[journal]
path = "{folder}/journal.sqlite"
[buses.line]
kind = "modbus-rtu"
port = "/dev/ttyUSB0"
[probes.room]
bus = "line"
unit_id = 100
registers = [{{ quantity = "air_pressure", address = 0, type = "float32" }}]
"""
VESSEL = """\
[vessels.k{n}]
kind = "kreisel"
stage = "ephyra"
[probes.k{n}-multi]
bus = "line"
vessel = "k{n}"
unit_id = {n}
registers = [
    {{ quantity = "temperature", address = 0, type = "float32" }},
    {{ quantity = "conductivity", address = 2, type = "float32" }},
    {{ quantity = "oxygen", address = 4, type = "float32" }},
]
"""


# A condition, not a skip inside a test: a benchmark that is set up and not used is a warning.
pytestmark = pytest.mark.skipif(
    "not config.getoption('benchmark_enable')", reason="takes minutes; pytest --benchmark-enable runs it"
)


@pytest.fixture(autouse=True)
def quiet():
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    yield
    structlog.reset_defaults()


def a_watch(folder, commit_every_ms=10_000):
    text = SETTINGS.format(folder=folder) + "".join(VESSEL.format(n=n) for n in range(1, VESSELS + 1))
    path = Path(folder) / "bench.toml"
    path.write_text(text)
    journal = Journal(Path(folder) / "journal.sqlite", writable=True)
    plan = rack_plan(load_settings(path), journal.inputs.source_id)
    return journal, plan, Watch(journal, plan, START_MS, lambda _: [], commit_every_ms)


def polls(plan, start_ms, stop_ms, dice):
    """What the probes of the rack measure: each poll at its own second of the half minute."""
    usual = {"temperature": 16.5, "conductivity": 42.0, "oxygen": 7.8, "air_pressure": 1013.0}
    by_probe = {}
    for source in plan.sources:
        by_probe.setdefault(source.probe, []).append(source.quantity)
    for base_ms in range(start_ms, stop_ms, EVERY_MS):
        for place, (probe, quantities) in enumerate(by_probe.items()):
            at_ms = base_ms + place * EVERY_MS // len(by_probe)
            yield (
                at_ms,
                [
                    Reading(probe, q, float(usual[q] + 0.02 * dice.standard_normal()), at_ms)
                    for q in quantities
                ],
            )


def written_to(device):
    """Bytes that a block device was given to write (Documentation/block/stat: sectors of 512 bytes)."""
    return int(Path(f"/sys/block/{device}/stat").read_text().split()[6]) * 512


@needs_mount
@pytest.mark.parametrize("commit_every_ms", [1_000, 10_000, 30_000])
def test_bytes_written_to_the_card_in_six_hours(tmp_path, benchmark, commit_every_ms):
    """On an ext4 disk of its own, so that the file system's own writing counts too."""
    hours = 6

    def six_hours():
        with failing_disk(tmp_path, 256) as disk:
            journal, plan, watch = a_watch(disk.path, commit_every_ms)
            os.sync()
            device = disk.device()
            before, readings = written_to(device), 0
            for at_ms, found in polls(plan, START_MS, START_MS + hours * 3_600_000, np.random.default_rng(1)):
                readings += len(found)
                watch.take(found, at_ms)
                watch.take([], at_ms + 1_000)
            os.sync()
            written = written_to(device) - before
            journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            size = journal.path.stat().st_size
            (snapshot,) = journal._db.execute("SELECT max(length(state)) FROM snapshot").fetchone()
            journal.close()
        return readings, written, size, snapshot

    readings, written, size, snapshot = benchmark.pedantic(six_hours, rounds=1)
    each, a_year_gb = written / readings, written * 4 * 365 / 1e9
    print(
        f"\ncommit every {commit_every_ms / 1000:g} s: {readings} readings, {each:.0f} bytes written each "
        f"({a_year_gb:.1f} GB a year), a snapshot of {snapshot} bytes every four hours, file {size} bytes"
    )
    assert written / readings < 20_000


def test_readings_a_second(tmp_path, benchmark):
    """A hundred polls in each commit, judged and written with synchronous=FULL."""
    _, plan, watch = a_watch(tmp_path)
    found = list(polls(plan, START_MS, START_MS + 200 * 3_600_000, np.random.default_rng(1)))
    blocks = [found[k : k + 100] for k in range(0, len(found), 100)]
    turns = iter(blocks)

    def take():
        block = next(turns)
        watch.take([reading for _, readings in block for reading in readings], block[-1][0])

    benchmark.pedantic(take, rounds=min(200, len(blocks)), warmup_rounds=3)
    mean_s, longest_s = benchmark.stats["mean"], benchmark.stats["max"]
    a_second = sum(len(readings) for _, readings in blocks[0]) / mean_s
    print(f"\n{a_second:.0f} readings a second, {1_000 * longest_s:.0f} ms the longest turn")


def test_restart_and_size_of_the_file(tmp_path, benchmark):
    journal, plan, watch = a_watch(tmp_path)
    dice = np.random.default_rng(1)
    stop_ms = START_MS + int(YEARS * YEAR_MS)
    fill(journal, plan, START_MS, stop_ms - 3_600_000, dice)
    journal.close()
    journal, plan, watch = a_watch(tmp_path)
    for at_ms, found in polls(plan, stop_ms - 3_600_000, stop_ms, dice):
        watch.take(found, at_ms)
    readings = journal.inputs.last_seq()
    journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = journal.path.stat().st_size
    journal.close()
    again_s = benchmark.pedantic(lambda: timed(a_watch, tmp_path), rounds=1)
    opened = Journal(tmp_path / "journal.sqlite", writable=True)
    check_s = timed(_finding, opened._db)
    opened._db.execute("UPDATE snapshot SET state = ''")
    relearn_s = timed(resume, opened)
    assert engine_of(opened) is not None
    opened.close()
    print(
        f"\n{readings} readings: {size / readings:.1f} bytes each in the file; restart {again_s:.2f} s, "
        f"without a snapshot {relearn_s:.2f} s; reading the whole file {check_s:.1f} s"
    )
    assert size / readings < 40


def timed(what, *arguments):
    began = time.perf_counter()
    what(*arguments)
    return time.perf_counter() - began


def fill(journal, plan, start_ms, stop_ms, dice):
    """Write readings down without judging them, to have a long past quickly."""
    usual = {"temperature": 16.5, "conductivity": 42.0, "oxygen": 7.8, "air_pressure": 1013.0}
    ids = np.array([source.id for source in plan.sources])
    level = np.array([usual[source.quantity] for source in plan.sources])
    for base_ms in range(start_ms, stop_ms, 1_000 * EVERY_MS):
        rounds = min(1_000, (stop_ms - base_ms) // EVERY_MS)
        times = (base_ms + np.arange(rounds) * EVERY_MS)[:, None] + np.arange(ids.size) * 800
        values = level + 0.02 * dice.standard_normal((rounds, ids.size))
        columns = (times.ravel(), np.tile(ids, rounds), values.ravel())
        with journal.transaction():
            journal.inputs.write(
                journal.inputs.number(
                    (at, key, at, value)
                    for at, key, value in zip(*(c.tolist() for c in columns), strict=True)
                )
            )
