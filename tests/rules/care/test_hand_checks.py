"""Hand measurements at the door, and beside the probe."""

import json
import math
from dataclasses import replace

import pytest

from rules.care.control_chart import Bias, allowed
from rules.care.hand_checks import (
    COMPARED_WITHIN_MS,
    USUAL_ACCURACY,
    Chart,
    HandCheck,
    Instrument,
    allowed_error,
    compared,
    corrected,
    hand_measurement_of,
    refuse_blind,
    with_check,
)
from rules.errors import HandMeasurementError, SeawaterError
from rules.plain import from_plain, to_plain
from rules.quantities import Quantity
from rules.rack.plan import Source

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
    assert (taken.value, taken.made_with.off, taken.quantity) == (33.0, 0.2, Quantity.SALINITY)
    assert measured().made_with.off == USUAL_ACCURACY[Quantity.SALINITY]


def test_half_a_step_that_is_not_read_counts_and_what_was_stated_before_is_known():
    assert measured(accuracy=0.2, resolution=0.1).made_with.off == pytest.approx(0.25)
    known = Instrument(0.2, 0.1, 0.5)
    assert hand_measurement_of(BODY, 0, "kim", known).made_with == known
    again = hand_measurement_of({**BODY, "accuracy": 0.3}, 0, "kim", known).made_with
    assert again == Instrument(0.3, 0.1, 0.5)


@pytest.mark.parametrize("more", [{"constant": 0.0}, {"constant": 1.0}, {"resolution": 0.0}])
def test_what_is_on_the_edge_for_an_instrument_is_taken(more):
    taken = measured(accuracy=0.2, **more).made_with
    assert {name: getattr(taken, name) for name in more} == more


def test_the_accuracy_of_a_specific_gravity_is_one_of_specific_gravity():
    """Near S 33 a thousandth is 1.31 of salinity (EOS-80, table of the density reference test)."""
    taken = measured(value=None, specific_gravity=1.025, scale="25/25", accuracy=0.0005, resolution=0.001)
    assert taken.made_with.accuracy == pytest.approx(0.0005 * 1310, rel=0.02)
    assert taken.made_with.off == pytest.approx(0.001 * 1310, rel=0.02)


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
        ({"accuracy": 0.1, "resolution": -1}, "0 or more"),
        ({"accuracy": 0.1, "constant": 1.01}, "0 to 1"),
        ({"accuracy": 0.1, "constant": -0.1}, "0 to 1"),
        ({"accuracy": -0.1}, "more than 0"),
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


def checked(differences, name="k1/salinity", charts=None, *, probe=0.3, hand=0.2):
    """Charts after hand checks of 33, the probe reading so much higher."""
    charts = dict(charts or {})
    for difference in differences:
        charts[name] = with_check(charts, name, compared(measured(accuracy=hand), 33.0 + difference, probe))
    return charts


def test_a_probe_that_walks_away_is_seen_and_one_that_scatters_is_not():
    assert checked([0.4, -0.4] * 6)["k1/salinity"].rule == ""
    away = checked([-0.1 * step for step in range(12)])["k1/salinity"]
    assert away.mean_difference == away.off_by == pytest.approx(-0.75)
    assert "mean of 8, 0.56 would be explained; only a standard tells which of both is off" in away.rule


def test_a_constant_difference_of_both_accuracies_accuses_nobody():
    assert checked([0.499] * 20)["k1/salinity"].off_by is None
    assert checked([0.6] * 8)["k1/salinity"].off_by == pytest.approx(0.6)


def test_the_bias_of_an_instrument_is_known_only_by_three_probes_that_it_visited():
    """It reads 0.9 low everywhere, within its 1.0; k1 is 0.9 off beside that, more than its 0.1."""
    charts = {}
    for name in ("k2/salinity", "k3/salinity", "k4/oxygen"):
        charts = checked([0.9] * 8, name, charts, probe=0.1, hand=1.0)
    two = checked([0.9] * 8, "k1/salinity", {"k2/salinity": charts["k2/salinity"]}, probe=0.1, hand=1.0)
    assert (two["k1/salinity"].off_by, two["k1/salinity"].bias_from) == (None, 0)
    three = checked([0.0] * 8, "k1/salinity", charts, probe=0.1, hand=1.0)
    assert three["k1/salinity"].off_by == pytest.approx(-0.9, abs=0.01)
    assert "own bias is taken off by 3 probes" in three["k1/salinity"].rule


def test_what_the_probes_tell_of_an_instrument_is_as_sure_as_the_least_accurate_of_them():
    """Half of its 0.4 is known, by probes good for 0.2: constant errors of 0.1, 0.1 and 0.2 may add up."""
    assert Bias(0.1, 3, 0.5, 0.2).bound(0.1, 0.4) == pytest.approx(0.4)
    assert Bias().bound(0.1, 0.4) == pytest.approx(0.5)


def test_a_check_that_is_put_right_is_judged_anew_and_one_that_is_gone_is_none():
    """Eight times 0.75 too high; the eighth, of another moment, was a slip: 32.25, not 26.25."""
    charts = checked([0.75] * 7)
    slip = replace(compared(measured(value=26.25, accuracy=0.2), 33.0, 0.3), at_ms=2_000)
    charts["k1/salinity"] = with_check(charts, "k1/salinity", slip)
    chart = corrected(charts, "k1/salinity", 32.25, 2_000)
    assert [each.difference for each in chart.checks] == pytest.approx([0.75] * 8)
    assert chart.off_by == pytest.approx(0.75)
    assert chart.checks[:-1] == charts["k1/salinity"].checks[:-1]
    assert corrected(charts, "k1/salinity", 32.25, 3_000) is None
    assert corrected({}, "k1/salinity", 32.25, 2_000) is None


def test_the_screen_says_as_much_as_a_hand_check_is_off():
    """A probe of ± 0.2 that the hand finds 0.85 off is not shown as ± 0.2."""
    chart = checked([0.85], probe=0.2, hand=0.5)["k1/salinity"]
    assert chart.off_by is None
    assert chart.widened(0.2) == pytest.approx(0.85)
    assert checked([0.4], probe=0.2, hand=0.5)["k1/salinity"].widened(0.2) == 0.2


def test_a_chart_survives_the_snapshot():
    chart = checked([0.1, -0.2, 1.5])["k1/salinity"]
    assert isinstance(chart.checks[0], HandCheck)
    assert from_plain(Chart, json.loads(json.dumps(to_plain(chart)))) == chart


def test_what_a_hand_instrument_may_be_off_unless_somebody_says():
    """Common practice, no source; written down a second time, as it decides which probe is accused."""
    assert USUAL_ACCURACY == {
        Quantity.TEMPERATURE: 0.2,
        Quantity.CONDUCTIVITY: 0.5,
        Quantity.SALINITY: 0.5,
        Quantity.OXYGEN: 0.3,
        Quantity.OXYGEN_SATURATION: 4.0,
        Quantity.AIR_PRESSURE: 1.0,
    }
    assert COMPARED_WITHIN_MS == 15 * 60_000
    probe = Source(1, "k1-ct", Quantity.SALINITY, "k1", 1)
    assert [allowed_error(it) for it in (probe, replace(probe, accuracy=0.1))] == [0.5, 0.1]
    assert compared(measured(), 33.0, None).probe_accuracy == 0.5


def test_an_error_is_constant_unless_somebody_says():
    """A refractometer's or a thermometer's mostly is (common practice, no source)."""
    assert Instrument(0.2) == Instrument(0.2, 0.0, 1.0)
    assert HandCheck(0, 1.0, 1.0, 0.1, 0.1, "x").constant == 1.0
    assert (Chart().over, Chart().allowed, Chart().bias_from, Chart().rule) == (0, 0.0, 0, "")


@pytest.mark.parametrize(("quantity", "most"), [("salinity", 3.0), ("temperature", 1.2), ("oxygen", 1.8)])
def test_six_times_the_usual_accuracy_still_tells_of_a_probe(quantity, most):
    """Project judgement."""
    refuse_blind(Quantity(quantity), most - 1e-9, "x")
    with pytest.raises(HandMeasurementError, match=f"bench: ± .* of {quantity} .accuracy and half a step."):
        refuse_blind(Quantity(quantity), most + 1e-9, "bench")


def test_a_probe_is_accused_beyond_what_would_be_explained_and_not_at_it_also_by_one_check():
    most = allowed([0.5], [math.hypot(0.3, 0.2)])
    for probe, accused in ((most, False), (math.nextafter(most, 9), True), (math.nextafter(-most, -9), True)):
        chart = with_check({}, "k1/salinity/spare", HandCheck(0, 0.0, probe, 0.3, 0.2, "x"))
        assert (chart.off_by is not None) is accused
        assert chart.over == accused


def test_a_spare_of_the_same_quantity_tells_of_the_instrument_too():
    charts = {}
    for name in ("k2/salinity", "k3/salinity/spare", "k1/salinity/spare"):
        charts = checked([0.9] * 8, name, charts, probe=0.1, hand=1.0)
    three = checked([0.0] * 8, "k4/salinity", charts, probe=0.1, hand=1.0)["k4/salinity"]
    assert three.bias_from == 4


def test_a_probe_is_widened_only_beyond_what_both_may_be_off_together():
    """0.3 and 0.4 together are 0.5; over two checks the hand's accuracy is their mean."""
    check = HandCheck(0, 0.0, 0.5, 0.3, 0.4, "x")
    assert Chart((check,)).widened(0.3) == 0.3
    assert Chart((replace(check, probe=0.51),)).widened(0.3) == 0.51
    two = Chart((replace(check, probe=0.6, hand_accuracy=0.3), replace(check, probe=0.6, hand_accuracy=0.5)))
    assert two.widened(0.3) == pytest.approx(0.6)
    assert two.widened(0.7) == 0.7


def test_a_probe_that_is_accused_by_several_instruments_is_known_by_the_least_known_of_them():
    charts = {}
    for name in ("k2/salinity", "k3/salinity", "k4/salinity"):
        charts = checked([0.9] * 8, name, charts, probe=0.1, hand=1.0)
    other = replace(compared(measured(accuracy=0.2), 35.0, 0.1), instrument="a bottle")
    charts["k1/salinity"] = with_check(charts, "k1/salinity", other)
    charts = checked([2.9] * 7, "k1/salinity", charts, probe=0.1, hand=1.0)
    chart = charts["k1/salinity"]
    assert chart.off_by is not None
    assert (chart.bias_from, "only a standard" in chart.rule) == (0, True)


def test_the_bias_is_as_sure_as_the_least_accurate_probe_and_the_constant_share_of_the_instrument():
    """Of 0.5 constant and 1.0 stated, by probes good for 0.1, 0.1 and 0.4; constants add up as they may."""
    charts, share = {}, 0.5**2 / (0.5**2 + 0.4**2 / 3)
    for name, accuracy in (("k2/salinity", 0.1), ("k3/salinity", 0.4)):
        half = replace(compared(measured(accuracy=1.0), 33.3, accuracy), constant=0.5)
        charts[name] = with_check(charts, name, half)
    check = replace(compared(measured(accuracy=1.0), 43.3, 0.1), constant=0.5)
    chart = with_check(charts, "k1/salinity", check)
    bound = 0.1 + share * 0.4 + (1 - share) * 1.0
    assert chart.allowed == pytest.approx(math.hypot(bound, 2.0 * math.hypot(0.1, 1.0)))
    assert chart.off_by == pytest.approx(10.3 - share * 0.3)


def test_an_instrument_may_be_coarse():
    assert measured(accuracy=1.5, resolution=2.0).made_with.off == 2.5


def test_a_specific_gravity_of_which_nobody_said_how_sure_it_is_is_as_sure_as_salinity_usually_is():
    taken = measured(value=None, specific_gravity=1.025, scale="25/25")
    assert taken.made_with.accuracy == pytest.approx(0.5)


def test_nearly_fresh_water_has_a_step_of_specific_gravity_too():
    """Less would be no sea water. About 7.5e-4 of density a salinity there (EOS-80): 1.33 a thousandth."""
    taken = measured(value=None, specific_gravity=1.00003, scale="25/25", accuracy=0.001)
    assert 0 < taken.value < 0.1
    assert taken.made_with.accuracy == pytest.approx(1.33, rel=0.03)
