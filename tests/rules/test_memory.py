"""What a block leaves behind: nothing large waits until cycles of references are looked for."""

import gc
import tracemalloc
from dataclasses import replace

from rules.engine import Engine
from tests.benchmarks.test_replay_benchmark import START_MS, plan, year


def test_trends_with_their_windows_go_with_their_block():
    """Read five times a second a window holds thousands; a page had grown by 100 MB in an hour."""
    found = year(0, 1_000)
    at_ms = START_MS + (found.at_ms - START_MS) // 60
    readings, engine = replace(found, at_ms=at_ms, time_ms=at_ms), Engine(plan(), START_MS)
    begun = 48 * 990
    engine.feed(readings.part(0, begun))
    gc.collect()
    gc.disable()
    try:
        tracemalloc.start()
        for start in range(begun, begun + 480, 12):
            engine.feed(readings.part(start, start + 12))
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        gc.enable()
    assert held < 10e6
