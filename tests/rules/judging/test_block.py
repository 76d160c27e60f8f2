"""A block of readings under judgement: what a derived value may be made of, and in which order all comes."""

from dataclasses import replace
from itertools import chain

import gsw
import numpy as np
import pytest

from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition, Priority
from rules.engine import Engine
from rules.judging.block import Due, due_drop_outs, due_losses, due_silences
from rules.judging.drop_outs import DropOuts
from rules.judging.silence import Scope, Silence
from rules.judging.unwatched import Loss
from rules.judging.watch_list import WatchList
from rules.quantities import Quantity
from rules.rack.limits import Level
from rules.rack.plan import Source
from rules.rack.stage_plan import StageNow
from rules.rack.state import RackState
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Readings
from tests.rigs.watched_rack import DAY, HOUR, MINUTE, PROMPT, START_MS, WatchedRack, plan_of, thermometers

TEMPERATURE, CONDUCTIVITY, OXYGEN, PRESSURE = 1, 2, 3, 4
SILENT_MS = {TEMPERATURE: 5 * MINUTE, CONDUCTIVITY: DAY, OXYGEN: DAY, PRESSURE: MINUTE}


def water_rack():
    """One vessel with everything that salinity and saturation need; only the thermometer is missed soon."""
    quantities = {
        TEMPERATURE: Quantity.TEMPERATURE,
        CONDUCTIVITY: Quantity.CONDUCTIVITY,
        OXYGEN: Quantity.OXYGEN,
        PRESSURE: Quantity.AIR_PRESSURE,
    }
    sources = tuple(
        Source(number, f"p{number}", quantity, "rack" if number == PRESSURE else "k1", SILENT_MS[number], "a")
        for number, quantity in quantities.items()
    )
    return Engine(plan_of(sources, {}), START_MS)


class Probes:
    """Feeds an engine and keeps what each channel came out as: name to (minute, value)."""

    def __init__(self, engine):
        self.engine, self.seq, self.values = engine, 0, {}

    def read(self, *rows):
        """One block of readings: (minute, source, value)."""
        at = START_MS + np.array([row[0] * MINUTE for row in rows], dtype=np.int64)
        seq = self.seq + 1 + np.arange(len(rows), dtype=np.int64)
        self.seq += len(rows)
        source = np.array([row[1] for row in rows], dtype=np.int64)
        values = np.array([row[2] for row in rows], dtype=np.float64)
        for flags in self.engine.feed(Readings(seq, at, source, at, values)).flags:
            minutes = ((flags.time_ms - START_MS) // MINUTE).tolist()
            known = self.values.setdefault(flags.channel, {})
            known.update(zip(minutes, flags.value.tolist(), strict=True))


@pytest.mark.parametrize("together", [True, False])
def test_salinity_is_made_of_the_last_temperature_which_grows_less_sure(together):
    """It lacks from the thermometer's own silence on, not that of the conductivity probe, to the minute."""
    probes = Probes(water_rack())
    rows = [
        (0, TEMPERATURE, 15.0),
        (5, CONDUCTIVITY, 42.0),
        (6, CONDUCTIVITY, 42.0),
        (60, CONDUCTIVITY, 42.0),
    ]
    for block in [rows] if together else [[row] for row in rows]:
        probes.read(*block)
    found = probes.values["k1/salinity"]
    assert found[5] == pytest.approx(34.2, abs=0.2), "42.914 mS/cm at 15 °C is 35 by PSS-78"
    assert found[5] == found[6] == found[60]
    (salinity,) = (it for it in probes.engine.channels() if it.channel.name == "k1/salinity")
    assert salinity.lacking == (Quantity.TEMPERATURE,)
    assert salinity.error == pytest.approx(0.5 * 0.81, abs=0.05), (
        "0.5 °C in an hour; PSS-78: 0.81 per °C here"
    )
    assert salinity.good_time_ms == START_MS + 5 * MINUTE


@pytest.mark.parametrize("together", [True, False])
def test_air_pressure_serves_for_hours_although_the_barometer_is_missed_sooner(together):
    probes = Probes(water_rack())
    fresh = [(TEMPERATURE, 15.0), (CONDUCTIVITY, 42.0)]
    rows = [(0, PRESSURE, 900.0)]
    for minute in (1, 360, 361):
        rows += [(minute, source, value) for source, value in fresh] + [(minute, OXYGEN, 8.0)]
    for block in [rows] if together else [[row] for row in rows]:
        probes.read(*block)
    found = probes.values["k1/oxygen_saturation"]
    assert found[360] == found[1], "six hours old"
    assert found[361] == found[1], "older: still surer than the standard pressure, but no longer as of now"
    (saturation,) = (
        it for it in probes.engine.channels() if it.channel.quantity is Quantity.OXYGEN_SATURATION
    )
    assert saturation.lacking == (Quantity.AIR_PRESSURE,)
    assert saturation.error == pytest.approx(found[361] * 6 / 900, rel=0.05), "1 hPa an hour"


def test_a_value_that_arrives_later_in_the_block_does_not_count_before():
    probes = Probes(water_rack())
    probes.read((0, CONDUCTIVITY, 42.0), (1, TEMPERATURE, 20.0), (2, CONDUCTIVITY, 42.0))
    before = probes.values["k1/salinity"][0]
    assert before == pytest.approx(34.2, abs=0.2), "15 °C is also what any water may have"
    assert probes.values["k1/salinity"][2] < before - 3


@pytest.mark.parametrize("ids", [(1, 2), (70_000, 90_000), (65_535, 65_536)])
def test_each_source_finds_its_own_readings_however_large_its_number(ids):
    one, two = ids
    column = np.arange(5, dtype=np.int64)
    readings = Readings(column, column, np.array([two, one, 3, one, two]), column, column.astype(float))
    found = {number: here.tolist() for number, here in readings.places_of([two, one, 12]).items()}
    assert found == {one: [1, 3], two: [0, 4]}


def test_an_empty_block_has_no_places():
    none = np.array([], dtype=np.int64)
    assert Readings(none, none, none, none, np.array([])).places_of([1]) == {}


def test_a_silence_is_told_before_the_reading_that_ends_it_and_what_that_reading_says():
    stages = {"polyp": {Quantity.TEMPERATURE: PROMPT}}
    watched = WatchedRack(plan_of(thermometers(1, silent_after_ms=10 * MINUTE), stages))
    watched.read_all([(0, 1, 15.0), (HOUR, 1, 19.0)])
    assert [(event.alarm.split("/")[-1], str(event.trigger)) for event in watched.events] == [
        ("silent", "suppressed"),
        ("unwatched", "raised"),
        ("silent", "released"),
        ("unwatched", "returned"),
        ("high", "raised"),
    ]
    assert [event.at_ms - START_MS for event in watched.events] == [
        *(10 * MINUTE, 30 * MINUTE),
        *(HOUR, HOUR, HOUR),
    ]


def test_at_one_moment_returns_come_first_then_the_most_urgent():
    stages = {"polyp": {Quantity.TEMPERATURE: PROMPT}}
    watched = WatchedRack(plan_of(thermometers(3), stages))
    watched.read_all([(0, 1, 15.0), (0, 2, 15.0), (0, 3, 19.0)])
    watched.read(MINUTE, 1, 5.0)
    watched.read(2 * MINUTE, 1, 30.0)
    steps = [(event.alarm, str(event.trigger)) for event in watched.events if event.vessel == "k1"]
    returned = [trigger for _, trigger in steps].index("returned")
    assert steps[returned + 1][1] == "raised"


def test_of_channels_that_one_reading_moves_the_one_that_the_others_come_from_is_told_first():
    """The conductivity leaves its high limit and falls past its low one, where the salinity falls too."""
    limits = {
        Quantity.CONDUCTIVITY: replace(PROMPT, advisory=Band(35, 45), critical=Band()),
        Quantity.SALINITY: replace(PROMPT, advisory=Band(25, None), critical=Band()),
    }
    sources = (
        Source(1, "ct", Quantity.TEMPERATURE, "k1", DAY, "a"),
        Source(2, "ct", Quantity.CONDUCTIVITY, "k1", DAY, "a"),
    )
    watched = WatchedRack(plan_of(sources, {"polyp": limits}))
    watched.read_all([(0, 1, 15.0), (0, 2, 50.0)])
    assert watched.states == {"k1/conductivity/high": "unacknowledged"}
    events = watched.read(MINUTE, 2, 20.0)
    assert [(event.alarm, str(event.trigger)) for event in events] == [
        ("k1/conductivity/high", "returned"),
        ("k1/conductivity/low", "raised"),
        ("k1/salinity/low", "suppressed"),
    ]


MILD, URGENT = Priority.LOW, Priority.HIGH


def due(position=3, *, timer=False, at_ms=100, active=True, priority=MILD, channel=0, edge=0):
    crossing = Crossing(
        "k1", "", "k1/x", Condition.HIGH, "", Level.ADVISORY, priority, active=active, since_ms=0
    )
    return Due(position, timer, at_ms, channel, edge, crossing)


def test_what_is_due_comes_in_this_order():
    """By place, time before a reading, moment; returns; the most urgent; what others come from."""
    in_order = [
        due(2, channel=9),
        due(timer=True, at_ms=90, channel=9),
        due(timer=True, at_ms=95),
        due(at_ms=99, channel=9),
        due(active=False, channel=9),
        due(active=False, priority=URGENT),
        due(priority=URGENT, channel=9),
        due(edge=9),
        due(channel=1),
        due(channel=1, edge=1),
        due(4, active=False),
    ]
    shuffled = [in_order[it] for it in np.random.default_rng(7).permutation(len(in_order))]
    assert sorted(shuffled, key=lambda it: it.order) == in_order


def test_silences_missing_answers_and_losses_come_at_their_places():
    sources = thermometers(3)
    watch_list = WatchList(plan_of(sources, {"polyp": {Quantity.TEMPERATURE: PROMPT}}), RackState(
        {f"k{number}": StageNow("polyp", 0) for number in (1, 2, 3)}
    ))  # fmt: skip
    silent = [
        Silence(sources[1], 5, 700, 100, True, Scope.PROBE),
        Silence(sources[2], 6, 800, 100, False, Scope.PROBE),
    ]
    row = [
        (it.position, it.timer, it.at_ms, it.channel_order, it.edge_order)
        for it in due_silences(silent, watch_list)
    ]
    assert row == [(5, True, 700, 1, -1), (6, False, 800, 2, -1)]
    gaps, at_ms = [DropOuts(sources[1], 2, True, Scope.PROBE, "some")], np.array([10, 20, 30])
    (its,) = due_drop_outs(gaps, at_ms, watch_list)
    assert (its.position, its.timer, its.at_ms, its.channel_order, its.edge_order) == (2, False, 30, 1, -1)
    assert (its.crossing.since_ms, its.crossing.active) == (30, True)
    losses = [Loss(watch_list.dangers()[2], 4, 900, 100, begins, "probe/t3") for begins in (True, False)]
    for its, begins in zip(due_losses(losses, watch_list), (True, False), strict=True):
        assert (its.position, its.timer, its.at_ms, its.channel_order, its.edge_order) == (
            4,
            begins,
            900,
            -1,
            2,
        )
        assert (its.crossing.condition, its.crossing.active) == (Condition.UNWATCHED, begins)


def saturation(rows, tolerances, *, every_ms=MINUTE):
    """A rack whose readings all arrive each minute: rows of (temperature, conductivity, oxygen)."""
    watched = WatchedRack(plan_of(water_rack().plan.sources, {"polyp": tolerances}))
    for minute, row in enumerate(rows):
        its = zip((TEMPERATURE, CONDUCTIVITY, OXYGEN, PRESSURE), (*row, 1013.25), strict=True)
        watched.read_all([(minute * every_ms, source, value) for source, value in its])
    return watched


@pytest.mark.parametrize(("most", "is_told"), [(None, True), (38.0, True), (33.0, False)])
def test_supersaturation_that_too_much_salt_makes_is_the_salts(most, is_told):
    """Salinity 38 for 32 makes 102 % of 98 at 15 °C: told as oxygen's where no limit of salinity says so."""
    limits = {
        Quantity.SALINITY: replace(PROMPT, advisory=Band(None, most), critical=Band()),
        Quantity.OXYGEN_SATURATION: replace(PROMPT, advisory=Band(None, 101.0), critical=Band()),
    }
    salty = float(gsw.C_from_SP(38.0, 15.0, 0.0))
    watched = saturation([(15.0, salty, 8.1)] * 3, limits)
    assert ("k1/oxygen_saturation/high" in watched.states) is is_told
    saturated = next(
        it for it in watched.engine.channels() if it.channel.quantity is Quantity.OXYGEN_SATURATION
    )
    assert 101.0 < saturated.value < 104.0
    more = saturation([(15.0, salty, 8.5)] * 3, limits)
    assert "k1/oxygen_saturation/high" in more.states, "106 % is more than that salt makes of it"


NARROW = Tolerance(target=100.0, critical=Band(95.0, 104.0), lead_time_ms=0)
"""The nearest of the worst limits is 4 % from the target: what is off by as much tells nothing."""


def seen(sources, lost, hours):
    """A rack that loses inputs after an hour: when the saturation was seen last, its errors by time."""
    plan = plan_of(sources, {"polyp": {Quantity.OXYGEN_SATURATION: NARROW}})
    probes, values = (
        Engine(plan, START_MS),
        {TEMPERATURE: 15.0, CONDUCTIVITY: 39.3, OXYGEN: 8.1, PRESSURE: 1013.0},
    )
    rows = [
        (minute, it.id, values[it.id])
        for minute in range(0, hours * 60, 4)
        for it in sources
        if minute <= 60 or it.id not in lost
    ]
    at = START_MS + MINUTE * np.array([row[0] for row in rows], dtype=np.int64)
    source, value = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    flags = probes.feed(Readings(1 + np.arange(len(rows)), at, source, at, value)).flags
    its = [it for it in flags if it.channel == "k1/oxygen_saturation"]
    times = np.concatenate([it.time_ms for it in its])
    errors = np.concatenate([np.zeros(it.time_ms.size) if it.error is None else it.error for it in its])
    return probes.snapshot()["channels"]["k1/oxygen_saturation"]["seen_ms"], times, errors


def test_a_value_that_tells_no_limit_from_the_target_is_not_seen_unless_it_never_does_by_the_settings():
    sources = water_rack().plan.sources
    last_ms, times, errors = seen(sources, (), 30)
    assert (last_ms, errors[1:].max()) == (times[-1], 0.0)
    last_ms, times, errors = seen(sources, (TEMPERATURE, CONDUCTIVITY), 30)
    assert errors[-1] > 4.0
    assert last_ms == times[errors < 4.0][-1] < times[-1]
    alone = tuple(it for it in sources if it.id == OXYGEN)
    last_ms, times, errors = seen(alone, (), 30)
    assert errors.min() > 4.0
    assert last_ms == times[-1], "what is too wide by the settings is shown, never a call"


@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize(("per_hour", "falls"), [(-0.25, True), (0.25, True), (1.3, False), (-1.3, False)])
def test_what_a_lagging_thermometer_may_hide_is_no_fall_of_what_is_made_of_it(per_hour, falls, together):
    """Oxygen falls by 4 % an hour, where 3 may be; beyond 0.3 K an hour water may move four times as fast.

    At 1.3 K an hour that is 4 K, by which 8 mg/L are 8 % more or less of what the water holds.
    """
    limits = {
        Quantity.OXYGEN_SATURATION: Tolerance(max_fall_per_hour=3.0, on_delay_ms=0, lead_time_ms=0),
        Quantity.TEMPERATURE: Tolerance(advisory=Band(0.0, 40.0)),
    }
    hours = np.arange(180) / 60
    watched = WatchedRack(plan_of(water_rack().plan.sources, {"polyp": limits}))
    cell = gsw.C_from_SP(32.0, 15.0 + per_hour * hours, 0.0)
    full = gsw.O2sol_SP_pt(32.0, 15.0 + per_hour * hours) / gsw.O2sol_SP_pt(32.0, 15.0)
    rows = zip(15.0 + per_hour * hours, cell, 8.0 * full * (1.0 - 0.04 * hours), strict=True)
    blocks = []
    for minute, (celsius, cell, oxygen) in enumerate(rows):
        now_ms, twice = minute * MINUTE, [10_000, 40_000]
        blocks += [
            [(now_ms, TEMPERATURE, celsius)],
            [(now_ms, CONDUCTIVITY, cell), (now_ms, PRESSURE, 1013.25)],
        ]
        blocks.append([(now_ms + later_ms, OXYGEN, oxygen) for later_ms in twice])
    for block in [[*chain(*blocks)]] if together else blocks:
        watched.read_all(block)
    assert ("k1/oxygen_saturation/falling" in watched.states) is falls


def test_salt_is_told_also_where_nothing_is_asked_of_the_saturation():
    limits = {Quantity.SALINITY: replace(PROMPT, advisory=Band(None, 33.0), critical=Band())}
    watched = saturation([(15.0, float(gsw.C_from_SP(38.0, 15.0, 0.0)), 8.1)] * 3, limits)
    assert set(watched.states) == {"k1/salinity/high"}
