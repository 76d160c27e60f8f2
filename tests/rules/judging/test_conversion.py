"""From what probes measure to what people judge, against the gsw reference library and published values."""

import gsw
import numpy as np
import pytest

from rules.judging.channel import Series
from rules.judging.conversion import PRESSURE_HOLDS_MS, convert, newest_known
from rules.quantities import Quantity
from rules.rack.channels import channels_of
from rules.rack.plan import Source
from tests.rigs.watched_rack import plan_of

MINUTE = 60_000
SOURCES = (
    Source(1, "ct", Quantity.TEMPERATURE, "k1", MINUTE, "bench"),
    Source(2, "ct", Quantity.CONDUCTIVITY, "k1", MINUTE, "bench"),
    Source(3, "do", Quantity.OXYGEN, "k1", MINUTE, "bench"),
    Source(4, "room", Quantity.AIR_PRESSURE, "rack", MINUTE, "air"),
)
CHANNELS = {channel.name: channel for channel in channels_of(plan_of(SOURCES, {}))}


def column(*values):
    return np.array(values, dtype=np.float64)


def series(*rows):
    """Readings of a channel: (index into the block, minute, value)."""
    index, minute, value = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return Series(index.astype(np.intp), (minute * MINUTE).astype(np.int64), value)


def test_salinity_is_that_of_the_reference_library():
    conductivity, temperature = column(42.914, 30.0, 50.2), column(15.0 / 1.00024, 12.5, 24.0)
    found = convert(CHANNELS["k1/salinity"], conductivity, [temperature])
    assert found == pytest.approx(gsw.SP_from_C(conductivity, temperature, 0.0), abs=1e-9)
    assert found[0] == pytest.approx(35.0, abs=1e-3), "PSS-78: 42.914 mS/cm at 15 °C is salinity 35"


def test_oxygen_at_the_reference_librarys_solubility_is_100_percent():
    temperature, salinity = column(10.0, 20.0), column(35.0, 30.0)
    umol_per_kg = gsw.O2sol_SP_pt(salinity, temperature)
    absolute = gsw.SA_from_SP(salinity, 0.0, 0.0, 0.0)
    kg_per_m3 = gsw.rho(absolute, gsw.CT_from_t(absolute, temperature, 0.0), 0.0)
    mg_per_litre = umol_per_kg * kg_per_m3 * 31.9988e-6
    channel = CHANNELS["k1/oxygen_saturation"]
    found = convert(channel, mg_per_litre, [temperature, salinity, column(1013.25, 1013.25)])
    assert found == pytest.approx(100.0, abs=0.05)


def test_lower_air_pressure_means_a_higher_saturation_and_an_unknown_one_the_standard():
    inputs = [column(15.0), column(32.0)]
    channel, oxygen = CHANNELS["k1/oxygen_saturation"], column(8.0)
    standard = convert(channel, oxygen, [*inputs, column(1013.25)])
    assert convert(channel, oxygen, [*inputs, column(np.nan)]) == standard
    assert convert(channel, oxygen, inputs) == standard
    low = convert(channel, oxygen, [*inputs, column(963.0)])
    vapour_hpa = 16.7  # of sea water at 15 °C: 17.05 over pure water, 2 % less over salinity 32 (from memory)
    by_hand = (1013.25 - vapour_hpa) / (963.0 - vapour_hpa)
    assert low[0] / standard[0] == pytest.approx(by_hand, abs=5e-4), "weather alone moves it by 5 %"


def test_what_is_not_known_stays_unknown():
    assert np.isnan(convert(CHANNELS["k1/salinity"], column(42.0), [column(np.nan)])).all()
    assert np.isnan(
        convert(CHANNELS["k1/oxygen_saturation"], column(8.0), [column(15), column(np.nan)])
    ).all()


def test_only_what_had_arrived_before_counts():
    temperature = series((0, 0, 15.0), (2, 2, 16.0), (4, 4, 17.0))
    at = series((1, 1, 0), (3, 3, 0), (5, 5, 0))
    assert newest_known((0, np.nan), temperature, at, 10 * MINUTE).tolist() == [15.0, 16.0, 17.0]


def test_the_last_value_of_earlier_blocks_serves_until_there_is_a_new_one():
    at = series((0, 5, 0), (2, 6, 0))
    assert newest_known((4 * MINUTE, 14.0), None, at, 10 * MINUTE).tolist() == [14.0, 14.0]
    fresh = series((1, 5.5, 15.0))
    assert newest_known((4 * MINUTE, 14.0), fresh, at, 10 * MINUTE).tolist() == [14.0, 15.0]


def test_a_value_is_good_for_as_long_as_said_and_not_a_millisecond_longer():
    at = Series(np.array([0, 1]), np.array([MINUTE, MINUTE + 1]), column(0, 0))
    known = newest_known((0, 14.0), None, at, MINUTE)
    assert known[0] == 14.0
    assert np.isnan(known[1])


def test_readings_that_may_not_be_used_are_passed_over():
    temperature = series((0, 0, 15.0), (1, 1, np.nan))
    assert newest_known((0, np.nan), temperature, series((2, 2, 0)), 10 * MINUTE).tolist() == [15.0]


def test_air_pressure_holds_for_hours():
    assert PRESSURE_HOLDS_MS == 6 * 60 * MINUTE
