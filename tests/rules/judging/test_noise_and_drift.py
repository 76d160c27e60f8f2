"""A probe that drifts from its neighbour is told as their disagreement; noise at a limit is one call a day.

Invented water and probes; drifts, noises and intervals were drawn once, by `secrets`.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.rigs.watched_rack import HOUR, START_MS

EPHYRA = DEFAULT_TOLERANCES["ephyra"]
TOLD = (Trigger.RAISED, Trigger.WORSENED, Trigger.REANNOUNCED)


def announced(values, every_s):
    """What is said of thermometers of one vessel, as (hours after the start, event)."""
    sources = tuple(
        Source(number, f"t{number}", Quantity.TEMPERATURE, "k1", 10 * every_s * 1000, "bench")
        for number in range(1, len(values) + 1)
    )
    plan = RackPlan("r", sources, {"k1": "ephyra"}, {"ephyra": EPHYRA}, quality=DEFAULT_QUALITY)
    taken_ms = START_MS + every_s * 1000 * np.arange(1, len(values[0]) + 1).repeat(len(values))
    source = np.tile(np.arange(1, len(values) + 1), len(values[0]))
    seq = np.arange(1, taken_ms.size + 1)
    block = Readings(seq, taken_ms, source, taken_ms, np.stack(values, axis=1).ravel())
    events = Engine(plan, START_MS).feed(block).events
    return [
        ((event.at_ms - START_MS) / HOUR, event)
        for event in events
        if event.trigger in TOLD and event.state is State.UNACKNOWLEDGED
    ]


@pytest.mark.parametrize(
    ("drift_c", "over_h", "every_s", "which"),
    [(1.3, 7.7, 60, 0), (-2.4, 31.0, 30, 1), (0.9, 19.2, 60, 1), (-1.1, 46.5, 60, 0), (2.9, 12.6, 20, 1)],
)
def test_a_slow_drift_is_told_once_by_the_neighbour(drift_c, over_h, every_s, which):
    draw, hours = np.random.default_rng(614_552_907), np.arange(1, 72 * 3600 // every_s) * every_s / 3600
    water = 15.0 + 0.15 * np.sin(hours / 2.7)
    values = [water + 0.01 * draw.normal(size=hours.size) for _ in range(2)]
    values[which] = values[which] + drift_c * np.clip((hours - 20.0) / over_h, 0.0, 1.0)
    said = announced([np.round(it, 2) for it in values], every_s)
    told = [at for at, event in said if event.condition is Condition.DISAGREEMENT]
    crosses_h = 20.0 + over_h * EPHYRA[Quantity.TEMPERATURE].max_disagreement / abs(drift_c)
    assert len(told) == len(said) == 1
    assert crosses_h - 0.5 * over_h / 5 <= told[0] <= crosses_h + 0.1 * over_h + 0.3


@pytest.mark.parametrize(
    ("noise_c", "every_s", "limit"),
    [(0.03, 60, 18.0), (0.11, 30, 12.0), (0.2, 60, 18.0), (0.07, 20, 23.0), (0.16, 45, 8.0)],
)
def test_noise_at_a_limit_calls_at_most_once_a_day(noise_c, every_s, limit):
    days, draw = 4, np.random.default_rng(3_920_774_118)
    count = days * 86_400 // every_s
    said = announced([np.round(limit + noise_c * draw.normal(size=count), 2)], every_s)
    calls = [event.alarm for _, event in said if event.priority >= Priority.MEDIUM]
    assert len(calls) <= days
