"""What it costs to know a probe by its own past: whole blocks, and poll by poll as the live watch does it.

Not a pass or fail of speed: `pytest tests/benchmarks --benchmark-enable -s` prints the figures.
"""

import itertools

from rules.engine import Engine
from tests.benchmarks.test_replay_benchmark import plan, year

TICKS = 3 * 2880


def test_three_days_of_a_rack_in_one_block(benchmark):
    readings = year(0, TICKS)

    def judged():
        engine = Engine(plan(), int(readings.at_ms[0]))
        engine.feed(readings)
        return engine

    engine = benchmark.pedantic(judged, rounds=3)
    hours = {it.usual.hours for it in engine.channels() if it.channel.measured}
    assert hours == {48}, "of whole days: what was learned changes at midnight"


def test_poll_by_poll(benchmark):
    readings, each = year(0, TICKS), len(plan().sources)
    engine = Engine(plan(), int(readings.at_ms[0]))
    engine.feed(readings.part(0, each * (TICKS - 1000)))
    ticks = itertools.count(TICKS - 1000)

    def one():
        at = next(ticks)
        engine.feed(readings.part(each * at, each * (at + 1)))

    benchmark.pedantic(one, rounds=200)
    assert engine.clock_ms == int(readings.at_ms[each * (next(ticks) - 1)])
