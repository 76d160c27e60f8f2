"""Somebody at work in the course of a block: the same is told as where each deed cuts it, bit for bit.

Hours of two vessels on one loop, with nearly all that may go wrong with probes while people work at them.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rules.engine import Engine
from rules.readings import Action
from tests.rules.test_engine_law import (
    CALM,
    PLAN,
    START_MS,
    Record,
    assert_same_state,
    judged_together_and_apart,
    readings_of,
    through_json,
)

TARGETS = ("vessel/kreisel-1", "vessel/kreisel-1", "vessel/kreisel-2", "bus/bench", "bus/nowhere")
HOUR_TICKS = 120


def troubled_hours(draw, hours=8):
    """Readings every 30 s: warm waves, leaps, scatter, creeps, probes in air, answers missing."""
    ticks = hours * HOUR_TICKS
    tick = np.arange(ticks)
    wave = 5.0 * np.clip(np.sin(2 * np.pi * tick / (HOUR_TICKS * draw.uniform(0.7, 2.5))), 0.0, 0.9)
    celsius = 15.0 + wave * (tick > draw.integers(0, ticks))
    salts = 0.9 * (celsius - 15.0)
    values = {1: celsius, 2: 40.0 + salts, 3: 8.0 - 0.1 * wave, 4: 1013.0 + 0 * wave, 5: celsius.copy()}
    values |= {6: celsius + 0.05, 7: 50.0 + 0 * wave}
    for source, its in values.items():
        values[source] = its + draw.choice([0.004, 0.02]) * draw.standard_normal(ticks)
    missing = np.zeros((8, ticks), dtype=bool)
    for _ in range(14):
        source, start = int(draw.choice([1, 1, 2, 3, 5, 6, 7])), int(draw.integers(0, ticks))
        here = slice(start, start + int(draw.choice([1, 3, 15, 60, 240])))
        match draw.choice(["leap", "scatter", "creep", "air", "missing"]):
            case "leap":
                values[source][here] += draw.choice([-6.0, 3.0, 6.0])
            case "scatter":
                values[source][here] += 2.5 * draw.choice([-1.0, 1.0], values[source][here].size)
            case "creep":
                values[source][here] += np.linspace(0.0, 3.0, values[source][here].size)
            case "air":
                out = {1: 24.0, 2: 0.01, 3: 8.9} if source < 4 else {5: 24.0, 7: 0.01}
                for it, value in out.items():
                    values[it][here] = value
            case _:
                missing[source, here] = True
    rows = [
        (it, 30_000 if it == 1 else 0, float(values[it][at]))
        for at in range(ticks)
        for it in values
        if not missing[it, at] or it == 1
    ]
    return readings_of(rows)


def work(draw, readings, count):
    """Begun and ended by people, or over by itself; here and there a note, food, what is shelved."""
    acts = []
    for place in sorted(draw.integers(1, len(readings), count).tolist()):
        target, before_ms = str(draw.choice(TARGETS)), int(readings.at_ms[place - 1])
        at_ms = before_ms + int(draw.integers(0, int(readings.at_ms[place]) - before_ms + 1))
        at_ms = max([at_ms, *(it.at_ms for _, it in acts[-1:])])
        for_s = float(draw.choice([20, 150, 900, 5_400]))
        kind, body = {
            0: ("end_maintenance", {"target": target}),
            1: ("log", {"vessel": "kreisel-1", "what": "feed", "value": 3.0}),
            2: ("acknowledge", {"alarm": "kreisel-1/temperature/high_high"}),
        }.get(
            int(draw.integers(0, 6)), ("begin_maintenance", {"target": target, "for_s": for_s, "why": "care"})
        )
        acts.append((place, Action(at_ms, kind, "kim", body)))
    return tuple(acts)


@pytest.mark.parametrize("lot", range(9))
def test_work_cuts_no_block_and_changes_nothing_of_what_is_told(lot, monkeypatch):
    draw = np.random.default_rng([24, lot])
    readings = troubled_hours(draw)
    _, blocks = judged_together_and_apart(CALM, readings, work(draw, readings, 25), monkeypatch)
    assert blocks <= 2  # eight hours, and midnight


def fed_in_parts(plan, readings, places):
    """Judged in parts, with a snapshot and back between them."""
    engine, said = Engine(plan, START_MS), Record()
    for start, stop in pairwise([0, *places, len(readings)]):
        engine = through_json(engine)
        said.add(engine.feed(readings.part(start, stop)))
    return engine, said


@pytest.mark.parametrize("lot", range(4))
def test_work_means_the_same_wherever_the_readings_are_cut(lot):
    """With planned moves, reminders and calibrations that fall due meanwhile."""
    draw = np.random.default_rng([25, lot])
    readings = troubled_hours(draw, hours=3)
    readings = replace(readings, acts=work(draw, readings, 12))
    few = sorted(draw.integers(1, len(readings), 5).tolist())
    many = sorted(draw.integers(1, len(readings), 40).tolist())
    (whole, said), *others = (fed_in_parts(PLAN, readings, places) for places in ([], few, many))
    for engine, said_so in others:
        assert said_so.as_text() == said.as_text()
        assert_same_state(engine, whole)
