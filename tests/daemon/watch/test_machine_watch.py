"""What is wrong below the watch is told: on a real small disk, and with a clock that a test sets."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from daemon.broker.notices import Notices
from daemon.journal.dating import Dating
from daemon.journal.repair import JournalRepair
from daemon.journal.retention import DAY_MS
from daemon.machine import MachineReading
from daemon.view.health_text import health
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from daemon.watch.machine_watch import DISK_FILLS, KEEP_EVERY_MS, LOOK_EVERY_MS, MachineWatch
from daemon.watch.timekeeper import GivenTime
from rules.calling.records import DISK_FULL
from tests.rigs.bench import START_MS, Bench, steady
from tests.rigs.parts.small_disk import needs_mount, small_disk

pytestmark = pytest.mark.usefixtures("quiet_logs")

MIN_MS = 60_000


@pytest.fixture
def bench(tmp_path):
    with small_disk(tmp_path / "disk", 100) as disk:
        bench = Bench(disk.path)
        bench.take(steady(5, 15))
        bench.disk = disk
        yield bench
        bench.power_cut()


def watching(bench):
    repair = JournalRepair(bench.journal, Dating)
    watch = MachineWatch(Notices(bench.journal, lambda _: []), repair, GivenTime(bench.watch))
    return watch, repair


def leave(bench, free_bytes):
    """Let something else fill the disk but for so much."""
    bench.disk.make_room()
    bench.disk.fill(free_bytes)


def said(bench):
    return [it.kind for it in rack_now(JournalView(bench.settings), START_MS + 5_000).said]


@needs_mount
def test_a_disk_that_would_be_full_in_two_days_at_the_pace_of_the_last_one_is_told_and_no_other(bench):
    watch, _ = watching(bench)
    for hour in range(60):  # 1 MB an hour: 90 MB last four days at first
        leave(bench, (90 - hour) * 1_000_000)
        watch.step(START_MS + hour * KEEP_EVERY_MS)
        if said(bench):
            break
    left, gone_in_a_day = 90 - hour, 24
    assert left == pytest.approx(2 * gone_in_a_day, abs=3)
    assert said(bench) == [DISK_FILLS]


@needs_mount
def test_what_was_free_is_known_over_a_restart(bench):
    watch, _ = watching(bench)
    watch.step(START_MS)
    leave(bench, 75_000_000)
    again, _ = watching(bench)
    again.step(START_MS + LOOK_EVERY_MS)
    assert said(bench) == [], "of about 100 MB 25 went, which 75 bear three times"
    leave(bench, 55_000_000)
    watching(bench)[0].step(START_MS + 2 * LOOK_EVERY_MS)
    assert said(bench) == [DISK_FILLS]


@needs_mount
def test_a_full_disk_is_said_again_and_again_until_it_is_not(bench):
    watch, _ = watching(bench)
    leave(bench, 200_000)
    for minute in range(11):
        watch.step(START_MS + minute * MIN_MS)
    count = bench.journal._db.execute("SELECT count(*) FROM notice WHERE id GLOB 'disk full:*'").fetchone()[0]
    assert count == 3, "at once, after five minutes, after ten: it is well when ten minutes passed without"
    bench.disk.make_room()
    watch.step(START_MS + 20 * MIN_MS)
    assert bench.journal.history.newest_notice(DISK_FULL, "rack").at_ms == START_MS + 10 * MIN_MS


@needs_mount
def test_what_was_done_to_the_file_is_told_once(bench):
    watch, repair = watching(bench)
    bench.path.with_name(bench.path.name + "-wal").unlink()
    repair.look()
    watch.step(START_MS)
    watch.step(START_MS + 1)
    assert said(bench) == ["journal put back"]
    seen = rack_now(JournalView(bench.settings), START_MS + 8 * DAY_MS)
    assert [it.text for it in seen.said] == [
        "rack: the journal (or its log) was deleted under the watch, and is there again"
    ]


def test_a_machine_beyond_a_limit_is_told_once_a_day_with_what_to_do(bench):
    well = MachineReading("machine hot", "temperature", 70.0, "°C", 80, True, "give it air")
    now = [well]
    watch = MachineWatch(
        Notices(bench.journal, lambda _: []),
        JournalRepair(bench.journal, Dating),
        GivenTime(bench.watch),
        lambda: now,
    )
    watch.step(START_MS)
    assert said(bench) == []
    now[:] = [replace(well, value=85.0)]
    watch.step(START_MS + LOOK_EVERY_MS)
    (seen,) = rack_now(JournalView(bench.settings), START_MS + 5_000).machine
    assert seen.value == 85.0, "at once; what stays well is noted anew now and then"
    watch.step(START_MS + 2 * LOOK_EVERY_MS)
    (told,) = rack_now(JournalView(bench.settings), START_MS + 5_000).said
    assert told.text == "rack: the machine is at 85.0 °C; give it air"


def test_what_the_machine_says_is_on_every_screen_with_its_limit(bench):
    hot = MachineReading("machine hot", "temperature", 85.0, "°C", 80, True, "give it air")
    well = MachineReading("memory short", "memory free", 500.0, "MB", 64, False, "see what runs")
    repair = JournalRepair(bench.journal, Dating)
    watch = MachineWatch(
        Notices(bench.journal, lambda _: []), repair, GivenTime(bench.watch), lambda: [hot, well]
    )
    watch.step(START_MS)
    seen = rack_now(JournalView(bench.settings), START_MS + 5_000)
    assert seen.machine == (hot, well)
    lines = list(health(seen, ZoneInfo("UTC")))
    assert "Machine: memory free 500 MB." in lines
    assert "▲ Machine: temperature 85 °C, at most 80: give it air." in lines
