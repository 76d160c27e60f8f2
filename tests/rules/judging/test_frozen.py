"""When a probe that repeats itself is told as frozen, and when it is left in peace.

Invented racks and water, polled every 30 s for days; what is drawn by lot was drawn once, by `secrets`.
"""

import json
from dataclasses import replace

import gsw
import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.engine import Engine
from rules.judging.watched import UNCHANGED
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.rigs.nights.calm_water import measured

MIDNIGHT_MS = 1_760_054_400_000  # 2025-10-10T00:00:00Z
MINUTE, HOUR, POLL = 60_000, 3_600_000, 30_000
DAY = 24 * HOUR
T, C, O2, T2 = 1, 2, 3, 4
SOURCES = {
    T: Source(T, "multi", Quantity.TEMPERATURE, "k1", 150_000, "a"),
    C: Source(C, "multi", Quantity.CONDUCTIVITY, "k1", 150_000, "a"),
    O2: Source(O2, "do", Quantity.OXYGEN, "k1", 150_000, "b"),
    T2: Source(T2, "spare", Quantity.TEMPERATURE, "k1", 150_000, "c"),
}
LOT = 2_040_868_117
FOUND = (Trigger.RAISED, Trigger.SUPPRESSED)
TOLD_OF = (Trigger.RAISED, Trigger.WORSENED, Trigger.REANNOUNCED)


def water(days, digit=0.01, swing_c=0.2, noise=0.02):
    """Healthy readings of a few days: a daily course, noise, and the probes' last digit."""
    at = np.arange(POLL, days * DAY, POLL)
    draws = np.random.default_rng(LOT).normal(size=(4, at.size))
    course = np.sin(2 * np.pi * at / DAY)
    values = {
        T: 15.0 + swing_c * course + noise * draws[0],
        C: 39.5 + 0.9 * swing_c * course + noise * draws[1],
        O2: 8.0 - 0.15 * swing_c * course + noise * draws[2],
        T2: 15.1 + swing_c * course + noise * draws[3],
    }
    return at, {source: np.round(value / digit) * digit for source, value in values.items()}


def block(at, values, polled):
    rows = sorted(
        (int(ms), source, float(values[source][place])) for place, ms in enumerate(at) for source in polled
    )
    times = MIDNIGHT_MS + np.array([row[0] for row in rows], dtype=np.int64)
    source = np.array([row[1] for row in rows], dtype=np.int64)
    return Readings(np.arange(1, len(rows) + 1), times, source, times, np.array([row[2] for row in rows]))


def engine_for(polled):
    sources = tuple(SOURCES[source] for source in polled)
    tolerances = {"ephyra": DEFAULT_TOLERANCES["ephyra"]}
    return Engine(RackPlan("bench", sources, {"k1": "ephyra"}, tolerances, DEFAULT_QUALITY), MIDNIGHT_MS)


def told(at, values, polled):
    """Return the faults that were found (alarm, minutes after the start, reason), and the engine.

    What hides a danger is told as that, not as a fault: it is kept from people.
    """
    engine = engine_for(polled)
    events = engine.feed(block(at, values, polled)).events
    faults = [
        (event.alarm, (event.at_ms - MIDNIGHT_MS) / MINUTE, event.evidence.reason)
        for event in events
        if event.condition is Condition.PROBE_FAULT and event.trigger in FOUND
    ]
    return faults, engine


def now(engine, name):
    return next(it for it in engine.channels() if it.channel.name == name)


FREEZE_MS = 4 * DAY + 5 * HOUR


@pytest.mark.parametrize("dithers", [False, True], ids=["exactly", "last digit dithers"])
def test_a_probe_that_was_never_so_calm_is_told_within_half_an_hour(dithers):
    at, values = water(5)
    frozen = at >= FREEZE_MS
    kept = values[O2][frozen][0]
    values[O2][frozen] = kept
    if dithers:
        values[O2][frozen] += 0.01 * np.random.default_rng(LOT).integers(-1, 2, np.count_nonzero(frozen))
    faults, engine = told(at, values, (T, C, O2))
    ((alarm, minutes, reason),) = faults
    assert (alarm, reason) == ("k1/oxygen/probe_fault", "stuck")
    assert 25 <= minutes - FREEZE_MS / MINUTE <= 33
    assert now(engine, "k1/oxygen").frozen is True


@pytest.mark.parametrize("noise", [0.025, 0.04, 0.06])
def test_a_noisy_probe_whose_last_digit_dithers_is_told_on_its_third_day(noise):
    """What dither is to it is known by its first midnight; before, stretches were narrower than now."""
    at, values = water(2.5, noise=noise)
    frozen = at >= 53 * HOUR
    dithers = 0.01 * np.random.default_rng(LOT).integers(0, 2, np.count_nonzero(frozen))
    values[O2][frozen] = values[O2][frozen][0] + dithers
    ((alarm, minutes, reason),) = told(at, values, (T, C, O2))[0]
    assert (alarm, reason) == ("k1/oxygen/probe_fault", "stuck")
    assert 25 <= minutes - 53 * 60 <= 60


@pytest.mark.parametrize(
    ("noise", "begins_h"),
    [(0.045, 61), (0.055, 65), (0.15, 70)],
    ids=["hardly moves", "moves some", "never a good hour"],
)
def test_a_coarse_probe_whose_last_digit_goes_to_and_fro_is_told_within_hours(noise, begins_h):
    """Seen: told after up to 36 h, as coarse water keeps to 2.5 digits for long; or never, where noise let no
    hour be learned from, and the last digit with it."""
    at, values = water(5, digit=0.1, swing_c=2.0, noise=noise)
    values[C] = np.round(39.5 + 0.02 * np.random.default_rng(LOT).normal(size=at.size), 2)
    values[T] = np.round(15.0 + 0.02 * np.random.default_rng(LOT + 1).normal(size=at.size), 2)
    frozen = at >= begins_h * HOUR
    dithers = 0.1 * np.random.default_rng(LOT).integers(0, 2, np.count_nonzero(frozen))
    values[O2][frozen] = np.round(values[O2][frozen][0] + dithers, 6)
    faults = told(at, values, (T, C, O2))[0]
    (minutes,) = (minutes for alarm, minutes, reason in faults if alarm == "k1/oxygen/probe_fault")
    assert 25 <= minutes - begins_h * 60 <= 6 * 60


def test_a_probe_that_becomes_noisy_is_compared_with_a_day_and_a_night_of_that():
    """Six hours of a new noise say nothing of the calm after it."""
    at, values = water(3.7, digit=0.001, swing_c=0.0, noise=0.01)
    for begin, end, noise in ((2 * DAY, 3 * DAY + 6 * HOUR, 0.04), (3 * DAY + 6 * HOUR, 4 * DAY, 0.003)):
        part = (at >= begin) & (at < end)
        draws = np.random.default_rng(LOT).normal(size=np.count_nonzero(part))
        values[O2][part] = np.round(8.0 + noise * draws, 3)
    assert told(at, values, (T, C, O2))[0] == []


def test_a_coarse_healthy_thermometer_that_is_steady_for_half_a_day_is_left_in_peace():
    at, values = water(5)
    values[T] = np.round(15.0 + 0.11 * np.sin(2 * np.pi * at / DAY), 1)
    assert (np.diff(np.flatnonzero(np.diff(values[T]))) * POLL).max() > 7 * HOUR
    values[T][at >= FREEZE_MS] = 15.0
    faults, engine = told(at, values, (T,))
    assert not faults
    found = now(engine, "k1/temperature")
    assert found.frozen is None, "nobody can tell"
    assert found.flag == 1
    assert found.last_change_ms < MIDNIGHT_MS + FREEZE_MS + 10 * HOUR


@pytest.mark.parametrize("whole", [True, False], ids=["whole probe", "its oxygen"])
def test_what_a_gateway_repeats_is_hidden_whole_although_some_of_it_is_coarse(whole):
    """Seen: the coarse cell and thermometer beside an oxygen probe that was told as stuck passed as calm."""
    at, values = water(4.5)
    for source, digit in ((T, 0.1), (C, 0.2)):
        values[source] = np.round(np.round(values[source] / digit) * digit, 1)
    for source in (T, C, O2) if whole else (O2,):
        values[source][at >= FREEZE_MS] = values[source][at >= FREEZE_MS][0]
    sources = tuple(replace(SOURCES[it], probe="multi", bus="a") for it in (T, C, O2))
    tolerances = {"ephyra": DEFAULT_TOLERANCES["ephyra"]}
    engine = Engine(RackPlan("bench", sources, {"k1": "ephyra"}, tolerances, DEFAULT_QUALITY), MIDNIGHT_MS)
    events = engine.feed(block(at, values, (T, C, O2))).events
    hides = [it for it in events if it.condition is Condition.UNWATCHED and it.trigger in TOLD_OF]
    assert {it.alarm for it in hides} == {"probe/multi/unwatched"}
    whole_by = [it for it in hides if {"k1/temperature", "k1/salinity"} < {*it.evidence.hidden}]
    assert bool(whole_by) is whole
    assert not whole or whole_by[0].at_ms <= MIDNIGHT_MS + FREEZE_MS + HOUR


def test_what_lacks_the_air_pressure_too_still_says_since_when_its_probe_has_not_moved():
    at, values = water(1.5)
    values[O2][at >= 8 * HOUR] = 8.0
    _, engine = told(at, values, (T, C, O2))
    (oxygen,) = (it for it in engine.dangers() if it.quantity is Quantity.OXYGEN_SATURATION)
    assert now(engine, "k1/oxygen_saturation").lacking == (Quantity.AIR_PRESSURE,)
    assert oxygen.watched.why.endswith(f"no air pressure now; {UNCHANGED}")
    assert oxygen.watched.since_ms == MIDNIGHT_MS + 8 * HOUR


def test_before_two_days_are_known_a_probe_is_told_by_nothing_but_a_witness():
    at, values = water(1.5)
    values[O2][at >= 8 * HOUR] = 8.0
    assert not told(at, values, (T, C, O2))[0]


@pytest.mark.parametrize(("stuck", "witness"), [(T, T2), (T2, T), (C, T)])
def test_what_another_quantity_or_probe_had_to_move_is_frozen(stuck, witness):
    """In the first night, with nothing learned: 1.5 K up in two hours, which the stuck one does not show."""
    at, values = water(0.5, digit=0.1, swing_c=0.0, noise=0.01)
    begin = 6 * HOUR
    values[witness] = values[witness] + 1.5 * np.clip((at - begin) / (2 * HOUR), 0.0, 1.0)
    values[stuck][:] = values[stuck][0]
    polled = tuple(sorted({stuck, witness, O2}))
    (fault,), _ = told(at, values, polled)
    assert fault[0].startswith(f"k1/{SOURCES[stuck].quantity}")
    assert 60 <= fault[1] - begin / MINUTE <= 120


@pytest.mark.parametrize(
    ("polled", "along", "found"),
    [((T, C, O2), 0.9, True), ((T, C, O2), 0.0, False), ((T, C, O2), np.nan, True), ((T, O2), 0.0, True)],
)
def test_a_thermometer_that_the_cell_beside_it_belies_accuses_no_oxygen_probe(polled, along, found):
    """5 K up in four hours: where the cell tells anything and stays as it is, the thermometer lies."""
    at, values = water(0.5, digit=0.1, swing_c=0.0, noise=0.01)
    warms = 5.0 * np.clip((at - 3 * HOUR) / (4 * HOUR), 0.0, 1.0)
    values[T], values[C] = values[T] + warms, values[C] + along * warms
    values[O2][:] = 8.0
    accused = [fault[0] for fault in told(at, values, polled)[0]]
    assert any(name.startswith("k1/oxygen") for name in accused) is found, accused


@pytest.mark.parametrize("salinity", [7.0, 9.0, 15.0, 35.0])
def test_a_cell_bears_a_thermometer_out_in_brackish_water_too(salinity):
    """By gsw's conductivity; 7 and 9 are the low sides of what a Baltic strain is kept in."""
    at, values = water(0.5, digit=0.1, swing_c=0.0, noise=0.01)
    values[T] = values[T] + 5.0 * np.clip((at - 3 * HOUR) / (4 * HOUR), 0.0, 1.0)
    values[C] = np.round(gsw.C_from_SP(salinity, values[T], 0.0), 2)
    values[O2][:] = 8.0
    accused = [fault[0] for fault in told(at, values, (T, C, O2))[0]]
    assert any(name.startswith("k1/oxygen") for name in accused), accused


def test_a_spike_of_the_other_probe_is_no_witness():
    at, values = water(0.5, digit=0.1, swing_c=0.0, noise=0.01)
    values[T][:] = 15.0
    values[T2][600] += 4.0
    assert not told(at, values, (T, T2))[0]


@pytest.mark.parametrize("every_min", [3, 5, 8, 15])
def test_nor_is_one_of_a_probe_that_is_read_once_in_minutes(every_min):
    """Seen: one stray reading, each five minutes, called somebody about the calm cell beside it."""
    at, values = water(0.5, digit=0.1, swing_c=0.0, noise=0.01)
    seldom = slice(None, None, every_min * MINUTE // POLL)
    at, values = at[seldom], {source: its[seldom].copy() for source, its in values.items()}
    values[T][:], values[C][:] = 15.0, 39.5
    values[T][at.size // 2] += 1.2
    assert not told(at, values, (T, C))[0]
    values[T][at.size // 2 :] = 16.2
    assert [fault[0] for fault in told(at, values, (T, C))[0]] == ["k1/conductivity/probe_fault"]


def test_what_was_told_as_frozen_is_not_learned_from_and_ends_with_the_first_change():
    at, values = water(6)
    for begin in (4 * DAY, 5 * DAY):
        part = (at >= begin) & (at < begin + 6 * HOUR)
        values[O2][part] = 8.0
    faults, engine = told(at, values, (T, C, O2))
    assert len(faults) == 2
    assert now(engine, "k1/oxygen").frozen is False


def test_any_cut_learns_and_tells_the_same():
    """Days in which a probe freezes, one is coarse and one away for hours: whole, and in 60 random parts."""
    at, values = water(5.5)
    values[O2][at >= FREEZE_MS] = 8.0
    values[T2] = np.round(values[T2], 1)
    values[C][(at > DAY) & (at < DAY + 3 * HOUR)] = 39.5
    readings = block(at, values, (T, C, O2, T2))
    away = (readings.source == T2) & (np.abs(readings.at_ms - MIDNIGHT_MS - 3 * DAY) < 2 * HOUR)
    keep = ~away
    columns = (readings.at_ms, readings.source, readings.time_ms, readings.value)
    readings = Readings(np.arange(1, keep.sum() + 1), *(column[keep] for column in columns))
    whole = engine_for((T, C, O2, T2))
    said = whole.feed(readings).events
    engine, in_parts = engine_for((T, C, O2, T2)), []
    cuts = np.sort(np.random.default_rng(LOT).integers(0, len(readings), 60)).tolist()
    for start, stop in zip([0, *cuts], [*cuts, len(readings)], strict=True):
        in_parts += engine.feed(readings.part(start, stop)).events
        engine = Engine.restore(json.loads(json.dumps(engine.snapshot())))
    assert in_parts == said
    assert json.dumps(engine.snapshot(), sort_keys=True) == json.dumps(whole.snapshot(), sort_keys=True)


def test_a_count_that_does_not_go_on_says_that_answers_are_old_ones_at_once():
    at, values = water(0.5)
    fresh = 9
    values[fresh] = np.arange(at.size, dtype=np.float64)
    values[fresh][at >= 3 * HOUR] = 4_000.0
    plan = engine_for((T, C, O2)).plan
    engine = Engine(replace(plan, fresh={"multi": fresh}), MIDNIGHT_MS)
    readings = block(at, values, (T, C, O2, fresh))
    faults = [event for event in engine.feed(readings).events if event.condition is Condition.PROBE_FAULT]
    assert {event.alarm for event in faults} == {"k1/temperature/probe_fault", "k1/conductivity/probe_fault"}
    told_at = min(event.at_ms for event in faults if event.trigger in FOUND)
    assert 2 <= (told_at - MIDNIGHT_MS - 3 * HOUR) / MINUTE <= 5, "one problem"


def test_a_calm_probe_whose_answers_are_counted_is_not_frozen():
    at, values = water(0.5)
    values[9], values[T] = np.arange(at.size, dtype=np.float64), np.full(at.size, 15.0)
    engine = Engine(replace(engine_for((T,)).plan, fresh={"multi": 9}), MIDNIGHT_MS)
    assert not engine.feed(block(at, values, (T, 9))).events
    assert now(engine, "k1/temperature").frozen is False


@pytest.mark.parametrize("freezes_h", [1.3, 3.7, 9.2, 17.5, 24.4, 38.8, 46.6])
@pytest.mark.parametrize("digit", [0.01, 0.05], ids=["fine", "coarse"])
def test_a_freeze_within_the_first_two_days_is_told_when_they_are_over(freezes_h, digit):
    """The longest calm of k times the time is at most k times as long: half a day at most for these."""
    at, values = water(4, digit=digit)
    frozen = at >= freezes_h * HOUR
    values[O2][frozen] = values[O2][frozen][0]
    ((alarm, minutes, reason),) = told(at, values, (T, C, O2))[0]
    assert (alarm, reason) == ("k1/oxygen/probe_fault", "stuck")
    moves = np.flatnonzero(np.diff(values[O2][~frozen]))
    longest_h = max(1 / 6, np.diff(moves).max() * POLL / HOUR)
    due_h = max(48.0, freezes_h + 3 * longest_h * max(1.0, 48.0 / freezes_h))
    assert 0.0 <= minutes / 60 - min(due_h, 48.0) <= due_h - 48.0 + 0.1


def test_a_probe_that_never_moved_is_shown_as_that_and_calls_nobody():
    at, values = water(4)
    values[O2][:] = 8.0
    faults, engine = told(at, values, (T, C, O2))
    assert not faults
    assert now(engine, "k1/oxygen").frozen is None


@pytest.mark.parametrize("lot", range(30))
def test_healthy_coarse_probes_are_left_in_peace_from_their_first_day_on(lot):
    """Water that hardly moves beside a last digit of 0.1 shows it six times in two days, or never."""
    draw = np.random.default_rng(lot)
    noise, at = draw.uniform(0.008, 0.02), np.arange(2 * POLL, 6 * DAY, 2 * POLL)
    course = 15.0 + 0.2 * noise * np.sin(2 * np.pi * at / DAY)
    values = {T: np.round(course + noise * draw.normal(size=at.size), 1)}
    assert told(at, values, (T,))[0] == []


@pytest.mark.parametrize("digit", [0.05, 0.1])
def test_the_measured_sea_on_coarse_digits_is_left_in_peace_for_three_days(digit):
    for begin in range(0, 16_000, 1_900):
        sea = measured()["t"][begin : begin + 3 * 24 * 60]
        at = np.arange(1, sea.size + 1) * MINUTE
        assert told(at, {T: np.round(sea / digit) * digit}, (T,))[0] == [], begin


def test_what_two_days_showed_counts_from_their_midnight_on():
    """Noise of 0.15 mg/L: not erratic in itself, but thirty times what the probe showed until midnight."""
    at, values = water(2.4, noise=0.005)
    noisy = at >= 50 * HOUR
    values[O2][noisy] += np.round(0.15 * np.random.default_rng(LOT).normal(size=np.count_nonzero(noisy)), 2)
    ((alarm, minutes, reason),) = told(at, values, (T, C, O2))[0]
    assert (alarm, reason) == ("k1/oxygen/probe_fault", "erratic")
    assert minutes <= 50 * 60 + 30


@pytest.mark.parametrize("noise_c", [0.55, 1.4, 2.7])
def test_a_thermometer_that_is_noisy_from_its_first_minute_is_one_call(noise_c):
    """It has no sound past to be compared with; half an hour is within what heat leaves for an answer."""
    at, values = water(1)
    values[T] = np.round(values[T] + noise_c * np.random.default_rng(LOT).normal(size=at.size), 2)
    events = engine_for((T, C, O2)).feed(block(at, values, (T, C, O2))).events
    told_now = [it for it in events if it.trigger in TOLD_OF and it.state is State.UNACKNOWLEDGED]
    (call,) = {it.alarm for it in told_now if it.priority >= Priority.MEDIUM}
    assert call == "probe/multi/unwatched"
    assert (min(it.at_ms for it in told_now if it.alarm == call) - MIDNIGHT_MS) / MINUTE <= 40
