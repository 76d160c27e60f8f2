"""The built-in limits: do they agree with each other, and with what has been published?"""

import gsw
import pytest

from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES, WITHOUT_LIMITS
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
