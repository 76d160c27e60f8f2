"""How fast a rack-year is judged and replayed, beside `ioos-qc` on the same arrays in the same run.

Scaled by BELLWATCH_BENCHMARK_SCALE (a share of the rack-year of 12 vessels, 4 probes' quantities
each, every 30 s: 50 457 600 readings); without it 0.004 of it, to see that the benchmark itself
works: three quarters of that time are then starting processes, so no time is asserted below 0.1.

Run it by itself: BELLWATCH_BENCHMARK_SCALE=1 pytest -s tests/benchmarks/test_replay_benchmark.py
"""

import os
import resource
import sqlite3
import time
import tracemalloc
from collections import deque
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from ioos_qc import qartod

from daemon.journal.fold import configuring
from daemon.journal.journal import Journal
from daemon.replay.replay import replay
from daemon.sources.journal import journal_recording
from daemon.sources.recording import BLOCK, in_blocks, in_memory
from daemon.sources.store import stored
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Action, Readings

VESSELS, STEP_MS, YEAR_TICKS = 12, 30_000, 365 * 2880
KINDS = (
    ("ct", Quantity.TEMPERATURE, 15.0, 0.3, 0.01),
    ("ct", Quantity.CONDUCTIVITY, 39.5, 0.3, 0.02),
    ("do", Quantity.OXYGEN, 7.9, 0.1, 0.02),
    ("do", Quantity.TEMPERATURE, 15.0, 0.3, 0.01),
)
START_MS = 1_767_225_600_000  # 2026-01-01
WARMER = {
    Quantity.TEMPERATURE: replace(
        DEFAULT_TOLERANCES["ephyra"][Quantity.TEMPERATURE], critical_on_delay_ms=240_000
    )
}
SCALE = float(os.environ.get("BELLWATCH_BENCHMARK_SCALE", "0.004"))
MEASURED = SCALE >= 0.1

pytestmark = [pytest.mark.timeout(3600)]


def plan():
    sources = tuple(
        Source(vessel * len(KINDS) + at + 1, f"k{vessel}-{probe}", quantity, f"kreisel-{vessel}", 120_000)
        for vessel in range(VESSELS)
        for at, (probe, quantity, *_) in enumerate(KINDS)
    )
    vessels = {f"kreisel-{vessel}": "ephyra" for vessel in range(VESSELS)}
    return RackPlan("bench", sources, vessels, {"ephyra": DEFAULT_TOLERANCES["ephyra"]}, DEFAULT_QUALITY)


def year(first_tick, ticks):
    """Readings of all probes: a daily course, noise, probes' resolution; each week a warm spell."""
    channels = VESSELS * len(KINDS)
    draws = np.random.default_rng(first_tick)
    tick = np.arange(first_tick, first_tick + ticks)
    day = 2 * np.pi * tick / 2880
    values = np.empty((ticks, channels))
    for channel in range(channels):
        _, _, mean, swing, noise = KINDS[channel % len(KINDS)]
        values[:, channel] = mean + swing * np.sin(day) + noise * draws.standard_normal(ticks)
    values[:, 0] += 4.0 * (tick % (7 * 2880) > 7 * 2880 - 480)
    at_ms = np.repeat(START_MS + tick * STEP_MS, channels)
    seq = np.arange(first_tick * channels + 2, (first_tick + ticks) * channels + 2)
    source = np.tile(np.arange(1, channels + 1), ticks)
    return Readings(seq, at_ms, source, at_ms, np.round(values, 3).ravel())


def journal_of(path, ticks):
    """A journal as the daemon would have left it, written faster: nothing can be lost here."""
    journal = Journal(path, writable=True)
    with journal.transaction():
        for source in plan().sources:
            assert journal.inputs.source_id(source.probe, source.quantity, source.vessel) == source.id
        journal.inputs.append_action(configuring(plan(), START_MS))
    journal.close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA journal_mode = MEMORY")
        db.execute("PRAGMA synchronous = OFF")
        for first in range(0, ticks, 20_000):
            part = year(first, min(20_000, ticks - first))
            columns = (part.seq, part.at_ms, part.source, np.zeros_like(part.seq), part.value)
            rows = zip(*(column.tolist() for column in columns), strict=True)
            db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)
            db.commit()
    db.close()
    return path


def cpu_s():
    """Seconds of processor time of this process and of those that it has waited for."""
    own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def peak_mb():
    """The largest memory of this process, and of the largest that it has waited for."""
    sizes = [
        resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    ]
    return sizes[0], sizes[1]


def timed(work):
    """Processor seconds of the quickest of three runs, and the peak of memory allocated, in bytes."""
    seconds = []
    for _ in range(3):
        begun = time.process_time()
        work()
        seconds.append(time.process_time() - begun)
    tracemalloc.start()
    work()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return min(seconds), peak


def series_of(readings):
    """Each source's values and times, as ioos-qc wants them."""
    return [
        (readings.value[here], pd.to_datetime(readings.time_ms[here], unit="ms").to_numpy())
        for source in np.unique(readings.source)
        for here in [readings.source == source]
    ]


def ioos_qc_on(series):
    """Its four tests on every series, with the thresholds that this project has for temperature."""
    quality = DEFAULT_QUALITY[Quantity.TEMPERATURE]
    operator, sensor = quality.operator_range, quality.sensor_range
    suspect_s, fail_s = 2 * 3600, 12 * 3600
    for value, times in series:
        qartod.gross_range_test(value, (sensor.low, sensor.high), (operator.low, operator.high))
        qartod.spike_test(value, quality.spike_suspect, quality.spike_fail)
        qartod.rate_of_change_test(value, times, quality.max_change_per_hour / 3600)
        qartod.flat_line_test(value, times, suspect_s, fail_s, 0.001)


def loaded(readings, folder):
    """Processor seconds of the quickest of three loads of the same rows from flat array files."""
    columns = ("seq", "at_ms", "source", "time_ms", "value")
    for name in columns:
        np.save(folder / f"{name}.npy", getattr(readings, name))
    seconds = []
    for _ in range(3):
        begun = time.process_time()
        Readings(*(np.load(folder / f"{name}.npy") for name in columns))
        seconds.append(time.process_time() - begun)
    return min(seconds)


def test_the_whole_judgement_beside_four_tests_of_ioos_qc(capsys):
    """Conversion, all flags, bands, trend and life cycle, against gross range, spike, rate and flat line.

    It was twelve times as fast before it looked for probes that freeze, scatter and play a record.
    """
    share = 1.0 if MEASURED else 0.1
    readings = year(0, round(share * BLOCK / (VESSELS * len(KINDS))))
    fewer = readings.part(0, round(0.4 * len(readings)))  # theirs takes its time
    series = series_of(fewer)
    plan_now = plan()
    own_s, own_bytes = timed(lambda: Engine(plan_now, START_MS).feed(readings))
    their_s, their_bytes = timed(lambda: ioos_qc_on(series))
    own, theirs = len(readings) / own_s, len(fewer) / their_s
    with capsys.disabled():
        print(
            f"\n{len(readings)} readings on one core: bellwatch {own / 1e6:.2f} million a second, "
            f"{own_bytes / len(readings):.0f} bytes a reading; ioos-qc {theirs / 1e6:.2f} million a second, "
            f"{their_bytes / len(fewer):.0f} bytes a reading; {own / theirs:.1f} times as fast"
        )
    assert not MEASURED or own / theirs >= 4


def test_a_rack_year_is_replayed_from_disk_and_from_memory(tmp_path, capsys):
    """Beside a load of the same rows from flat array files, in bounded memory.

    Wanted are 30 times that; what finds probes that lie takes the rest (twice of it was there before that).
    """
    ticks = max(2_880, round(YEAR_TICKS * SCALE))
    path = journal_of(tmp_path / "year.sqlite", ticks)
    said = [f"\n{path.stat().st_size / 1e6:.0f} MB journal"]
    recording = journal_recording(path)
    own_plan = plan()

    begun, used = time.perf_counter(), cpu_s()
    from_disk = replay(recording, [own_plan])[0]
    disk_s, disk_cpu_s = time.perf_counter() - begun, cpu_s() - used
    count = from_disk.readings
    assert count == ticks * VESSELS * len(KINDS)
    said.append(f"from disk {count} readings in {disk_s:.1f} s ({disk_cpu_s:.1f} s of processor time)")
    own_mb, worker_mb = peak_mb()
    said.append(f"at most {own_mb:.0f} MB, each loading process {worker_mb:.0f} MB")

    store = stored(recording, tmp_path)
    begun, used = time.perf_counter(), cpu_s()
    again = replay(store.recording(), [own_plan])[0]
    memory_s, memory_cpu_s = time.perf_counter() - begun, cpu_s() - used
    said.append(f"once loaded {memory_s:.1f} s ({memory_cpu_s:.1f} s of processor time)")
    part = year(0, min(ticks, 100_000))
    flat_s = loaded(part, tmp_path) * count / len(part)
    said.append(
        f"{disk_cpu_s / flat_s:.0f} and {memory_cpu_s / flat_s:.0f} times a load from flat array files"
    )
    with capsys.disabled():
        print("; ".join(said))
    assert again.events == from_disk.events
    assert len(again.events) > 0 or ticks < 7 * 2_880
    if MEASURED:
        assert memory_cpu_s < 160 * flat_s
        assert own_mb < 1_500


def test_a_rack_year_beside_the_same_rows_in_flat_array_files(tmp_path, capsys):
    """Loaded once, the copy beside a journal is read like flat arrays; what judging costs beside is said."""
    ticks = max(9_000, round(YEAR_TICKS * SCALE))
    recording = journal_recording(journal_of(tmp_path / "year.sqlite", ticks), through_copies=True)
    count, own_plan = recording.readings, plan()

    def cpu_of(work, times=3):
        took = []
        for _ in range(times):
            used = cpu_s()
            found = work()
            took.append(cpu_s() - used)
        return min(took), found

    first_s, _ = cpu_of(lambda: deque(recording.inputs(), 0), times=1)
    again_s, _ = cpu_of(lambda: deque(recording.inputs(), 0))
    flat = stored(recording, tmp_path)
    names = ("seq", "at_ms", "source", "time_ms", "value")
    flat_s, columns = cpu_of(lambda: [np.fromfile(flat.folder / name, dtype=np.int64) for name in names])
    assert {column.size for column in columns} == {count}
    year_s, judged = cpu_of(lambda: replay(recording, [own_plan])[0], times=1)
    assert judged.readings == count
    other = replace(own_plan, tolerances={"ephyra": {**own_plan.tolerances["ephyra"], **WARMER}})
    trial_s, _ = cpu_of(lambda: replay(flat.recording(), [other], responses=False)[0], times=1)
    with capsys.disabled():
        print(
            f"\n{count} readings, processor time: first load {first_s:.2f} s, "
            f"through the copy {again_s:.3f} s ({count / again_s / 1e6:.0f} million a second), "
            f"flat arrays {flat_s:.3f} s; judged {year_s:.2f} s ({year_s / flat_s:.0f} times flat), "
            f"a trial with another limit {trial_s:.2f} s ({trial_s / flat_s:.0f} times flat, "
            f"{trial_s / year_s:.2f} of a replay)"
        )
    assert count / again_s >= 20e6 or not MEASURED


def test_a_block_is_a_part_of_the_whole():
    """The benchmark's own readings, as one block and in pieces: what is timed is what is right."""
    readings = year(0, 300)
    whole = Engine(plan(), START_MS).feed(readings)
    engine = Engine(plan(), START_MS)
    parts = [engine.feed(part) for part in in_blocks(readings, 1_000)]
    assert [event for part in parts for event in part.events] == whole.events


DEEDS = {
    "note": ("log", {"vessel": "kreisel-1", "what": "note"}),
    "food": ("log", {"vessel": "kreisel-1", "what": "feed", "value": 1.0}),
    "acknowledged": ("acknowledge", {"alarm": "kreisel-0/temperature/k0-ct/high_high"}),
    "by hand": (
        "hand_measurement",
        {
            "vessel": "kreisel-1",
            "quantity": "salinity",
            "value": 30.5,
            "method": "bottle",
            "instrument": "S1",
        },
    ),
    "maintained": (
        "begin_maintenance",
        {"target": "vessel/kreisel-1", "for_s": 3600, "why": "water change"},
    ),
    "stage": ("move_stage", {"vessel": "kreisel-1", "stage": "ephyra"}),
    "calibrated": (
        "calibrate",
        {
            "probe": "k1-ct",
            "quantity": "temperature",
            "standard": "invented ice point",
            "points": [{"read": 0.01, "true": 0.0}],
        },
    ),
}
"""What people do, one of each kind; the last two cut their vessel."""


def noted(store, deed, a_day):
    """The store with so many deeds of a kind a day, spread over it."""
    count = round(a_day * (store.end_ms - store.start_ms) / 86_400_000)
    places = [(at + 1) * store.readings // (count + 1) for at in range(count)]
    at_ms, seq = (np.memmap(store.folder / name, dtype=np.int64, mode="r") for name in ("at_ms", "seq"))
    kind, body = deed
    actions = tuple((int(seq[at]), Action(int(at_ms[at]), kind, "kim", body)) for at in places)
    return replace(store, actions=actions)


def test_ten_deeds_a_day_cost_little(tmp_path, capsys):
    """Under 5 % of a replay, notes as well as what is judged by, work under 20 %: neither cuts a block.

    A move or a calibration cuts its vessel, of twelve.
    """
    ticks = max(2 * 2_880, round(YEAR_TICKS * SCALE))
    parts = [year(first, min(20_000, ticks - first)) for first in range(0, ticks, 20_000)]
    columns = ("seq", "at_ms", "source", "time_ms", "value")
    readings = Readings(*(np.concatenate([getattr(part, name) for part in parts]) for name in columns))
    sources = {it.id: (it.probe, str(it.quantity), it.vessel) for it in plan().sources}
    store = stored(in_memory("notes", sources, readings, {}), tmp_path)
    del parts, readings
    deeds = {"nothing": None, **DEEDS}
    seconds, results = {name: [] for name in deeds}, {}
    for _ in range(2 if MEASURED else 1):
        for name, deed in deeds.items():
            its = store if deed is None else noted(store, deed, 10)
            begun = time.process_time()
            results[name] = replay(its.recording(), [plan()])[0]
            seconds[name].append(time.process_time() - begun)
    took = {name: min(its) for name, its in seconds.items()}
    with capsys.disabled():
        shares = (f"{name} {its:.1f} s ({its / took['nothing']:.2f})" for name, its in took.items())
        print(f"\n{store.readings} readings, ten deeds a day: {', '.join(shares)}")
    for name in ("note", "food", "by hand"):
        assert results[name].events == results["nothing"].events
        assert not results[name].refused
    little = [took[name] for name in ("note", "food", "acknowledged")]
    assert not MEASURED or max(little) < 1.05 * took["nothing"]
    assert not MEASURED or took["by hand"] < 1.1 * took["nothing"], "its probes' doubts are looked for first"
    assert not results["calibrated"].refused
    assert not MEASURED or took["maintained"] < 1.2 * took["nothing"]
    assert not MEASURED or max(took["stage"], took["calibrated"]) < 2.0 * took["nothing"]
