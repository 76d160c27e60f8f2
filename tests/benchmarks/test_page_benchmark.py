"""What a hundred viewers of the rack's page cost the watch beside it, and what a drawing of a year costs.

    pytest tests/benchmarks/test_page_benchmark.py --benchmark-enable -s

The rack is invented: nine vessels, read once a minute, of which every turn takes in one minute. Rounds with
and without viewers alternate, so that whatever else the machine does falls on both; a turn's CPU is the
watch's own, its time also what it waited for the disk, for a lock or for a core.
"""

import json
import re
import statistics
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from itertools import chain
from pathlib import Path

import pytest

from daemon.journal.dating import Dating
from daemon.journal.retention import let_go
from tests.rigs.page_rack import MINUTE_MS, page_rack
from tests.rigs.places import ROOT

ROUNDS, TURNS, VIEWERS = 4, 50, 100

pytestmark = [
    pytest.mark.timeout(1_200),
    pytest.mark.skipif(
        "not config.getoption('benchmark_enable')", reason="takes minutes; pytest --benchmark-enable runs it"
    ),
]

VIEWING = """
import selectors, socket, sys
port, count = map(int, sys.argv[1:])
ready, heard = selectors.DefaultSelector(), {}
for number in range(count):
    viewer = socket.create_connection(("127.0.0.1", port))
    viewer.sendall(b"GET /events HTTP/1.1\\r\\nHost: localhost\\r\\n\\r\\n")
    ready.register(viewer, selectors.EVENT_READ, number)
told = False
while True:
    for key, _ in ready.select():
        got = key.fileobj.recv(1 << 20)
        assert got, "a viewer was sent away"
        heard[key.data] = heard.get(key.data, 0) + got.count(b"data: ")
    if not told and len(heard) == count and min(heard.values()) > 0:
        told = print(count, "viewers see the page", flush=True) or True
"""
"""Viewers in a process of their own, each of which reads what it is sent."""

READING = """
import json, sqlite3, sys, time
journal = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
begun = time.process_time()
asked = f"FROM hourly WHERE source IN ({sys.argv[2]}) ORDER BY source, hour_ms"
rows = journal.execute(f"SELECT source, hour_ms, failed, lowest, highest {asked}").fetchall()
print(json.dumps({"rows": len(rows), "read_ms": 1000 * (time.process_time() - begun)}))
"""

DRAWING = """
import json, sys, threading, time
from pathlib import Path
from daemon.check.load import load_settings
from daemon.page.pages import RackPages
from daemon.page.vessel import COLUMNS, SPANS
from daemon.web.server import Request
settings = load_settings(Path(sys.argv[1]))
pages = RackPages(settings, threading.Event())
memory, found = pages.pulse.memory, {}
def cpu_ms(what, times=1):
    begun = time.process_time()
    for _ in range(times):
        what()
    return 1000 * (time.process_time() - begun) / times
def recall():
    while memory.follow(settings.journal.path) < 1:
        pass
def draw():
    found["page"] = pages(Request("/vessel/k1", {"span": "1y"}, acts=False)).html
def remembered():
    to_ms = memory.newest_ms
    for name, extents in memory.coarse.items():
        if name.startswith("k1/"):
            extents.columns(to_ms - SPANS["1y"], to_ms, COLUMNS)
times = {"recall_ms": cpu_ms(recall), "first_ms": cpu_ms(draw), "warm_ms": cpu_ms(draw, 20)}
times["remembered_ms"] = cpu_ms(remembered, 200)
peak_kb = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps({**times, "page": found["page"], "peak_mb": int(peak_kb) / 1024}))
"""


def fresh(program, *arguments):
    """Run a program in a process of its own; return what it found."""
    command = [sys.executable, "-c", program, *map(str, arguments)]
    return json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)


@contextmanager
def running(*arguments):
    """Run a program meanwhile; it goes on once it has said its first line."""
    said = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL, "text": True}
    process = subprocess.Popen([sys.executable, *arguments], cwd=ROOT, **said)
    with closing(process.stdout):
        try:
            assert process.stdout.readline()
            yield process.pid
            assert process.poll() is None, "it lives to the end"
        finally:
            process.terminate()
            process.wait(30)


def turns_s(rack):
    """How long each of some turns of the watch takes, and how much CPU."""
    found = []
    for _ in range(TURNS):
        rack.at_ms += MINUTE_MS
        readings, begun, cpu = rack._moment(), time.perf_counter(), time.process_time()
        rack.watch.take(readings, rack.at_ms)
        rack.sole_writer.beat()
        found.append((time.perf_counter() - begun, time.process_time() - cpu))
        time.sleep(0.05)
    return found


def medians_ms(rounds):
    turns = zip(*chain.from_iterable(rounds), strict=True)
    return [1_000 * statistics.median(column) for column in turns]


def memory_mb(pid):
    return int(re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())[1]) / 1024


def test_a_hundred_viewers_beside_the_watch(tmp_path, benchmark):
    with (
        page_rack(tmp_path, days=1.0, polls_a_turn=60) as rack,
        running("-m", "daemon", "page", "--settings", str(rack.file)) as page,
    ):
        time.sleep(10)  # it has read what was
        without, beside = [], []
        for _ in range(ROUNDS):
            without.append(turns_s(rack))
            with running("-c", VIEWING, str(rack.port), str(VIEWERS)):
                beside.append(turns_s(rack))
        peak_mb = memory_mb(page)
    idle, idle_cpu = benchmark.pedantic(lambda: medians_ms(without), rounds=1)
    busy, busy_cpu = medians_ms(beside)
    # What the same turns differ by with nobody looking at either: less cannot be measured here.
    halves = [medians_ms(without[place::2]) for place in (0, 1)]
    noise, noise_cpu = (max(one / other, other / one) for one, other in zip(*halves, strict=True))
    print(
        f"\na turn: {idle:.2f} ms ({idle_cpu:.2f} ms of CPU), with {VIEWERS} viewers {busy:.2f} ms "
        f"({busy_cpu:.2f}): {busy / idle:.2f} ({busy_cpu / idle_cpu:.2f}) times, without any {noise:.2f} "
        f"({noise_cpu:.2f}); the page's memory at most {peak_mb:.0f} MB"
    )
    assert busy_cpu < 1.15 * noise_cpu * idle_cpu
    assert busy < 1.5 * noise * idle
    assert peak_mb < 200


def test_a_year_of_a_vessel_beside_reading_its_extents(tmp_path, benchmark):
    year = {"vessels": (("k1", "kreisel", "ephyra"),), "across": 1, "days": 365, "polls_a_turn": 240}
    with page_rack(tmp_path, **year, every_ms=60 * MINUTE_MS) as rack:
        for _ in range(2):  # a restart needs the readings after the older snapshot
            rack.watch._keep_snapshot()
        while let_go(rack.journal, 2**62, Dating()):
            pass
        drawn = benchmark.pedantic(lambda: fresh(DRAWING, rack.file), rounds=1)
        here = [str(it) for it, (*_, vessel) in rack.journal.inputs.sources().items() if vessel == "k1"]
        read = [fresh(READING, rack.settings.journal.path, ",".join(here)) for _ in range(3)]
    read_ms, rows = min(it["read_ms"] for it in read), read[0]["rows"]
    print(
        f"\na year: {rows} hourly extents read in {read_ms:.1f} ms; its page made in {drawn['first_ms']:.1f} "
        f"ms ({drawn['first_ms'] / read_ms:.1f} times) as the first one, then in {drawn['warm_ms']:.1f} "
        f"({drawn['warm_ms'] / read_ms:.2f}; {drawn['warm_ms'] / drawn['remembered_ms']:.0f} times taking "
        f"them from memory); recalled once in {drawn['recall_ms']:.0f} ms; {drawn['peak_mb']:.0f} MB"
    )
    assert rows > 3 * 8_600, "but for the newest days, of which a restart needs the readings"
    traces = re.findall(r'class="trace" d="(.*?)"', drawn["page"])
    assert [path.count("L") > 600 for path in traces] == [True] * 3, "three quantities, two ends a column"
    assert drawn["first_ms"] + drawn["recall_ms"] <= 20 * read_ms
    assert drawn["warm_ms"] <= 20 * read_ms
