"""A lost or lying input never takes the watch off another danger: every input that is lost by every danger.

One ephyra kreisel with the built-in limits, polled every 30 s; invented water, its conductivity and oxygen
made with the gsw reference library. What is drawn by lot was drawn once, by `secrets`.
"""

from dataclasses import dataclass

import gsw
import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, Trigger
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings

START_MS = 1_760_000_000_000
MINUTE, HOUR, POLL = 60_000, 3_600_000, 30_000
T, C, O2, P = 1, 2, 3, 4
LOT = 1_353_399_789
LOST_MS, DANGER_AFTER_MS = round(2.62 * HOUR), round(4.32 * HOUR)
LASTS_MS = 12 * HOUR
SLACK_MS = 12 * MINUTE
"""On-delay (5 min for salinity), two polls, and what a last value is off by while the water moves."""


@dataclass(frozen=True)
class Danger:
    """What the water comes to over some hours, and which quantity tells it beyond which critical limit."""

    quantity: Quantity
    conditions: tuple[Condition, ...]
    to: dict[str, float]
    over_h: float


UP, DOWN = (Condition.HIGH,), (Condition.LOW,)
DANGERS = {
    "heat": Danger(Quantity.TEMPERATURE, UP, {"t": 27.0}, 3.0),
    "cold": Danger(Quantity.TEMPERATURE, DOWN, {"t": 4.0}, 3.0),
    "salt up": Danger(Quantity.SALINITY, UP, {"s": 41.0}, 2.5),
    "salt down": Danger(Quantity.SALINITY, DOWN, {"s": 18.0}, 2.5),
    "oxygen down": Danger(Quantity.OXYGEN_SATURATION, DOWN, {"o": 20.0}, 1.1),
    "supersaturation": Danger(Quantity.OXYGEN_SATURATION, UP, {"o": 125.0}, 1.1),
}
NOT_OXYGEN = ("heat", "cold", "salt up", "salt down")
STILL_SEEN = {
    "none lost": tuple(DANGERS),
    "barometer silent": tuple(DANGERS),
    "half the readings missing": tuple(DANGERS),
    "all readings late": tuple(DANGERS),
    "cell dead": ("heat", "cold", "oxygen down", "supersaturation"),
    "cell silent": ("heat", "cold", "oxygen down", "supersaturation"),
    "thermometer impossible": ("salt up", "salt down", "oxygen down", "supersaturation"),
    "thermometer silent": ("salt up", "salt down", "oxygen down", "supersaturation"),
    "thermometer and cell silent": ("oxygen down",),
    "oxygen silent": NOT_OXYGEN,
    "oxygen impossible": NOT_OXYGEN,
    "whole probe silent": (),
    "in air": (),
}
"""For each input that is lost, the dangers that another living quantity still shows."""

SILENT = {
    "barometer silent": (P,),
    "cell silent": (C,),
    "thermometer silent": (T,),
    "thermometer and cell silent": (T, C),
    "oxygen silent": (O2,),
    "whole probe silent": (T, C, O2),
}
TOLERANCES = DEFAULT_TOLERANCES["ephyra"]


def plan(separate):
    names = {T: "t", C: "c", O2: "do"} if separate else dict.fromkeys((T, C, O2), "multi")
    quantities = {T: Quantity.TEMPERATURE, C: Quantity.CONDUCTIVITY, O2: Quantity.OXYGEN}
    sources = tuple(Source(it, names[it], quantities[it], "k1", 150_000, f"bus-{names[it]}") for it in names)
    barometer = Source(P, "room", Quantity.AIR_PRESSURE, "rack", 10 * MINUTE, "air")
    return RackPlan(
        "bench", (*sources, barometer), {"k1": "ephyra"}, {"ephyra": TOLERANCES}, quality=DEFAULT_QUALITY
    )


def night(lost, danger, separate):
    """Return the announcements of a night, and when the danger truly crosses its critical limit."""
    at = np.arange(POLL, LASTS_MS, POLL)
    water = {"t": 15.0, "s": 32.0, "o": 97.0}
    begin = LOST_MS + DANGER_AFTER_MS
    now = {key: np.full(at.size, value) for key, value in water.items()}
    if danger:
        its = DANGERS[danger]
        share = np.clip((at - begin) / (its.over_h * HOUR), 0.0, 1.0)
        for key, to in its.to.items():
            now[key] = water[key] + (to - water[key]) * share
    noise = np.random.default_rng(LOT).normal(size=(4, at.size))
    solubility = _solubility_mg_l(now["t"], now["s"])
    values = {
        T: now["t"] + 0.01 * noise[0],
        C: gsw.C_from_SP(now["s"], now["t"], 0.0) + 0.01 * noise[1],
        O2: now["o"] / 100 * solubility + 0.02 * noise[2],
        P: 1013.25 + 0.1 * noise[3],
    }
    _lose(values, lost, at)
    return _said(values, lost, at, separate), _crossed_ms(now, danger, at)


def _solubility_mg_l(t, s):
    """Per litre by gsw's density; its solubility is for a kilogram."""
    absolute = gsw.SA_from_SP(s, 0.0, 0.0, 0.0)
    return gsw.O2sol_SP_pt(s, t) * gsw.rho(absolute, gsw.CT_from_t(absolute, t, 0.0), 0.0) * 31.9988e-6


def _lose(values, lost, at):
    after = at >= LOST_MS
    if lost == "cell dead":
        values[C][after] = 0.02
    elif lost == "thermometer impossible":
        values[T][after] = 850.0
    elif lost == "oxygen impossible":
        values[O2][after] = 99.0
    elif lost == "in air":
        values[T][after], values[C][after], values[O2][after] = 16.5, 0.01, 9.6


def _said(values, lost, at, separate):
    rows = []
    for source, value in values.items():
        read = np.ones(at.size, dtype=np.bool_)
        if source in SILENT.get(lost, ()):
            read = at < LOST_MS
        elif lost == "half the readings missing":
            read = (np.arange(at.size) % 2 == 0) | (at < LOST_MS)
        late_ms = 90_000 if lost == "all readings late" else 0
        times = START_MS + at[read]
        rows += [(ms + late_ms, source, ms, v) for ms, v in zip(times, value[read], strict=True)]
    rows.sort(key=lambda row: row[:2])
    taken, source, measured = np.array([row[:3] for row in rows], dtype=np.int64).T.copy()
    value = np.array([row[3] for row in rows])
    engine = Engine(plan(separate), START_MS)
    events = engine.feed(Readings(np.arange(1, value.size + 1), taken, source, measured, value)).events
    return [event for event in events if event.trigger in (Trigger.RAISED, Trigger.WORSENED)]


def _crossed_ms(now, danger, at):
    if not danger:
        return None
    its = DANGERS[danger]
    values, band = now[next(iter(its.to))], TOLERANCES[its.quantity].critical
    beyond = values > band.high if its.conditions == UP else values < band.low
    return START_MS + int(at[np.flatnonzero(beyond)[0]])


def seconds_late(events, danger, crossed_ms):
    """Return how long after it crossed its critical limit a danger was told as urgent; None for never.

    A rate that was told as urgent explains a limit that is only likely crossed: one call for one problem.
    """
    its = DANGERS[danger]
    told = [
        event.at_ms - crossed_ms
        for event in events
        if event.quantity == its.quantity
        and event.cause.endswith("up" if its.conditions == UP else "down")
        and event.priority >= Priority.HIGH
        and event.at_ms > START_MS + LOST_MS
    ]
    return min(told) / 1000 if told else None


@pytest.mark.parametrize("separate", [False, True], ids=["one probe", "separate probes"])
@pytest.mark.parametrize("danger", DANGERS)
@pytest.mark.parametrize("lost", STILL_SEEN)
def test_a_danger_is_told_in_time_or_that_nobody_sees_it(lost, danger, separate):
    """Three probes out of the water at once are no single fault."""
    if lost == "in air" and separate:
        return
    events, crossed_ms = night(lost, danger, separate)
    if danger in STILL_SEEN[lost]:
        late_s = seconds_late(events, danger, crossed_ms)
        assert late_s is not None, [(event.alarm, event.priority) for event in events]
        assert late_s * 1000 <= SLACK_MS
        return
    quantity = DANGERS[danger].quantity
    unseen = [event for event in events if f"k1/{quantity}" in event.evidence.hidden]
    late_s = seconds_late(events, danger, crossed_ms)
    if late_s is not None and late_s * 1000 <= SLACK_MS:
        return
    delay_ms = TOLERANCES[quantity].unwatched_after_ms
    assert unseen, [(event.alarm, event.priority) for event in events]
    assert unseen[0].at_ms <= max(START_MS + LOST_MS + delay_ms + MINUTE, crossed_ms + SLACK_MS)
    assert unseen[0].priority is Priority.CRITICAL
    assert unseen[0].condition is Condition.UNWATCHED


@pytest.mark.parametrize("separate", [False, True], ids=["one probe", "separate probes"])
@pytest.mark.parametrize("lost", [lost for lost in STILL_SEEN if lost != "in air"])
def test_a_lost_input_without_a_danger_is_one_problem_and_none_lost_is_none(lost, separate):
    """The thermometer and the cell of separate probes are two; in air is judged again after ten minutes."""
    events, _ = night(lost, None, separate)
    causes = {event.cause for event in events}
    fine = lost in ("none lost", "half the readings missing", "all readings late")
    both = lost == "thermometer and cell silent" or (lost == "whole probe silent" and separate)
    lost_count = len(SILENT.get(lost, ())) if both and separate else 1
    assert len(causes) == (0 if fine else lost_count), [(event.alarm, event.cause) for event in events]


@pytest.mark.parametrize(
    ("lost", "separate", "at_min", "name", "hidden"),
    [
        ("whole probe silent", False, 10, "probe/multi", ("temperature", "salinity", "oxygen_saturation")),
        ("thermometer silent", True, 30, "probe/t", ("temperature",)),
        ("cell dead", False, 30, "probe/multi", ("salinity",)),
        ("oxygen silent", True, 10, "probe/do", ("oxygen_saturation",)),
        ("oxygen impossible", False, 10, "probe/multi", ("oxygen_saturation",)),
        ("in air", False, 10, "probe/multi", ("temperature", "salinity", "oxygen_saturation")),
    ],
)
def test_what_nobody_sees_for_a_lost_input_is_one_alarm_that_lists_it(lost, separate, at_min, name, hidden):
    events, _ = night(lost, None, separate)
    first = next(event for event in events if event.condition is Condition.UNWATCHED)
    assert (first.alarm, first.priority) == (f"{name}/unwatched", Priority.CRITICAL)
    assert first.evidence.hidden == tuple(f"k1/{quantity}" for quantity in hidden)
    assert abs(first.at_ms - START_MS - LOST_MS - at_min * MINUTE) <= MINUTE
    assert all(event.priority is Priority.LOW for event in events if event.at_ms < first.at_ms)


def test_a_lost_barometer_hides_nothing_and_is_of_low_priority():
    events, _ = night("barometer silent", None, True)
    assert [(event.alarm, event.priority) for event in events] == [("rack/air_pressure/silent", Priority.LOW)]
