"""From what probes measure to what people judge, at the newest known temperature, salinity and pressure."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rules.judging.channel import Series
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.plan import Source
from rules.water.oxygen import STANDARD_AIR_PRESSURE_HPA, oxygen_mg_l, oxygen_saturation_percent
from rules.water.seawater import practical_salinity
from rules.water.specific_conductance import in_situ_conductivity

Array = NDArray[np.float64]

PRESSURE_HOLDS_MS = 6 * 3_600_000
"""How long the last air pressure is still used: a deep low moves it by a few hPa in that time."""


def convert(channel: Channel, value: Array, inputs: list[Array]) -> Array:
    """Return the values of a derived channel, or of a conductivity that the probe gives at 25 °C.

    NaN where an input is unknown or out of the formula's range.

    `value` holds the source's readings (shape m), `inputs` the values of `Channel.inputs` at them.
    """
    if channel.quantity is Quantity.SALINITY:
        return practical_salinity(value, inputs[0])
    if channel.quantity is Quantity.CONDUCTIVITY:
        return _in_situ(channel.source, value, inputs)
    temperature_c, salinity, *barometer = inputs
    pressure_hpa = barometer[0] if barometer else np.full(value.size, np.nan)
    pressure_hpa = np.where(np.isnan(pressure_hpa), STANDARD_AIR_PRESSURE_HPA, pressure_hpa)
    return _OXYGEN[channel.quantity](value, temperature_c, salinity, pressure_hpa)


def _in_situ(source: Source, value: Array, inputs: list[Array]) -> Array:
    temperature_c = inputs[0] if inputs else np.full(value.size, np.nan)
    return in_situ_conductivity(value, temperature_c, source.compensation, source.compensation_per_kelvin)


_OXYGEN: dict[Quantity, Callable[..., Array]] = {
    Quantity.OXYGEN_SATURATION: oxygen_saturation_percent,
    Quantity.OXYGEN: oxygen_mg_l,
}


def newest_known(before: tuple[int, float], usable: Series | None, at: Series, oldest_ms: int) -> Array:
    """Return a channel's newest usable value at each reading of `at` (shape m).

    `before` is the time and value of the last one of earlier blocks, `usable` those of this block.
    Only values that had arrived before count; one measured more than `oldest_ms` ago is unknown (NaN).
    """
    times = np.array([before[0]], dtype=np.int64)
    values = np.array([before[1]])
    position = np.zeros(at.index.size, dtype=np.intp)
    if usable is not None:
        good = np.flatnonzero(~np.isnan(usable.value))
        times = np.concatenate([times, usable.time_ms[good]])
        values = np.concatenate([values, usable.value[good]])
        position = np.searchsorted(usable.index[good], at.index, side="right")
    known = values[position]
    known[at.time_ms - times[position] > oldest_ms] = np.nan
    return known
