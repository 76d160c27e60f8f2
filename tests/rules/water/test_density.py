"""Density and specific gravity: inverse directions, reference temperatures, hydrometers in cold water."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import RulesError, SeawaterError
from rules.water.density import (
    SpecificGravityScale,
    density_kg_m3,
    salinity_from_density,
    salinity_from_hydrometer,
)

salinities = st.floats(0.0, 42.0)
temperatures = st.floats(-2.0, 40.0)
reference_temperatures = st.floats(0.0, 40.0)
scales = st.builds(SpecificGravityScale, reference_temperatures, reference_temperatures)


def hydrometer_reading(salinity, scale, temperature, glass_expansion_per_k=25e-6):
    """What a hydrometer marked for `scale` shows: the inverse, with the expansion of soda-lime glass."""
    glass = 1.0 + glass_expansion_per_k * (temperature - scale.sample_c)
    return density_kg_m3(salinity, temperature) * glass / density_kg_m3(0.0, scale.water_c)


@given(salinities, temperatures)
def test_salinity_of_a_density_has_that_density(salinity, temperature):
    density = density_kg_m3(salinity, temperature)
    assert salinity_from_density(density, temperature) == pytest.approx([salinity], abs=1e-9)


@given(salinities, scales)
def test_salinity_of_a_specific_gravity_has_that_specific_gravity(salinity, scale):
    SG = density_kg_m3(salinity, scale.sample_c) / density_kg_m3(0.0, scale.water_c)
    assert salinity_from_hydrometer(SG, scale, scale.sample_c) == pytest.approx([salinity], abs=1e-9)


@given(salinities, scales, temperatures)
def test_salinity_of_a_hydrometer_reading_gives_that_reading(salinity, scale, temperature):
    reading = hydrometer_reading(salinity, scale, temperature)
    assert salinity_from_hydrometer(reading, scale, temperature) == pytest.approx([salinity], abs=1e-9)


@given(reference_temperatures)
def test_pure_water_has_specific_gravity_one_at_its_own_temperature(temperature):
    scale = SpecificGravityScale(temperature, temperature)
    assert salinity_from_hydrometer(1.0, scale, temperature).tolist() == [0.0]


@pytest.mark.parametrize("salinity", [-0.1, 42.1, np.nan])
def test_density_of_a_salinity_outside_the_range_is_nan(salinity):
    assert np.isnan(density_kg_m3(salinity, 20.0)).all()


@pytest.mark.parametrize("temperature", [-2.1, 40.1, np.nan])
def test_density_at_a_temperature_outside_the_range_is_nan(temperature):
    assert np.isnan(density_kg_m3(35.0, temperature)).all()
    assert np.isnan(salinity_from_density(1025.0, temperature)).all()


def test_salinity_of_water_too_light_or_too_heavy_is_nan():
    assert np.isnan(salinity_from_density([990.0, 1040.0], 20.0)).all()


@pytest.mark.parametrize(
    ("text", "sample_c", "water_c"),
    [
        ("25/25", 25.0, 25.0),
        ("20/4", 20.0, 4.0),
        (" 15.5 °C / 15.5 °C ", 15.5, 15.5),
        ("60F/60F", 15.5556, 15.5556),
        ("60/60 °F", 15.5556, 15.5556),
        ("77f/4c", 25.0, 4.0),
    ],
)
def test_reference_temperatures_are_read_as_printed_on_the_instrument(text, sample_c, water_c):
    scale = SpecificGravityScale.parse(text)
    assert (scale.sample_c, scale.water_c) == pytest.approx((sample_c, water_c), abs=1e-4)


@pytest.mark.parametrize("text", ["", "25", "SG", "25/", "25/25/25", "1.025"])
def test_a_specific_gravity_without_reference_temperatures_is_refused(text):
    with pytest.raises(SeawaterError, match="write them as printed on the instrument, for example 25/25"):
        SpecificGravityScale.parse(text)


def test_a_specific_gravity_without_a_scale_is_refused():
    with pytest.raises(RulesError, match=r"1\.025 means salinity 32\.6 to 37\.2"):
        salinity_from_hydrometer(1.025, None, 20.0)


def test_the_refusal_states_what_the_scales_do_to_1_025():
    scales = [SpecificGravityScale.parse(text) for text in ("60F/60F", "20/20", "25/25", "20/4", "25/4")]
    salinities = [salinity_from_hydrometer(1.025, scale, scale.sample_c)[0] for scale in scales]
    assert (min(salinities), max(salinities)) == pytest.approx((32.6, 37.2), abs=0.05)


@pytest.mark.parametrize("text", ["60/60", "-5/4", "200F/60F"])
def test_a_reference_temperature_that_no_instrument_has_is_refused(text):
    with pytest.raises(SeawaterError, match="0 to 40 would be right"):
        SpecificGravityScale.parse(text)


def test_a_hydrometer_at_its_own_temperature_needs_no_correction():
    density = 1.025 * density_kg_m3(0.0, 25.0)
    at_its_own = salinity_from_hydrometer(1.025, SpecificGravityScale.parse("25/25"), 25.0)
    assert at_its_own == salinity_from_density(density, 25.0)


def test_a_hydrometer_in_cold_water_reads_too_salty():
    """At 15 °C an instrument for 25 °C floats 2.4 kg/m³ higher, less what its own glass shrinks."""
    scale = SpecificGravityScale.parse("25/25")
    true = 32.0
    taken_at_face_value = salinity_from_hydrometer(hydrometer_reading(true, scale, 15.0), scale, 25.0)[0]
    assert 2.5 < taken_at_face_value - true < 3.5


def test_warm_glass_reads_high_by_its_expansion():
    """Cubic expansion of soda-lime glass 25e-6 per kelvin: value from memory of ISO 649."""
    scale = SpecificGravityScale.parse("20/20")
    rigid = hydrometer_reading(35.0, scale, 30.0, glass_expansion_per_k=0.0)
    of_glass = salinity_from_hydrometer(rigid * (1.0 + 25e-6 * 10.0), scale, 30.0)
    assert of_glass == pytest.approx([35.0], abs=1e-9)
    assert salinity_from_hydrometer(rigid, scale, 30.0)[0] < 34.8
