"""Standards against what manuals and tables print; and when a probe in one of them has settled."""

import numpy as np
import pytest
from gsw import C_from_SP

from rules.care.stability import Settled, over_the_span, settled
from rules.care.standards import Around, Standard, point_in
from rules.errors import CalibrationError
from rules.quantities import Quantity

WINDOW = 6  # project judgement


@pytest.mark.parametrize(
    ("standard", "at_c", "printed"),
    [
        ("kcl-1.413", 15, 1.147),
        ("kcl-1.413", 20, 1.278),
        ("kcl-1.413", 25, 1.413),
        ("kcl-1.413", 30, 1.552),
        ("kcl-12.88", 15, 10.48),
        ("kcl-12.88", 20, 11.67),
        ("kcl-12.88", 25, 12.88),
        ("kcl-12.88", 30, 14.12),
    ],
)
def test_potassium_chloride_is_as_manuals_print_it(standard, at_c, printed):
    """A meter's manual, read; both tables agree within 0.15 %. Two per cent a kelvin would be far off."""
    point = point_in(standard, Quantity.CONDUCTIVITY, printed, Around(at_c))
    assert point.true == pytest.approx(printed, rel=0.0016)
    assert 0.01 < point.uncertainty / point.true < 0.011


def test_seawater_is_pss_78_and_as_sure_as_its_temperature():
    point = point_in("seawater", Quantity.CONDUCTIVITY, 42.0, Around(15.0, salinity=35.0))
    assert point.true == pytest.approx(float(C_from_SP(35.0, 15.0, 0.0)), rel=1e-6)
    per_kelvin = float(C_from_SP(35.0, 15.5, 0.0) - C_from_SP(35.0, 15.0, 0.0)) / 0.5
    salt = point.true / 35.0 * 0.005
    assert point.uncertainty == pytest.approx(np.hypot(0.1 * per_kelvin, salt), rel=1e-4)


def test_air_saturated_water_and_moist_air_at_the_measured_pressure():
    """9.092 mg/L at 20 °C and one atmosphere, 0.96643 of it at 980 hPa (Benson & Krause 1984)."""
    for standard in (Standard.MOIST_AIR, Standard.WATER_IN_AIR):
        full, low = (
            point_in(standard, Quantity.OXYGEN, 9.0, Around(20.0, hpa)).true for hpa in (1013.25, 980.0)
        )
        assert full == pytest.approx(9.092, abs=0.001)
        assert low / full == pytest.approx(0.96643, abs=2e-5)
        known = point_in(standard, Quantity.OXYGEN, 9.0, Around(20.0, 1013.25))
        assert known.uncertainty == pytest.approx(0.01 * known.true), "a per cent: common practice, no source"
    assert point_in("moist-air", Quantity.OXYGEN_SATURATION, 97.0, Around(20.0, 980.0)).true == 100.0


def test_ice_and_zero_are_nothing():
    """How sure they are is common practice, no source: 0.05 °C, 0.05 mg/L, half a per cent."""
    ice = point_in("ice", Quantity.TEMPERATURE, 0.2, Around())
    zeros = [
        point_in("zero-oxygen", its, 0.1, Around()) for its in (Quantity.OXYGEN, Quantity.OXYGEN_SATURATION)
    ]
    assert [(its.read, its.true) for its in (ice, *zeros)] == [(0.2, 0.0), (0.1, 0.0), (0.1, 0.0)]
    assert [its.uncertainty for its in (ice, *zeros)] == [0.05, 0.05, 0.5]


def test_a_bottle_of_seawater_is_its_own_salinity():
    point = point_in("seawater", Quantity.SALINITY, 34.6, Around(salinity=34.993))
    assert (point.read, point.true, point.uncertainty) == (34.6, 34.993, 0.005)


def test_air_stands_over_salt_water_only_where_that_is_what_the_probe_is_in():
    """At 20 °C and 1013.25 hPa 9.092 mg/L; of salinity 35 7.376 (Benson & Krause 1984, from memory)."""
    around = Around(20.0, 1013.25, salinity=35.0)
    assert point_in("moist-air", Quantity.OXYGEN, 9.0, around).true == pytest.approx(9.092, abs=0.001)
    assert point_in("air-saturated-water", Quantity.OXYGEN, 7.0, around).true == pytest.approx(
        7.376, abs=0.02
    )


def test_a_labels_own_figure_goes_over_the_usual_one():
    assert point_in("kcl-12.88", Quantity.CONDUCTIVITY, 12.9, Around(25.0, sure=0.03)).uncertainty == 0.03


@pytest.mark.parametrize(
    ("standard", "quantity", "around", "words"),
    [
        ("ice", "conductivity", Around(), "there are: kcl-1.413, kcl-12.88, seawater"),
        ("ice", "air_pressure", Around(), "there are: none"),
        ("kcl-12.88", "conductivity", Around(12.0), "15 to 30"),
        ("kcl-12.88", "conductivity", Around(), "give its temperature"),
        ("seawater", "conductivity", Around(20.0), "the salinity on a bottle"),
        ("moist-air", "oxygen", Around(20.0), "hPa as the barometer"),
    ],
)
def test_what_cannot_be_is_refused(standard, quantity, around, words):
    with pytest.raises(CalibrationError, match=words):
        point_in(standard, Quantity(quantity), 1.0, around)


def test_a_probe_has_settled_when_it_no_longer_moves():
    creeping = 12.0 + 0.8 * (1.0 - np.exp(-np.arange(60) / 8.0))
    last = [creeping[max(n - WINDOW, 0) : n] for n in range(len(creeping))]
    times = [n for n, newest in enumerate(last) if (its := settled(newest)) and its.within(0.1)]
    assert settled(creeping[: WINDOW - 1]) is None
    assert 12.8 - settled(last[times[0]]).mean < 0.1
    assert not settled(last[times[0] - 1]).within(0.1)
    assert not settled([12.0, 12.4] * 3).within(0.1)


def test_how_readings_stand_worked_by_hand():
    """1, 2, 3 | 5, 6, 7: mean 4, halves 2 and 6; squares 9 + 4 + 1 + 1 + 4 + 9 = 28, s² = 5.6, 2 s / √6."""
    its = settled([1.0, 2.0, 3.0, 5.0, 6.0, 7.0])
    assert (its.mean, its.moved, its.count) == (4.0, 4.0, 6)
    assert its.uncertainty == pytest.approx(2.0 * np.sqrt(5.6 / 6))
    odd = settled([1.0, 2.0, 3.0, 100.0, 5.0, 6.0, 7.0])
    assert (odd.moved, odd.count) == (4.0, 7), "the one in the middle is in neither half"


@pytest.mark.parametrize(
    ("moved", "uncertainty", "stands"),
    [(0.25, 0.5, True), (-0.25, 0.5, True), (0.26, 0.5, False), (-0.26, 0.5, False), (0.25, 0.51, False)],
)
def test_it_stands_still_within_a_quarter_and_is_known_within_half_of_what_the_probe_may_be_off(
    moved, uncertainty, stands
):
    assert Settled(12.0, uncertainty, moved, 6).within(1.0) is stands


def test_in_a_standard_no_reading_counts_before_half_a_minute_and_six_are_looked_at():
    each_second = [(at * 1000, float(at)) for at in range(40)]
    assert over_the_span(each_second[:30]) == []
    assert over_the_span(each_second[:31]) == [float(at) for at in range(31)]
    assert over_the_span(each_second) == [float(at) for at in range(9, 40)]
    each_minute = [(at * 60_000, float(at)) for at in range(8)]
    assert over_the_span(each_minute) == [2.0, 3.0, 4.0, 5.0, 6.0, 7.0]


@pytest.mark.parametrize("every_ms", [300, 1000, 5000, 20_000])
def test_however_often_a_slow_probe_is_read_it_is_taken_near_the_standard(every_ms):
    """From 15 °C into ice by exp(-t / 30 s), ± 0.1 °C: six readings, one a second, would be 0.25 off."""
    times = range(0, 600_000, every_ms)
    reports = [(at, 15.0 * np.exp(-at / 30_000)) for at in times]
    looked = [settled(over_the_span(reports[:n])) for n in range(len(reports))]
    assert next(it for it in looked if it and it.within(0.1)).mean < 0.06
    assert looked[6] is None or every_ms >= 5000
