"""What was once seen to go wrong, and what has to happen now. Invented faults in measured calm water.

Each first line of a docstring says what was seen; the bounds are those of `tests/rigs/nights/refuting.py`.
"""

import json

import numpy as np
import pytest

from rules.alarms.life_cycle import Priority, State, Trigger
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.readings import Readings
from tests.reference.test_flags_against_human_review import reviewed
from tests.rigs.nights.lost_inputs import (
    BEFORE_H,
    HOUR_MS,
    MIDDLE,
    MINUTE_MS,
    SOURCES,
    START_MS,
    WHOLE_H,
    before,
    block,
    calm_days,
    on_digit,
    shown,
)

not_known = pytest.mark.xfail(
    strict=True,
    reason="at four times the usual scatter instead of six 31 % of what fails would pass, not all; but then "
    "a sound thermometer of the simulated season is doubted for 44 h, not 8 (test_season.py): a second cell "
    "or a measurement by hand decides",
)
"""What the readings of one cell cannot tell; whatever comes right fails here until its mark is taken away."""

FINE, COARSE = 4, 2
"""Tanks: last digits of 0.01, and of 0.1 for the thermometer and the cell."""

FAULT_MS, DANGER_MS = (BEFORE_H + 1) * HOUR_MS, (BEFORE_H + 3) * HOUR_MS


def judged(lie=None, danger=None, *, separate=False, tank=FINE):
    """Announcements from the fault on, as (minutes after the fault, alarm, event).

    `lie` changes what is read, by input, from the fault on: NaN for no reading. `danger` is what moves, to
    where, and within how many hours.
    """
    at_ms, true, pressure, noise = calm_days(tank)
    if danger:
        moves, to, over_h = danger
        share = np.clip((at_ms - DANGER_MS) / (over_h * HOUR_MS), 0.0, 1.0)
        true = {**true, moves: true[moves] + (to - MIDDLE[moves]) * share}
    values = shown(tank, true, pressure, noise)
    after = at_ms >= FAULT_MS
    rows = []
    for it in SOURCES:
        change = (lie or {}).get(it)
        if change:
            values[it][after] = change(values[it][after])
        kept = (at_ms >= BEFORE_H * HOUR_MS) & ~np.isnan(values[it])
        rows.append((at_ms[kept], at_ms[kept], it, values[it][kept]))
    snapshot, _ = before(tank, separate)
    engine = Engine.restore(json.loads(snapshot))
    events = engine.feed(block(rows)).events + engine.advance(START_MS + WHOLE_H * HOUR_MS).events
    return engine, announced(events)


def announced(events):
    """Those of events that people are told of, each with the minutes after the fault."""
    return [
        ((event.at_ms - START_MS - FAULT_MS) / MINUTE_MS, event)
        for event in events
        if event.trigger in (Trigger.RAISED, Trigger.WORSENED) and event.state is State.UNACKNOWLEDGED
    ]


def first_call(said, *words, after_min=0.0):
    """When somebody was first called about any of these words, in minutes after the fault; inf for never."""
    calls = [at for at, event in said if event.priority >= Priority.HIGH and at >= after_min
             and any(word in event.alarm or event.cause.endswith(word) for word in words)]  # fmt: skip
    return min(calls, default=np.inf)


def raised(said, least=Priority.LOW):
    return [event.alarm for _, event in said if event.trigger is Trigger.RAISED and event.priority >= least]


def held(value):
    return np.full(value.size, value[0])


def dithers(value):
    return on_digit(value[0] + 0.1 * np.random.default_rng(2746131980).integers(0, 2, value.size), 0.1)


def gone(value):
    return np.full(value.size, np.nan)


def reads(number):
    return lambda value: number + (value - value[0]) / 10


DANGER_MIN = (DANGER_MS - FAULT_MS) / MINUTE_MS
HEAT, CRASH = ("t", 27.0, 3.0), ("o", 20.0, 1.0)
WITNESSED_MIN = 32.0


@pytest.mark.parametrize("separate", [False, True], ids=["one probe", "separate probes"])
@pytest.mark.parametrize(
    ("danger", "way", "crossed_min"),
    [(HEAT, "temperature/up", 120.0), (CRASH, "oxygen/down", 28.4)],
    ids=["water warms to 27 °C", "oxygen falls to 20 %"],
)
def test_a_cell_that_reads_nothing_hides_neither_heat_nor_lack_of_oxygen(danger, way, crossed_min, separate):
    """Seen: the only page was "in air, put it back"; the danger was never told."""
    _, said = judged({"c": reads(0.02)}, danger, separate=separate)
    assert first_call(said, way, after_min=DANGER_MIN) <= DANGER_MIN + crossed_min + 11.0


@pytest.mark.parametrize("lost", ["t", "c"])
def test_oxygen_that_falls_is_told_without_its_thermometer_or_cell(lost):
    """Seen: never told, since saturation needs both; and the page did not say what was unwatched."""
    _, said = judged({lost: gone}, CRASH, separate=True)
    assert first_call(said, "oxygen/down", after_min=DANGER_MIN) <= DANGER_MIN + 28.4 + 11.0
    hidden = {"t": "temperature", "c": "salinity"}[lost]
    told = {name for _, event in said for name in event.evidence.hidden}
    assert f"k1/{hidden}" in told
    assert not any("oxygen" in name for name in told)


def test_a_thermometer_of_a_tenth_is_sound_until_it_is_steady_for_three_times_its_longest_calm():
    """Seen: a critical page after 12 h, salinity and saturation gone, oxygen unwatched."""
    engine, said = judged({"t": held}, tank=COARSE)
    told = [minutes for minutes, event in said if event.priority >= Priority.MEDIUM]
    assert min(told, default=np.inf) >= 2.4 * longest_calm_min("t", COARSE)
    now = {it.channel.quantity: it.value for it in engine.channels()}
    assert np.isfinite([now[Quantity.SALINITY], now[Quantity.OXYGEN_SATURATION]]).all()
    assert first_call(judged({"t": held}, CRASH, tank=COARSE)[1], "oxygen/down") < np.inf


def test_a_thermometer_of_a_tenth_makes_no_alarm_at_all_while_the_water_is_calm():
    """Seen: three quarters of all raised alarms were "stuck" on coarse, calm, healthy data."""
    assert raised(judged(tank=COARSE)[1]) == []


@pytest.mark.parametrize("lying", [{"o": held}, {"t": held, "c": held, "o": held}], ids=["optode", "gateway"])
def test_frozen_oxygen_is_told_while_the_pump_is_dead(lying):
    """Seen: the first page came 7.6 h after the limit. Three times the longest calm before, half an hour."""
    _, said = judged(lying, CRASH)
    assert first_call(said, "") <= 3 * longest_calm_min() + WITNESSED_MIN


@pytest.mark.parametrize("all_of_it", [False, True], ids=["optode", "gateway"])
def test_oxygen_whose_last_digit_alone_dithers_is_told_or_shown_as_watched_roughly(all_of_it):
    """Seen: nothing in 48 h."""
    lie = {"o": dithers, **({"t": held, "c": held} if all_of_it else {})}
    engine, said = judged(lie, CRASH)
    assert first_call(said, "") < np.inf or shows_roughly(engine)


def longest_calm_min(it="o", tank=FINE):
    at_ms, true, pressure, noise = calm_days(tank)
    value = shown(tank, true, pressure, noise)[it][at_ms < FAULT_MS]
    moved = np.flatnonzero(np.diff(value))
    return float(np.diff(at_ms[moved]).max() / MINUTE_MS)


def shows_roughly(engine):
    """Whether people see that nobody can tell whether the oxygen is frozen."""
    return any(it.frozen is None for it in engine.channels() if it.channel.quantity is Quantity.OXYGEN)


def test_a_probe_that_makes_noise_is_one_problem():
    """Seen: 27 pages of alternating critical high and low, never "erratic"."""
    draw = np.random.default_rng(1193046471)
    noisy = {"o": lambda value: on_digit(draw.uniform(0.2, 1.3, value.size) * 8.1, 0.1)}
    _, said = judged(noisy)
    assert len({event.cause for _, event in said if event.trigger is Trigger.RAISED}) <= 1
    assert len(raised(said)) <= 2, "low at once, and once more when what it hides is missed too long"


def test_a_connector_with_gaps_of_minutes_is_one_low_alarm():
    """Seen: 157 critical silences in two days. No gap here lasts until a danger counts as unwatched."""

    def gaps(value):
        draw, answers = np.random.default_rng(3640171923), np.ones(value.size, np.bool_)
        place = 0
        while place < value.size:
            place += int(draw.integers(5, 25))
            size = int(draw.integers(3, 9))
            answers[place : place + size] = False
            place += size
        return np.where(answers, value, np.nan)

    for separate in (False, True):
        _, said = judged(dict.fromkeys("tco", gaps), separate=separate)
        assert len(raised(said)) <= 2, "the first silence as it comes, from the second on one alarm"
        assert raised(said, Priority.MEDIUM) == []
        assert raised(said)[-1] in {event.alarm for _, event in said if "times" in event.evidence.reason}


def bursts(begins, draw, low, high):
    """Rows of 3 to 6 readings that are off by `low` to `high`, each either way."""

    def lie(value):
        told = value.copy()
        for begin in begins:
            size = int(draw.integers(3, 7))
            told[begin : begin + size] += draw.choice([-1.0, 1.0], size) * draw.uniform(low, high, size)
        return told

    return lie


def test_bursts_of_spikes_are_one_problem():
    """Seen: 40 problems of bursts of 3 to 6 spikes."""
    draw = np.random.default_rng(876310548)
    begins = draw.integers((WHOLE_H - BEFORE_H - 1) * 60 - 6, size=20).tolist()
    assert len(raised(judged({"o": bursts(begins, draw, 1.5, 4.0)})[1])) <= 1


SPIKES_OF = {"o": (1.6, 4.3), "t": (0.7, 3.4), "c": (4.4, 13.0)}


def hourly(it, lot):
    """Two bursts an hour of one input, at least 12 minutes of sound readings between."""
    draw = np.random.default_rng([2_906_115_731, lot])
    return {it: bursts((np.arange(29) * 30 + draw.integers(0, 13, 29)).tolist(), draw, *SPIKES_OF[it])}


@pytest.mark.parametrize("lot", range(4))
@pytest.mark.parametrize("it", SPIKES_OF)
def test_bursts_that_come_all_night_are_one_low_alarm(it, lot):
    """Seen: small first spikes became what the steady water was taken to have leapt off."""
    said = judged(hourly(it, lot), tank=(FINE, COARSE)[lot % 2])[1]
    assert len(raised(said)) == 1
    assert raised(said, Priority.MEDIUM) == []


@pytest.mark.parametrize(("it", "lot"), [("o", 5), ("o", 6), ("t", 5), ("t", 6), ("c", 5)])
def test_bursts_hide_no_danger(it, lot):
    danger, way, crossed_min = {
        "t": (HEAT, "temperature/up", 120.0),
        "o": (CRASH, "oxygen/down", 28.4),
        "c": (("s", 41.0, 2.0), "salinity/up", 120.0),
    }[it]
    _, said = judged(hourly(it, lot), danger)
    assert first_call(said, way, after_min=DANGER_MIN) <= DANGER_MIN + crossed_min + 11.0


@pytest.mark.parametrize(("by", "over_min"), [(-0.5, 5), (-0.9, 5), (-1.43, 2), (0.83, 6)])
def test_a_cell_that_moves_by_itself_within_minutes_and_then_stands_still_is_found(by, over_min):
    """Seen: from 0.7 mS/cm on nothing was told for a day: it was off by that, and no more was asked."""

    def saturates(value):
        return on_digit(value[0] + by * np.minimum(np.arange(value.size) / over_min, 1.0), 0.01)

    _, said = judged({"c": saturates})
    (found,) = [(at, event) for at, event in said if event.alarm == "probe/multi/unwatched"]
    assert "frozen" in found[1].evidence.reason or "stuck" in found[1].evidence.reason, found
    assert found[0] <= 60.0


@pytest.mark.parametrize(("times", "more"), [(1.0, -60.0), (1.0, 61.0), (0.750062, 0.0)])
def test_a_barometer_that_leaps_as_no_weather_does_moves_no_oxygen(times, more):
    """Seen: in other units, mm of mercury, oxygen was critical in every vessel at once, and stayed so."""
    engine, said = judged({"p": lambda value: on_digit(times * value + more, 0.1)})
    assert not [event for _, event in said if "oxygen" in event.alarm]
    flags = {it.channel.quantity: it.flag for it in engine.channels()}
    assert flags[Quantity.AIR_PRESSURE] == Flag.FAIL


@not_known
def test_of_a_failing_cell_few_readings_pass():
    """Seen: steps nine times the usual passed as 3 in 8. Estuary, 18 to 20 November 2012, all rejected."""
    time_ms, value, review = reviewed(
        "nerr_apacp_2012_15min", "specific_conductance_25C_mS_per_cm", "specific_conductance_flag"
    )
    there = ~np.isnan(value)
    time_ms, value, review = time_ms[there], value[there], review[there]
    cell = Source(1, "sonde", Quantity.CONDUCTIVITY, "bay", HOUR_MS)
    plan = RackPlan("bay", (cell,), {"bay": ""}, {}, quality=DEFAULT_QUALITY)
    seq = np.arange(1, time_ms.size + 1)
    found = Engine(plan, int(time_ms[0])).feed(Readings(seq, time_ms, np.ones_like(seq), time_ms, value))
    flags = np.concatenate([block.summary for block in found.flags if block.channel == "bay/conductivity"])
    begin, end = np.array(["2012-11-18T14:30", "2012-11-20T15:15"], dtype="datetime64[ms]").astype(np.int64)
    failing = (time_ms >= begin) & (time_ms <= end) & (review == "-3")
    assert failing.sum() > 190
    assert np.mean(flags[failing] == Flag.PASS) < 3 / 8
    assert np.mean(flags[review == "0"] != Flag.PASS) < 0.05


@pytest.mark.parametrize("lying", ["t", "c"])
def test_what_is_made_of_a_doubtful_input_does_not_pass_or_says_how_far_it_may_be_off(lying):
    """Seen: 9 in 10 salinities of a failing cell passed."""
    wild = {"t": 34.0, "c": 66.0}[lying]  # beyond the operator's range: suspect, not failed
    engine, _ = judged({lying: reads(wild)})
    now = {it.channel.quantity: it.flag if not it.error else Flag.SUSPECT for it in engine.channels()}
    measured = {"t": Quantity.TEMPERATURE, "c": Quantity.CONDUCTIVITY}[lying]
    assert now[measured] != Flag.PASS
    assert now[Quantity.SALINITY] != Flag.PASS
