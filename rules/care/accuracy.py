"""How far the value of a channel can be trusted, from the accuracy that is stated for its probes.

First order, as `rules.water.uncertainty`. A conductivity that the probe gives at 25 °C is put back with the
same thermometer that the probe used, so that its error cancels; only the cell's is counted.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.water import uncertainty
from rules.water.oxygen import STANDARD_AIR_PRESSURE_HPA
from rules.water.specific_conductance import in_situ_conductivity

WEATHER_HPA = 30.0
"""What stands for a barometer's accuracy where there is none: a deep low or a strong high."""

Values = Callable[[str], float]


def accuracy_of(channel: Channel, channels: Mapping[str, Channel], value_of: Values) -> float | None:
    """Return the accuracy of a channel in its quantity's unit, plus or minus; None where it is not known.

    `channels` are those of the rack by name, `value_of` gives their values at the time.
    """
    if any(not need.channels for need in channel.needs if need.quantity is not Quantity.AIR_PRESSURE):
        return None
    return _Moment(channels, value_of).accuracy(channel)


@dataclass(frozen=True, slots=True)
class _Moment:
    channels: Mapping[str, Channel]
    value_of: Values

    def accuracy(self, channel: Channel) -> float | None:
        if channel.measured:
            found = self._of_reading(channel)
        elif channel.quantity is Quantity.SALINITY:
            found = self._of_salinity(channel)
        else:
            found = self._of_oxygen(channel)
        return None if found is None or math.isnan(found) else found

    def _own(self, channel: Channel) -> Channel:
        """Return the channel of what the probe itself reports."""
        every = self.channels.values()
        return next(other for other in every if other.measured and other.source == channel.source)

    def _of_reading(self, channel: Channel) -> float | None:
        source = channel.source
        if source.accuracy is None or not channel.inputs:
            return source.accuracy
        at_c = self.value_of(channel.inputs[0])
        kept = in_situ_conductivity(1.0, at_c, source.compensation, source.compensation_per_kelvin)
        return source.accuracy * kept.item()

    def _of_salinity(self, channel: Channel) -> float | None:
        cell, thermometer = self._own(channel), self.channels[channel.inputs[0]]
        of_cell, of_thermometer = self.accuracy(cell), thermometer.source.accuracy
        if of_cell is None or of_thermometer is None:
            return None
        return uncertainty.salinity_uncertainty(
            self.value_of(cell.name),
            self.value_of(thermometer.name),
            conductivity_accuracy_ms_cm=of_cell,
            temperature_accuracy_c=of_thermometer,
        ).item()

    def _of_oxygen(self, channel: Channel) -> float | None:
        """Return the accuracy of saturation from mg/L, or of mg/L from saturation."""
        foil = self._own(channel)
        if foil.source.accuracy is None:
            return None
        reading, converted = self.value_of(foil.name), self.value_of(channel.name)
        if channel.quantity is Quantity.OXYGEN_SATURATION:
            return self._of_saturation(channel, reading, foil.source.accuracy)
        of_solubility = self._of_saturation(channel, converted, 0.0)
        if of_solubility is None or not reading > 0:
            return None
        return converted * math.hypot(of_solubility / reading, foil.source.accuracy / reading)

    def _of_saturation(self, channel: Channel, oxygen_mg_l: float, oxygen_accuracy: float) -> float | None:
        thermometer, salt, *barometer = [self.channels[name] for name in channel.inputs]
        pressure, of_barometer = self._air_pressure(barometer)
        of_thermometer, of_salt = thermometer.source.accuracy, self.accuracy(salt)
        if of_thermometer is None or of_barometer is None or of_salt is None:
            return None
        shared = {
            "oxygen_accuracy_mg_l": oxygen_accuracy,
            "temperature_accuracy_c": of_thermometer,
            "air_pressure_accuracy_hpa": of_barometer,
        }
        at_c = self.value_of(thermometer.name)
        if salt.measured or salt.inputs[0] != thermometer.name:
            at_salt = self.value_of(salt.name)
            return uncertainty.saturation_uncertainty(
                oxygen_mg_l, at_c, at_salt, pressure, salinity_accuracy=of_salt, **shared
            ).item()
        cell = self._own(salt)
        of_cell = self.accuracy(cell)
        assert of_cell is not None, "the salinity made from it has one"
        at_cell = self.value_of(cell.name)
        return uncertainty.saturation_uncertainty_with_conductivity(
            oxygen_mg_l, at_c, at_cell, pressure, conductivity_accuracy_ms_cm=of_cell, **shared
        ).item()

    def _air_pressure(self, barometer: list[Channel]) -> tuple[float, float | None]:
        """Return the air pressure and its accuracy; the standard one, as far as weather moves it, without."""
        pressure = self.value_of(barometer[0].name) if barometer else math.nan
        if math.isnan(pressure):
            return STANDARD_AIR_PRESSURE_HPA, WEATHER_HPA
        return pressure, barometer[0].source.accuracy
