"""What a hundred viewers of the rack's page cost the watch beside it, and what a drawing of a year costs.

    pytest tests/benchmarks/test_page_benchmark.py --benchmark-enable -s

The rack is invented: nine vessels, read once a minute, of which every turn takes in one minute.
"""

import re
import statistics
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.journal.retention import let_go
from daemon.page.memory import Memory
from daemon.page.vessel import COLUMNS, SPANS, drawing_of
from tests.rigs.page_rack import MINUTE_MS, page_rack
from tests.rigs.places import ROOT

TURNS, VIEWERS = 100, 100

pytestmark = [
    pytest.mark.timeout(1_200),
    pytest.mark.skipif(
        "not config.getoption('benchmark_enable')", reason="takes minutes; pytest --benchmark-enable runs it"
    ),
]


def turns_s(rack):
    """How long each of some turns of the watch takes."""
    found = []
    for _ in range(TURNS):
        rack.at_ms += MINUTE_MS
        readings, begun = rack._moment(), time.perf_counter()
        rack.watch.take(readings, rack.at_ms)
        rack.sole_writer.beat()
        found.append(time.perf_counter() - begun)
        time.sleep(0.05)
    return found


def memory_mb(pid):
    return int(re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())[1]) / 1024


def test_a_hundred_viewers_beside_the_watch(tmp_path, benchmark):
    with page_rack(tmp_path, days=1.0) as rack:
        command = [sys.executable, "-m", "daemon", "page", "--settings", str(rack.file)]
        serving = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        try:
            serving.stdout.readline()
            time.sleep(10)  # it has read what was
            without, beside = [], []
            for _ in range(3):
                without += turns_s(rack)
                address = f"http://127.0.0.1:{rack.port}/events"
                viewers = [urllib.request.urlopen(address) for _ in range(VIEWERS)]
                beside += turns_s(rack)
                for viewer in viewers:
                    viewer.close()
            peak_mb = memory_mb(serving.pid)
        finally:
            serving.terminate()
            serving.wait(30)
            serving.stdout.close()
    without_s = benchmark.pedantic(lambda: statistics.median(without), rounds=1)
    beside_s = statistics.median(beside)
    print(
        f"\na turn: {1_000 * without_s:.2f} ms, with {VIEWERS} viewers {1_000 * beside_s:.2f} ms; "
        f"the page's memory at most {peak_mb:.0f} MB"
    )
    assert beside_s < 1.5 * without_s
    assert peak_mb < 200


def test_a_year_of_a_vessel_beside_reading_its_extents(tmp_path, benchmark):
    year = {"vessels": (("k1", "kreisel", "ephyra"),), "across": 1, "days": 365, "every_ms": 60 * MINUTE_MS}
    with page_rack(tmp_path, **year) as rack:
        memory, zone = Memory(), ZoneInfo("Europe/Copenhagen")
        while memory.follow(rack.settings.journal.path) < 1:
            pass
        to_ms = memory.newest_ms

        def remembered():
            for extents in memory.coarse.values():
                extents.columns(to_ms - SPANS["1y"], to_ms, COLUMNS)

        for _ in range(2):  # a restart needs the readings after the older snapshot
            rack.watch._keep_snapshot()
        while let_go(rack.journal, 2**62, memory.dating):
            pass

        def cpu_s(what, times):
            begun = time.process_time()
            for _ in range(times):
                what()
            return (time.process_time() - begun) / times

        read_s, remembered_s = cpu_s(rack.journal.history.hourly, 20), cpu_s(remembered, 300)
        hours = len(rack.journal.history.hourly())
        drawn_s = benchmark.pedantic(
            lambda: cpu_s(lambda: drawing_of(memory, rack.settings, "k1", "1y", to_ms, zone), 20), rounds=1
        )
    print(
        f"\na year: {hours} hourly extents read in {1_000 * read_s:.1f} ms, drawn in {1_000 * drawn_s:.1f} "
        f"ms ({drawn_s / read_s:.2f} times; {drawn_s / remembered_s:.0f} times taking them from memory)"
    )
    assert hours > 4 * 8_000
    assert drawn_s <= 20 * read_s
