"""Hand measurements at the door, and beside the probe."""

import json

import pytest

from rules.care.control_chart import ChartRule
from rules.care.hand_checks import USUAL_ACCURACY, Chart, compared, hand_measurement_of
from rules.errors import HandMeasurementError, SeawaterError
from rules.plain import from_plain, to_plain
from rules.quantities import Quantity

BODY = {
    "vessel": "kreisel-1",
    "quantity": "salinity",
    "value": 33.0,
    "method": "refractometer",
    "instrument": "bench refractometer 2",
}


def measured(**change):
    body = {key: value for key, value in {**BODY, **change}.items() if value is not None}
    return hand_measurement_of(body, 1_000, "kim")


def test_a_value_is_taken_as_it_is():
    taken = measured(accuracy=0.2)
    assert (taken.value, taken.accuracy, taken.quantity) == (33.0, 0.2, Quantity.SALINITY)
    assert measured().accuracy == USUAL_ACCURACY[Quantity.SALINITY]


@pytest.mark.parametrize(("scale", "salinity"), [("20/20", 32.90), ("25/25", 33.19), ("60F/60F", 32.59)])
def test_a_specific_gravity_becomes_salinity_at_its_own_reference(scale, salinity):
    """SG 1.025 by EOS-80 (UNESCO 44); values as in the density reference test."""
    taken = measured(value=None, specific_gravity=1.025, scale=scale)
    assert taken.value == pytest.approx(salinity, abs=0.006)


def test_a_specific_gravity_in_cold_water_says_more_salt_than_the_glass_shows():
    warm = measured(value=None, specific_gravity=1.025, scale="25/25")
    cold = measured(value=None, specific_gravity=1.025, scale="25/25", temperature_c=15.0)
    assert cold.value < warm.value - 2


def test_a_specific_gravity_without_reference_is_refused():
    with pytest.raises(SeawaterError, match="a specific gravity without"):
        measured(value=None, specific_gravity=1.025)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"method": None}, "say its method"),
        ({"instrument": " ", "vessel": ""}, "say its vessel and instrument"),
        ({"quantity": "ph"}, "no such quantity"),
        ({"value": "33"}, "'33' is not a number"),
        ({"value": float("inf")}, "inf is not a number"),
        ({"value": None}, "either a value or a specific gravity"),
        ({"specific_gravity": 1.02}, "either a value or a specific gravity"),
        ({"accuracy": 0.0}, "more than 0"),
        ({"colour": "blue"}, "no key is called colour"),
        (
            {"quantity": "oxygen", "value": None, "specific_gravity": 1.02, "scale": "25/25"},
            "measure of salinity",
        ),
        ({"value": None, "specific_gravity": 1.25, "scale": "25/25"}, "1.020 to 1.030"),
    ],
)
def test_a_body_from_outside_is_checked(change, words):
    with pytest.raises(HandMeasurementError, match=words):
        measured(**change)


def test_a_probe_that_walks_away_is_seen_and_one_that_scatters_is_not():
    scattering, walking = Chart(), Chart()
    for step in range(12):
        scatter = 0.2 if step % 2 else -0.2
        scattering = scattering.with_check(compared(measured(), 33.0 + scatter, 0.3))
        walking = walking.with_check(compared(measured(), 33.0 - 0.1 * step, 0.3))
        assert scattering.rule is None
    assert walking.rule is ChartRule.BEYOND_3_SIGMA
    assert walking.mean_difference == pytest.approx(-0.75)


def test_a_chart_survives_the_snapshot():
    chart = Chart().with_check(compared(measured(), 32.8, None)).with_check(compared(measured(), 32.7, 0.1))
    assert from_plain(Chart, json.loads(json.dumps(to_plain(chart)))) == chart
