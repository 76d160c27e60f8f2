"""A freeze is told within half an hour of a witness's word, at the priority of what it hides."""

import json

import pytest

from rules.engine import Engine
from tests.rigs.nights.freezes import HAD_TO_MOVE, HIDES, MINUTE, START_MS, block, drawn, plan, told_min


@pytest.mark.parametrize("every_s", [17, 30, 60, 75])
@pytest.mark.parametrize(("stuck", "witness"), HAD_TO_MOVE)
def test_what_a_witness_belies_is_told_within_half_an_hour(stuck, witness, every_s):
    """Twenty readings have to be alike before; how long that takes is a line of check."""
    probes, late = sorted({"t", "c", "o", "p", witness}), []
    hides = "" if witness[0] == stuck else HIDES[stuck]
    for lot in (2_983_824_136, 1_396_327_116, 3_666_144_920):
        at, values, froze, spoke = drawn(lot, stuck, witness, every_s)
        since = max(spoke, froze + 20 * every_s * 1000)
        late.append(told_min(at, values, probes, every_s, hides, since))
    assert max(late) <= 30.0, late


@pytest.mark.parametrize(("stuck", "witness"), [("c", "t2"), ("o", "o2")])
def test_a_freeze_that_is_found_late_is_told_alike_in_any_cut(stuck, witness):
    at, values, froze, _ = drawn(815_731_409, stuck, witness, 60)
    probes = sorted({"t", "c", "o", "p", witness})
    readings, engine = block(at, values, probes), Engine(plan(probes, 60), START_MS)
    whole = Engine(plan(probes, 60), START_MS)
    said = whole.feed(readings).events
    found = min(it.at_ms for it in said if it.at_ms > START_MS + froze)
    start, stop = readings.at_ms.searchsorted([found - 3 * MINUTE, found + 3 * MINUTE])
    in_parts = engine.feed(readings.part(0, start)).events
    for at_row in range(start, stop):
        in_parts += engine.feed(readings.part(at_row, at_row + 1)).events
        engine = Engine.restore(json.loads(json.dumps(engine.snapshot())))
    in_parts += engine.feed(readings.part(stop, len(readings))).events
    assert in_parts == said
    assert json.dumps(engine.snapshot(), sort_keys=True) == json.dumps(whole.snapshot(), sort_keys=True)
