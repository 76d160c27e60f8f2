"""While a probe is doubted, what is made of it says how far it may be off, and calls nobody for that.

Invented faults in measured calm water; sizes and times were drawn once, by `secrets`. What the other side of
a doubt would make of a value is worked out by the gsw reference library.
"""

from dataclasses import replace

import gsw
import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.engine import Engine
from rules.quantities import Quantity
from rules.rack.plan import Source
from tests.rigs.nights.calm_water import calm
from tests.rigs.nights.lost_inputs import (
    HOUR_MS,
    MINUTE_MS,
    NOISE_SD,
    SOURCES,
    START_MS,
    WATERS,
    block,
    calm_days,
    plan,
    shown,
    solubility_mg_l,
)
from tests.rules.judging.test_seen_cases import FAULT_MS, FINE, judged

OF_WATER = set(Condition) - {Condition.UNWATCHED, Condition.SILENT, Condition.PROBE_FAULT}
TOLD = (Trigger.RAISED, Trigger.WORSENED, Trigger.REANNOUNCED)


def about(said, quantity, least=Priority.LOW):
    """What was announced of the water of a quantity."""
    mine = (it for it in said if it[1].quantity == quantity and it[1].condition in OF_WATER)
    return [(at, event.alarm) for at, event in mine if event.priority >= least]


def leap(size, over_min):
    """What a probe reads that runs off by `size` within minutes, and stays there."""
    minutes = np.arange(1e6) * WATERS[FINE].every_s / 60

    def lie(value):
        return value + size * np.clip(minutes[: value.size] / over_min, 0.0, 1.0)

    return lie


def now(engine, quantity):
    return next(it for it in engine.channels() if it.channel.quantity is quantity)


LEAPS = [(9.0, 10.0), (-9.0, 10.0), (7.4, 3.1), (-6.2, 0.7), (3.9, 1.3)]


@pytest.mark.parametrize("separate", [False, True], ids=["one probe", "separate probes"])
@pytest.mark.parametrize(("size", "over_min"), LEAPS)
def test_a_thermometer_that_leaps_makes_no_salinity_and_no_oxygen_alarm(size, over_min, separate):
    engine, said = judged({"t": leap(size, over_min)}, separate=separate)
    assert about(said, Quantity.SALINITY) + about(said, Quantity.OXYGEN_SATURATION) == []
    slope = gsw.SP_from_C(39.0, 15.0, 0.0) - gsw.SP_from_C(39.0, 16.0, 0.0)
    assert now(engine, Quantity.SALINITY).error >= 0.9 * slope * (abs(size) - 2.0), "less what it ran unseen"


@pytest.mark.parametrize("separate", [False, True], ids=["one probe", "separate probes"])
@pytest.mark.parametrize("size", [7.7, -10.3, 5.2])
def test_a_cell_that_leaps_widens_the_oxygen_that_is_made_of_it(size, separate):
    engine, said = judged({"c": leap(size, 0.6)}, separate=separate)
    assert about(said, Quantity.OXYGEN_SATURATION) == []
    salinity = gsw.SP_from_C(np.array([39.0, 39.0 + size]), 15.0, 0.0)
    one, other = 100.0 * 8.1 / solubility_mg_l(15.0, salinity)
    assert 0.8 * abs(other - one) <= now(engine, Quantity.OXYGEN_SATURATION).error <= 1.1 * abs(other - one)


def test_an_erratic_thermometer_makes_no_salinity_and_no_oxygen_alarm():
    draw = np.random.default_rng(2_617_044_983)
    engine, said = judged({"t": lambda value: value + 2.3 * draw.normal(size=value.size)})
    assert about(said, Quantity.SALINITY) + about(said, Quantity.OXYGEN_SATURATION) == []
    assert now(engine, Quantity.SALINITY).error > 0.0


@pytest.mark.parametrize("off", [2.8, -3.4])
def test_of_two_thermometers_that_disagree_nobody_knows_which_is_right(monkeypatch, off):
    """The first walks away within hours, too slowly for a leap: what is made of it may be off by as much."""
    at_ms, true, pressure, noise = calm_days(FINE)
    values = shown(FINE, true, pressure, noise)
    values["t2"] = values["t"] + 0.02
    late = at_ms / HOUR_MS - FAULT_MS / HOUR_MS
    values["t"] = values["t"] + off * np.clip(late / 5.0, 0.0, 1.0)
    usual = plan(WATERS[FINE], True)
    spare = Source(9, "spare", Quantity.TEMPERATURE, "k1", 150_000, "b")
    engine = Engine(replace(usual, sources=(*usual.sources, spare)), START_MS)
    monkeypatch.setitem(SOURCES, "t2", spare.id)
    events = engine.feed(block([(at_ms, at_ms, it, values[it]) for it in SOURCES])).events
    said = [(0.0, event) for event in events if event.state is State.UNACKNOWLEDGED]
    assert about(said, Quantity.SALINITY, Priority.HIGH) == []
    slope = gsw.SP_from_C(39.0, 15.0, 0.0) - gsw.SP_from_C(39.0, 16.0, 0.0)
    assert now(engine, Quantity.SALINITY).error >= 0.9 * slope * abs(off)


@pytest.mark.parametrize("tank", [0, 1])
def test_oxygen_in_water_of_18_without_a_cell_is_heading_nowhere(tank):
    """Seen: 5 calls a day. By the salinity of other water saturation lies beside its limit."""
    days, draw = 4, np.random.default_rng(5)
    every_ms = 1000 * WATERS[tank].every_s
    at_ms = np.arange(every_ms, days * 24 * HOUR_MS, every_ms)
    minutes = calm(draw, days * 1440 + 1)
    moves = {it: np.interp(at_ms / MINUTE_MS, np.arange(days * 1440 + 1), minutes[it]) for it in minutes}
    daily = 1.5 * np.sin(2 * np.pi * at_ms / (24 * HOUR_MS))
    true = {"t": 15.0 + moves["t"], "s": 18.0 + moves["s"], "o": 95.0 + moves["o"] + daily}
    scale = WATERS[tank].noise * np.array([NOISE_SD[it] for it in SOURCES])[:, None]
    values = shown(tank, true, 1011.0 + 0.0 * daily, scale * draw.normal(size=(4, at_ms.size)))
    readings = block([(at_ms, at_ms, it, values[it]) for it in "top"])
    events = Engine(plan(WATERS[tank], False), START_MS).feed(readings).events
    told = [event for event in events if event.trigger in TOLD]
    assert [event for event in told if event.condition is Condition.HEADING_OUT] == []
