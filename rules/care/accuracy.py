"""How far the value of a channel can be trusted, from the accuracy that is stated for its probes.

First order, as `rules.water.uncertainty`: a thermometer that acts on salinity and on solubility at once is
varied for both. A conductivity that the probe gives at 25 °C is put back with the same thermometer that the
probe used, so that its error cancels; only the cell's is counted.
"""

import math
from collections.abc import Callable, Mapping

from rules.quantities import Quantity
from rules.rack.channels import FORMULAS, Channel
from rules.rack.plan import Source
from rules.water.arrays import FloatArray
from rules.water.oxygen import STANDARD_AIR_PRESSURE_HPA
from rules.water.specific_conductance import in_situ_conductivity
from rules.water.uncertainty import propagated

WEATHER_HPA = 30.0
"""What stands for a barometer's accuracy where there is none: a deep low or a strong high."""

_ROUGHLY = 1.09
"""By how much the joint accuracy of a probe and of its standards is wider than either as it was stated: such
figures are known to a fifth at best, so 95 in 100 take 2.18 standard deviations instead of 2 (GUM, JCGM
100:2008, G.4.2 and table G.2, 12 degrees of freedom; from memory)."""

Values = Callable[[str], float]
More = Callable[[Source, float], tuple[float, float]]


def nothing_more(_source: Source, _value: float) -> tuple[float, float]:
    """Add nothing to the accuracy of a probe: nobody knows of its calibrations."""
    return 0.0, 0.0


def accuracy_of(
    channel: Channel, channels: Mapping[str, Channel], value_of: Values, more: More = nothing_more
) -> float | None:
    """Return the accuracy of a channel in its quantity's unit, plus or minus; None where it is not known.

    `channels` are those of the rack by name, `value_of` gives their values at the time, `more` how sure the
    standards of a probe were and by how much it has drifted since: that goes one way and is added as it is.
    """
    if any(not need.channels for need in channel.needs if need.quantity is not Quantity.AIR_PRESSURE):
        return None
    if channel.measured:
        found = _of_reading(channel, value_of, more)
        return None if found is None or math.isnan(found) else found
    readings = list(dict.fromkeys(_made_of(channel, channels)))
    inputs = []
    for reading in readings:
        value, accuracy = _known(reading, value_of, more)
        if accuracy is None:
            return None
        inputs.append((reading.quantity if reading else Quantity.AIR_PRESSURE, value, accuracy))

    def made(*values: FloatArray) -> FloatArray:
        return _value(channel, channels, dict(zip(readings, values, strict=True)))

    found = propagated(made, *inputs).item()
    return None if math.isnan(found) else found


def _of_reading(channel: Channel, value_of: Values, more: More) -> float | None:
    source, kept, value = channel.source, 1.0, value_of(channel.name)
    if source.accuracy is None:
        return None
    if channel.inputs:
        at_c = value_of(channel.inputs[0])
        kept = in_situ_conductivity(1.0, at_c, source.compensation, source.compensation_per_kelvin).item()
    sure, drifted = (0.0, 0.0) if math.isnan(value) else more(source, value / kept)
    joint = math.hypot(source.accuracy, sure) * (_ROUGHLY if sure else 1.0)
    return (joint + drifted) * kept


def _known(reading: Channel | None, value_of: Values, more: More) -> tuple[float, float | None]:
    """Return a reading and its accuracy; the standard air pressure, as far as weather moves it, for none."""
    value = math.nan if reading is None else value_of(reading.name)
    if reading is None or (math.isnan(value) and reading.quantity is Quantity.AIR_PRESSURE):
        return STANDARD_AIR_PRESSURE_HPA, WEATHER_HPA
    return value, _of_reading(reading, value_of, more)


def _inputs(channel: Channel, channels: Mapping[str, Channel]) -> list[Channel | None]:
    """Return what the probe itself reports, then what its conversion takes; None: there is no barometer."""
    every = channels.values()
    own = next(other for other in every if other.measured and other.source == channel.source)
    return [own, *(channels[need.channels[0]] if need.channels else None for need in channel.needs)]


def _made_of(channel: Channel | None, channels: Mapping[str, Channel]) -> list[Channel | None]:
    if channel is None or channel.measured:
        return [channel]
    return [reading for each in _inputs(channel, channels) for reading in _made_of(each, channels)]


def _value(
    channel: Channel | None, channels: Mapping[str, Channel], at: Mapping[Channel | None, FloatArray]
) -> FloatArray:
    """Return what a channel is at those values of the readings that it is made of."""
    if channel is None or channel.measured:
        return at[channel]
    inputs = _inputs(channel, channels)
    return FORMULAS[channel.quantity](*(_value(each, channels, at) for each in inputs))
