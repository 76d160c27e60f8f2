"""Calibration lines: the points come out true, absurd points are refused in words that help."""

import json
import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rules.care.calibration import (
    Calibration,
    Cleaning,
    Line,
    Moves,
    Point,
    air_saturated,
    calibration_of,
    line_through,
    standards_error,
)
from rules.errors import CalibrationError
from rules.plain import from_plain, to_plain
from rules.quantities import Quantity

BODY = {
    "probe": "k1-ct",
    "quantity": "conductivity",
    "points": [{"read": 49.2, "true": 50.0}],
    "standard": "KCl 50 mS/cm, lot invented",
}


@given(
    st.sampled_from(list(Quantity)),
    st.floats(1, 60),
    st.floats(0.6, 1.9),
    st.floats(-1, 1),
    st.floats(5, 40),
)
def test_both_points_of_two_come_out_true(quantity, low, slope, offset, apart):
    reads = (low, low + apart)
    points = [Point(read, slope * read + offset) for read in reads]
    try:
        line = line_through(quantity, points)
    except CalibrationError:
        assume(False)
    np.testing.assert_allclose(line.of(np.array(reads)), [p.true for p in points], rtol=1e-9)
    assert line.read_at(points[0].true) == pytest.approx(low, rel=1e-9)


@pytest.mark.parametrize(
    ("quantity", "read", "true", "line"),
    [
        ("temperature", 0.2, 0.0, Line(1.0, -0.2)),  # the ice point shifts a thermometer
        ("air_pressure", 1011.0, 1013.0, Line(1.0, 2.0)),
        ("conductivity", 49.0, 50.0, Line(50 / 49, 0.0)),  # a cell constant stretches from zero
        ("salinity", 34.0, 35.0, Line(35 / 34, 0.0)),
        ("oxygen", 8.0, 9.0, Line(9 / 8, 0.0)),
        ("oxygen_saturation", 96.0, 100.0, Line(100 / 96, 0.0)),
    ],
)
def test_one_point_shifts_or_stretches_by_quantity(quantity, read, true, line):
    got = line_through(Quantity(quantity), [Point(read, true)])
    assert (got.slope, got.offset) == pytest.approx((line.slope, line.offset))


def test_zero_and_air_saturated_make_an_oxygen_line():
    """ISO 5814 calibrates so: a solution without oxygen, and water at balance with the air."""
    saturated = air_saturated(Quantity.OXYGEN, 9.4, 20.0, 0.0, 1013.25)
    assert saturated.true == pytest.approx(9.09, abs=0.005)  # Benson & Krause 1984 gives 9.092 mg/L
    line = line_through(Quantity.OXYGEN, [Point(0.15, 0.0), saturated])
    np.testing.assert_allclose(line.of(np.array([0.15, 9.4])), [0.0, saturated.true], atol=1e-12)


def test_air_saturated_is_hundred_percent_at_any_pressure():
    assert air_saturated(Quantity.OXYGEN_SATURATION, 97.0, 15.0, 0.0, 980.0) == Point(97.0, 100.0)


def test_lower_air_pressure_makes_a_lower_air_saturated_point():
    """Reference: 0.96643 at 980 hPa and 20 °C, Benson & Krause 1984 pressure term."""
    low, full = (air_saturated(Quantity.OXYGEN, 9.0, 20.0, 0.0, hpa).true for hpa in (980.0, 1013.25))
    assert low / full == pytest.approx(0.96643, abs=2e-5)


@pytest.mark.parametrize(
    ("quantity", "points", "words"),
    [
        ("temperature", [Point(25.0, 15.0)], "at most 5 K apart"),
        ("temperature", [Point(15.0, 15.0), Point(15.0, 25.0)], "both read 15"),
        ("temperature", [Point(0.0, 0.0), Point(25.0, 77.0)], "slope 3.08"),
        ("conductivity", [Point(50_000.0, 50.0)], "slope 0.001"),
        ("conductivity", [Point(0.0, 50.0)], "must lie above 0"),
        ("oxygen", [Point(4.0, 0.0), Point(12.0, 9.0)], "at most 2 mg/L apart"),
        ("salinity", [], "0 points"),
        ("salinity", [Point(30.0, 30.0), Point(33.0, 33.0), Point(35.0, 35.0)], "3 points"),
    ],
)
def test_absurd_points_are_refused_with_what_would_be_right(quantity, points, words):
    with pytest.raises(CalibrationError, match=words):
        line_through(Quantity(quantity), points)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"standard": " "}, "which standard"),
        ({"quantity": "ph"}, "no such quantity; there are: temperature"),
        ({"points": [{"read": "49", "true": 50.0}]}, "'49' is not a number"),
        ({"points": [{"read": float("nan"), "true": 50.0}]}, "nan is not a number"),
        ({"points": [{"read": True, "true": 50.0}]}, "True is not a number"),
        ({"points": [{"read": 49.0}]}, "what was read and what is true"),
        ({"points": "49=50"}, "what was read and what is true"),
        ({"points": None}, "0 points"),
        ({"cleaned": {"before": 1.0}}, "the one after"),
        ({"slope": 1.0}, "no key is called slope"),
        ({"cleaned": 5.0}, "the one after"),
        ({"points": [{"read": 49.2, "true": 50.0, "uncertainty": -0.1}]}, "0 or more would be right"),
        ({"points": [{"read": 49.2, "true": 50.0, "colour": 1.0}]}, "what was read and what is true"),
        ({"moves": "both"}, "moves both; one point moves the offset or the slope"),
        ({"base": {"slope": 1.0}}, "a slope and an offset"),
        ({"base": 1.0}, "a slope and an offset"),
        ({"found": [{"read": 10.0, "true": 50.0}]}, "between 0.5 and 2"),
        ({"replaced": True, "cleaned": {"before": 48.0, "after": 49.2}}, "a new probe was not there"),
        ({"replaced": True, "found": [{"read": 49.0, "true": 50.0}]}, "a new probe was not there"),
        ({"replaced": True, "base": {"slope": 1.1, "offset": 0.0}}, "a new probe was not there"),
    ],
)
def test_a_body_from_outside_is_checked(change, words):
    with pytest.raises(CalibrationError, match=words):
        calibration_of({**BODY, **change}, 0, "kim")


def test_air_saturation_of_another_quantity_or_of_nowhere_is_refused():
    with pytest.raises(CalibrationError, match="oxygen alone"):
        air_saturated(Quantity.SALINITY, 1.0, 20.0, 0.0, 1013.0)
    with pytest.raises(CalibrationError, match="barometer at the rack"):
        air_saturated(Quantity.OXYGEN, 9.0, 20.0, 0.0, 29.92)


def test_a_calibration_survives_the_journal():
    body = {**BODY, "note": "cell wiped", "cleaned": {"before": 48.0, "after": 49.2}}
    made = calibration_of(body, 7, "kim")
    assert made == Calibration(
        7,
        "k1-ct",
        Quantity.CONDUCTIVITY,
        (Point(49.2, 50.0),),
        BODY["standard"],
        "kim",
        "cell wiped",
        Cleaning(48.0, 49.2),
    )
    assert from_plain(Calibration, json.loads(json.dumps(to_plain(made)))) == made
    assert made.key == "k1-ct/conductivity"


@pytest.mark.parametrize(
    ("quantity", "points", "slope"),
    [
        ("oxygen", [Point(4.0, 2.0)], 0.5),  # the least and the greatest slope of a probe that works
        ("oxygen", [Point(2.0, 4.0)], 2.0),
        ("salinity", [Point(0.5, 0.5)], 1.0),  # small, and above zero
        ("temperature", [Point(15.0, 20.0)], 1.0),  # the largest shift of each quantity
        ("temperature", [Point(20.0, 15.0)], 1.0),
        ("air_pressure", [Point(950.0, 1000.0)], 1.0),
        ("oxygen", [Point(2.0, 0.0), Point(10.0, 8.0)], 1.0),
        ("oxygen_saturation", [Point(20.0, 0.0), Point(100.0, 100.0)], 1.25),
        ("conductivity", [Point(5.0, 0.0), Point(50.0, 50.0)], 50 / 45),
        ("salinity", [Point(0.0, 5.0), Point(35.0, 35.0)], 30 / 35),
    ],
)
def test_points_at_the_very_edge_of_what_is_allowed_are_taken(quantity, points, slope):
    assert line_through(Quantity(quantity), points).slope == pytest.approx(slope)


@pytest.mark.parametrize(
    ("quantity", "points", "words"),
    [
        ("oxygen", [Point(4.0, 1.99)], "slope 0.497"),
        ("oxygen", [Point(2.0, 4.01)], "slope 2"),
        ("temperature", [Point(15.0, 20.01)], "at most 5 K"),
        ("air_pressure", [Point(950.0, 1000.1)], "at most 50 hPa"),
        ("oxygen", [Point(2.01, 0.0), Point(10.0, 9.0)], "at most 2 mg/L"),
        ("oxygen_saturation", [Point(20.1, 0.0), Point(100.0, 100.0)], "at most 20 %"),
        ("conductivity", [Point(5.01, 0.0), Point(50.0, 50.0)], "at most 5 mS/cm"),
        ("salinity", [Point(0.0, 5.01), Point(35.0, 35.0)], "at most 5 apart"),
        ("salinity", [Point(0.0, 1.0)], "must lie above 0"),
        ("salinity", [Point(1.0, 0.0)], "must lie above 0"),
        ("salinity", [Point(-1.0, -1.0)], "must lie above 0"),
    ],
)
def test_points_just_over_the_edge_are_refused(quantity, points, words):
    with pytest.raises(CalibrationError, match=words):
        line_through(Quantity(quantity), points)


def test_the_words_of_a_refusal_are_whole():
    with pytest.raises(CalibrationError) as refused:
        line_through(Quantity.TEMPERATURE, [Point(0.0, 0.0), Point(25.0, 77.0)])
    assert str(refused.value) == (
        "slope 3.08 from temperature 0 °C read for 0 °C and 25 °C read for 77 °C: between 0.5 and 2 would be"
        " a probe that works; check the unit and the standard"
    )


def test_what_the_water_did_while_a_probe_was_wiped_may_be_said_or_not():
    body = {**BODY, "cleaned": {"before": 48.0, "after": 49.2, "meanwhile": -0.5}}
    assert calibration_of(body, 7, "kim").cleaned == Cleaning(48.0, 49.2, -0.5)
    with pytest.raises(CalibrationError, match="the one after"):
        calibration_of({**BODY, "cleaned": {"before": 1.0, "after": 2.0, "who": 3.0}}, 7, "kim")
    plain = calibration_of({**BODY, "cleaned": {"before": 1.0, "after": 2.0}}, 7, "kim")
    assert (plain.note, plain.cleaned.meanwhile, plain.points[0].uncertainty) == ("", 0.0, 0.0)
    assert (plain.found, plain.said, plain.base, plain.replaced) == ((), None, Line(1.0, 0.0), False)


def test_what_one_point_moves_may_be_said_and_from_which_line():
    made = calibration_of({**BODY, "moves": "offset", "base": {"slope": 1.1, "offset": 0.0}}, 7, "kim")
    assert made.line == Line(1.1, pytest.approx(50.0 - 1.1 * 49.2))
    sloped = calibration_of({**BODY, "moves": "slope", "base": {"slope": 1.1, "offset": 0.5}}, 7, "kim")
    assert sloped.line == Line(pytest.approx(49.5 / 49.2), 0.5)
    assert calibration_of({**BODY, "replaced": True, "found": []}, 7, "kim").replaced


@pytest.mark.parametrize(
    ("true", "off"), [(10.0, 0.1), (50.0, 0.4), (30.0, math.hypot(0.05, 0.2)), (90.0, 0.8062)]
)
def test_the_errors_of_two_points_act_along_the_line(true, off):
    """GUM, JCGM 100:2008, 5.1.2: by the shares that each point has; beyond both it grows."""
    points = [Point(10.2, 10.0, 0.1), Point(50.5, 50.0, 0.4)]
    assert standards_error(points, Moves.BOTH, Line(), true) == pytest.approx(off, abs=1e-4)


def test_the_error_of_one_point_shifts_or_stretches():
    point = [Point(49.2, 50.0, 0.4)]
    assert standards_error(point, Moves.OFFSET, Line(), 10.0) == 0.4
    assert standards_error(point, Moves.SLOPE, Line(), 25.0) == pytest.approx(0.2)
    assert standards_error(point, Moves.SLOPE, Line(1.0, 10.0), 30.0) == pytest.approx(0.4 * 20 / 40)
