"""Deadband and delays: the words are IEC 62682's, the cases worked by hand."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarms.persistence import Persistence, Phase, Turn, turns

MINUTE = 60_000


def judge(values, *, limit=10.0, deadband=1.0, delays=(0, 0), every=MINUTE, state=None):
    value = np.array(values, dtype=float)
    time_ms = np.arange(value.size, dtype=np.int64) * every
    return turns(value > limit, value < limit - deadband, time_ms, delays, state or Persistence())


def test_without_delays_each_crossing_counts_at_once():
    found, state = judge([9, 11, 8, 12])
    assert found == [Turn(1, True, MINUTE), Turn(2, False, 2 * MINUTE), Turn(3, True, 3 * MINUTE)]
    assert state.phase is Phase.ACTIVE


def test_inside_the_deadband_an_alarm_stays():
    found, _ = judge([11, 9.5, 9.1, 8.9])
    assert found == [Turn(0, True, 0), Turn(3, False, 3 * MINUTE)]


def test_exactly_on_the_limit_is_not_beyond_it():
    assert judge([10, 10, 10])[0] == []


def test_the_on_delay_must_pass_with_the_condition_still_there():
    found, _ = judge([11, 11, 11, 11], delays=(2 * MINUTE, 0))
    assert found == [Turn(2, True, 0)]


def test_a_lone_spike_shorter_than_the_on_delay_is_nothing():
    assert judge([9, 50, 8, 8, 8], delays=(2 * MINUTE, 0))[0] == []


def test_a_lone_spike_does_not_ripen_on_readings_inside_the_deadband():
    assert judge([9.5, 50, 9.5, 9.5, 9.5, 9.5], delays=(2 * MINUTE, 0))[0] == []


def test_noise_around_the_limit_ripens_once():
    found, _ = judge([10.2, 9.8, 10.1, 9.9, 10.3], delays=(2 * MINUTE, 0))
    assert found == [Turn(2, True, 0)]


def test_the_off_delay_holds_an_alarm_that_dips_out_for_a_moment():
    found, _ = judge([11, 8, 11, 8, 8, 8], delays=(0, 2 * MINUTE))
    assert found == [Turn(0, True, 0), Turn(5, False, 3 * MINUTE)]


def test_three_times_in_ten_polls_chatters_and_stands_until_half_an_hour_is_quiet():
    """Chattering as IEC 62682 has it, a poll a minute: raised at 1, 3 and 5, over half an hour after 12."""
    values = [8, 11, 8, 11, 8, 11, 8, 8, 8, 8, 8, 11, 8] + [8] * 40
    found, state = judge(values)
    assert [(turn.index, turn.active, turn.times) for turn in found] == [
        (1, True, 0),
        (2, False, 0),
        (3, True, 0),
        (4, False, 0),
        (5, True, 3),
        (42, False, 0),
    ]
    assert found[-2].again == "3 times in 10 min, over after 30 min of quiet"
    assert (found[0].again, found[0].waits_ms) == ("", 0)
    assert state == Persistence(Phase.CLEAR, found[-1].since_ms)


@pytest.mark.parametrize(("off_delay", "minutes"), [(1, 30), (30, 30), (45, 45)])
def test_what_chattered_is_over_after_half_an_hour_of_quiet_or_its_own_longer_off_delay(off_delay, minutes):
    stood = Persistence(Phase.ACTIVE, 0, (-3, -2, -1))
    found, _ = judge([8] * 60, delays=(50 * MINUTE, off_delay * MINUTE), state=stood)
    assert found == [Turn(minutes, False, 0)]


def test_three_times_in_an_hour_do_not_chatter():
    found, _ = judge([*([11, 8] + [8] * 18) * 3])
    assert [turn.index for turn in found] == [0, 1, 20, 21, 40, 41]
    assert not any(turn.times for turn in found)


def test_a_reading_that_is_not_a_number_is_no_evidence():
    found, state = judge([11, np.nan, np.nan], delays=(MINUTE, 0))
    assert found == []
    assert state == Persistence(Phase.PENDING, 0)


@pytest.mark.parametrize("delay", [1, MINUTE, 10 * MINUTE])
def test_a_ripe_condition_is_told_at_the_first_reading_after_the_delay(delay):
    every = 7_000
    found, _ = judge([11] * 200, delays=(delay, 0), every=every)
    assert found == [Turn(-(-delay // every), True, 0)]


def slow_reference(value, time_ms, limit, deadband, delays):
    """The same rules, one reading at a time, as a person would read them off IEC 62682."""
    phase, since, found, came = "clear", 0, [], []
    for index, (v, t) in enumerate(zip(value, time_ms, strict=True)):
        beyond, inside = v > limit, v < limit - deadband
        if phase == "clear" and beyond:
            phase, since = "pending", t
        elif phase == "active" and inside:
            phase, since = "clearing", t
        elif (phase == "pending" and inside) or (phase == "clearing" and beyond):
            phase = "clear" if phase == "pending" else "active"
        if phase == "pending" and beyond and t >= since + delays[0]:
            found.append((index, True, since))
            phase, came = "active", [at for at in came if t - at <= 10 * MINUTE] + [t]
        elif phase == "clearing" and inside and t >= since + (30 * MINUTE if len(came) > 2 else delays[1]):
            found.append((index, False, since))
            phase, came = "clear", [] if len(came) > 2 else came
    return found


readings = st.lists(
    st.tuples(st.sampled_from([8.0, 8.9, 9.0, 9.5, 10.0, 10.1, 12.0, np.nan]), st.integers(1, 90_000)),
    max_size=60,
)
delays = st.tuples(st.sampled_from([0, 1, 30_000, 120_000]), st.sampled_from([0, 1, 60_000]))


@given(readings, delays, st.lists(st.integers(0, 60), max_size=6))
def test_the_kernel_does_what_the_slow_reference_does_however_it_is_cut(steps, delays, cuts):
    value = np.array([v for v, _ in steps], dtype=float)
    time_ms = np.cumsum(np.array([dt for _, dt in steps], dtype=np.int64))
    found, state = [], Persistence()
    edges = [0, *sorted(min(cut, value.size) for cut in cuts), value.size]
    for start, stop in pairwise(edges):
        part = value[start:stop]
        more, state = turns(part > 10, part < 9, time_ms[start:stop], delays, state)
        found += [(turn.index + start, turn.active, turn.since_ms) for turn in more]
    assert found == slow_reference(value, time_ms, 10, 1, delays)


def test_each_phase_is_carried_over_a_cut_and_counts_on_from_where_it_began():
    found, state = judge([11, 8], delays=(0, 2 * MINUTE))
    assert (found, state) == ([Turn(0, True, 0)], Persistence(Phase.CLEARING, MINUTE, (0,)))
    later = np.array([2, 3], dtype=np.int64) * MINUTE
    out = np.array([False, False])
    found, state = turns(out, ~out, later, (0, 2 * MINUTE), state)
    assert (found, state.phase) == ([Turn(1, False, MINUTE)], Phase.CLEAR)
    _, state = judge([11], delays=(2 * MINUTE, 0))
    assert state == Persistence(Phase.PENDING, 0)
    found, state = turns(~out, out, later, (2 * MINUTE, 0), state)
    assert (found, state.phase) == ([Turn(0, True, 0)], Phase.ACTIVE)


def test_a_snapshot_of_an_older_run_holds_the_phases_by_their_numbers():
    assert {phase.name: int(phase) for phase in Phase} == {
        "CLEAR": 0, "PENDING": 1, "ACTIVE": 2, "CLEARING": 3,
    }  # fmt: skip
    assert Persistence() == Persistence(Phase.CLEAR, 0, ()), "what is not carried on is clear"
