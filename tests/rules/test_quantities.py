"""Every unit beside the conversion factors of NIST SP 811 (2008), appendix B.8, written down from memory."""

import pytest

from rules.quantities import UNITS, Quantity, from_unit, to_unit

KNOWN = [
    ("temperature", "C", 21.5, 21.5),
    ("temperature", "K", 273.15, 0.0),
    ("temperature", "F", 212.0, 100.0),
    ("temperature", "F", 32.0, 0.0),
    ("conductivity", "mS/cm", 42.914, 42.914),
    ("conductivity", "S/m", 4.2914, 42.914),
    ("conductivity", "uS/cm", 42_914.0, 42.914),
    ("salinity", "", 33.0, 33.0),
    ("salinity", "ppt", 33.0, 33.0),
    ("oxygen", "mg/L", 8.1, 8.1),
    ("oxygen", "ppm", 8.1, 8.1),
    ("oxygen", "kg/m3", 0.0081, 8.1),
    ("oxygen_saturation", "%", 97.0, 97.0),
    ("oxygen_saturation", "/", 0.97, 97.0),
    ("air_pressure", "hPa", 998.0, 998.0),
    ("air_pressure", "Pa", 101_325.0, 1013.25),
    ("air_pressure", "kPa", 101.325, 1013.25),
    ("air_pressure", "bar", 1.0, 1000.0),
    ("air_pressure", "mmHg", 1.0, 1.333224),
]


@pytest.mark.parametrize(("quantity", "unit", "given", "own"), KNOWN)
def test_a_value_in_a_unit_is_so_much_in_the_quantitys_own(quantity, unit, given, own):
    assert from_unit(Quantity(quantity), unit, given) == pytest.approx(own, rel=1e-6, abs=1e-9)
    assert to_unit(Quantity(quantity), unit, own) == pytest.approx(given, rel=1e-6, abs=1e-9)


def test_every_unit_is_known_from_elsewhere():
    assert {(row[0], row[1]) for row in KNOWN} == {(str(of), unit) for of, by in UNITS.items() for unit in by}


def test_a_difference_of_temperatures_has_no_offset():
    assert from_unit(Quantity.TEMPERATURE, "F", 1.8, difference=True) == pytest.approx(1.0)
    assert to_unit(Quantity.TEMPERATURE, "K", 1.0, difference=True) == 1.0
