"""The door: what becomes an input, in which order, and what is counted instead."""

import math

from hypothesis import given
from hypothesis import strategies as st

from daemon.watch.intake import FUTURE_TOLERANCE_MS, Intake
from drivers.readings import Reading

SOURCES = {("a", "temperature"): 1, ("a", "oxygen"): 2, ("b", "temperature"): 3}
NOW_MS = 1_000_000


def intake(last=None):
    return Intake(SOURCES, last or {})


def test_readings_are_taken_in_by_time_of_measurement_none_before_the_floor():
    door = intake()
    late, early = Reading("a", "temperature", 2.0, 500), Reading("b", "temperature", 1.0, 400)
    assert door.rows([late, early], 450, NOW_MS) == [(450, 3, 400, 1.0), (500, 1, 500, 2.0)]


def test_what_cannot_be_an_input_is_counted_by_probe_and_reason():
    door = intake({1: 100})
    readings = [
        Reading("c", "temperature", 1.0, 200),
        Reading("a", "salinity", 1.0, 200),
        Reading("a", "temperature", math.nan, 200),
        Reading("a", "temperature", math.inf, 200),
        Reading("a", "temperature", 1.0, 100),
        Reading("a", "temperature", 1.0, NOW_MS + FUTURE_TOLERANCE_MS + 1),
    ]
    assert door.rows(readings, 0, NOW_MS) == []
    assert door.rejected == {
        ("c", "not in the settings"): 1,
        ("a", "not in the settings"): 1,
        ("a", "not a finite number"): 2,
        ("a", "not newer than the last reading"): 1,
        ("a", "of the future"): 1,
    }


def test_a_reading_of_the_future_does_not_shut_the_door_on_the_present():
    door = intake()
    door.rows([Reading("a", "temperature", 1.0, 10 * NOW_MS)], 0, NOW_MS)
    assert len(door.rows([Reading("a", "temperature", 1.0, NOW_MS)], 0, NOW_MS)) == 1


def test_a_repeated_reading_is_taken_in_once():
    door = intake()
    reading = Reading("a", "oxygen", 8.0, 700)
    assert len(door.rows([reading, reading], 0, NOW_MS)) == 1
    assert door.rows([reading], 0, NOW_MS) == []


def test_zero_has_one_sign():
    """SQLite gives -0.0 back as 0.0 (it keeps whole numbers as integers), so both are taken in as one."""
    ((*_, value),) = intake().rows([Reading("a", "temperature", -0.0, 1)], 0, NOW_MS)
    assert math.copysign(1, value) == 1


readings = st.lists(
    st.builds(
        Reading,
        st.sampled_from(["a", "b", "c"]),
        st.sampled_from(["temperature", "oxygen"]),
        st.floats(),
        st.integers(0, 2 * NOW_MS),
    )
)


@given(st.lists(st.tuples(readings, st.integers(0, 1_000)), max_size=6))
def test_whatever_comes_the_engine_gets_it_in_order_and_nothing_vanishes_uncounted(turns):
    door, floor_ms, newest, offered, accepted = intake(), 0, {}, 0, 0
    for batch, later_ms in turns:
        rows = door.rows(batch, floor_ms, NOW_MS)
        offered, accepted = offered + len(batch), accepted + len(rows)
        for at_ms, source, time_ms, value in rows:
            assert at_ms >= floor_ms
            assert time_ms <= at_ms
            assert time_ms > newest.get(source, -1)
            assert math.isfinite(value)
            floor_ms, newest[source] = at_ms, time_ms
        floor_ms += later_ms
    assert offered == accepted + door.rejected.total()
