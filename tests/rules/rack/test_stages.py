"""The built-in limits: do they agree with each other, and with what has been published?"""

import gsw
import pytest

from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES, USUAL_STAY_DAYS, WITHOUT_LIMITS
from rules.rack.tolerance import Tolerance

EVERY = [
    pytest.param(tolerance, id=f"{stage}-{quantity}")
    for stage, limits in DEFAULT_TOLERANCES.items()
    for quantity, tolerance in limits.items()
]


def test_the_stages_of_the_life_cycle_are_there_and_each_judges_the_same_quantities():
    assert list(DEFAULT_TOLERANCES) == [
        "planula", "polyp", "polyp-cooling", "strobila", "ephyra", "juvenile", "adult",
    ]  # fmt: skip
    for limits in DEFAULT_TOLERANCES.values():
        assert set(limits) == {Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION}


@pytest.mark.parametrize("tolerance", EVERY)
def test_the_advisory_band_is_inside_the_critical_one_and_the_target_inside_both(tolerance: Tolerance):
    advisory, critical = tolerance.advisory, tolerance.critical
    assert critical.low < advisory.low < advisory.high < critical.high
    if tolerance.target is not None:
        assert advisory.low < tolerance.target < advisory.high


@pytest.mark.parametrize("tolerance", EVERY)
def test_an_alarm_can_return_in_the_middle_of_its_band(tolerance: Tolerance):
    assert 0 < tolerance.deadband < (tolerance.advisory.high - tolerance.advisory.low) / 2
    assert tolerance.off_delay_ms == tolerance.on_delay_ms >= tolerance.critical_on_delay_ms > 0


def test_every_quantity_has_a_deadband_and_delays_before_any_stage_limits_it():
    assert set(WITHOUT_LIMITS) == set(Quantity)
    assert all(tolerance.deadband > 0 for tolerance in WITHOUT_LIMITS.values())


def test_oxygen_and_conductivity_have_the_deadbands_of_saturation_and_salinity():
    """At 15 °C and salinity 32, by the TEOS-10 reference library (gsw), within a fifth."""
    full_mg_l = gsw.O2sol_SP_pt(32.0, 15.0) * gsw.rho(gsw.SR_from_SP(32.0), 15.0, 0.0) * 31.9988e-6
    three_percent = WITHOUT_LIMITS[Quantity.OXYGEN_SATURATION].deadband / 100 * full_mg_l
    assert WITHOUT_LIMITS[Quantity.OXYGEN].deadband == pytest.approx(three_percent, rel=0.2)
    ms_cm_per_unit = gsw.C_from_SP(32.5, 15.0, 0.0) - gsw.C_from_SP(31.5, 15.0, 0.0)
    carried_over = WITHOUT_LIMITS[Quantity.SALINITY].deadband * ms_cm_per_unit
    assert WITHOUT_LIMITS[Quantity.CONDUCTIVITY].deadband == pytest.approx(carried_over, rel=0.2)


def test_planulae_are_kept_where_most_of_them_settle():
    """Webster & Lucas 2012, J. Exp. Mar. Biol. Ecol. 436-437:50-55 (abstract): fewer settle at 18 °C."""
    assert DEFAULT_TOLERANCES["planula"][Quantity.TEMPERATURE].advisory.high <= 18


@pytest.mark.parametrize("stage", ["polyp-cooling", "strobila"])
def test_strobilation_alarms_before_warmth_hinders_it(stage: str):
    """Sokolowski et al. 2016, Hydrobiologia 773:49-62 (abstract): reduced at 20 °C, stopped at 25 °C."""
    assert DEFAULT_TOLERANCES[stage][Quantity.TEMPERATURE].critical.high < 20


@pytest.mark.parametrize("stage", ["polyp", "polyp-cooling", "strobila"])
def test_polyps_alarm_within_the_salinity_that_they_survive(stage: str):
    """A study of Aurelia coerulea (abstract): survival above 90 % at 20-40, at 12 °C as at 21 °C."""
    critical = DEFAULT_TOLERANCES[stage][Quantity.SALINITY].critical
    assert critical.low >= 20
    assert critical.high <= 40


@pytest.mark.parametrize("stage", ["planula", "strobila", "ephyra", "juvenile", "adult"])
def test_animals_with_a_bell_or_about_to_have_one_alarm_at_110_percent(stage: str):
    """The US EPA criterion for total gas pressure, from memory; oxygen is only a stand-in for it."""
    assert DEFAULT_TOLERANCES[stage][Quantity.OXYGEN_SATURATION].critical.high <= 110


@pytest.mark.parametrize("stage", ["ephyra", "juvenile", "adult"])
def test_in_a_kreisel_falling_oxygen_is_loss_of_flow(stage: str):
    """10 % per hour: project judgement, no source."""
    assert DEFAULT_TOLERANCES[stage][Quantity.OXYGEN_SATURATION].max_fall_per_hour == 10


@pytest.mark.parametrize("stage", list(DEFAULT_TOLERANCES))
def test_temperature_changes_no_faster_than_a_degree_an_hour(stage: str):
    """Common practice, no source."""
    tolerance = DEFAULT_TOLERANCES[stage][Quantity.TEMPERATURE]
    assert 0 < tolerance.max_rise_per_hour <= 1
    assert 0 < tolerance.max_fall_per_hour <= 1


# Written down a second time, as the books of a bank are: what each stage tolerates decides who is woken, and
# no slip of a finger may change it. Target, advisory band, critical band, most rise and fall per hour. The
# sources stand beside the numbers in the module; where there is none, common practice or project judgement.
TOLERATED = """
planula       temperature       15  12 18  8 22  1 1
planula       salinity          32  28 35  24 38  1 1
planula       oxygen_saturation 100  70 105  50 110  - -
polyp         temperature       18  15 21  8 25  1 1
polyp         salinity          32  28 35  20 38  1 1
polyp         oxygen_saturation 100  60 110  30 120  - -
polyp-cooling temperature       10  8 12  4 16  1 1
polyp-cooling salinity          30  28 32  20 36  1 1
polyp-cooling oxygen_saturation 100  60 110  30 120  - -
strobila      temperature       10  8 13  4 16  0.5 0.5
strobila      salinity          30  28 33  22 36  0.5 0.5
strobila      oxygen_saturation 100  70 105  50 110  - -
ephyra        temperature       15  12 18  8 23  0.5 0.5
ephyra        salinity          32  29 34  25 37  0.5 0.5
ephyra        oxygen_saturation 100  80 103  60 107  - 10
juvenile      temperature       16  13 19  8 24  0.5 0.5
juvenile      salinity          33  30 35  25 37  0.5 0.5
juvenile      oxygen_saturation 100  80 105  60 110  - 10
adult         temperature       16  12 19  6 25  1 1
adult         salinity          33  30 35  24 38  1 1
adult         oxygen_saturation 100  75 105  50 110  - 10
"""
# Deadband, on-delay, critical on-delay, off-delay and rate window in seconds, disagreement of two probes.
BEFORE_ANY_STAGE = """
temperature       0.2 120 60 120 4800 0.5
conductivity      0.3 300 300 300 4800 -
salinity          0.3 300 300 300 4800 1
oxygen            0.25 180 60 180 1800 -
oxygen_saturation 3 180 60 180 1800 8
air_pressure      1 300 300 300 1800 -
"""


def numbers(words):
    return [None if word == "-" else float(word) for word in words]


@pytest.mark.parametrize("row", TOLERATED.split("\n")[1:-1])
def test_what_a_stage_tolerates_is_what_was_agreed(row: str):
    stage, quantity, *given = row.split()
    found = DEFAULT_TOLERANCES[stage][Quantity(quantity)]
    bands = (found.advisory.low, found.advisory.high, found.critical.low, found.critical.high)
    assert [found.target, *bands, found.max_rise_per_hour, found.max_fall_per_hour] == numbers(given)


@pytest.mark.parametrize("row", BEFORE_ANY_STAGE.split("\n")[1:-1])
def test_deadbands_and_delays_are_what_was_agreed(row: str):
    quantity, *given = row.split()
    found = WITHOUT_LIMITS[Quantity(quantity)]
    times = (found.on_delay_ms, found.critical_on_delay_ms, found.off_delay_ms, found.rate_window_ms)
    seconds = [time_ms / 1000 for time_ms in times]
    assert [found.deadband, *seconds, found.max_disagreement] == numbers(given)


def test_after_how_long_somebody_should_look_whether_animals_have_moved_on():
    """Common practice, no source: settled after seven to ten days; strobilae about two weeks."""
    assert USUAL_STAY_DAYS == {"planula": 10, "strobila": 14}
