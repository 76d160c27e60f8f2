"""Bells weighed beside their diameters: what is taken, and what is asked back; all bells are invented.

A ball of 10 mm of sea water (1.025 g/cm3, handbook value from memory) weighs pi/6 * 1.025 * 1000 = 537 mg;
a sheet of 10 mm that is 0.1 mm thick pi/4 * 1.025 * 10 = 8.05 mg: no bell of 10 mm is beyond these.
"""

import pytest

from rules.culture.cohorts import Culture
from rules.culture.refusals import unfit_sample
from rules.culture.weight import unfit_pairs, weight_of


def listed(diameters, weights):
    return {"n": len(weights), "values": weights, "diameters_mm": diameters}


@pytest.mark.parametrize("stage", ["ephyra", "juvenile", "adult", "own stage"])
def test_bells_with_diameters_are_taken(stage):
    assert unfit_pairs(listed([8.0, 10.0], [35.0, 60.0]), stage) == ""


@pytest.mark.parametrize("stage", ["planula", "polyp", "polyp-cooling", "strobila", "podocyst"])
def test_a_stage_without_a_bell_has_no_diameter_of_it(stage):
    assert unfit_pairs(listed([8.0, 10.0], [35.0, 60.0]), stage) == f"diameters_mm: {stage} has no bell"


@pytest.mark.parametrize(("mg", "taken"), [(7.9, False), (8.1, True), (536.0, True), (545.0, False)])
def test_no_bell_is_thinner_than_a_sheet_or_heavier_than_a_ball(mg, taken):
    found = unfit_pairs(listed([10.0], [mg]), "juvenile")
    assert found == (
        "" if taken else f"diameters_mm: found {mg:g} mg at 10 mm; expected 8 to 5.4e+02 mg there"
    )


@pytest.mark.parametrize(
    "body",
    [
        listed([8.0], [35.0, 60.0]),
        listed([8.0, 0.0], [35.0, 60.0]),
        listed("ab", [35.0, 60.0]),
        {"n": 2, "value": 47.5, "diameters_mm": [8.0]},
    ],
)
def test_each_weight_has_its_own_diameter(body):
    assert (
        unfit_pairs(body, "juvenile") == "diameters_mm: expected one above 0 for each weight, in their order"
    )


def test_only_an_entry_of_wet_weight_has_diameters_beside_it():
    weights = {"what": "wet_weight", "value": 60.0, "diameters_mm": [10.0]}
    assert unfit_sample(Culture(), weights) == ""
    assert unfit_sample(Culture(), weights | {"value": 600.0}).startswith(
        "diameters_mm: found 600 mg at 10 mm"
    )
    fed = {"what": "feed", "value": 60.0, "diameters_mm": [10.0]}
    assert unfit_sample(Culture(), fed) == "diameters_mm: feed has no such thing"


@pytest.mark.parametrize(("exponent", "counts"), [(1.4, 2.8), (1.6, 1.6), (3.9, 3.9), (4.1, 2.8)])
def test_an_exponent_that_no_shape_has_leaves_the_placeholder(exponent, counts):
    """A sheet of one thickness has 2, one shape at all sizes 3 (geometry); 1.5 to 4 is project judgement."""
    weighed = weight_of([(mm, 0.05 * mm**exponent) for mm in range(3, 20)])
    assert weighed.exponent == pytest.approx(counts)
