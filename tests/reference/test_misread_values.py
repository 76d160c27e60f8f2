"""What a number would be, read otherwise, against conversions of textbooks.

Fahrenheit and kelvin: BIPM, The International System of Units, 9th edition, and NIST SP 811, appendix B.8;
mmHg: ISO 80000-4. Oxygen: Benson & Krause 1984 as tabled by USGS (15 °C, salinity 0, 1013.25 hPa:
10.08 mg/L). Values from memory.
"""

import struct

import pytest

from rules.care.misread import IN_STANDARDS, Around, is_plausible, read_otherwise, typed_otherwise
from rules.quantities import Quantity

FRESH = Around(15.0, 0.0, 1013.25)


@pytest.mark.parametrize(
    ("quantity", "sent", "as_what", "is_so", "within"),
    [
        (Quantity.TEMPERATURE, 68.0, "in °F", 20.0, 1e-9),
        (Quantity.TEMPERATURE, 288.15, "in K", 15.0, 1e-9),
        (Quantity.CONDUCTIVITY, 42_914.0, "in µS/cm", 42.914, 1e-9),
        (Quantity.CONDUCTIVITY, 4.2914, "in S/m", 42.914, 1e-9),
        (Quantity.AIR_PRESSURE, 101.325, "in kPa", 1013.25, 1e-9),
        (Quantity.AIR_PRESSURE, 101_325.0, "in Pa", 1013.25, 1e-9),
        (Quantity.AIR_PRESSURE, 300.0, "in mmHg", None, 0.0),
        (Quantity.OXYGEN, 100.0, "in % of saturation", 10.08, 0.01),
        (Quantity.OXYGEN_SATURATION, 10.08, "in mg/L", 100.0, 0.1),
        (Quantity.OXYGEN, 312.5, "in µmol/L", 10.0, 0.001),
        (Quantity.TEMPERATURE, 185.0, "in tenths of °C", 18.5, 1e-9),
        (Quantity.TEMPERATURE, 1850.0, "in hundredths of °C", 18.5, 1e-9),
        (Quantity.CONDUCTIVITY, 4291.4, "in mS/m", 42.914, 1e-9),
        (Quantity.SALINITY, 33_000.0, "in parts per million", 33.0, 1e-9),
        (Quantity.SALINITY, 1.9, "in per cent", 19.0, 1e-9),
        (Quantity.OXYGEN, 8000.0, "in µg/L", 8.0, 1e-9),
        (Quantity.OXYGEN_SATURATION, 0.97, "as a share of 1", 97.0, 1e-9),
        (Quantity.AIR_PRESSURE, 1.01325, "in bar", 1013.25, 1e-9),
        (Quantity.AIR_PRESSURE, 500.0, "in mmHg", 666.612, 1e-9),
    ],
)
def test_units(quantity, sent, as_what, is_so, within):
    found = {it.as_what: it.value for it in read_otherwise(quantity, sent, FRESH)}
    assert found.get(as_what) == (None if is_so is None else pytest.approx(is_so, abs=within))


@pytest.mark.parametrize(
    ("quantity", "low", "high"),
    [
        (Quantity.TEMPERATURE, 0.5, 35.0),
        (Quantity.CONDUCTIVITY, 5.0, 75.0),
        (Quantity.SALINITY, 2.0, 42.0),
        (Quantity.OXYGEN, 1.0, 18.0),
        (Quantity.OXYGEN_SATURATION, 15.0, 200.0),
        (Quantity.AIR_PRESSURE, 600.0, 1085.0),
    ],
)
def test_what_some_nurserys_water_can_be(quantity, low, high):
    """Project judgement, written down a second time: within these nobody is asked for the unit."""
    beyond = [low - 0.01, low, high, high + 0.01]
    assert [is_plausible(quantity, value) for value in beyond] == [False, True, True, False]


def test_what_is_true_in_standards():
    """Project judgement, likewise: ice and zero solutions, warm ones, bottles of up to 111.8 mS/cm."""
    assert IN_STANDARDS == {
        Quantity.TEMPERATURE: (-1.0, 60.0),
        Quantity.CONDUCTIVITY: (0.0, 150.0),
        Quantity.SALINITY: (0.0, 45.0),
        Quantity.OXYGEN: (0.0, 20.0),
        Quantity.OXYGEN_SATURATION: (0.0, 200.0),
        Quantity.AIR_PRESSURE: (500.0, 1100.0),
    }


def test_the_other_orders_of_four_bytes():
    """18.41 as IEEE 754 is 41 93 47 AE."""
    for sent, how in (
        ("47AE4193", "with its words in the other order"),
        ("AE479341", "with its bytes in the other order"),
        ("9341AE47", "with the bytes of each word in the other order"),
    ):
        (value,) = struct.unpack(">f", bytes.fromhex(sent))
        found = [(round(it.value, 4), it.as_what) for it in read_otherwise(Quantity.TEMPERATURE, value)]
        assert (18.41, how) in found


@pytest.mark.parametrize("sent", [float("inf"), float("-inf"), float("nan")])
def test_what_is_no_number_is_nothing_else(sent):
    for quantity in Quantity:
        assert read_otherwise(quantity, sent, FRESH) == ()


def test_what_was_never_four_bytes_has_no_other_order_of_them():
    """IEEE 754: 53 bits of a double that no float32 has."""
    swapped = struct.unpack(">f", bytes.fromhex("33334193"))[0]
    assert read_otherwise(Quantity.TEMPERATURE, swapped * (1 + 1e-12)) == ()
    assert read_otherwise(Quantity.TEMPERATURE, 1e300) == ()


def test_what_can_be_water_is_left_alone_and_what_cannot_be_known_is_not_guessed():
    assert read_otherwise(Quantity.TEMPERATURE, 18.4) == ()
    assert read_otherwise(Quantity.TEMPERATURE, float("nan")) == ()
    assert [it.as_what for it in read_otherwise(Quantity.OXYGEN, 98.0)] == ["in µmol/L"]


POSSIBLE = {
    Quantity.TEMPERATURE: (-5.0, 50.0),
    Quantity.OXYGEN: (0.0, 20.0),
    Quantity.OXYGEN_SATURATION: (0.0, 200.0),
    Quantity.SALINITY: (0.0, 45.0),
    Quantity.CONDUCTIVITY: (0.0, 100.0),
}


@pytest.mark.parametrize(
    ("quantity", "typed", "ways"),
    [
        (Quantity.TEMPERATURE, 50.0, []),
        (Quantity.TEMPERATURE, -5.0, []),
        (Quantity.TEMPERATURE, 59.0, ["--unit F"]),
        (Quantity.TEMPERATURE, 121.9, ["--unit F"]),
        (Quantity.CONDUCTIVITY, 100_000.0, ["--unit uS/cm"]),
        (Quantity.CONDUCTIVITY, 100_001.0, []),
        (Quantity.TEMPERATURE, 123.0, []),
        (Quantity.TEMPERATURE, 268.15, ["--unit K"]),
        (Quantity.CONDUCTIVITY, 42_914.0, ["--unit uS/cm"]),
        (Quantity.OXYGEN, 97.0, ["oxygen_saturation"]),
        (Quantity.OXYGEN, 200.0, ["oxygen_saturation"]),
        (Quantity.OXYGEN, 201.0, []),
        (Quantity.OXYGEN_SATURATION, 250.0, []),
        (Quantity.SALINITY, 50.0, []),
    ],
)
def test_a_typed_number_that_cannot_be_is_said_how_else_it_could_be_meant(quantity, typed, ways):
    assert typed_otherwise(quantity, typed, typed, POSSIBLE) == ways


def test_a_share_or_a_specific_gravity_may_be_meant_by_what_else_is_out_of_range():
    """Values beside the typed number, as a unit that was named makes them."""
    shares = typed_otherwise(Quantity.OXYGEN, 0.97, 970.0, POSSIBLE)
    assert shares == ["--unit mg/L", "--unit ppm", "oxygen_saturation --unit /"]
    assert typed_otherwise(Quantity.SALINITY, 1.025, -1.0, POSSIBLE)[-1].startswith("specific_gravity with")
    assert typed_otherwise(Quantity.OXYGEN_SATURATION, 8.1, 810.0, POSSIBLE)[-1] == "oxygen"


@pytest.mark.parametrize(
    ("quantity", "way", "low", "high"),
    [
        (Quantity.SALINITY, "specific_gravity with the --scale of the instrument", 0.99, 1.05),
        (Quantity.OXYGEN, "oxygen_saturation", 15.0, 200.0),
        (Quantity.OXYGEN, "oxygen_saturation --unit /", 0.15, 1.5),
        (Quantity.OXYGEN_SATURATION, "oxygen", 1.0, 15.0),
    ],
)
def test_between_what_another_quantity_may_be_meant(quantity, way, low, high):
    """Project judgement."""
    impossible = POSSIBLE[quantity][1] + 1
    ways = [
        way in typed_otherwise(quantity, typed, impossible, POSSIBLE)
        for typed in (low - 0.001, low, high, high + 0.001)
    ]
    assert ways == [False, True, True, False]
