"""How far the value of a channel can be trusted, from the accuracy that is stated for its probes.

First order, as `rules.water.uncertainty`. A conductivity that the probe gives at 25 °C is put back with the
same thermometer that the probe used, so that its error cancels; only the cell's is counted.
"""

import math
from collections.abc import Callable, Mapping

from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.water.oxygen import STANDARD_AIR_PRESSURE_HPA
from rules.water.specific_conductance import in_situ_conductivity
from rules.water.uncertainty import (
    salinity_uncertainty,
    saturation_uncertainty,
    saturation_uncertainty_with_conductivity,
)

WEATHER_HPA = 30.0
"""What stands for a barometer's accuracy where there is none: a deep low or a strong high."""

Values = Callable[[str], float]


def accuracy_of(channel: Channel, channels: Mapping[str, Channel], value_of: Values) -> float | None:
    """Return the accuracy of a channel in its quantity's unit, plus or minus; None where it is not known.

    `channels` are those of the rack by name, `value_of` gives their values at the time.
    """
    quantity = channel.quantity
    if any(not need.channels for need in channel.needs if need.quantity is not Quantity.AIR_PRESSURE):
        return None
    if channel.measured:
        found = _of_reading(channel, value_of)
    elif quantity is Quantity.SALINITY:
        found = _of_salinity(channel, channels, value_of)
    else:
        found = _of_oxygen(channel, channels, value_of)
    return None if found is None or math.isnan(found) else found


def _own(channel: Channel, channels: Mapping[str, Channel]) -> Channel:
    """Return the channel of what the probe itself reports."""
    return next(other for other in channels.values() if other.measured and other.source == channel.source)


def _of_reading(channel: Channel, value_of: Values) -> float | None:
    source = channel.source
    if source.accuracy is None or not channel.inputs:
        return source.accuracy
    temperature_c = value_of(channel.inputs[0])
    kept = in_situ_conductivity(1.0, temperature_c, source.compensation, source.compensation_per_kelvin)
    return source.accuracy * kept.item()


def _of_salinity(channel: Channel, channels: Mapping[str, Channel], value_of: Values) -> float | None:
    cell, thermometer = _own(channel, channels), channels[channel.inputs[0]]
    accuracies = accuracy_of(cell, channels, value_of), thermometer.source.accuracy
    if accuracies[0] is None or accuracies[1] is None:
        return None
    return salinity_uncertainty(
        value_of(cell.name),
        value_of(thermometer.name),
        conductivity_accuracy_ms_cm=accuracies[0],
        temperature_accuracy_c=accuracies[1],
    ).item()


def _of_oxygen(channel: Channel, channels: Mapping[str, Channel], value_of: Values) -> float | None:
    """Return the accuracy of saturation from mg/L, or of mg/L from saturation."""
    foil = _own(channel, channels)
    if foil.source.accuracy is None:
        return None
    reading, converted = value_of(foil.name), value_of(channel.name)
    if channel.quantity is Quantity.OXYGEN_SATURATION:
        return _of_saturation(channel, channels, value_of, reading, foil.source.accuracy)
    of_solubility = _of_saturation(channel, channels, value_of, converted, 0.0)
    if of_solubility is None or not reading > 0:
        return None
    return converted * math.hypot(of_solubility / reading, foil.source.accuracy / reading)


def _of_saturation(
    channel: Channel,
    channels: Mapping[str, Channel],
    value_of: Values,
    oxygen_mg_l: float,
    oxygen_accuracy: float,
) -> float | None:
    thermometer, salt, *barometer = [channels[name] for name in channel.inputs]
    pressure, pressure_accuracy = _air_pressure(barometer, value_of)
    if thermometer.source.accuracy is None or pressure_accuracy is None:
        return None
    shared = {
        "oxygen_accuracy_mg_l": oxygen_accuracy,
        "temperature_accuracy_c": thermometer.source.accuracy,
        "air_pressure_accuracy_hpa": pressure_accuracy,
    }
    temperature = value_of(thermometer.name)
    salt_accuracy = accuracy_of(salt, channels, value_of)
    if salt_accuracy is None:
        return None
    if not salt.measured and salt.inputs[0] == thermometer.name:
        cell = _own(salt, channels)
        cell_accuracy = accuracy_of(cell, channels, value_of)
        assert cell_accuracy is not None, "the salinity made from it has one"
        return saturation_uncertainty_with_conductivity(
            oxygen_mg_l,
            temperature,
            value_of(cell.name),
            pressure,
            conductivity_accuracy_ms_cm=cell_accuracy,
            **shared,
        ).item()
    return saturation_uncertainty(
        oxygen_mg_l, temperature, value_of(salt.name), pressure, salinity_accuracy=salt_accuracy, **shared
    ).item()


def _air_pressure(barometer: list[Channel], value_of: Values) -> tuple[float, float | None]:
    """Return the air pressure and its accuracy; the standard one, as far as weather moves it, without."""
    pressure = value_of(barometer[0].name) if barometer else math.nan
    if math.isnan(pressure):
        return STANDARD_AIR_PRESSURE_HPA, WEATHER_HPA
    return pressure, barometer[0].source.accuracy
