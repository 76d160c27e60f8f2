"""Judging one channel: what counts against which limit, and what a forecast says. Worked by hand."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition, Priority
from rules.alarms.persistence import Persistence, Phase
from rules.judging.channel import judge_channel
from rules.judging.disagreement import differences
from rules.judging.series import ChannelState, Samples, Series, known_at, sample
from rules.judging.trend import Rise, TrendState
from rules.judging.water import show
from rules.plain import from_plain, to_plain
from rules.quality.settings import QualitySettings, Range, Repeats
from rules.rack.limits import Bounds, Level, limits_of
from rules.rack.tolerance import Band, Tolerance
from tests.rigs.watched_rack import HOUR, MINUTE, PROMPT

QUALITY = QualitySettings(sensor_range=Range(0.0, 40.0), operator_range=Range(5.0, 30.0))
FORECAST = Tolerance(
    critical=Band(8, 23), on_delay_ms=0, off_delay_ms=0, critical_on_delay_ms=0, lead_time_ms=2 * HOUR
)


places = st.sets(st.integers(0, 12), max_size=8).map(lambda its: np.array(sorted(its), dtype=np.intp))


def series(values, *, every=MINUTE, start=0):
    value = np.array(values, dtype=np.float64)
    count = np.arange(value.size)
    return Series(count, (start + count * every).astype(np.int64), value)


def judge(values, tolerance=PROMPT, *, state=None, twin=None, every=MINUTE, start=0, noise=None):
    bounds = Bounds(
        tolerance, [(limit, float(limit.value)) for limit in limits_of(tolerance)] if tolerance else []
    )
    twin = None if twin is None else np.array(twin, dtype=np.float64)
    state = ChannelState() if state is None else state
    here = series(values, every=every, start=start)
    usual = (lambda: noise) if noise is not None else None
    verdict = judge_channel(show(here, state, QUALITY), state, bounds, crossing, usual)
    if twin is not None:
        verdict.edges.extend(differences((twin, here.time_ms), verdict, state, bounds, crossing))
    return verdict


def crossing(condition, level, priority, turn, evidence):
    lost = priority or Priority.HIGH
    return Crossing(
        "k1", "", "k1/x", condition, "", level, lost, turn.active, turn.since_ms, evidence=evidence
    )


def edges(verdict):
    return [(index, f"{edge.condition}:{edge.level}", edge.active) for index, edge in verdict.edges]


def test_beyond_the_limits_and_back():
    assert edges(judge([15, 19, 24, 20, 15])) == [
        (1, "high:advisory", True),
        (4, "high:advisory", False),
        (2, "high_high:critical", True),
        (3, "high_high:critical", False),
    ]


def test_the_evidence_is_the_value_and_the_limit():
    _, edge = judge([15, 19]).edges[0]
    assert (edge.evidence.value, edge.evidence.limit, edge.priority) == (19.0, 18.0, Priority.MEDIUM)
    assert edge.since_ms == MINUTE
    assert edge.evidence.limit_from == "built-in"
    own = replace(PROMPT, given=("stages.ephyra.x.advisory_high",))
    assert judge([15, 19], own).edges[0][1].evidence.limit_from == "stages.ephyra.x.advisory_high"


def test_on_the_limit_is_still_inside_and_the_deadband_must_be_left():
    tolerance = Tolerance(advisory=Band(12, 18), deadband=0.5, on_delay_ms=0, off_delay_ms=0, lead_time_ms=0)
    assert edges(judge([18.0, 18.01, 17.9, 17.5, 17.49], tolerance)) == [
        (1, "high:advisory", True),
        (4, "high:advisory", False),
    ]


@pytest.mark.parametrize(("noise", "returns"), [(0.0, 1), (0.07, 1), (0.17, 2), (0.31, 3), (2.6, 4)])
def test_the_noisier_a_channel_usually_is_the_further_inside_it_must_be_to_return(noise, returns):
    """Four times its noise, which normal noise all but never exceeds; not under the deadband, and not over
    four times that (project judgement). The readings lie 0.6, 1, 1.5 and 2.1 inside."""
    tolerance = Tolerance(advisory=Band(12, 18), deadband=0.5, on_delay_ms=0, off_delay_ms=0, lead_time_ms=0)
    assert edges(judge([18.3, 17.4, 17.0, 16.5, 15.9], tolerance, noise=noise)) == [
        (0, "high:advisory", True),
        (returns, "high:advisory", False),
    ]


def test_a_reading_that_cannot_be_is_no_evidence_and_in_the_end_a_probe_fault():
    verdict = judge([15, 99, 99, 99, *[15] * 6])
    assert edges(verdict) == [(2, "probe_fault:advisory", True), (9, "probe_fault:advisory", False)]
    assert verdict.edges[0][1].priority is Priority.HIGH
    assert verdict.edges[0][1].evidence.value == 99.0
    assert np.isnan(verdict.shown.usable).tolist() == [False, True, True, True, *[False] * 6]


def test_a_suspect_reading_still_counts():
    """4 °C is suspect (the operator's range begins at 5), and yet it is too cold."""
    assert (1, "low_low:critical", True) in edges(judge([15, 4, 4]))


def test_a_flat_line_that_is_only_suspect_is_told_of_a_channel_of_which_nothing_stands():
    state, repeats = ChannelState(), replace(QUALITY, flat_line_suspect=Repeats(3, 0))
    values = series([15.0, 15.1, *[15.2] * 8])
    told = judge_channel(show(values, state, repeats), state, Bounds(None, []), crossing)
    assert edges(told) == [(6, "probe_fault:doubtful", True)]  # the fourth alike, and a minute more


def test_without_a_tolerance_only_the_probe_itself_is_judged():
    assert edges(judge([15, 99, 99, 99], None)) == [(2, "probe_fault:advisory", True)]


# Redundant probes


def test_probes_that_differ_by_more_than_is_allowed_disagree():
    """0.5 is allowed; it is over at a fifth less, 0.4 (project judgement)."""
    tolerance = Tolerance(max_disagreement=0.5, on_delay_ms=0, off_delay_ms=0, lead_time_ms=0)
    mine, twin = [15.0, 15.5, 15.51, 14.55, 15.39], [15.0, 15.0, 15.0, 15.0, 15.0]
    verdict = judge(mine, tolerance, twin=twin)
    assert edges(verdict) == [(2, "disagreement:advisory", True), (4, "disagreement:advisory", False)]
    assert verdict.edges[0][1].evidence.value == pytest.approx(0.51)


def test_a_twin_that_is_unknown_neither_agrees_nor_disagrees():
    tolerance = Tolerance(max_disagreement=0.5, on_delay_ms=0, off_delay_ms=0, lead_time_ms=0)
    assert edges(judge([15, 16, 16], tolerance, twin=[np.nan, 15, np.nan])) == [
        (1, "disagreement:advisory", True)
    ]
    assert edges(judge([15, 16, 16], tolerance)) == []


# Rates and forecasts


RATE = Tolerance(target=15.0, max_rise_per_hour=1.0, on_delay_ms=0, off_delay_ms=0, lead_time_ms=0)


def test_a_rate_beyond_its_limit_is_told_in_the_quantity_per_hour():
    """2 °C an hour, against 1 °C an hour; sure once the square of what is filled of half an hour is half."""
    index, first = judge([15 + 2 * minute / 60 for minute in range(40)], RATE).edges[0]
    assert (first.condition, first.active, first.priority) == (Condition.RISING, True, Priority.HIGH)
    assert first.evidence.rate_per_hour == pytest.approx(2.0, rel=1e-5)
    assert 21 <= index <= 24
    assert edges(judge([15 - 2 * minute / 60 for minute in range(40)], RATE)) == []


def test_a_rate_back_to_the_target_is_less_urgent():
    """From 10 °C up to 12 °C, where 15 is wanted: a strain for the animals, but the water is on the mend."""
    found = judge([10 + 2 * minute / 60 for minute in range(60)], RATE).edges
    assert [(edge.condition, edge.priority) for _, edge in found] == [(Condition.RISING, Priority.MEDIUM)]


@pytest.mark.parametrize(("to", "priority"), [(15.5, Priority.MEDIUM), (15.51, Priority.HIGH)])
@pytest.mark.parametrize("side", [1, -1])
def test_up_to_the_deadband_about_the_target_no_rate_is_away_from_it(to, priority, side):
    """By 2 within an hour to there, where it stays: what is on the edge is not beyond it."""
    both = replace(RATE, max_fall_per_hour=1.0, deadband=0.5)
    course = 15.0 + side * (np.minimum(13.5 + np.arange(90) / 30, to) - 15.0)
    found = [edge.priority for _, edge in judge(course, both).edges if edge.active]
    assert max(found) is priority


@pytest.mark.parametrize("cut", [10, 30, 50])
def test_while_the_target_moves_either_way_is_away_however_the_readings_are_cut(cut):
    """A ramp until minute 30 along a rise of 2 °C an hour below the target."""
    course, ramp = 10 + np.arange(60) / 30, np.arange(60) < 30
    limits = [(limit, float(limit.value)) for limit in limits_of(RATE)]
    state, found = ChannelState(), []
    for part in (slice(0, cut), slice(cut, 60)):
        block = Series(np.arange(60)[part], np.arange(60)[part] * MINUTE, course[part])
        here = ramp[part] if ramp[part].any() else None
        verdict = judge_channel(show(block, state, QUALITY), state, Bounds(RATE, limits, here), crossing)
        found += [(index, str(edge.level)) for index, edge in verdict.edges]
    assert sorted(found) == [(24, "advisory"), (24, "away")]


@pytest.mark.parametrize(
    ("level", "advisory_low", "told"), [(15, 12, False), (15, 16, True), (15, None, False)]
)
def test_what_rose_fast_may_fall_back_as_fast_but_not_to_below_its_band(level, advisory_low, told):
    """By 3 within five minutes and back, where only a fall is limited: air went in (project judgement)."""
    tolerance = Tolerance(
        advisory=Band(advisory_low), max_fall_per_hour=3.0, on_delay_ms=0, off_delay_ms=0, lead_time_ms=0
    )
    course = np.interp(np.arange(120), [60, 65, 75, 80], [level, level + 3, level + 3, level])
    found = {edge.condition for _, edge in judge(course, tolerance).edges}
    assert (Condition.FALLING in found) == told


def test_a_steady_course_towards_a_critical_limit_is_told_with_the_time_of_arrival():
    """1 °C an hour from 20 °C: 23 °C is three hours away, which is within two hours from 21 °C on."""
    verdict = judge([20 + minute / 60 for minute in range(120)], FORECAST)
    ((index, edge),) = verdict.edges
    assert (edge.condition, edge.level, edge.active) == (Condition.HEADING_OUT, Level.ABOVE, True)
    assert index in (61, 62), "one reading later than on paper: the median looks one back"
    assert edge.evidence.reached_ms == pytest.approx(180 * MINUTE, abs=2 * MINUTE)
    assert edge.evidence.limit == 23.0


def test_a_course_that_turns_away_is_told_to_be_over_and_promises_no_time_of_arrival():
    course = [20 + minute / 60 for minute in range(90)] + [21.5 - minute / 60 for minute in range(60)]
    verdict = judge(course, FORECAST)
    assert [edge.active for _, edge in verdict.edges] == [True, False]
    assert verdict.edges[1][1].evidence.reached_ms is None


def test_a_fall_towards_the_lower_limit_is_told_too():
    verdict = judge([11 - minute / 60 for minute in range(120)], FORECAST)
    assert [(edge.level, edge.active) for _, edge in verdict.edges] == [(Level.BELOW, True)]


@pytest.mark.parametrize("step_minute", [10, 25, 40, 55])
def test_a_step_is_no_trend_for_only_one_half_of_the_window_shows_it(step_minute):
    """A water change: 1.5 °C at once would be 3 °C an hour, and 6 °C more in two hours."""
    course = [18.0 + 0.001 * (minute % 3) + 1.5 * (minute >= step_minute) for minute in range(120)]
    assert not [edge for _, edge in judge(course, FORECAST).edges if edge.condition is Condition.HEADING_OUT]


def test_a_course_that_levels_off_before_the_limit_is_not_told():
    """It approaches 21.5 °C and gets no nearer; at first it rises by 1.5 °C an hour, which would do."""
    course = [21.5 - 1.5 * np.exp(-minute / 60) for minute in range(30, 300)]
    assert judge(course, FORECAST).edges == []


def noisy_nights(level, sigma, nights):
    """How many of some nights of twelve hours, a reading each 10 s, raise a forecast on noise alone."""
    tolerance = Tolerance(critical=Band(8, 23), on_delay_ms=2 * MINUTE, lead_time_ms=2 * HOUR)
    random = np.random.default_rng(20251009)
    raised = 0
    for _ in range(nights):
        found = judge(level + random.normal(0.0, sigma, 12 * 360), tolerance, every=10_000).edges
        raised += any(edge.condition is Condition.HEADING_OUT and edge.active for _, edge in found)
    return raised


def test_noise_is_no_trend():
    """Stated rate of false alarms: none in 200 nights of noise of 0.1 °C (one standard deviation), 1 °C or
    more below the limit. (White noise, invented; a probe of the trade has less than half of that.)"""
    assert noisy_nights(20.0, 0.1, 100) == 0
    assert noisy_nights(22.0, 0.1, 100) == 0


# Carried from block to block


def test_the_state_comes_back_from_a_snapshot_as_it_was():
    state = ChannelState()
    judge([15, 19, 24, 99, 20], FORECAST, state=state)
    there = json.dumps(to_plain(state))
    assert json.dumps(to_plain(from_plain(ChannelState, json.loads(there)))) == there


def test_what_is_remembered_is_the_last_reading_and_the_last_that_may_be_used():
    state = ChannelState()
    judge([15, 19, 99], state=state)
    assert (state.time_ms, state.value) == (2 * MINUTE, 99.0)
    assert (state.good_time_ms, state.good_value) == (MINUTE, 19.0)


@pytest.mark.parametrize(("limit", "away", "edge"), [(8.0, 0.25, "below"), (23.0, -0.25, "above")])
def test_what_is_just_on_the_limit_and_goes_on_is_heading_out(limit, away, edge):
    """A rate is known after half its window: then the level, one reading behind, is exactly the limit."""
    half = FORECAST.rate_window_ms // 2 // MINUTE
    values = [limit + away * (half + 1 - minute) for minute in range(half + 3)]
    assert (half + 2, f"heading_out:{edge}", True) in edges(judge(values, FORECAST))


@given(places, places)
def test_what_is_known_at_a_place_is_what_came_up_to_it(here, at):
    known = np.arange(here.size + 1)[known_at(here, at)].tolist()
    assert known == [sum(it <= place for it in here.tolist()) for place in at.tolist()]


@given(places, st.integers(-2, 2))
def test_what_is_known_is_the_same_where_probes_are_read_in_turns(here, off):
    test_what_is_known_at_a_place_is_what_came_up_to_it.hypothesis.inner_test(here, here + off)


def test_of_each_hour_the_first_good_reading_is_kept_wherever_a_block_ends():
    first, kept = sample(series([np.nan, 15.1, 15.2, 15.3, 15.4], every=20 * MINUTE), Samples())
    then, kept = sample(series([15.5, 15.6], every=20 * MINUTE, start=100 * MINUTE), kept)
    assert (first.tolist(), then.tolist()) == ([1, 3], [1])
    assert (kept.hour, kept.value) == ((0, 1, 2), (15.1, 15.3, 15.6))


FORECAST_OF_FALL = replace(FORECAST, max_fall_per_hour=2.0, rate_window_ms=20 * MINUTE)
OWN: dict[Tolerance, Bounds] = {}
TURNS: dict[float | None, np.ndarray | None] = {}
OTHERS = {
    "the same": (FORECAST_OF_FALL, None, {}),
    "looks further ahead": (replace(FORECAST_OF_FALL, lead_time_ms=8 * HOUR), None, {}),
    "falls sooner": (replace(FORECAST_OF_FALL, max_fall_per_hour=0.5), None, {}),
    "may turn less": (replace(FORECAST_OF_FALL, max_fall_per_hour=1.0), 0.0, {}),
    "rose before": (FORECAST_OF_FALL, None, {"rise": Rise(14.0, 60 * MINUTE)}),
    "went on from elsewhere": (
        FORECAST_OF_FALL, None, {"trend": TrendState(np.arange(0, 60) * MINUTE, np.linspace(22.0, 16.0, 60))},
    ),
    "out already": (FORECAST_OF_FALL, None, {"standing": {"low:advisory": Persistence(Phase.ACTIVE, 0)}}),
}  # fmt: skip


@pytest.mark.parametrize("other", OTHERS)
def test_what_one_found_is_taken_by_another_only_where_it_would_find_the_very_same(other):
    """Of engines that share what a channel shows: whatever differs, each says what it says alone."""
    here = series(16.0 - 0.025 * np.arange(40), start=60 * MINUTE)
    tolerance, turn, before = OTHERS[other]

    def judged(shown, tolerance, turn, before):
        state = ChannelState(**before)
        limits = tuple((limit, float(limit.value)) for limit in limits_of(tolerance))
        bounds = OWN.setdefault(tolerance, Bounds(tolerance, limits))
        turns = TURNS.setdefault(turn, None if turn is None else np.full(40, turn))
        verdict = judge_channel(shown, state, bounds, crossing, None, turns)
        return repr((edges(verdict), verdict.rate_per_hour().tolist(), to_plain(state)))

    def anew():
        return show(here, ChannelState(), QUALITY)

    shared, first = anew(), (FORECAST_OF_FALL, None, {}) if turn is None else (tolerance, 2.0, {})
    assert judged(shared, *first) == judged(anew(), *first)
    assert judged(shared, tolerance, turn, before) == judged(anew(), tolerance, turn, before)
