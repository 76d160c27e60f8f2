"""What is known of a unit address: when it may be asked again. All times are invented."""

from drivers.modbus import Read, with_crc
from drivers.schedule import LEAST_REST_MS, OWED_FOR_MS, REST_PER_COST, TOLERATED_FAILURES
from drivers.unit import Unit

ONE, OTHER, DOUBLE = Read(4, 0, 1, ()), Read(4, 9, 1, ()), Read(4, 0, 2, ())
ANSWER = with_crc(b"\x07\x04\x02\x07\x6c")


def unit_that_failed(asked_ms=1_000, failed_ms=1_300, read=ONE):
    unit = Unit(7)
    unit.asked(read, asked_ms)
    unit.failed(failed_ms)
    return unit


def test_a_new_unit_may_be_asked_at_once():
    assert Unit(7).ready_ms(ONE) == 0


def test_after_a_failure_it_rests_for_two_seconds_at_least():
    unit = unit_that_failed()
    assert unit.owes(1_300)
    assert unit.ready_ms(DOUBLE) == 1_300 + LEAST_REST_MS == 3_300


def test_its_late_answer_ends_the_rest():
    unit = unit_that_failed()
    assert unit.take_late(b"\xff" + ANSWER, 2_100) == (slice(1, 8), ONE, 1_100)
    assert unit.ready_ms(DOUBLE) == 2_100
    assert not unit.owes(2_100)


def test_the_rest_is_twice_the_longest_time_that_it_took():
    unit = unit_that_failed()
    unit.take_late(ANSWER, 2_700)
    unit.asked(ONE, 10_000)
    unit.failed(10_300)
    assert unit.ready_ms(DOUBLE) == 10_300 + 2 * 1_700


def test_an_answer_while_two_are_owed_does_not_end_the_rest():
    unit = unit_that_failed()
    unit.asked(OTHER, 4_000)
    unit.failed(4_300)
    assert unit.take_late(ANSWER, 4_500) == (slice(0, 7), ONE, 3_500)
    assert unit.owes(4_500)
    assert unit.ready_ms(DOUBLE) == 4_500 + 2 * 3_500


def test_what_has_not_come_for_long_is_lost_and_no_measure_of_its_rest():
    """A unit was away for an hour; one answer too many as it comes back must not cost it two more hours."""
    unit = Unit(7)
    for minute in range(60):
        unit.asked(ONE, 60_000 * minute)
        unit.failed(60_000 * minute + 300)
    now_ms = 60_000 * 59 + 900
    assert unit.take_late(ANSWER, now_ms) == (slice(0, 7), ONE, 900)
    assert not unit.owes(now_ms)
    unit.asked(ONE, now_ms + 60_000)
    unit.failed(now_ms + 60_300)
    assert unit.owes(now_ms + 60_000 + OWED_FOR_MS)
    assert not unit.owes(now_ms + 60_001 + OWED_FOR_MS)
    assert unit.ready_ms(DOUBLE) <= now_ms + 60_300 + REST_PER_COST * 300


def test_an_answer_too_many_begins_a_rest():
    unit = Unit(7)
    unit.asked(ONE, 1_000)
    unit.answered(1_010)
    assert unit.take_late(ANSWER, 1_030) == (slice(0, 7), ONE, 30)
    assert unit.ready_ms(DOUBLE) == 1_030 + LEAST_REST_MS


def test_questions_of_one_shape_are_kept_apart_by_twice_the_longest_answer():
    unit = Unit(7)
    unit.asked(ONE, 1_000)
    unit.answered(1_040)
    assert unit.ready_ms(OTHER) == 1_000 + 2 * 40
    assert unit.ready_ms(DOUBLE) == 0


def test_a_unit_that_keeps_failing_gets_a_twentieth_of_the_line():
    unit = Unit(7)
    for nth in range(TOLERATED_FAILURES + 1):
        unit.asked(ONE, 10_000 * nth)
        unit.failed(10_000 * nth + 300)
    assert unit.ready_ms(DOUBLE) == 20_300 + REST_PER_COST * 300
    unit.take_late(ANSWER, 20_400)
    unit.take_late(ANSWER, 20_400)
    unit.take_late(ANSWER, 20_400)
    assert unit.ready_ms(DOUBLE) == 20_300 + REST_PER_COST * 300, "late answers do not promote it"
