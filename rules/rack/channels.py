"""Which channels a rack has, and how each comes from what the probes measure.

A channel is a vessel and a quantity (and the probe, where a vessel has several of one kind). Its
readings are those of one source, either as measured or turned into the quantity that people
judge: conductivity into salinity, oxygen in mg/L into saturation and back.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE, RackPlan, Source
from rules.water.specific_conductance import Compensation


@dataclass(frozen=True, slots=True)
class Channel:
    """One judged series; `inputs` name the channels whose newest values its conversion needs.

    `twin` is the channel of the first probe for the same quantity, where this is a redundant one.
    """

    name: str
    vessel: str
    quantity: Quantity
    source: Source
    inputs: tuple[str, ...] = ()
    twin: str = ""

    @property
    def measured(self) -> bool:
        """Return whether the probe itself reports this quantity (a conductivity perhaps at 25 °C)."""
        return self.source.quantity is self.quantity


def channels_of(plan: RackPlan) -> tuple[Channel, ...]:
    """Return the channels of a rack, each after those that it takes its inputs from."""
    measured = _uncompensated(_measured(plan.sources))
    rack_wide = [channel for channel in measured if channel.vessel == RACK_WIDE]
    found = list(measured)
    for vessel in plan.vessels:
        here = [channel for channel in measured if channel.vessel == vessel]
        salinity = _salinity(here)
        found += salinity + _oxygen(here, salinity, rack_wide)
    return tuple(found)


def _measured(sources: Iterable[Source]) -> list[Channel]:
    sources = list(sources)
    several = [(source.vessel, source.quantity) for source in sources]
    found: list[Channel] = []
    for source in sources:
        same = [channel for channel in found if channel.vessel == source.vessel]
        twin = next((channel.name for channel in same if channel.quantity is source.quantity), "")
        name = _name(source, source.quantity, several.count((source.vessel, source.quantity)) > 1)
        found.append(Channel(name, source.vessel, source.quantity, source, twin=twin))
    return found


def _uncompensated(measured: list[Channel]) -> list[Channel]:
    """Give each conductivity at 25 °C the temperature that makes it one in situ, and its place after that."""
    if all(channel.source.compensation is Compensation.NONE for channel in measured):
        return measured
    found = [channel for channel in measured if channel.quantity is not Quantity.CONDUCTIVITY]
    for channel in _of(measured, Quantity.CONDUCTIVITY):
        here = [other for other in measured if other.vessel == channel.vessel]
        temperature = _beside(channel.source, here, Quantity.TEMPERATURE)
        at_25 = channel.source.compensation is not Compensation.NONE
        found.append(replace(channel, inputs=(temperature,)) if at_25 and temperature else channel)
    return found


def _name(source: Source, quantity: Quantity, several: bool) -> str:
    name = f"{source.vessel}/{quantity}"
    return f"{name}/{source.probe}" if several else name


def _salinity(here: list[Channel]) -> list[Channel]:
    """Return a salinity channel for each conductivity, unless a probe reports salinity itself."""
    conductivities = _of(here, Quantity.CONDUCTIVITY)
    if _of(here, Quantity.SALINITY):
        return []
    return _twinned(
        _derived(channel, Quantity.SALINITY, (temperature,), len(conductivities) > 1)
        for channel in conductivities
        if (temperature := _beside(channel.source, here, Quantity.TEMPERATURE))
    )


def _oxygen(here: list[Channel], salinity: list[Channel], rack_wide: list[Channel]) -> list[Channel]:
    """Return oxygen in the unit that no probe of the vessel reports, where T, S and P are known."""
    pressure = _of(rack_wide, Quantity.AIR_PRESSURE)
    for have, want in (
        (Quantity.OXYGEN, Quantity.OXYGEN_SATURATION),
        (Quantity.OXYGEN_SATURATION, Quantity.OXYGEN),
    ):
        probes = _of(here, have)
        if probes and not _of(here, want):
            return _twinned(
                _derived(channel, want, (temperature, salt, *(p.name for p in pressure[:1])), len(probes) > 1)
                for channel in probes
                if (temperature := _beside(channel.source, here, Quantity.TEMPERATURE))
                and (salt := _beside(channel.source, here + salinity, Quantity.SALINITY))
            )
    return []


def _derived(channel: Channel, quantity: Quantity, inputs: tuple[str, ...], several: bool) -> Channel:
    return Channel(_name(channel.source, quantity, several), channel.vessel, quantity, channel.source, inputs)


def _twinned(derived: Iterable[Channel]) -> list[Channel]:
    """Compare each derived channel of a vessel with the first one of them."""
    channels = list(derived)
    return [*channels[:1], *(replace(channel, twin=channels[0].name) for channel in channels[1:])]


def _of(channels: Iterable[Channel], quantity: Quantity) -> list[Channel]:
    return [channel for channel in channels if channel.quantity is quantity]


def _beside(source: Source, channels: list[Channel], quantity: Quantity) -> str | None:
    """Return the channel of `quantity` to use with `source`: the same probe's before any other."""
    candidates = _of(channels, quantity)
    candidates.sort(key=lambda channel: channel.source.probe != source.probe)
    return candidates[0].name if candidates else None
