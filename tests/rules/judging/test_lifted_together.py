"""Separate probes of a vessel that somebody lifts out for minutes and nobody said so, to clean them.

Invented lifts in measured calm water, drawn once by `secrets`. In air a cell reads next to nothing; the other
probes go over to the room by their own lags (common practice, no source), oxygen to what air-saturated fresh
water holds.
"""

import json
from itertools import pairwise

import numpy as np
import pytest

from rules.engine import Engine
from tests.rigs.nights.lost_inputs import (
    BEFORE_H,
    HOUR_MS,
    SOURCES,
    WATERS,
    before,
    block,
    calm_days,
    shown,
    solubility_mg_l,
)
from tests.rules.judging.test_seen_cases import FAULT_MS, FINE, judged

ROOM_C = 21.4
AIR = {"t": ROOM_C, "o": float(solubility_mg_l(ROOM_C, 0.0))}


def lifted(which, minutes, lag_min):
    """What each of the lifted probes reads from the fault on."""

    def lie(it):
        def read(value):
            after = np.arange(value.size) * WATERS[FINE].every_s / 60
            if it == "c":
                return np.where(after < minutes, 0.013, value)
            there = 1.0 - np.exp(-np.minimum(after, minutes) / lag_min)
            share = there * np.exp(-np.maximum(after - minutes, 0.0) / lag_min)
            return np.round(value + (AIR[it] - value) * share, 2)

        return read

    return {it: lie(it) for it in which}


LIFTS = [
    ("tco", 3.0, 0.35),
    ("tco", 3.0, 0.9),
    ("co", 3.0, 0.35),
    ("tc", 2.1, 0.6),
    ("tco", 4.7, 0.5),
    ("co", 1.6, 0.2),
]


@pytest.mark.parametrize(("which", "minutes", "lag_min"), LIFTS)
def test_separate_probes_lifted_together_for_minutes_call_nobody(which, minutes, lag_min):
    """Seen: a critical call, by oxygen alone in air while cell and thermometer lay beside it."""
    assert judged(lifted(which, minutes, lag_min), separate=True)[1] == []


@pytest.mark.parametrize("which", ["tco", "co", "tc"])
def test_what_stays_out_is_told_within_half_an_hour(which):
    _, said = judged(lifted(which, 600.0, 0.7), separate=True)
    assert min(at for at, event in said if event.condition in ("unwatched", "high_high")) <= 32.0


def test_a_cell_that_dies_while_oxygen_crashes_hides_it_for_minutes_only():
    """The oxygen is a jump away as the cell goes dry, and goes on falling: ten minutes, delay, two polls."""
    lies = lifted("c", 600.0, 1.0)
    lies["o"] = lambda value: value - np.minimum(0.3 * np.arange(value.size), 6.0)
    _, said = judged(lies, separate=True)
    low = (at for at, event in said if "oxygen" in event.alarm and "low" in event.alarm)
    assert min(low) <= 10.0 + 1.0 + 2.0


@pytest.mark.parametrize("lot", range(6))
def test_any_cut_judges_lifted_and_doubted_probes_alike(lot):
    draw = np.random.default_rng([3_180_226_417, lot])
    at_ms, true, pressure, noise = calm_days(FINE)
    values = shown(FINE, true, pressure, noise)
    after = at_ms >= FAULT_MS
    for it, lie in lifted("tco", draw.uniform(2.0, 15.0), draw.uniform(0.2, 1.0)).items():
        values[it][after] = lie(values[it][after])
    leaps = after & (at_ms >= FAULT_MS + draw.uniform(0.1, 0.6) * HOUR_MS)
    it = draw.choice(["t", "c"])
    values[it][leaps] += draw.uniform(3.0, 8.0)
    kept = (at_ms >= BEFORE_H * HOUR_MS) & (at_ms < (BEFORE_H + 3) * HOUR_MS)
    readings = block([(at_ms[kept], at_ms[kept], it, values[it][kept]) for it in SOURCES])
    snapshot, _ = before(FINE, True)
    whole = Engine.restore(json.loads(snapshot))
    said, in_parts, engine = whole.feed(readings).events, [], Engine.restore(json.loads(snapshot))
    cuts = np.sort(draw.integers(0, len(readings), 80)).tolist()
    for start, stop in pairwise([0, *cuts, len(readings)]):
        in_parts += engine.feed(readings.part(start, stop)).events
        engine = Engine.restore(json.loads(json.dumps(engine.snapshot())))
    assert in_parts == said
    assert json.dumps(engine.snapshot()) == json.dumps(whole.snapshot())
