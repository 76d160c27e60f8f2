"""Inputs that lie as no test of a kind foresaw: each in calm water, in a failing flow, and in heat.

Invented water; how each lies and when the danger comes is drawn by lots that were drawn once, by `secrets`.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from tests.faults.chain import C1, FAULT_AT, HOUR, MINUTE, O1, POLL, START_MS, T1, Water

LOT = 3_155_981_823
MULTI = (T1, C1, O1)
LAG_MS = {"in a sock": 45 * MINUTE, "in batches": 50 * MINUTE}
"""How much later what such an input shows can be told; a danger's own delay and patience come beside it."""
PATIENCE_MS = 14 * MINUTE


class Batched(Water):
    """Answers of one probe that a gateway hands on only now and then."""

    every = 0

    def readings(self):
        rows = super().readings()
        if not self.every:
            return rows
        start, end = START_MS + FAULT_AT, START_MS + int(self.at[-1])
        late = [
            (start + ((ms - start) // self.every + 1) * self.every, *rest)
            if ms >= start and rest[0] in MULTI
            else (ms, *rest)
            for ms, *rest in rows
        ]
        return sorted((row for row in late if row[0] <= end), key=lambda row: (row[0], row[2], row[1]))


def again(found, draw):
    first, length = int(np.argmax(found.after)), int(draw.uniform(50, 90) * MINUTE / POLL)
    for it in MULTI:
        found.value[it][first:] = np.resize(found.value[it][first - length : first], found.at.size - first)


def in_a_sock(found, draw):
    celsius, share = found.value[T1], POLL / (draw.uniform(25, 45) * MINUTE)
    for place in np.flatnonzero(found.after):
        celsius[place] = celsius[place - 1] + share * (celsius[place] - celsius[place - 1])


def holds(found, draw):
    first = int(np.argmax(found.after))
    steps = (np.arange(found.at.size - first) * POLL) // round(draw.uniform(35, 55) * MINUTE)
    for it in MULTI:
        found.value[it][first:] = found.value[it][first + np.searchsorted(steps, steps)]


def whole_degrees(found, _draw):
    found.value[T1] = np.where(found.after, np.round(found.value[T1]), found.value[T1])


def of_another(found, draw):
    found.value[O1][int(np.argmax(found.after)) :: 2] = draw.uniform(3.0, 4.5)


def noisier(found, draw):
    found.value[O1] += 1.5 * np.minimum(found.since_h / 8.0, 1.0) * draw.normal(size=found.at.size)


def in_other_units(found, _draw):
    found.value[O1] *= np.where(found.after, 31.25, 1.0)  # mg/L as umol/L


def clipped(found, draw):
    found.value[O1] = np.maximum(found.value[O1], np.where(found.after, draw.uniform(6.2, 6.8), 0.0))


def in_batches(found, draw):
    found.every = round(draw.uniform(30, 50) * MINUTE)


def again_in_hundredths(found, draw):
    for it in MULTI:
        found.value[it] = np.round(found.value[it], 2)
    again(found, draw)


HOW = {
    "plays an hour again": again,
    "plays an hour of hundredths again": again_in_hundredths,
    "other units": in_other_units,
    "whole degrees": whole_degrees,
    "in a sock": in_a_sock,
    "holds its readings": holds,
    "every other is another's": of_another,
    "clipped": clipped,
    "noise that grows": noisier,
    "in batches": in_batches,
}


def announced(how, danger):
    """What was announced from the fault on, and when the true water crosses its critical limit."""
    draw = np.random.default_rng([LOT, len(how), len(danger)])
    found = Batched(hours=15)
    begins = FAULT_AT + round(draw.uniform(3, 6) * HOUR)
    share = np.clip((found.at - begins) / (draw.uniform(0.9, 1.8) * HOUR), 0.0, 1.0)
    beyond = np.zeros(found.at.size, dtype=np.bool_)
    if danger == "oxygen":
        found.saturation[1] = found.saturation[1] * (1.0 - draw.uniform(0.55, 0.8) * share)
        beyond = found.saturation[1] < 60.0
    elif danger == "temperature":
        found.temperature[1] = found.temperature[1] + draw.uniform(10.0, 13.0) * share
        beyond = found.temperature[1] > 23.0
    found.measured()
    HOW[how](found, draw)
    told = found.run()
    begun = [e for e in told.events if e.trigger in (Trigger.RAISED, Trigger.WORSENED)]
    loud = [e for e in begun if e.state is State.UNACKNOWLEDGED and e.at_ms >= told.fault_ms]
    return loud, START_MS + int(found.at[np.argmax(beyond)])


def tells(event, danger):
    """Whether an event tells of the danger, or that nobody sees it."""
    hides = event.condition is Condition.UNWATCHED and any(danger in name for name in event.evidence.hidden)
    return event.priority is Priority.CRITICAL and (hides or event.quantity.startswith(danger))


@pytest.mark.parametrize("danger", ["oxygen", "temperature"])
@pytest.mark.parametrize("how", HOW)
def test_the_danger_is_told_or_that_nobody_sees_it(how, danger):
    loud, crossed_ms = announced(how, danger)
    told = [event.at_ms for event in loud if tells(event, danger)]
    assert told, [event.alarm for event in loud]
    assert (told[0] - crossed_ms) / MINUTE <= (LAG_MS.get(how, 0) + PATIENCE_MS) / MINUTE


@pytest.mark.parametrize("how", HOW)
def test_in_calm_water_it_is_one_problem(how):
    loud, _ = announced(how, "")
    assert len(loud) <= 2, [event.alarm for event in loud]
    assert len({event.cause for event in loud}) <= 1
