"""The law that makes replay equal to live: a block gives the same bits however it is cut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import SeawaterError
from rules.water import density, oxygen, seawater, specific_conductance, uncertainty
from rules.water.arrays import columns, polynomial, slope_of
from rules.water.density import SpecificGravityScale
from rules.water.specific_conductance import Compensation
from tests.rigs.examples import examples

SCALE = SpecificGravityScale(25.0, 25.0)

# ranges that reach past both ends of what is valid
CONDUCTIVITY = (-1.0, 90.0)
TEMPERATURE = (-4.0, 42.0)
SALINITY = (-1.0, 45.0)
LOW_SALINITY = (0.0, 2.5)
SEA_PRESSURE = (-5.0, 500.0)
AIR_PRESSURE = (480.0, 1120.0)
OXYGEN = (-0.5, 25.0)
PERCENT = (-1.0, 300.0)
SPECIFIC_GRAVITY = (0.99, 1.05)
DENSITY = (990.0, 1040.0)


def _salinity_uncertainty(C, t):
    inputs = ("conductivity", C, 0.5), ("temperature", t, 0.2)
    return uncertainty.propagated(seawater.practical_salinity, *inputs)


def _salinity_and_uncertainty(C, t):
    inputs = ("conductivity", C, 0.5), ("temperature", t, 0.2)
    value, off = uncertainty.with_uncertainty(seawater.practical_salinity, *inputs)
    assert value.tobytes() == seawater.practical_salinity(C, t).tobytes()
    assert off.tobytes() == uncertainty.propagated(seawater.practical_salinity, *inputs).tobytes()
    return value


def _saturation_uncertainty(O2, t, S, P):
    inputs = ("oxygen", O2, 0.1), ("temperature", t, 0.2), ("salinity", S, 0.5), ("air_pressure", P, 2.0)
    return uncertainty.propagated(oxygen.oxygen_saturation_percent, *inputs)


def _saturation_uncertainty_with_conductivity(O2, t, C, P):
    def by_conductivity(O2, t, C, P):
        return oxygen.oxygen_saturation_percent(O2, t, seawater.practical_salinity(C, t), P)

    inputs = ("oxygen", O2, 0.1), ("temperature", t, 0.2), ("conductivity", C, 0.5), ("air_pressure", P, 2.0)
    return uncertainty.propagated(by_conductivity, *inputs)


ENVIRONMENT = (TEMPERATURE, SALINITY, AIR_PRESSURE)
FUNCTIONS = {
    "practical_salinity": (seawater.practical_salinity, (CONDUCTIVITY, TEMPERATURE, SEA_PRESSURE)),
    "practical_salinity, brackish": (seawater.practical_salinity, ((0.0, 5.0), TEMPERATURE, SEA_PRESSURE)),
    "conductivity_from_salinity": (
        seawater.conductivity_from_salinity,
        (SALINITY, TEMPERATURE, SEA_PRESSURE),
    ),
    "conductivity_from_salinity, brackish": (
        seawater.conductivity_from_salinity,
        (LOW_SALINITY, TEMPERATURE, SEA_PRESSURE),
    ),
    "in_situ_conductivity, linear": (
        lambda SC, t: specific_conductance.in_situ_conductivity(SC, t, Compensation.LINEAR, 0.02),
        (CONDUCTIVITY, TEMPERATURE),
    ),
    "in_situ_conductivity, ISO 7888": (
        lambda SC, t: specific_conductance.in_situ_conductivity(SC, t, Compensation.ISO_7888),
        (CONDUCTIVITY, TEMPERATURE),
    ),
    "iso_7888_factor": (specific_conductance.iso_7888_factor, (TEMPERATURE,)),
    "density_kg_m3": (density.density_kg_m3, (SALINITY, TEMPERATURE)),
    "salinity_from_density": (density.salinity_from_density, (DENSITY, TEMPERATURE)),
    "salinity_from_hydrometer": (
        lambda SG, t: density.salinity_from_hydrometer(SG, SCALE, t),
        (SPECIFIC_GRAVITY, TEMPERATURE),
    ),
    "oxygen_solubility_umol_kg": (oxygen.oxygen_solubility_umol_kg, ENVIRONMENT),
    "oxygen_solubility_mg_l": (oxygen.oxygen_solubility_mg_l, ENVIRONMENT),
    "oxygen_saturation_percent": (oxygen.oxygen_saturation_percent, (OXYGEN, *ENVIRONMENT)),
    "oxygen_mg_l": (oxygen.oxygen_mg_l, (PERCENT, *ENVIRONMENT)),
    "propagated, salinity": (_salinity_uncertainty, (CONDUCTIVITY, TEMPERATURE)),
    "with_uncertainty, salinity": (_salinity_and_uncertainty, (CONDUCTIVITY, TEMPERATURE)),
    "propagated, saturation": (_saturation_uncertainty, (OXYGEN, *ENVIRONMENT)),
    "propagated, saturation with conductivity": (
        _saturation_uncertainty_with_conductivity,
        (OXYGEN, TEMPERATURE, CONDUCTIVITY, AIR_PRESSURE),
    ),
}
every_function = pytest.mark.parametrize(("function", "ranges"), FUNCTIONS.values(), ids=FUNCTIONS.keys())


def test_every_public_function_is_under_the_law():
    rooms = (seawater, specific_conductance, density, oxygen, uncertainty)
    public = {
        name
        for room in rooms
        for name, thing in vars(room).items()
        if not name.startswith("_") and getattr(thing, "__module__", None) == room.__name__
        if callable(thing) and not isinstance(thing, type)
    }
    assert public == {name.split(",")[0] for name in FUNCTIONS}


blocks = st.tuples(st.integers(1, 40), st.integers(0, 2**32 - 1))
STRANGE = [np.nan, np.inf, -np.inf, 1e300, -1e300, 5e-324, 0.0]


def _block(ranges: tuple, size: int, seed: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    block = [rng.uniform(low, high, size) for low, high in ranges]
    for column in block:
        strange = rng.random(size) < 0.03
        column[strange] = rng.choice(STRANGE, strange.sum())
    return block


@every_function
@settings(max_examples=examples(50), deadline=None)
@given(size_and_seed=blocks, cuts=st.lists(st.integers(0, 40), max_size=6))
def test_a_block_gives_the_same_bits_however_it_is_cut(function, ranges, size_and_seed, cuts):
    size = size_and_seed[0]
    block = _block(ranges, *size_and_seed)
    cuts = sorted(min(cut, size) for cut in cuts)
    pieces = [
        function(*(column[start:end] for column in block))
        for start, end in zip([0, *cuts], [*cuts, size], strict=True)
    ]
    whole = function(*block)
    assert whole.shape == (size,)
    assert np.concatenate(pieces).tobytes() == whole.tobytes()


@every_function
@settings(max_examples=examples(20), deadline=None)
@given(size_and_seed=blocks)
def test_strided_and_reversed_input_gives_the_same_bits(function, ranges, size_and_seed):
    block = _block(ranges, *size_and_seed)
    spread = [np.repeat(column, 3)[::3] for column in block]
    backwards = [column[::-1].copy()[::-1] for column in block]
    expected = function(*block).tobytes()
    assert function(*spread).tobytes() == expected
    assert function(*backwards).tobytes() == expected


@every_function
@settings(max_examples=examples(20), deadline=None)
@given(size_and_seed=blocks)
def test_one_value_for_all_gives_the_bits_of_that_value_repeated(function, ranges, size_and_seed):
    size = size_and_seed[0]
    first, *others = _block(ranges, *size_and_seed)
    single = [column[:1] for column in others]
    repeated = [np.full(size, column[0]) for column in others]
    assert function(first, *single).tobytes() == function(first, *repeated).tobytes()


@every_function
def test_a_long_block_gives_the_bits_of_its_short_pieces(function, ranges):
    rng = np.random.default_rng(20)
    size = 10_007
    block = [rng.uniform(low, high, size) for low, high in ranges]
    whole = function(*block)
    starts = np.concatenate([[0], np.cumsum(rng.integers(1, 40, size))])
    starts = starts[starts < size]
    pieces = [
        function(*(column[start:end] for column in block))
        for start, end in zip(starts, [*starts[1:], size], strict=True)
    ]
    assert np.concatenate(pieces).tobytes() == whole.tobytes()


@every_function
def test_inputs_are_left_as_they_were(function, ranges):
    block = [np.linspace(low, high, 9) for low, high in ranges]
    before = [column.tobytes() for column in block]
    function(*block)
    assert [column.tobytes() for column in block] == before


@every_function
def test_numpy_complains_as_before_after_a_call(function, ranges):
    before = np.geterr()
    function(*(np.array([np.inf]) for _ in ranges))
    assert np.geterr() == before


@every_function
def test_an_empty_block_gives_an_empty_result(function, ranges):
    assert function(*(np.empty(0) for _ in ranges)).shape == (0,)


def test_columns_refuses_a_table():
    with pytest.raises(SeawaterError, match="temperature has 3 dimensions: a list of values is needed"):
        columns(temperature=[[[20.0, 21.0]]])


def test_columns_refuses_differing_numbers_of_values():
    with pytest.raises(SeawaterError, match=r"conductivity 3, temperature 2\): give as many of each"):
        columns(conductivity=[40.0, 41.0, 42.0], temperature=[20.0, 21.0])


def test_columns_makes_strided_input_contiguous():
    """The vector units of a processor may round logarithms of strided input otherwise."""
    (column,) = columns(every_other=np.arange(10.0)[::2])
    assert column.flags.c_contiguous
    assert column.tolist() == [0.0, 2.0, 4.0, 6.0, 8.0]


def test_columns_takes_numbers_and_lists_alike():
    number, some = columns(number=3, some=[1, 2])
    assert number.tolist() == [3.0]
    assert some.dtype == np.float64


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=6), st.floats(-3, 3))
def test_polynomial_and_its_slope_are_those_of_numpy(coefficients, x):
    reference = np.polynomial.Polynomial(coefficients)
    ours = polynomial(np.array([x]), tuple(coefficients))
    assert ours == pytest.approx([reference(x)], rel=1e-12, abs=1e-9)
    if len(coefficients) > 1:
        slope = polynomial(np.array([x]), slope_of(tuple(coefficients)))
        assert slope == pytest.approx([reference.deriv()(x)], rel=1e-12, abs=1e-9)
