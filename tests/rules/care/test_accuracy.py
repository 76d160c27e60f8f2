"""How far a channel's value can be trusted, against a simulation of the probes' errors."""

from dataclasses import replace

import gsw
import numpy as np
import pytest

from rules.care.accuracy import accuracy_of, nothing_more
from rules.quantities import Quantity
from rules.rack.channels import channels_of
from rules.rack.plan import RackPlan, Source
from rules.water.oxygen import oxygen_mg_l, oxygen_saturation_percent
from rules.water.seawater import practical_salinity
from rules.water.specific_conductance import Compensation, in_situ_conductivity, iso_7888_factor

T, S, P = 15.0, 34.8, 1005.0
C = float(gsw.C_from_SP(S, T, 0.0))
O2 = float(oxygen_mg_l(97.0, T, S, P).item())
VALUES = {
    Quantity.TEMPERATURE: T,
    Quantity.CONDUCTIVITY: C,
    Quantity.SALINITY: S,
    Quantity.OXYGEN: O2,
    Quantity.OXYGEN_SATURATION: 97.0,
    Quantity.AIR_PRESSURE: P,
}
ACCURACY = {
    Quantity.TEMPERATURE: 0.1,
    Quantity.CONDUCTIVITY: 0.3,
    Quantity.SALINITY: 1.0,
    Quantity.OXYGEN: 0.2,
    Quantity.OXYGEN_SATURATION: 2.0,
    Quantity.AIR_PRESSURE: 1.0,
}
CT = (Quantity.TEMPERATURE, Quantity.CONDUCTIVITY)
DRAWS = 20_000


def accuracy(wanted, *quantities, unknown=(), backwards=False, more=nothing_more, **of_cell):
    """The accuracy of a quantity in a vessel where those quantities are measured."""
    sources = tuple(
        Source(
            number,
            "probe",
            quantity,
            "rack" if quantity is Quantity.AIR_PRESSURE else "k",
            1,
            accuracy=None if quantity in unknown else ACCURACY[quantity],
        )
        for number, quantity in enumerate(quantities)
    )
    sources = tuple(replace(s, **of_cell) if s.quantity is Quantity.CONDUCTIVITY else s for s in sources)
    plan = RackPlan("rack-1", sources, {"k": "ephyra"}, {}, {})
    channels = {channel.name: channel for channel in channels_of(plan)}
    channel = next(channel for channel in channels.values() if channel.quantity is wanted)
    channels = dict(sorted(channels.items(), reverse=backwards))
    return accuracy_of(channel, channels, lambda name: VALUES[channels[name].quantity], more)


def drawn(quantity, seed):
    errors = np.random.default_rng(seed).normal(0.0, ACCURACY[quantity], DRAWS)
    return VALUES[quantity] + errors


def test_salinity_reads_as_in_the_example_of_a_screen():
    """A cell good for ± 0.3 mS/cm and a thermometer good for ± 0.1 °C: 34.8 ± 0.3."""
    found = accuracy(Quantity.SALINITY, Quantity.TEMPERATURE, Quantity.CONDUCTIVITY)
    spread = practical_salinity(drawn(Quantity.CONDUCTIVITY, 1), drawn(Quantity.TEMPERATURE, 2)).std()
    assert found == pytest.approx(spread, rel=0.03)
    assert f"{found:.1g}" == "0.3"


def test_what_is_measured_is_as_good_as_its_probe():
    assert accuracy(Quantity.TEMPERATURE, Quantity.TEMPERATURE) == 0.1
    assert accuracy(Quantity.OXYGEN, Quantity.OXYGEN) == 0.2


@pytest.mark.parametrize("compensation", [Compensation.LINEAR, Compensation.ISO_7888])
def test_the_thermometers_error_cancels_where_the_probe_itself_compensates(compensation):
    """The probe divides by what it believes the temperature does, and so do we: only the cell errs."""
    seen = drawn(Quantity.TEMPERATURE, 3)
    factor = iso_7888_factor(seen) if compensation is Compensation.ISO_7888 else 1 / (1 + 0.02 * (seen - 25))
    reported = (C * factor) + np.random.default_rng(4).normal(0.0, 0.3, DRAWS)
    spread = in_situ_conductivity(reported, seen, compensation, 0.02).std()
    of_cell = {"compensation": compensation, "compensation_per_kelvin": 0.02}
    found = accuracy(Quantity.CONDUCTIVITY, Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, **of_cell)
    assert found == pytest.approx(spread, rel=0.03)


def test_drift_of_a_cell_that_compensates_is_told_of_what_it_reported_and_counts_in_the_water():
    """A cell that has lost 2 % by its own display is off by 2 % in the water, at 15 °C and 2 %/K too."""
    asked = []

    def more(_source, value):
        asked.append(value)
        return 0.0, 0.02 * value

    of_cell = {"compensation": Compensation.LINEAR, "compensation_per_kelvin": 0.02}
    found = accuracy(Quantity.CONDUCTIVITY, *CT, more=more, **of_cell)
    assert asked == pytest.approx([C / 0.8])
    assert found == pytest.approx(0.3 * 0.8 + 0.02 * C)


def test_saturation_from_oxygen_and_conductivity():
    measured = (*CT, Quantity.OXYGEN, Quantity.AIR_PRESSURE)
    found = accuracy(Quantity.OXYGEN_SATURATION, *measured)
    temperature = drawn(Quantity.TEMPERATURE, 5)
    salinity = practical_salinity(drawn(Quantity.CONDUCTIVITY, 6), temperature)
    pressure = drawn(Quantity.AIR_PRESSURE, 7)
    spread = oxygen_saturation_percent(drawn(Quantity.OXYGEN, 8), temperature, salinity, pressure).std()
    assert found == pytest.approx(spread, rel=0.03)


def test_oxygen_from_saturation():
    measured = (
        Quantity.TEMPERATURE,
        Quantity.CONDUCTIVITY,
        Quantity.OXYGEN_SATURATION,
        Quantity.AIR_PRESSURE,
    )
    found = accuracy(Quantity.OXYGEN, *measured)
    temperature = drawn(Quantity.TEMPERATURE, 9)
    salinity = practical_salinity(drawn(Quantity.CONDUCTIVITY, 10), temperature)
    pressure = drawn(Quantity.AIR_PRESSURE, 11)
    spread = oxygen_mg_l(drawn(Quantity.OXYGEN_SATURATION, 12), temperature, salinity, pressure).std()
    assert found == pytest.approx(spread, rel=0.03)


def test_without_a_barometer_the_weather_counts():
    measured = (*CT, Quantity.OXYGEN)
    found = accuracy(Quantity.OXYGEN_SATURATION, *measured)
    assert found == pytest.approx(np.hypot(97.0 * 0.2 / O2, 97.0 * 30.0 / 1013.25), rel=0.01)


@pytest.mark.parametrize("unknown", CT)
def test_salinity_is_as_unknown_as_what_it_is_made_of(unknown):
    assert accuracy(Quantity.SALINITY, *CT, unknown=(unknown,)) is None


@pytest.mark.parametrize("unknown", [*CT, Quantity.OXYGEN, Quantity.AIR_PRESSURE])
def test_saturation_is_as_unknown_as_what_it_is_made_of(unknown):
    measured = (*CT, Quantity.OXYGEN, Quantity.AIR_PRESSURE)
    assert accuracy(Quantity.OXYGEN_SATURATION, *measured, unknown=(unknown,)) is None


def test_saturation_where_a_probe_gives_the_salinity_itself():
    measured = (Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN, Quantity.AIR_PRESSURE)
    found = accuracy(Quantity.OXYGEN_SATURATION, *measured)
    drawn_salinity, pressure = drawn(Quantity.SALINITY, 13), drawn(Quantity.AIR_PRESSURE, 14)
    temperature, oxygen = drawn(Quantity.TEMPERATURE, 15), drawn(Quantity.OXYGEN, 16)
    spread = oxygen_saturation_percent(oxygen, temperature, drawn_salinity, pressure).std()
    assert found == pytest.approx(spread, rel=0.03)
    assert accuracy(Quantity.OXYGEN_SATURATION, *measured, unknown=(Quantity.SALINITY,)) is None


@pytest.mark.parametrize("wanted", [Quantity.SALINITY, Quantity.OXYGEN_SATURATION])
def test_it_is_the_same_in_whatever_order_the_channels_are_known(wanted):
    measured = (*CT, Quantity.OXYGEN, Quantity.AIR_PRESSURE)
    one, other = (accuracy(wanted, *measured, backwards=backwards) for backwards in (False, True))
    assert one == pytest.approx(other, rel=1e-12)
