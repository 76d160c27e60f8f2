"""Warnings of limits that are tighter than the probes can resolve, by the accuracy stated for them."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from daemon.as_read import shown, shown_unit
from daemon.check.coverage import channels_in
from daemon.check.limits import half_width
from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.settings.stages import written
from daemon.tables.words import where
from rules.care.accuracy import accuracy_of
from rules.judging.trend import MS_PER_HOUR
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.tolerance import Tolerance
from rules.water.oxygen import STANDARD_AIR_PRESSURE_HPA, oxygen_mg_l
from rules.water.seawater import conductivity_from_salinity

_USUAL_WATER = {Quantity.TEMPERATURE: 15.0, Quantity.SALINITY: 33.0, Quantity.OXYGEN_SATURATION: 98.0}
"""Where a stage has no target, so that an accuracy can be worked out at all (common practice, no source)."""


def accuracy_findings(draft: Draft) -> Iterator[Finding]:
    """Yield the limits of each vessel's stage that its probes cannot resolve, once for each stage."""
    channels = {channel.name: channel for channel in channels_in(draft.settings)}
    told: set[tuple[str, str]] = set()
    for channel in channels.values():
        vessel = draft.settings.vessels.get(channel.vessel)
        if vessel is None or not draft.knows_stage(vessel.stage):
            continue
        tolerance = draft.settings.tolerance_of(vessel.stage, channel.quantity, channel.vessel)
        accuracy = accuracy_of(channel, channels, _Water(draft, channel.vessel, channels).value_of)
        if tolerance is None or accuracy is None:
            continue
        stage, usual = draft.settings.stages.get(vessel.stage), draft.settings.rack.temperatures_in
        table = stage and stage.limits(channel.quantity)
        for limit, value, found, expected in _too_tight(channel, tolerance, accuracy):
            key, number = written(table, limit, channel.quantity, value, usual)
            path = where("stages", vessel.stage, channel.quantity, key)
            if (path, channel.source.probe) not in told:
                told.add((path, channel.source.probe))
                yield Finding(path, number + found, expected, is_warning=True)


@dataclass(frozen=True, slots=True)
class _Water:
    """The water that the stage in a vessel should have, for which accuracies are worked out."""

    draft: Draft
    vessel: str
    channels: dict[str, Channel]

    def value_of(self, name: str) -> float:
        quantity = self.channels[name].quantity
        if quantity is Quantity.AIR_PRESSURE:
            return STANDARD_AIR_PRESSURE_HPA
        temperature, salinity, saturation = (self._aim(each) for each in _USUAL_WATER)
        if quantity is Quantity.CONDUCTIVITY:
            return conductivity_from_salinity(salinity, temperature).item()
        if quantity is Quantity.OXYGEN:
            return oxygen_mg_l(saturation, temperature, salinity, STANDARD_AIR_PRESSURE_HPA).item()
        return self._aim(quantity)

    def _aim(self, quantity: Quantity) -> float:
        """Return the stage's target, or else the middle of its band."""
        settings = self.draft.settings
        stage = settings.vessels[self.vessel].stage
        tolerance = settings.tolerance_of(stage, quantity, self.vessel) or Tolerance()
        band = tolerance.advisory
        if tolerance.target is not None:
            return tolerance.target
        if band.low is not None and band.high is not None:
            return (band.low + band.high) / 2
        return _USUAL_WATER[quantity]


def difference_text(difference: float, quantity: Quantity) -> str:
    """Write a difference of two values in the unit that people read the quantity in."""
    return f"{shown(difference, quantity, difference=True):.2g} {shown_unit(quantity)}".rstrip()


def _too_tight(
    channel: Channel, tolerance: Tolerance, accuracy: float
) -> Iterator[tuple[str, float, str, str]]:
    """Yield each limit that the accuracy does not resolve, its value, more of it, and what would be right."""
    resolved = partial(difference_text, quantity=channel.quantity)
    good_for = f"probe {channel.source.probe} is good for ± {resolved(accuracy)} here"
    if tolerance.deadband < accuracy:
        yield "deadband", tolerance.deadband, "", f"{resolved(accuracy)} or more: {good_for}"
    for name, band in (("advisory", tolerance.advisory), ("critical", tolerance.critical)):
        half = half_width(band)
        if half is not None and band.high is not None and half < accuracy:
            found = f", a band of ± {resolved(half)}"
            yield f"{name}_high", band.high, found, f"± {resolved(accuracy)} or more: {good_for}"
    hours = tolerance.rate_window_ms / MS_PER_HOUR
    for name, rate in (("max_rise", tolerance.max_rise_per_hour), ("max_fall", tolerance.max_fall_per_hour)):
        if rate is not None and rate * hours < accuracy:
            found = f", {resolved(rate * hours)} within the rate window"
            expected = f"{resolved(accuracy / hours)} or more, or a longer rate_window_s: {good_for}"
            yield f"{name}_per_hour", rate, found, expected
