"""Which channels a rack has, and how each comes from what the probes measure.

A channel is a vessel and a quantity (and the probe, where a vessel has several of one kind). Its
readings are those of one source, either as measured or turned into the quantity that people
judge: conductivity into salinity, oxygen in mg/L into saturation and back.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE, RackPlan, Source
from rules.water.arrays import FloatArray
from rules.water.oxygen import oxygen_mg_l, oxygen_saturation_percent
from rules.water.seawater import practical_salinity
from rules.water.specific_conductance import Compensation

FORMULAS: dict[Quantity, Callable[..., FloatArray]] = {
    Quantity.SALINITY: practical_salinity,
    Quantity.OXYGEN: oxygen_mg_l,
    Quantity.OXYGEN_SATURATION: oxygen_saturation_percent,
}
"""Of what the source measures, then of what `Channel.needs` names."""


@dataclass(frozen=True, slots=True)
class Need:
    """A quantity that a conversion needs: the channels of the vessel that give it, best first.

    `supplied` are those of vessels on the same supply.
    """

    quantity: Quantity
    channels: tuple[str, ...] = ()
    supplied: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Channel:
    """One judged series; `needs` are the quantities whose values its conversion takes.

    `twin` is the channel of the first probe for the same quantity, where this is a redundant one; those of
    one quantity come in the order of the settings, which is that of preference.
    """

    name: str
    vessel: str
    quantity: Quantity
    source: Source
    needs: tuple[Need, ...] = ()
    twin: str = ""

    @property
    def measured(self) -> bool:
        """Return whether the probe itself reports this quantity (a conductivity perhaps at 25 °C)."""
        return self.source.quantity is self.quantity

    @property
    def inputs(self) -> tuple[str, ...]:
        """Return the channels that it takes its inputs from while all is well."""
        return tuple(need.channels[0] for need in self.needs if need.channels)


def channels_of(plan: RackPlan) -> tuple[Channel, ...]:
    """Return the channels of a rack, each after those that it takes its inputs from."""
    look = _Look(plan, _measured(plan.sources))
    found = _uncompensated(look)
    for make in (_salinity, _oxygen):
        look = _Look(plan, found)
        found = [*found, *(channel for vessel in plan.vessels for channel in make(look, vessel))]
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Look:
    """The channels made so far."""

    plan: RackPlan
    channels: list[Channel]

    def of(self, vessel: str, quantity: Quantity) -> list[Channel]:
        return [it for it in self.channels if it.vessel == vessel and it.quantity is quantity]

    def need(self, channel: Channel, quantity: Quantity) -> Need:
        """Return where to take a quantity from: the same probe before any other of the vessel."""
        here = self.of(RACK_WIDE if quantity is Quantity.AIR_PRESSURE else channel.vessel, quantity)
        here.sort(key=lambda other: other.source.probe != channel.source.probe)
        mates = {
            mate: None
            for supply in self.plan.supplies
            if supply.quantity is quantity and channel.vessel in supply.vessels
            for mate in supply.vessels
            if mate != channel.vessel
        }
        supplied = [other.name for mate in mates for other in self.of(mate, quantity)]
        return Need(quantity, tuple(other.name for other in here), tuple(supplied))

    def derived(
        self, vessel: str, have: Quantity, want: Quantity, needs: tuple[Quantity, ...]
    ) -> list[Channel]:
        """Return one quantity from each probe of another, each compared with the first one."""
        probes = self.of(vessel, have)
        found: list[Channel] = []
        for probe in probes:
            name = _name(probe.source, want, len(probes) > 1)
            taken = tuple(self.need(probe, quantity) for quantity in needs)
            twin = found[0].name if found else ""
            found.append(Channel(name, vessel, want, probe.source, taken, twin))
        return found


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


def _uncompensated(look: _Look) -> list[Channel]:
    """Give each conductivity at 25 °C the temperature that makes it one in situ, and its place after that."""
    if all(channel.source.compensation is Compensation.NONE for channel in look.channels):
        return look.channels
    found = [channel for channel in look.channels if channel.quantity is not Quantity.CONDUCTIVITY]
    for channel in look.channels:
        if channel.quantity is Quantity.CONDUCTIVITY:
            at_25 = channel.source.compensation is not Compensation.NONE
            needs = (look.need(channel, Quantity.TEMPERATURE),) if at_25 else ()
            found.append(replace(channel, needs=needs))
    return found


def _name(source: Source, quantity: Quantity, several: bool) -> str:
    name = f"{source.vessel}/{quantity}"
    return f"{name}/{source.probe}" if several else name


def _salinity(look: _Look, vessel: str) -> list[Channel]:
    """Return a salinity channel for each conductivity, unless a probe reports salinity itself."""
    if look.of(vessel, Quantity.SALINITY):
        return []
    return look.derived(vessel, Quantity.CONDUCTIVITY, Quantity.SALINITY, (Quantity.TEMPERATURE,))


def _oxygen(look: _Look, vessel: str) -> list[Channel]:
    """Return oxygen in the unit that no probe of the vessel reports."""
    needs = (Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.AIR_PRESSURE)
    units = (Quantity.OXYGEN, Quantity.OXYGEN_SATURATION)
    for have, want in (units, units[::-1]):
        if look.of(vessel, have) and not look.of(vessel, want):
            return look.derived(vessel, have, want, needs)
    return []
