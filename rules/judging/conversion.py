"""From what probes measure to what people judge, at the best known temperature, salinity and pressure."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rules.judging.channel import Series
from rules.judging.ranked_inputs import Known
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.plan import Source
from rules.water.oxygen import oxygen_mg_l, oxygen_saturation_percent
from rules.water.seawater import practical_salinity
from rules.water.specific_conductance import in_situ_conductivity
from rules.water.uncertainty import salinity_uncertainty, saturation_uncertainty

Array = NDArray[np.float64]

_STEP_C = 0.01


def convert(channel: Channel, own: Series, inputs: list[Known]) -> Series:
    """Return the readings of a derived channel, or of a conductivity that the probe gives at 25 °C.

    NaN where out of the formula's range. `own` holds the source's readings (shape m), `inputs` what is known
    of `Channel.needs` at them. The error is that of what is not measured now; None where all is.
    """
    value = _value(channel, own.value, [known.value for known in inputs])
    lacking = {need.quantity: known.error > 0 for need, known in zip(channel.needs, inputs, strict=True)}
    off = np.logical_or.reduce([*lacking.values(), _error(own) > 0])
    doubts = [known.suspect for known in inputs] + ([own.suspect] if own.suspect is not None else [])
    suspect = np.logical_or.reduce(doubts)
    suspect = suspect if suspect.any() else None
    if not off.any():
        return Series(own.index, own.time_ms, value, suspect=suspect)
    error = np.zeros(value.size)
    rough = [known.at(off) for known in inputs]
    error[off] = _error_of(channel, own.value[off], value[off], _error(own)[off], rough)
    elsewhere = np.logical_or.reduce([known.elsewhere for known in inputs])
    value = np.where(np.isnan(error), np.nan, value)
    return Series(own.index, own.time_ms, value, error, suspect, elsewhere, lacking)


def _error(series: Series) -> Array:
    return np.zeros(series.value.size) if series.error is None else series.error


def _value(channel: Channel, value: Array, inputs: list[Array]) -> Array:
    if channel.quantity is Quantity.SALINITY:
        return practical_salinity(value, inputs[0])
    if channel.quantity is Quantity.CONDUCTIVITY:
        return _in_situ(channel.source, value, inputs[0])
    return _OXYGEN[channel.quantity](value, *inputs)


def _error_of(channel: Channel, own: Array, value: Array, own_error: Array, inputs: list[Known]) -> Array:
    """Return how far a converted value may be off; errors count as independent (JCGM 100)."""
    temperature = inputs[0]
    if channel.quantity is Quantity.CONDUCTIVITY:
        slope = _in_situ(channel.source, own, temperature.value + _STEP_C)
        slope = slope - _in_situ(channel.source, own, temperature.value - _STEP_C)
        return np.abs(slope) / (2 * _STEP_C) * temperature.error
    if channel.quantity is Quantity.SALINITY:
        return salinity_uncertainty(
            own,
            temperature.value,
            conductivity_accuracy_ms_cm=own_error,
            temperature_accuracy_c=temperature.error,
        )
    mg_l, percent = (own, value) if channel.quantity is Quantity.OXYGEN_SATURATION else (value, own)
    _, salinity, pressure = inputs
    of_percent = saturation_uncertainty(
        mg_l,
        temperature.value,
        salinity.value,
        pressure.value,
        oxygen_accuracy_mg_l=own_error,
        temperature_accuracy_c=temperature.error,
        salinity_accuracy=salinity.error,
        air_pressure_accuracy_hpa=pressure.error,
    )
    if channel.quantity is Quantity.OXYGEN_SATURATION:
        return of_percent
    return np.where(percent > 0, value * of_percent / np.where(percent > 0, percent, 1.0), 0.0)


def _in_situ(source: Source, value: Array, temperature_c: Array) -> Array:
    return in_situ_conductivity(value, temperature_c, source.compensation, source.compensation_per_kelvin)


_OXYGEN: dict[Quantity, Callable[..., Array]] = {
    Quantity.OXYGEN_SATURATION: oxygen_saturation_percent,
    Quantity.OXYGEN: oxygen_mg_l,
}
