"""Un-ionised ammonia against published values.

Clegg & Whitfield 1995, Geochim. Cosmochim. Acta 59:2403-2421. The table was computed by PyCO2SYS 1.8.3, an
implementation that is not ours; the ratio is that of Ge et al. 2018, Oceanol. Limnol. Sin. 49:809 (abstract).
"""

import pytest

from rules.errors import SeawaterError
from rules.water.ammonia import NBS_ABOVE_TOTAL, pk_of_ammonium, unionised

PK_AT_30 = {5: 9.9511, 10: 9.7655, 15: 9.5850, 20: 9.4091, 25: 9.2373}
PER_CENT_AT_32 = {
    5: (0.438, 0.693, 1.093, 1.722, 2.702),
    10: (0.671, 1.060, 1.669, 2.619, 4.089),
    15: (1.015, 1.599, 2.510, 3.921, 6.075),
    20: (1.515, 2.381, 3.721, 5.772, 8.849),
    25: (2.237, 3.499, 5.434, 8.348, 12.614),
}
PH = (7.6, 7.8, 8.0, 8.2, 8.4)


def entry(ph, temperature_c, salinity, **more):
    return {"ph": ph, "temperature_c": temperature_c, "salinity": salinity} | more


@pytest.mark.parametrize(("celsius", "pk"), PK_AT_30.items())
def test_the_pk_of_ammonium(celsius, pk):
    assert pk_of_ammonium(celsius, 30) == pytest.approx(pk, abs=6e-5)


@pytest.mark.parametrize(("celsius", "shares"), PER_CENT_AT_32.items())
def test_the_share_on_the_total_scale(celsius, shares):
    found = [unionised(100, entry(ph, celsius, 32, scale="total"))["total"] for ph in PH]
    assert found == pytest.approx(shares, abs=6e-4)


def test_the_published_ratio_of_a_study_of_jellyfish():
    """Ge et al.: 5.12 to 5.14 % at 21 °C, S 30, pH 8.10 (they computed, too; within 2 % of the share)."""
    assert unionised(100, entry(8.10, 21, 30, scale="total"))["total"] == pytest.approx(5.13, rel=0.02)


def test_without_a_scale_both_are_told_and_without_ph_nothing():
    """NBS 8.1 at 15 °C, S 32 gives 2.35 % and not 3.14 % (offset 0.13 from memory)."""
    both = unionised(100, entry(8.1, 15, 32))
    assert both == pytest.approx({"total": 3.14, "nbs": 2.35}, abs=0.01)
    assert NBS_ABOVE_TOTAL == 0.13
    assert unionised(100, {"ph": 8.1}) == {}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"ph": 81}, "ph: found 81; expected 5 to 10"),
        ({"temperature_c": True}, "temperature_c: found True"),
        ({"ph": 8.1, "scale": "free"}, "scale: found 'free'; expected total or nbs"),
        ({"salinity": "32"}, "salinity: found 32"),
    ],
)
def test_what_cannot_be_gets_one_line(wrong, said):
    with pytest.raises(SeawaterError) as error:
        unionised(1.0, wrong)
    assert str(error.value).startswith(said)
