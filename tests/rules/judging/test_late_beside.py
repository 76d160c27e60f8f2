"""A thermometer whose readings were measured long before they came, beside a cell and another thermometer.

What each shows of another is looked up once for a block: what one of them must not use, the next one may.
"""

from dataclasses import replace

import numpy as np

from rules.engine import Engine
from rules.readings import Readings
from tests.rules.test_engine_law import CALM, START_MS, Record, assert_same_state

LATE_MS = 900_000
THERMOMETER, CELL = CALM.sources[:2]
SPARE = replace(THERMOMETER, id=8, probe="k1-spare")
PLAN = replace(CALM, sources=(CELL, THERMOMETER, SPARE))


def hours():
    """In turns each 30 s; both thermometers of the vessel warm in one step, the cell does not."""
    tick = np.repeat(np.arange(240), 3)
    source = np.tile([1, 2, 8], 240)
    at_ms = START_MS + 1_000_000 + 30_000 * tick
    creep = 0.01 * (tick % 5)
    step = 3.0 * (tick >= 120)
    value = np.where(source == 2, 40.0 + creep, 15.0 + creep + step)
    time_ms = at_ms - np.where(source == 1, LATE_MS, 3_000)
    return Readings(np.arange(1, at_ms.size + 1), at_ms, source, time_ms, value)


def test_it_is_judged_the_same_wherever_the_block_is_cut():
    readings = hours()
    whole, said, cut, said_cut = Engine(PLAN, START_MS), Record(), Engine(PLAN, START_MS), Record()
    said.add(whole.feed(readings))
    for place in range(len(readings)):
        said_cut.add(cut.feed(readings.part(place, place + 1)))
    assert said.as_text() == said_cut.as_text()
    assert_same_state(whole, cut)
