"""The simulator's sea water against published tables, not against gsw alone."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.rack import seawater


@pytest.mark.parametrize(
    ("temperature_c", "salinity", "mg_l"),
    [(10, 35, 9.024), (15, 32, 8.286), (20, 0, 9.092), (20, 35, 7.396), (25, 30, 6.967), (5, 20, 11.174)],
)
def test_oxygen_at_one_atmosphere_is_that_of_benson_and_krause(temperature_c, salinity, mg_l):
    # Benson & Krause 1984 as in USGS DOTABLES, computed from the formula; another fit than gsw's.
    found = seawater.oxygen_saturation_mg_l(float(salinity), float(temperature_c), 1013.25)
    assert found == pytest.approx(mg_l, abs=0.005)


@pytest.mark.parametrize(
    ("temperature_c", "hpa", "factor"),
    [(10, 980, 0.96681), (10, 1030, 1.01672), (20, 980, 0.96643), (20, 1000, 0.98662), (20, 1030, 1.01691)],
)
def test_oxygen_follows_the_barometer(temperature_c, hpa, factor):
    # Benson & Krause's pressure factor, computed independently in fresh water, theta as in APHA 4500-O.
    here = seawater.oxygen_saturation_mg_l(0.0, float(temperature_c), float(hpa))
    assert here / seawater.oxygen_saturation_mg_l(0.0, float(temperature_c), 1013.25) == pytest.approx(
        factor, abs=3e-5
    )


@pytest.mark.parametrize(("temperature_c", "atm"), [(10, 0.011877), (20, 0.022623)])
def test_vapour_pressure_over_sea_water(temperature_c, atm):
    # Weiss & Price 1980 at salinity 35, computed independently.
    assert seawater.vapour_pressure_hpa(float(temperature_c), 35.0) / 1013.25 == pytest.approx(atm, abs=1e-6)


@pytest.mark.parametrize(
    ("temperature_c", "salinity", "ms_cm"),
    [(10, 32, 35.1424), (5, 28, 27.3391), (15, 32, 39.6077), (25, 35, 53.0710)],
)
def test_conductivity_of_a_salinity(temperature_c, salinity, ms_cm):
    # PSS-78 turned round, two libraries agreeing to four decimals.
    found = seawater.conductivity_ms_cm(float(salinity), float(temperature_c))
    assert found == pytest.approx(ms_cm, abs=1e-4)


@given(st.floats(0.5, 500), st.floats(1, 42), st.floats(0, 35))
def test_masses_give_volume_and_salinity_back(volume_l, salinity, temperature_c):
    water_kg, salt_g = seawater.masses(volume_l, salinity, temperature_c)
    assert seawater.volume_l(salt_g, water_kg, temperature_c) == pytest.approx(volume_l, rel=1e-12)
    assert seawater.practical_salinity(salt_g, water_kg) == pytest.approx(salinity, rel=1e-12)


def test_mass_and_heat_capacity_of_a_litre_of_sea_water():
    # Salinity 35 at 20 degrees C: 1024.76 kg/m3 (EOS-80, computed independently) and
    # 3994 J/(kg K) (UNESCO 44, from memory).
    water_kg, salt_g = seawater.masses(1.0, 35.0, 20.0)
    assert water_kg + salt_g / 1000 == pytest.approx(1.02476, abs=2e-5)
    assert seawater.heat_capacity_j_per_k(salt_g, water_kg, 20.0) == pytest.approx(3994 * 1.02476, rel=1e-3)
