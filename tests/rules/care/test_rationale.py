"""The records of alarms: each alarm that a stage can raise has one, and it is as urgent as that says.

What is at stake and how long there is are common practice, no source; what must hold between them is the
standard's: a priority follows from the consequence and the time to respond (IEC 62682, from memory).
"""

from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Condition, Priority
from rules.care.rationale import BUILT_IN, Record, Severity, priority_by, record_of
from rules.quantities import Quantity
from rules.rack.limits import Level, limits_of
from rules.rack.stages import DEFAULT_TOLERANCES

BUILT = [
    (stage, quantity, limit)
    for stage, tolerances in DEFAULT_TOLERANCES.items()
    for quantity, tolerance in tolerances.items()
    for limit in limits_of(tolerance)
    if limit.level not in (Level.LIKELY_ADVISORY, Level.LIKELY_CRITICAL)
]


def test_every_alarm_of_every_stage_is_as_urgent_as_its_record_says_and_raised_in_time():
    assert len({(stage, quantity, limit.condition) for stage, quantity, limit in BUILT}) > 100
    for stage, quantity, limit in BUILT:
        record = record_of(stage, quantity, limit.condition, {})
        worst = max(
            it.priority for s, q, it in BUILT if (s, q, it.condition) == (stage, quantity, limit.condition)
        )
        assert priority_by(record) is worst, (stage, quantity, limit.condition)
        assert limit.delays_ms[0] <= record.respond_min * 60_000 / 2


def test_every_condition_has_a_record_and_each_says_all():
    for condition in Condition:
        for quantity in (Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION):
            assert record_of("adult", quantity, condition, {}), condition
    for alarm, record in BUILT_IN.items():
        assert all((record.consequence, record.cause, record.check, record.action, record.may_shelve)), alarm
        words = f"{record.check} {record.action}".lower()
        if any(device in words for device in ("chiller", "heater", "air pump")):
            assert "mains off" in words, alarm


def test_how_long_there_is_is_said_in_half_hours():
    """Nobody knows it better (common practice, no source)."""
    assert [alarm for alarm, its in BUILT_IN.items() if its.respond_min < 30 or its.respond_min % 30] == []


def test_too_much_oxygen_is_first_looked_for_at_the_optode():
    """Alone in air it reads what such water does, and no reading decides it: whoever is there sees it."""
    for condition in ("high_high", "high", "rising"):
        assert (
            "optode out of the water" in record_of("ephyra", "oxygen_saturation", condition, {}).check.lower()
        )


def test_small_animals_leave_less_time_and_a_spare_probe_the_same():
    high = ("temperature", "high_high")
    shares = {stage: record_of(stage, *high, {}).respond_min for stage in DEFAULT_TOLERANCES}
    halves, all_of_it = dict.fromkeys(("planula", "strobila", "ephyra"), 30), dict.fromkeys(shares, 60)
    assert shares == all_of_it | halves | {"juvenile": 45}
    assert record_of("ephyra", "temperature", "silent", {}) == record_of("adult", "temperature", "silent", {})
    assert record_of("adult", "oxygen", "low_low", {}) == record_of(
        "adult", "oxygen_saturation", "low_low", {}
    )
    assert record_of("adult", "air_pressure", "high", {}) is None


def test_the_nurserys_own_goes_before_the_particular_before_the_general():
    usual = record_of("adult", "temperature", "high", {})
    own = {key: replace(usual, check=key) for key in ("ephyra/temperature/high", "temperature/high", "high")}
    for keys, found in ((3, "ephyra/temperature/high"), (2, "temperature/high"), (1, "high")):
        left = dict(list(own.items())[3 - keys :])
        assert record_of("ephyra", "temperature", "high", left).check == found


@pytest.mark.parametrize(
    ("severity", "respond_min", "priority"),
    [
        (Severity.LOSS, 119, Priority.CRITICAL),
        (Severity.LOSS, 120, Priority.HIGH),
        (Severity.STRAIN, 60, Priority.HIGH),
        (Severity.STRAIN, 61, Priority.MEDIUM),
        (Severity.STRAIN, 2879, Priority.MEDIUM),
        (Severity.STRAIN, 2880, Priority.LOW),
        (Severity.PROBE, 1, Priority.LOW),
    ],
)
def test_urgent_is_what_harms_within_the_time_to_respond(severity, respond_min, priority):
    assert priority_by(Record(severity, respond_min, "", "", "", "", "")) is priority
