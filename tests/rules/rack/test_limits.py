"""The limits that a tolerance sets, one by one: written down by hand for one tolerance."""

from dataclasses import replace

from rules.alarms.life_cycle import Condition, Priority
from rules.rack.limits import (
    Basis,
    Level,
    asks_for_watch,
    distances_to_worst,
    limits_of,
    tells_limits,
    worst_priority,
)
from rules.rack.tolerance import Band, Tolerance

FULL = Tolerance(
    target=15.0,
    advisory=Band(12, 18),
    critical=Band(8, 23),
    max_rise_per_hour=1.0,
    max_fall_per_hour=2.0,
    deadband=0.5,
    on_delay_ms=2,
    critical_on_delay_ms=1,
    off_delay_ms=3,
    lead_time_ms=7_200_000,
    max_disagreement=0.5,
)


def by_key(tolerance):
    return {limit.key: limit for limit in limits_of(tolerance)}


def test_a_full_tolerance_sets_eleven_limits_and_four_that_likely_are_crossed():
    found = {
        key: (limit.basis, limit.value, limit.above, limit.priority) for key, limit in by_key(FULL).items()
    }
    assert found == {
        "high:advisory": (Basis.VALUE, 18, True, Priority.MEDIUM),
        "low:advisory": (Basis.VALUE, 12, False, Priority.MEDIUM),
        "high_high:critical": (Basis.VALUE, 23, True, Priority.CRITICAL),
        "low_low:critical": (Basis.VALUE, 8, False, Priority.CRITICAL),
        "rising:away": (Basis.RATE, 1.0, True, Priority.HIGH),
        "rising:advisory": (Basis.RATE, 1.0, True, Priority.MEDIUM),
        "falling:away": (Basis.RATE, -2.0, False, Priority.HIGH),
        "falling:advisory": (Basis.RATE, -2.0, False, Priority.MEDIUM),
        "high:likely_advisory": (Basis.LIKELY_VALUE, 18, True, Priority.LOW),
        "low:likely_advisory": (Basis.LIKELY_VALUE, 12, False, Priority.LOW),
        "high_high:likely_critical": (Basis.LIKELY_VALUE, 23, True, Priority.HIGH),
        "low_low:likely_critical": (Basis.LIKELY_VALUE, 8, False, Priority.HIGH),
        "heading_out:above": (Basis.PROJECTION, 23, True, Priority.HIGH),
        "heading_out:below": (Basis.PROJECTION, 8, False, Priority.HIGH),
        "disagreement:advisory": (Basis.DIFFERENCE, 0.5, True, Priority.MEDIUM),
    }


def test_a_critical_limit_has_its_own_on_delay():
    found = by_key(FULL)
    assert found["high_high:critical"].delays_ms == (1, 3)
    assert found["high:advisory"].delays_ms == found["rising:advisory"].delays_ms == (2, 3)


def test_a_rate_is_over_when_it_is_a_fifth_below_its_limit():
    found = by_key(FULL)
    assert found["falling:advisory"].deadband == 0.4
    assert found["high:advisory"].deadband == 0.5


def test_away_from_the_target_is_beyond_it_by_the_deadband():
    past = {key: limit.past for key, limit in by_key(FULL).items() if limit.past is not None}
    assert past == {
        "rising:away": 15.5,
        "falling:away": 14.5,
        "heading_out:above": 15.5,
        "heading_out:below": 14.5,
    }


def test_an_open_side_sets_no_limit():
    only_low = Tolerance(advisory=Band(low=80), critical=Band(low=60), lead_time_ms=1)
    likely = {"low:likely_advisory", "low_low:likely_critical"}
    assert set(by_key(only_low)) == {"low:advisory", "low_low:critical", "heading_out:below", *likely}


def test_without_a_lead_time_nothing_is_forecast():
    assert not [key for key in by_key(Tolerance(critical=Band(8, 23), lead_time_ms=0)) if "heading" in key]


def test_an_empty_tolerance_sets_no_limit():
    assert limits_of(Tolerance()) == ()


def test_the_worst_alarm_that_a_channel_can_raise():
    assert worst_priority(FULL) is Priority.CRITICAL
    assert worst_priority(Tolerance(advisory=Band(12, 18), max_rise_per_hour=1.0)) is Priority.HIGH
    assert worst_priority(Tolerance(advisory=Band(12, 18))) is Priority.MEDIUM
    assert worst_priority(Tolerance()) is worst_priority(None) is Priority.LOW


def test_every_condition_of_the_water_has_a_limit():
    others = {Condition.UNWATCHED, Condition.SILENT, Condition.PROBE_FAULT}
    assert {limit.condition for limit in limits_of(FULL)} == set(Condition) - others
    assert Level("advisory") is Level.ADVISORY


def test_the_worst_limits_lie_as_far_from_the_target_or_half_their_band_away():
    assert distances_to_worst(FULL) == [8.0, 7.0]
    assert distances_to_worst(Tolerance(critical=Band(8, 23), advisory=Band(12, 18))) == [7.5]
    assert distances_to_worst(Tolerance(critical=Band(8, None), advisory=Band(12, 18))) == []


def test_without_a_target_no_side_of_it_is_the_way_back():
    assert {limit.past for limit in limits_of(replace(FULL, target=None))} == {None}


def test_each_limit_names_the_key_of_the_settings_that_gave_it():
    given = ("stages.polyp.temperature.critical_high", "stages.polyp.temperature.max_fall_per_hour")
    origins = {key: limit.origin for key, limit in by_key(replace(FULL, given=given)).items()}
    own = {
        "high_high:critical": given[0],
        "high_high:likely_critical": given[0],
        "heading_out:above": given[0],
        "falling:away": given[1],
        "falling:advisory": given[1],
    }
    assert origins == dict.fromkeys(origins, "built-in") | own
    low = ("x.critical_low", "x.max_rise_per_hour", "x.max_disagreement", "x.advisory_low", "x.advisory_high")
    origins = {key: limit.origin for key, limit in by_key(replace(FULL, given=low)).items()}
    assert {key for key, origin in origins.items() if origin == "built-in"} == {
        "high_high:critical", "high_high:likely_critical", "heading_out:above", "falling:away",
        "falling:advisory",
    }  # fmt: skip


def test_every_limit_but_a_critical_one_has_the_usual_delays_and_what_is_heading_out_the_bands_deadband():
    for key, limit in by_key(FULL).items():
        assert limit.delays_ms == ((1, 3) if "critical" in key else (2, 3)), key
    assert by_key(FULL)["heading_out:above"].deadband == 0.5
    assert by_key(FULL)["disagreement:advisory"].deadband == 0.1
    assert {key for key, limit in by_key(FULL).items() if limit.of_moves} == {
        "rising:away", "rising:advisory", "falling:away", "falling:advisory",
    }  # fmt: skip


def test_what_is_known_to_be_tolerated_is_mild_and_never_less_than_low():
    mild = by_key(replace(FULL, mild=True))
    ranks = {key: limit.priority for key, limit in mild.items() if "advisory" in key and "high" in key}
    assert ranks == {"high:advisory": Priority.LOW, "high:likely_advisory": Priority.LOW}
    assert mild["high_high:critical"].priority is Priority.CRITICAL


def test_only_a_limit_on_the_water_itself_asks_for_watch():
    assert asks_for_watch(FULL) is True
    assert asks_for_watch(Tolerance(max_rise_per_hour=1.0)) is True
    assert asks_for_watch(Tolerance(max_disagreement=1.0)) is False
    assert asks_for_watch(Tolerance()) is False


def test_a_value_tells_the_worst_limits_while_it_may_be_off_by_less_than_they_are_away():
    """The target of 15 is 7 from 8 and 8 from 23."""
    assert distances_to_worst(FULL) == [8.0, 7.0]
    assert [tells_limits(FULL, error) for error in (6.9, 7.0, 7.5)] == [True, False, False]
    one_sided = replace(FULL, critical=Band(8, None))
    assert distances_to_worst(one_sided) == [7.0]
    assert tells_limits(Tolerance(), 99.0) is True, "no limit is set"


def test_what_a_tolerance_is_that_says_nothing():
    """Project judgement: two minutes, one where it is critical, half an hour of rate, two hours ahead."""
    its = Tolerance()
    assert (its.on_delay_ms, its.critical_on_delay_ms, its.off_delay_ms) == (120_000, 60_000, 120_000)
    assert (its.rate_window_ms, its.lead_time_ms, its.unwatched_after_ms) == (1_800_000, 7_200_000, 1_800_000)
    assert (its.deadband, its.mild, its.given, its.origin("critical_high")) == (0.0, False, (), "built-in")
    assert its.target is its.max_rise_per_hour is its.max_fall_per_hour is its.max_disagreement is None
    assert replace(its, given=("a.xcritical_high",)).origin("critical_high") == "built-in"
