"""Somebody measures by hand while a probe is doubted: what bears it out ends the doubt, what does not, not.

Invented faults in measured calm water; numbers drawn once, by `secrets`.
"""

import json

import gsw
import numpy as np
import pytest

from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.readings import Action
from tests.rigs.nights.lost_inputs import (
    BEFORE_H,
    HOUR_MS,
    SOURCES,
    START_MS,
    before,
    block,
    calm_days,
    shown,
)
from tests.rules.judging.test_seen_cases import FAULT_MS, FINE
from tests.rules.judging.test_swift_moves import creep

HAND_MS = FAULT_MS + 1.3 * HOUR_MS
AFTER_MS = FAULT_MS + 2 * HOUR_MS


def measured_by_hand(lies, quantity, value, separate):
    """The channels after a lie, a measurement by hand and more of the same; and those just before it."""
    at_ms, true, pressure, noise = calm_days(FINE)
    values, after = shown(FINE, true, pressure, noise), at_ms >= FAULT_MS
    for it, lie in lies.items():
        values[it][after] = lie(values[it][after])
    engine = Engine.restore(json.loads(before(FINE, separate)[0]))

    def feed(from_ms, to_ms):
        kept = (at_ms >= from_ms) & (at_ms < to_ms)
        engine.feed(block([(at_ms[kept], at_ms[kept], it, values[it][kept]) for it in SOURCES]))
        return {it.channel.quantity: it for it in engine.channels()}

    doubted = feed(BEFORE_H * HOUR_MS, HAND_MS)
    body = {"vessel": "k1", "quantity": quantity, "value": value, "method": "bottle", "instrument": "meter"}
    done = engine.act(Action(int(START_MS + HAND_MS), "hand_measurement", "night keeper", body))
    assert done.refusal == ""
    assert f"k1/{quantity}" not in engine.hand_checks()  # it would be by what was before the doubt
    return feed(HAND_MS, AFTER_MS), doubted


def leapt(size):
    return lambda value: value + size


T, C, S = Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.SALINITY


@pytest.mark.parametrize("separate", [False, True], ids=["one probe", "separate probes"])
@pytest.mark.parametrize(("size", "hand", "ends"), [(5.8, 20.9, True), (-4.1, 10.6, True), (5.8, 15.2, False),
                                                    (3.7, 16.9, False)])  # fmt: skip
def test_a_thermometer_that_leapt_is_believed_once_a_hand_bears_it_out(size, hand, ends, separate):
    now, doubted = measured_by_hand({"t": leapt(size)}, "temperature", hand, separate)
    assert (doubted[T].flag, bool(doubted[S].error)) == (Flag.FAIL, True)
    assert (now[T].flag != Flag.FAIL) == ends
    assert (now[S].error == 0.0) == ends


@pytest.mark.parametrize("ends", [True, False])
@pytest.mark.parametrize("size", [6.3, -7.7])
def test_a_cell_that_leapt_is_believed_once_a_salinity_by_hand_bears_it_out(size, ends):
    of_hand = gsw.SP_from_C(gsw.C_from_SP(32.0, 15.0, 0.0) + size, 15.0, 0.0) if ends else 32.1
    now, doubted = measured_by_hand({"c": leapt(size)}, "salinity", round(float(of_hand), 1), False)
    assert doubted[C].flag == Flag.FAIL
    assert (now[C].flag != Flag.FAIL) == ends
    assert (now[Quantity.OXYGEN_SATURATION].error == 0.0) == ends


@pytest.mark.parametrize(("hand", "ends"), [(20.3, True), (15.1, False)])
def test_so_is_a_thermometer_that_crept(hand, ends):
    now, doubted = measured_by_hand({"t": creep(FINE, 5.4, 17.0)}, "temperature", hand, True)
    assert doubted[S].error > 3.0
    assert np.isclose(now[S].error, 0.0) == ends


def test_a_doubted_probe_is_not_compared_by_what_it_said_before(monkeypatch):
    """Nine minutes after the leap, when that is new enough to be compared."""
    monkeypatch.setitem(globals(), "HAND_MS", FAULT_MS + 0.15 * HOUR_MS)
    _, doubted = measured_by_hand({"t": leapt(3.0)}, T, 15.0, separate=False)
    assert doubted[T].flag is not Flag.PASS
