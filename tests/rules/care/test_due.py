"""What falls due of probes, and when people are told: the care of a rack without its engine."""

from dataclasses import replace

from rules.care.probe_care import CHECK_DUE, DUE, ProbeCare
from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE, Source
from rules.readings import Notice

DAY = 86_400_000
CELL = Source(1, "k1-ct", Quantity.CONDUCTIVITY, "k1", 1, calibrate_every_ms=30 * DAY)
WARM = Source(2, "k1-ct", Quantity.TEMPERATURE, "k1", 1, calibrate_every_ms=20 * DAY)
FOIL = Source(3, "k2-do", Quantity.OXYGEN, "k2", 1)
AIR = Source(4, "air", Quantity.AIR_PRESSURE, RACK_WIDE, 1, calibrate_every_ms=3 * DAY)


def caring(*sources, at_ms=1_000):
    care = ProbeCare()
    care.arrange(sources, at_ms)
    return care


def test_without_probes_nothing_is_due():
    assert ProbeCare().next_due_ms() is None
    assert caring().next_due_ms() is None
    care = caring(AIR)
    care.arrange([], 2_000)
    assert care.next_due_ms() is None, "a probe that the plan has no more"


def test_the_soonest_is_due_next_and_a_week_after_the_plan_a_check_by_hand():
    assert caring(CELL, WARM, FOIL).check_due_ms == {"k1": 1_000 + 7 * DAY, "k2": 1_000 + 7 * DAY}
    assert caring(CELL, WARM, FOIL).next_due_ms() == 1_000 + 7 * DAY
    assert caring(CELL, WARM, FOIL, AIR).next_due_ms() == 1_000 + 3 * DAY
    assert caring(AIR).check_due_ms == {}, "nobody measures the air by hand"


def test_one_notice_a_vessel_says_once_which_calibrations_are_due():
    care, sources = caring(CELL, WARM, AIR), (CELL, WARM, AIR)
    assert care.reach(1_000 + 3 * DAY - 1, sources) == []
    air = Notice(DUE, 1_000 + 3 * DAY, RACK_WIDE, {"probes": ["air/air_pressure"]})
    assert care.reach(1_000 + 3 * DAY, sources) == [air]
    assert care.reach(1_000 + 3 * DAY, sources) == []
    assert care.next_due_ms() == 1_000 + 7 * DAY
    late = 1_000 + 40 * DAY
    assert care.reach(late, sources) == [
        Notice(DUE, late, "k1", {"probes": ["k1-ct/conductivity", "k1-ct/temperature"]}),
        Notice(CHECK_DUE, late, RACK_WIDE, {"vessels": "k1"}),
    ]
    assert care.next_due_ms() == late + 7 * DAY, "the next week's check by hand"


def test_checks_by_hand_that_are_due_at_once_are_one_notice():
    care = caring(CELL, FOIL)
    (found,) = care.reach(1_000 + 7 * DAY, (CELL, FOIL))
    assert found == Notice(CHECK_DUE, 1_000 + 7 * DAY, RACK_WIDE, {"vessels": "k1, k2"})
    assert set(care.check_due_ms.values()) == {1_000 + 14 * DAY}


def test_a_plan_that_comes_into_force_is_not_told_of_what_was_due_before_it():
    care = caring(CELL)
    care.arrange([replace(CELL, calibrate_every_ms=DAY)], 1_000 + 5 * DAY)
    assert care.due_ms == {"k1-ct/conductivity": 1_000 + DAY}, "counted from when the probe was first known"
    assert care.next_due_ms() == 1_000 + 5 * DAY + 1
    assert care.check_due_ms == {"k1": 1_000 + 7 * DAY}, "checks go on"


def test_what_was_said_to_be_overdue_is_said_again_only_when_it_was_put_off():
    care = caring(AIR)
    care.reach(1_000 + 3 * DAY, [AIR])
    care.arrange([AIR], 1_000 + 3 * DAY)
    assert care.told == {"air/air_pressure"}, "due at this very moment, and said"
    care.arrange([replace(AIR, calibrate_every_ms=9 * DAY)], 1_000 + 4 * DAY)
    assert care.told == set()
    assert care.next_due_ms() == 1_000 + 9 * DAY
    care.arrange([replace(AIR, calibrate_every_ms=None)], 1_000 + 5 * DAY)
    assert (care.due_ms, care.next_due_ms()) == ({}, None)


def test_what_was_never_calibrated_stands_as_it_is():
    (now,) = caring(CELL).standing([CELL])
    assert (now.newest, now.due_ms, now.wear.over_ms) == (None, 1_000 + 30 * DAY, 0)
    assert now.errors_at(40.0, 5_000) == (0.0, 0.0)
    assert caring(CELL).line(CELL) is None
