"""How the processor time of a replay grows: with channels, with length, with alarms, with settings in a pass.

Ratios of one run on one core, each the quickest of three. BELLWATCH_BENCHMARK_SCALE (a share of a rack-year)
makes it longer; without it some days are judged, which is enough to see what grows faster than it should.

Run it by itself: BELLWATCH_BENCHMARK_SCALE=0.1 pytest -s tests/benchmarks/test_growth_benchmark.py
"""

import time
from dataclasses import replace

import numpy as np
import pytest

from daemon.replay.replay import replay
from daemon.sources.recording import in_memory
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.benchmarks.test_replay_benchmark import KINDS, SCALE, VESSELS, YEAR_TICKS, loaded, plan, year

TICKS = max(2_880, round(YEAR_TICKS * SCALE / 4))
PER_KELVIN = {Quantity.TEMPERATURE: 1.0, Quantity.CONDUCTIVITY: 0.85, Quantity.OXYGEN: -0.15}
"""What a probe of each kind reads more in water that is a degree warmer (about, near 15 °C, from memory)."""

pytestmark = [pytest.mark.timeout(3600)]


def rack(vessels):
    """The plan of the first vessels of the benchmark's rack."""
    whole = plan()
    stages = dict(list(whole.vessels.items())[:vessels])
    return replace(whole, vessels=stages, sources=tuple(it for it in whole.sources if it.vessel in stages))


def days(ticks, vessels=VESSELS, swing=0.0):
    """Readings of the first vessels, their water warmer by up to `swing` (°C) for two hours of every four."""
    whole = year(0, ticks)
    warmer = swing * np.maximum(np.sin(2 * np.pi * np.arange(ticks) / 480), 0.0)
    shares = np.array([PER_KELVIN[quantity] for _, quantity, *_ in KINDS] * VESSELS)
    value = whole.value + np.round(np.outer(warmer, shares), 3).ravel()
    kept = whole.source <= vessels * len(KINDS)
    columns = whole.seq, whole.at_ms, whole.source, whole.time_ms, value
    return Readings(*(column[kept] for column in columns))


def replayed(readings, plans):
    """Processor seconds of the quickest of three replays in one pass, and what came of the first plan."""
    sources = {it.id: (it.probe, str(it.quantity), it.vessel) for it in plans[0].sources}
    recording, seconds = in_memory("growth", sources, readings, {}), []
    for _ in range(3):
        begun = time.process_time()
        result, *_ = replay(recording, plans)
        seconds.append(time.process_time() - begun)
    return min(seconds), result


def per_reading(readings, own):
    seconds, result = replayed(readings, [own])
    assert result.readings == len(readings)
    return seconds / len(readings), len(result.events)


def test_what_a_reading_costs_hardly_grows(capsys):
    """Four times the vessels, four times the days, and hundreds of alarms: a reading costs about as much."""
    usual, few = per_reading(days(TICKS), rack(VESSELS))
    narrow, _ = per_reading(days(TICKS, VESSELS // 4), rack(VESSELS // 4))
    long, _ = per_reading(days(4 * TICKS), rack(VESSELS))
    eventful, many = per_reading(days(TICKS, swing=6.0), rack(VESSELS))
    with capsys.disabled():
        print(
            f"\na reading costs {usual * 1e6:.2f} us; with four times the vessels {usual / narrow:.2f} times "
            f"as much, with four times the days {long / usual:.2f} times, with {many} instead of {few} "
            f"events in {TICKS / 2880:.1f} days {eventful / usual:.2f} times"
        )
    assert many > 20 * max(few, 5)
    assert usual / narrow < 2
    assert long / usual < 1.5
    assert eventful / usual < 5


STAGES = ("ephyra", "polyp", "juvenile", "adult")


@pytest.mark.parametrize("stages", [STAGES[:1], STAGES])
def test_settings_in_one_pass_cost_little_beside_the_first(stages, tmp_path, capsys):
    """What no limit changes is worked out once, as is what limits make of a vessel that others do not.

    Of one stage the limits change: all vessels are in it, or a quarter of them.
    """
    own, readings = rack(VESSELS), days(TICKS)
    own = replace(
        own, vessels=dict(zip(own.vessels, stages * VESSELS, strict=False)), tolerances=DEFAULT_TOLERANCES
    )
    ephyra = own.tolerances["ephyra"]
    delays = [replace(ephyra[Quantity.TEMPERATURE], on_delay_ms=30_000 * place) for place in range(9)]
    tried = [{**own.tolerances, "ephyra": {**ephyra, Quantity.TEMPERATURE: its}} for its in delays]
    one, _ = replayed(readings, [own])
    ten, _ = replayed(readings, [own, *(replace(own, tolerances=its) for its in tried)])
    further, load = (ten - one) / 9, loaded(readings, tmp_path)
    with capsys.disabled():
        print(
            f"\n{len(stages)} stages: of ten trials in a pass each is {ten / one / 10:.2f} of a replay, "
            f"a further {further / one:.3f} and {further / load:.1f} times a load from flat arrays"
        )
    assert ten / one / 10 < 0.25
