"""From what probes measure to what people judge, against the gsw reference library and published values."""

from dataclasses import replace

import gsw
import numpy as np
import pytest

from rules.judging.conversion import convert, raised_by, turns
from rules.judging.ranked_inputs import Known
from rules.judging.series import Series
from rules.quantities import Quantity
from rules.rack.channels import channels_of
from rules.rack.plan import Source
from rules.water.specific_conductance import Compensation
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


def known(*values, error=0.0):
    """An input at each reading, off by as much as `error` says."""
    value, none = column(*values), np.zeros(len(values), dtype=np.bool_)
    return Known(value, np.full(value.size, error), none, none)


def converted(name, own, *inputs):
    places = np.arange(own.size)
    return convert(CHANNELS[name], Series(places, places * MINUTE, own), list(inputs))


def test_salinity_is_that_of_the_reference_library():
    conductivity, temperature = column(42.914, 30.0, 50.2), (15.0 / 1.00024, 12.5, 24.0)
    found = converted("k1/salinity", conductivity, known(*temperature))
    assert found.value == pytest.approx(gsw.SP_from_C(conductivity, temperature, 0.0), abs=1e-9)
    assert found.value[0] == pytest.approx(35.0, abs=1e-3), "PSS-78: 42.914 mS/cm at 15 °C is salinity 35"
    assert found.error is None


def test_oxygen_at_the_reference_librarys_solubility_is_100_percent():
    temperature, salinity = column(10.0, 20.0), column(35.0, 30.0)
    umol_per_kg = gsw.O2sol_SP_pt(salinity, temperature)
    absolute = gsw.SA_from_SP(salinity, 0.0, 0.0, 0.0)
    kg_per_m3 = gsw.rho(absolute, gsw.CT_from_t(absolute, temperature, 0.0), 0.0)
    mg_per_litre = umol_per_kg * kg_per_m3 * 31.9988e-6
    inputs = known(*temperature), known(*salinity), known(1013.25, 1013.25)
    found = converted("k1/oxygen_saturation", mg_per_litre, *inputs)
    assert found.value == pytest.approx(100.0, abs=0.05)


def test_lower_air_pressure_means_a_higher_saturation():
    water, oxygen = (known(15.0), known(32.0)), column(8.0)
    standard = converted("k1/oxygen_saturation", oxygen, *water, known(1013.25)).value
    low = converted("k1/oxygen_saturation", oxygen, *water, known(963.0)).value
    vapour_hpa = 16.7  # of sea water at 15 °C: 17.05 over pure water, 2 % less over salinity 32 (from memory)
    by_hand = (1013.25 - vapour_hpa) / (963.0 - vapour_hpa)
    assert low[0] / standard[0] == pytest.approx(by_hand, abs=5e-4), "weather alone moves it by 5 %"


def test_the_error_of_an_input_becomes_that_of_the_value_by_the_reference_library():
    """An hour after the thermometer went, say: half a degree. The slope is gsw's own, by differences."""
    found = converted("k1/salinity", column(42.0), known(15.0, error=0.5))
    by_gsw = (gsw.SP_from_C(42.0, 14.5, 0.0) - gsw.SP_from_C(42.0, 15.5, 0.0)) / 2
    assert found.error == pytest.approx([by_gsw], rel=1e-3)
    assert found.lacks(0) == (Quantity.TEMPERATURE,)
    inputs = known(15.0, error=0.5), known(32.0), known(1013.25)
    found = converted("k1/oxygen_saturation", column(8.0), *inputs)
    by_gsw = found.value[0] * (1 - gsw.O2sol_SP_pt(32.0, 15.5) / gsw.O2sol_SP_pt(32.0, 14.5)) / 2
    assert found.error == pytest.approx([by_gsw], rel=0.04), "gsw's is for a kilogram"


def test_oxygen_from_saturation_is_as_unsure_in_its_own_unit():
    channels = {it.name: it for it in channels_of(plan_of((SOURCES[0], *_foil()), {}))}
    places = np.arange(1)
    own = Series(places, places, column(98.0))
    inputs = [known(15.0, error=1.0), known(32.0), known(1013.25)]
    found = convert(channels["k1/oxygen"], own, inputs)
    by_gsw = found.value[0] * (1 - gsw.O2sol_SP_pt(32.0, 16.0) / gsw.O2sol_SP_pt(32.0, 14.0)) / 2
    assert found.error == pytest.approx([by_gsw], rel=0.04), "gsw's is for a kilogram"


def _foil():
    return (Source(3, "do", Quantity.OXYGEN_SATURATION, "k1", MINUTE, "bench"),)


def test_out_of_the_formulas_range_nothing_is_known():
    assert np.isnan(converted("k1/salinity", column(42.0), known(60.0)).value).all()
    assert np.isnan(converted("k1/salinity", column(42.0), known(60.0, error=1.0)).value).all()


SALINITY = CHANNELS["k1/salinity"]
SATURATION = CHANNELS["k1/oxygen_saturation"]


def own(*value, **more):
    places = np.arange(len(value))
    return Series(places, places * MINUTE, column(*value), **more)


def slope(of, at, by=1e-3):
    return (of(at + by) - of(at - by)) / (2 * by)


def test_where_one_input_lacks_only_that_is_off_and_only_there():
    temperature = replace(known(15.0, 15.0), error=column(0.0, 0.5))
    found = convert(SATURATION, own(8.0, 8.0), [temperature, known(32.0, 32.0), known(1013.25, 1013.25)])
    assert found.error[0] == 0.0
    assert found.error[1] > 0.5
    assert (found.lacks(0), found.lacks(1)) == ((), (Quantity.TEMPERATURE,))
    assert {quantity: its.tolist() for quantity, its in found.lacking.items()} == {
        Quantity.TEMPERATURE: [False, True],
        Quantity.SALINITY: [False, False],
        Quantity.AIR_PRESSURE: [False, False],
    }


def test_what_the_probe_itself_is_off_by_counts_too():
    found = convert(SALINITY, own(42.0, error=column(0.5)), [known(15.0)])
    by_gsw = 0.5 * slope(lambda it: gsw.SP_from_C(it, 15.0, 0.0), 42.0)
    assert found.error == pytest.approx([by_gsw], rel=1e-3)
    assert found.lacks(0) == ()


@pytest.mark.parametrize("off", [0.0, 0.5])
def test_a_value_is_suspect_where_its_own_reading_or_an_input_is(off):
    inputs = replace(known(15.0, 15.0, 15.0, error=off), suspect=np.array([False, True, False]))
    found = convert(SALINITY, own(42.0, 42.0, 42.0, suspect=np.array([True, False, False])), [inputs])
    assert found.suspect.tolist() == [True, True, False]
    alone = convert(SALINITY, own(42.0, 42.0, 42.0), [inputs])
    assert alone.suspect.tolist() == [False, True, False]
    assert convert(SALINITY, own(42.0), [known(15.0, error=off)]).suspect is None


@pytest.mark.parametrize("off", [0.0, 0.5])
def test_what_it_was_before_a_swift_move_is_converted_too(off):
    found = convert(SALINITY, own(42.0, 43.0, base=column(np.nan, 42.0)), [known(15.0, 15.0, error=off)])
    assert np.isnan(found.base[0])
    assert found.base[1] == pytest.approx(gsw.SP_from_C(42.0, 15.0, 0.0), abs=1e-9)
    assert convert(SALINITY, own(42.0), [known(15.0, error=off)]).base is None


@pytest.mark.parametrize("off", [0.0, 0.5])
def test_a_trend_goes_on_only_while_the_same_probes_give_a_value(off):
    """Each combination of what gave the inputs, and of the probe's own, has a number of its own."""
    needs, numbers = [len(need.channels) + 1 for need in SATURATION.needs], set()
    for mine in (None, 0, 1, 2):
        for ranks in np.ndindex(*needs):
            inputs = [
                replace(known(it, error=off), rank=np.array([rank]))
                for it, rank in zip((15.0, 32.0, 1013.25), ranks, strict=True)
            ]
            its = own(8.0, elsewhere=None if mine is None else np.array([mine]))
            found = convert(SATURATION, its, inputs).elsewhere
            if mine is None and not any(ranks):
                assert found is None, "the best of all: no number"
            elif mine is not None:
                numbers.add(int(found[0]))
            else:
                assert int(found[0]) == int(
                    convert(SATURATION, own(8.0, elsewhere=np.array([0])), inputs).elsewhere[0]
                )
    assert len(numbers) == 3 * np.prod(needs)
    once = replace(known(15.0, 15.0, error=off), rank=np.array([0, 1]))
    found = convert(SALINITY, own(42.0, 42.0), [once]).elsewhere
    assert found[0] != found[1]


def test_what_nothing_else_bears_out_makes_another_value():
    torn = replace(known(15.0, 15.0, error=0.5), otherwise=column(np.nan, 17.0))
    found = convert(SALINITY, own(42.0, 42.0), [torn])
    assert np.isnan(found.otherwise[0])
    assert found.otherwise[1] == pytest.approx(gsw.SP_from_C(42.0, 17.0, 0.0), abs=1e-9)
    assert convert(SALINITY, own(42.0), [known(15.0, error=0.5)]).otherwise is None
    salty = replace(known(32.0, 32.0, error=0.5), otherwise=column(34.0, np.nan))
    found = convert(SATURATION, own(8.0, 8.0), [torn, salty, known(1013.25, 1013.25)])
    by_hand = [converted("k1/oxygen_saturation", column(8.0), known(t), known(s), known(1013.25)).value[0]
               for t, s in ((15.0, 34.0), (17.0, 32.0))]  # fmt: skip
    assert found.otherwise == pytest.approx(by_hand, abs=1e-9)


def test_supersaturation_that_salt_makes_is_what_the_salt_beyond_its_limit_adds():
    inputs = [known(15.0, 15.0), known(38.0, 30.0), known(1013.25, 1013.25)]
    raised, excess = raised_by(Quantity.SALINITY, 34.0, SATURATION, own(8.0, 8.0), inputs)
    by = [converted("k1/oxygen_saturation", column(8.0), known(15.0), known(it), known(1013.25)).value[0]
          for it in (38.0, 34.0)]  # fmt: skip
    assert raised.tolist() == pytest.approx([by[0] - by[1], 0.0], abs=1e-9)
    assert raised[0] > 2.0
    assert excess.tolist() == [4.0, 0.0]
    a_little, half = raised_by(Quantity.SALINITY, 37.5, SATURATION, own(8.0, 8.0), inputs)
    assert (half[0], a_little[0] > 0.0) == (0.5, True)
    assert raised_by(Quantity.SALINITY, 38.0, SATURATION, own(8.0, 8.0), inputs) is None


def test_a_value_may_move_as_fast_as_its_inputs_unseen():
    inputs = [known(15.0, 15.0), known(32.0, 32.0), known(1013.25, 1013.25)]
    assert turns(SATURATION, own(8.0, 8.0), inputs, [None, None, None]) is None
    found = turns(SATURATION, own(8.0, 8.0), inputs, [column(0.0, 2.0), None, None])

    def at(celsius):
        it = column(celsius)
        return converted("k1/oxygen_saturation", column(8.0), known(*it), known(32.0), known(1013.25)).value[
            0
        ]

    assert found.tolist() == pytest.approx([0.0, 2.0 * slope(at, 15.0)], rel=0.02)
    nowhere = turns(SALINITY, own(42.0), [known(60.0)], [column(1.0)])
    assert nowhere.tolist() == [0.0], "out of the formula's range"


def test_a_conductivity_at_25_degrees_is_what_it_is_in_the_water():
    """By the slope that the maker states: 50 mS/cm at 25 °C, 2 % less for each kelvin below."""
    cell = replace(SOURCES[1], compensation=Compensation.LINEAR, compensation_per_kelvin=0.02)
    (channel,) = (it for it in channels_of(plan_of((SOURCES[0], cell), {})) if it.name == "k1/conductivity")
    found = convert(channel, own(50.0, 50.0), [known(25.0, 15.0)])
    assert found.value.tolist() == pytest.approx([50.0, 40.0])
