"""From what probes measure to what people judge, at the best known temperature, salinity and pressure."""

from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from rules.judging.ranked_inputs import Known
from rules.judging.series import Array, Series
from rules.quantities import Quantity
from rules.rack.channels import FORMULAS, Channel
from rules.water.specific_conductance import in_situ_conductivity
from rules.water.uncertainty import propagated, with_uncertainty


def convert(channel: Channel, own: Series, inputs: list[Known]) -> Series:
    """Return the readings of a derived channel, or of a conductivity that the probe gives at 25 °C.

    NaN where out of the formula's range. `own` holds the source's readings (shape m), `inputs` what is known
    of `Channel.needs` at them. The error is that of what is not measured now; None where all is.
    """
    values = [known.value for known in inputs]
    base = None if own.base is None else _value(channel, own.base, *values)
    lacking = {need.quantity: known.error > 0 for need, known in zip(channel.needs, inputs, strict=True)}
    size, own_error = own.value.size, _error(own)
    off, doubtful = own_error > 0, np.zeros(size, np.bool_) if own.suspect is None else own.suspect
    for known, lacks in zip(inputs, lacking.values(), strict=True):
        off, doubtful = off | lacks, doubtful | known.suspect
    suspect = doubtful if np.count_nonzero(doubtful) else None
    elsewhere = _elsewhere(channel, own, inputs)
    if not (lost := np.count_nonzero(off)):
        value = _value(channel, own.value, *values)
        return Series(own.index, own.time_ms, value, None, suspect, elsewhere, base=base)
    here, needs = slice(None) if lost == size else off, zip(channel.needs, inputs, strict=True)
    value, error = _value(channel, own.value, *values) if lost < size else np.empty(size), np.zeros(size)
    value[here], error[here] = with_uncertainty(
        partial(_value, channel),
        (channel.source.quantity, own.value[here], own_error[here]),
        *((need.quantity, known.value[here], known.error[here]) for need, known in needs),
    )
    value = np.where(np.isnan(error), np.nan, value)
    otherwise = _otherwise(channel, own, inputs)
    its = error, suspect, elsewhere, lacking, base
    return Series(own.index, own.time_ms, value, *its, otherwise=otherwise)


def _otherwise(channel: Channel, own: Series, inputs: list[Known]) -> Array | None:
    """Return the values by what nothing else bears out of their inputs; NaN elsewhere, None where nowhere."""
    torn = [known.otherwise for known in inputs]
    if all(its is None for its in torn):
        return None
    shown = [known.value if known.otherwise is None else known.otherwise for known in inputs]
    values = [np.where(np.isnan(its), known.value, its) for its, known in zip(shown, inputs, strict=True)]
    apart = np.logical_or.reduce([~np.isnan(its) for its in torn if its is not None])
    return np.where(apart, _value(channel, own.value, *values), np.nan)


def raised_by(
    quantity: Quantity, most: float, channel: Channel, own: Series, inputs: list[Known]
) -> tuple[Array, Array] | None:
    """Return by how much an input above `most` raises a derived value (shape m), and how far above it is.

    None where it never is.
    """
    values = [known.value for known in inputs]
    place = [need.quantity for need in channel.needs].index(quantity)
    held = [*values[:place], np.minimum(values[place], most), *values[place + 1 :]]
    excess = values[place] - held[place]
    if not (excess > 0.0).any():
        return None
    return _value(channel, own.value, *values) - _value(channel, own.value, *held), excess


def _elsewhere(channel: Channel, own: Series, inputs: list[Known]) -> NDArray[np.int64] | None:
    """Return a number that is another wherever other probes give a value; None where always the best do."""
    if own.elsewhere is None and not any(known.rank.any() for known in inputs):
        return None
    found = np.zeros(own.value.size, dtype=np.int64)
    found += 0 if own.elsewhere is None else own.elsewhere
    for need, known in zip(channel.needs, inputs, strict=True):
        found = found * (len(need.channels) + 1) + known.rank
    return found


def turns(channel: Channel, own: Series, inputs: list[Known], moves: Sequence[Array | None]) -> Array | None:
    """Return by how much an hour a value may rise or fall as its inputs move unseen by `moves` an hour.

    None where none does.
    """
    if all(its is None for its in moves):
        return None
    still = np.zeros(own.value.size)
    named = zip(channel.needs, inputs, moves, strict=True)
    found = ((need.quantity, known.value, still if its is None else its) for need, known, its in named)
    of_own = (channel.source.quantity, own.value, still)
    rates: Array = np.nan_to_num(propagated(partial(_value, channel), of_own, *found))
    return rates


def _error(series: Series) -> Array:
    return np.zeros(series.value.size) if series.error is None else series.error


def _value(channel: Channel, value: Array, *inputs: Array) -> Array:
    if channel.quantity is Quantity.CONDUCTIVITY:
        source = channel.source
        return in_situ_conductivity(value, inputs[0], source.compensation, source.compensation_per_kelvin)
    return FORMULAS[channel.quantity](value, *inputs)
