"""The judge of a channel's quality: the law of cuts, how the tests act together, what is refused."""

import json
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.plain import from_plain, to_plain
from rules.quality.calm import MOVING
from rules.quality.flags import Flag, QartodTest, pack, unpack
from rules.quality.probe_faults import Belied
from rules.quality.quality import PART, judge
from rules.quality.settings import DEFAULT_QUALITY, HOUR_MS, QualityError, QualitySettings, Range, Repeats
from rules.quality.state import QualityState
from rules.quantities import Quantity

NAN, INF = math.nan, math.inf
START_MS = 1_760_000_000_000
SENSOR = Range(-5.0, 50.0)
TEMPERATURE = DEFAULT_QUALITY[Quantity.TEMPERATURE]


def judged(value, settings, time_ms=None, state=None, unparsable=None):
    time_ms = START_MS + 30_000 * np.arange(len(value)) if time_ms is None else time_ms
    arrays = np.asarray(time_ms, dtype=np.int64), np.array(value, dtype=np.float64)
    return judge(*arrays, settings, state or QualityState(), unparsable)


def written(state):
    return json.dumps(to_plain(state))


def through_json(state):
    return from_plain(QualityState, json.loads(written(state)))


def judged_in_parts(time_ms, value, settings, cuts, unparsable=None):
    """Judge part by part with the state through JSON in between; return summary, causal, tests and state."""
    state, summary, causal, tests = QualityState(), [], [], []
    for start, stop in pairwise([0, *sorted(cuts), len(value)]):
        refused = None if unparsable is None else unparsable[start:stop]
        part = judge(time_ms[start:stop], value[start:stop], settings, state, refused)
        state = through_json(part.state)
        if part.amended is not None:
            assert summary[-1] != part.amended
            summary[-1] = int(part.amended)
        if part.amended_tests is not None:
            assert tests[-1] != part.amended_tests
            tests[-1] = part.amended_tests
        summary += part.summary.tolist()
        causal += part.causal.tolist()
        tests += part.tests.tolist()
    return summary, causal, tests, state


def assert_law(time_ms, value, settings, cuts, unparsable=None):
    whole = judge(time_ms, value, settings, QualityState(), unparsable)
    summary, causal, tests, state = judged_in_parts(time_ms, value, settings, cuts, unparsable)
    assert summary == whole.summary.tolist()
    assert causal == whole.causal.tolist()
    assert tests == whole.tests.tolist()
    assert written(state) == written(whole.state)


thresholds = st.one_of(st.none(), st.sampled_from([0.0, 0.1, 0.5, 2.0]))
repeats = st.one_of(st.none(), st.builds(Repeats, st.integers(1, 4), st.sampled_from([0, 60_000, HOUR_MS])))


@st.composite
def all_settings(draw):
    spike = sorted(draw(st.tuples(st.sampled_from([0.0, 0.2, 1.0]), st.sampled_from([0.1, 3.0]))))
    return QualitySettings(
        sensor_range=SENSOR,
        operator_range=draw(st.sampled_from([None, Range(1.0, 30.0)])),
        climatology=draw(st.sampled_from([None, Range(9.9, 10.4)])),
        max_gap_ms=draw(st.sampled_from([None, 1_800_000])),
        spike_suspect=draw(st.sampled_from([None, spike[0]])),
        spike_fail=draw(st.sampled_from([None, spike[1]])),
        max_change_per_hour=draw(thresholds),
        max_change_deviations=draw(st.sampled_from([None, 1.0, 3.0])),
        deviation_hours=draw(st.sampled_from([1, 3, 25])),
        min_step=draw(st.sampled_from([0.0, 0.15])),
        flat_line_eps=draw(st.sampled_from([0.0, 0.1])),
        flat_line_suspect=draw(repeats),
        attenuated_suspect=draw(thresholds),
        attenuated_hours=draw(st.sampled_from([1, 2])),
        attenuated_by=draw(st.sampled_from(["range", "deviation"])),
    )


values = st.one_of(
    st.sampled_from([10.0, 10.1, 10.2, 10.5, 12.0, 31.0]),
    st.floats(9.0, 11.0),
    st.sampled_from([NAN, INF, -INF, -9999.0, 7999.0]),
)
steps = st.sampled_from([1, 30_000, 60_000, 900_000, 1_800_001, HOUR_MS, 9 * HOUR_MS])
readings = st.lists(st.tuples(steps, values, st.booleans()), min_size=1, max_size=70)


@given(readings, all_settings(), st.sets(st.integers(1, 69)), st.booleans())
def test_judging_in_parts_is_judging_the_whole(series, settings, cuts, some_unparsable):
    time_ms = START_MS + np.cumsum([step for step, _, _ in series], dtype=np.int64)
    value = np.array([x for _, x, _ in series])
    unparsable = np.array([refused for _, _, refused in series]) if some_unparsable else None
    assert_law(time_ms, value, settings, {cut for cut in cuts if cut < len(series)}, unparsable)


calm_settings = st.builds(
    QualitySettings,
    sensor_range=st.just(SENSOR),
    operator_range=st.sampled_from([None, Range(1.0, 30.0)]),
    climatology=st.sampled_from([None, Range(9.9, 10.4)]),
    max_gap_ms=st.sampled_from([None, 1_800_000]),
    spike_suspect=st.sampled_from([None, 0.1, 0.6]),
    spike_fail=st.sampled_from([None, 0.6]),
    max_change_per_hour=st.sampled_from([None, 0.5]),
    max_change_deviations=st.sampled_from([None, 1.0]),
    deviation_hours=st.just(1),
    min_step=st.sampled_from([0.05, 0.15, 2.0]),
)


@given(st.integers(0, 2**32), calm_settings)
def test_readings_too_close_for_any_finding_are_flagged_as_by_every_single_test(seed, settings):
    """The whole runs each test, as it has no past: parts with one need not where nothing can be found."""
    random, size = np.random.default_rng(seed), 60
    time_ms = START_MS + np.cumsum(random.choice([30_000, 600_000, 1_800_000, 1_800_001], size))
    value = random.choice([10.0, 10.02, 10.1, 10.12, 10.3, 10.45], size)
    value[random.integers(1, size, 3)] = [NAN, 0.9, -7.0]
    cuts = {1, 2, *random.integers(1, size, 40).tolist()}
    assert_law(time_ms, value, settings, cuts, random.random(size) < 0.1)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_the_law_over_the_length_of_several_parts(quantity):
    """So long that a block is worked on in parts; with spikes, sentinels, missing and frozen stretches."""
    random = np.random.default_rng(20120606)
    settings, size = DEFAULT_QUALITY[quantity], 2 * PART + 1234
    middle = (settings.operator_range.low + settings.operator_range.high) / 2
    value = np.round(middle + random.normal(0.0, settings.min_step / 2, size), 2)
    time_ms = START_MS + np.cumsum(random.integers(20_000, 40_000, size))
    value[random.integers(0, size, 300)] += 1.5 * settings.spike_fail
    value[random.integers(0, size, 300)] = -9999.0
    value[random.integers(0, size, 300)] = NAN
    value[5000:9000] = value[5000]
    value[PART - 1] += 1.5 * settings.spike_fail
    assert_law(time_ms, value, settings, random.choice(np.arange(1, size), 40, replace=False))
    found = np.unique(judge(time_ms, value, settings, QualityState()).summary).tolist()
    assert found == [Flag.PASS, Flag.SUSPECT, Flag.FAIL, Flag.MISSING]


def test_an_empty_block_changes_nothing():
    state = judged([10.0, 10.1], TEMPERATURE).state
    empty = judged([], TEMPERATURE, state=state)
    assert empty.summary.size == empty.causal.size == empty.tests.size == 0
    assert (empty.amended, empty.amended_tests) == (None, None)
    assert empty.state is state


def test_a_spike_amends_the_last_reading_of_the_former_block():
    time_ms = START_MS + 30_000 * np.arange(4)
    former = judged([15.0, 15.0, 19.0], TEMPERATURE, time_ms[:3])
    # The step is suspect at once; so is its neighbour, whose own neighbours it pulls apart (QARTOD test 6).
    assert former.summary.tolist() == [1, 3, 3]
    after = judged([15.0], TEMPERATURE, time_ms[3:], former.state)
    assert after.amended is Flag.FAIL
    assert unpack(np.array([after.amended_tests], dtype=np.uint32))[QartodTest.SPIKE].tolist() == [4]
    assert written(after.state) == written(judged([15.0, 15.0, 19.0, 15.0], TEMPERATURE, time_ms).state)


def test_an_inconspicuous_reading_is_amended_in_its_tests_only():
    former = judged([15.0, 15.1], TEMPERATURE)
    after = judged([15.0], TEMPERATURE, [START_MS + 60_000], former.state)
    assert after.amended is None
    assert after.amended_tests == int(former.tests[-1]) - (1 << 4 * QartodTest.SPIKE)


def test_causal_flags_do_not_know_the_next_reading():
    found = judged([15.0, 15.0, 19.0, 15.0], QualitySettings(SENSOR, spike_suspect=0.5, spike_fail=3.0))
    assert found.summary.tolist() == [1, 3, 4, 1]
    assert found.causal.tolist() == [1, 1, 1, 1]


def test_what_the_sensor_cannot_report_makes_no_spike_of_its_neighbours():
    value = [15.0, 15.0, 15.1, 7999.0, 15.1, 15.0, 15.0]
    found = judged(value, TEMPERATURE)
    assert found.summary.tolist() == [1, 1, 1, 4, 1, 1, 1]
    tests = unpack(found.tests)
    assert tests[QartodTest.SPIKE].tolist() == [2, 1, 2, 2, 2, 1, 2]
    assert tests[QartodTest.RATE_OF_CHANGE].tolist() == [2, 1, 1, 2, 2, 1, 1]


def test_missing_and_unparsable_readings():
    unparsable = np.array([False, False, True, False])
    found = judged([15.0, NAN, 15.0, INF], TEMPERATURE, unparsable=unparsable)
    assert found.summary.tolist() == [1, 9, 4, 9]
    tests = unpack(found.tests)
    assert tests[QartodTest.SYNTAX].tolist() == [1, 9, 4, 9]
    assert tests[QartodTest.GROSS_RANGE].tolist() == [1, 9, 9, 9]
    assert tests[QartodTest.ATTENUATED_SIGNAL].tolist() == [2, 9, 9, 9]


def test_a_gap_shows_in_its_row_alone():
    found = judged([15.0, 15.1, 15.2], TEMPERATURE, [START_MS, START_MS + 1000, START_MS + HOUR_MS + 1001])
    assert unpack(found.tests)[QartodTest.TIMING].tolist() == [2, 1, 4]
    assert found.summary.tolist() == [1, 1, 1]


def test_climatology_is_the_plausible_range_of_the_stage():
    settings = QualitySettings(SENSOR, climatology=Range(8.0, 12.0))
    assert judged([8.0, 12.5, 12.0], settings).summary.tolist() == [1, 3, 1]


@pytest.fixture
def day():
    """A day and two hours at one reading a minute, alternating by 0.1 °C: a standard deviation of 0.05."""
    time_ms = START_MS // HOUR_MS * HOUR_MS + 60_000 * np.arange(27 * 60)
    return time_ms, 15.0 + 0.05 * (-1.0) ** np.arange(time_ms.size)


def test_rate_of_change_by_the_deviation_of_the_hours_before(day):
    time_ms, value = day
    settings = QualitySettings(SENSOR, max_change_deviations=3.0)
    value[-1] = value[-2] + 0.149
    assert judged(value, settings, time_ms).summary[-1] == Flag.PASS
    value[-1] = value[-2] + 0.151
    assert judged(value, settings, time_ms).summary[-1] == Flag.SUSPECT
    rate = unpack(judged(value, settings, time_ms).tests)[QartodTest.RATE_OF_CHANGE]
    assert rate[: 13 * 60].tolist() == [Flag.NOT_EVALUATED] * 13 * 60  # half of 25 hours must be known
    assert rate[13 * 60] == Flag.PASS


@pytest.mark.parametrize(("by", "variation"), [("range", 0.1), ("deviation", 0.05)])
def test_attenuated_signal_over_the_hours_before(day, by, variation):
    time_ms, value = day
    for least, flag in ((0.99 * variation, Flag.PASS), (1.01 * variation, Flag.SUSPECT)):
        settings = QualitySettings(SENSOR, attenuated_suspect=least, attenuated_hours=2, attenuated_by=by)
        row = unpack(judged(value, settings, time_ms).tests)[QartodTest.ATTENUATED_SIGNAL]
        assert row[:120].tolist() == [Flag.NOT_EVALUATED] * 120
        assert row[120:].tolist() == [flag] * (value.size - 120)


def test_the_law_over_a_day_of_hours(day):
    """Noise that grows from hour to hour, so that the flags hang on every hour of the window."""
    time_ms, value = day
    random = np.random.default_rng(1)
    value = 15.0 + random.normal(0.0, 0.01 + 0.002 * np.arange(value.size) / 60.0)
    for deviation_hours, attenuated_hours in ((25, 2), (2, 25)):
        settings = QualitySettings(
            SENSOR,
            max_change_deviations=1.5,
            deviation_hours=deviation_hours,
            attenuated_suspect=0.2,
            attenuated_hours=attenuated_hours,
        )
        assert_law(time_ms, value, settings, [59, 60, 700, 1000, 1500, 1501, 1560])


def test_hours_start_anew_with_another_sensor_range(day):
    time_ms, value = day
    settings = QualitySettings(SENSOR, max_change_deviations=3.0)
    state = judged(value, settings, time_ms).state
    other = QualitySettings(Range(0.0, 40.0), max_change_deviations=3.0)
    after = judged([15.0], other, [time_ms[-1] + 60_000], state)
    assert unpack(after.tests)[QartodTest.RATE_OF_CHANGE].tolist() == [Flag.NOT_EVALUATED]


@pytest.mark.parametrize("times", [[START_MS, START_MS], [START_MS + 1, START_MS]])
def test_times_must_rise(times):
    with pytest.raises(
        QualityError, match=f"time {times[1]} ms follows {times[0]} ms: a channel's times must"
    ):
        judged([15.0, 15.0], TEMPERATURE, times)


def test_times_must_rise_from_block_to_block():
    state = judged([15.0], TEMPERATURE, [START_MS]).state
    with pytest.raises(QualityError, match="a channel's times must rise"):
        judged([15.0], TEMPERATURE, [START_MS], state)


def test_as_many_times_as_values():
    with pytest.raises(QualityError, match=r"times have the shape \(1,\), values \(2,\)"):
        judged([15.0, 15.0], TEMPERATURE, [START_MS])


def test_the_input_is_left_alone():
    value = np.array([15.0, NAN, 7999.0, 15.0])
    before = value.copy()
    judge(START_MS + np.arange(4), value, TEMPERATURE, QualityState())
    np.testing.assert_array_equal(value, before)


def test_words_are_the_packed_flags():
    found = judged([15.0, 15.1, 15.0], TEMPERATURE)
    np.testing.assert_array_equal(pack(unpack(found.tests)), found.tests)
    assert f"{found.tests[1]:x}" == "22112111"


def belied(size, **where):
    """What else speaks against readings: the places by name; `since_ms` is 7 where one is frozen."""
    names = ("jumped", "erratic", "young", "loose", "played", "doubted")
    columns = {name: np.isin(np.arange(size), where.get(name, ())) for name in names}
    frozen = np.isin(np.arange(size), where.get("frozen", ()))
    return Belied(since_ms=np.where(frozen, 7, MOVING), **columns)


def test_what_is_belied_fails_by_the_test_that_says_so():
    """Frozen ones by the flat line; a leap, and an erratic probe's, by the rate of change."""
    sound = judge(1000 * np.arange(1, 6), np.full(5, 15.0), QualitySettings(Range(0, 40)), QualityState())
    found = sound.with_belied(belied(5, frozen=[1], jumped=[2, 4], erratic=[3]))
    assert found.causal.tolist() == found.summary.tolist() == [1, 4, 4, 4, 4]
    rows = unpack(found.tests)
    assert rows[QartodTest.FLAT_LINE].tolist() == [2, 4, 2, 2, 2]
    assert rows[QartodTest.RATE_OF_CHANGE].tolist() == [2, 2, 4, 4, 4]
    others = [test for test in QartodTest if test not in (QartodTest.FLAT_LINE, QartodTest.RATE_OF_CHANGE)]
    assert (rows[others] == unpack(sound.tests)[others]).all()
    assert found.state.tests.tolist() == rows[:, 4:].tolist(), "carried"
    assert sound.summary.tolist() == [1] * 5, "the same is not changed"


def test_what_is_doubted_may_be_water_where_water_can_be_so():
    its = belied(3, doubted=[0, 1])
    rows = np.full((len(QartodTest), 3), Flag.PASS, dtype=np.uint8)
    rows[QartodTest.GROSS_RANGE] = Flag.PASS, Flag.SUSPECT, Flag.PASS
    value = its.maybe_water(np.array([1.0, 2.0, 3.0]), pack(rows))
    assert np.array_equal(value, [1.0, np.nan, np.nan], equal_nan=True)
    assert belied(3).maybe_water(np.array([1.0, 2.0, 3.0]), pack(rows)) is None
    assert belied(4, frozen=[1]).frozen.tolist() == [False, True, False, False]


def test_a_value_is_suspect_where_its_input_is_but_no_worse_and_no_better():
    value = np.array([15.0, 15.0, 35.0, 99.0])
    settings = QualitySettings(Range(0, 40), Range(10, 30))
    found = judge(1000 * np.arange(1, 5), value, settings, QualityState())
    assert found.causal.tolist() == [1, 1, 3, 4]
    its = found.with_inputs(np.array([True, False, True, True]))
    assert its.causal.tolist() == its.summary.tolist() == [3, 1, 3, 4]
    assert found.with_inputs(None) is found
    spiky = replace(found, summary=np.array([4, 1, 3, 4], dtype=np.uint8))
    assert spiky.with_inputs(np.array([True] * 4)).summary.tolist() == [4, 3, 3, 4]


@pytest.mark.parametrize("given", [{"spike_suspect": 1.0}, {"spike_fail": 1.0}])
def test_one_threshold_of_spikes_alone_is_tested(given):
    found = judged([15.0, 17.0, 15.0, 15.0], QualitySettings(Range(0, 40), **given))
    flag = 3 if "spike_suspect" in given else 4
    assert unpack(found.tests)[QartodTest.SPIKE].tolist() == [2, flag, 1, 2]
