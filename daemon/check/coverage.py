"""Cross-checks between what the stages need watched and what the probes measure. All are warnings.

A measured quantity is *used* if the stage in its vessel has a limit on it, or if it is needed to
derive one that has: salinity comes from conductivity and temperature; oxygen saturation from oxygen,
temperature, salinity and the rack's air pressure, and oxygen from saturation the same way. Which
channels there are and what they need is asked of the engine itself.
"""

from collections.abc import Iterator

from daemon.buses.shape import ProbeSettings
from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.settings.plan import sources_of, supplies_of
from daemon.settings.rack import Settings
from daemon.settings.stages import OFF
from daemon.tables.words import shown, where
from rules.quantities import Quantity
from rules.rack.channels import Channel, channels_of
from rules.rack.plan import RACK_WIDE, RackPlan, Source
from rules.rack.tolerance import Tolerance

_WAYS_TO_MEASURE = {
    Quantity.SALINITY: "salinity, or conductivity and temperature",
    Quantity.OXYGEN: "oxygen, or oxygen_saturation, temperature and salinity (or conductivity)",
    Quantity.OXYGEN_SATURATION: "oxygen_saturation, or oxygen, temperature and salinity (or conductivity)",
}

_FAST_S = 1.0
"""A probe in water answers to a change within seconds at best (common practice, no source)."""


def coverage_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is watched without need, and what needs watching and is not."""
    channels = channels_in(draft.settings)
    limited = [
        channel
        for channel in channels
        if channel.vessel in draft.settings.vessels and _tolerance(draft, channel.vessel, channel.quantity)
    ]
    yield from _unwatched(draft, channels)
    yield from _without_temperature(draft)
    yield from _unused(draft, channels, limited)
    yield from _without_barometer(draft, channels, limited)
    for name, probe in draft.settings.probes.items():
        made = {channel.quantity for channel in channels if channel.source.probe == name}
        yield from _slow(name, probe, made, draft)


def channels_in(settings: Settings) -> tuple[Channel, ...]:
    """Return the channels that the engine would make of the rack."""
    numbers: dict[tuple[str, str, str], int] = {}
    given = sources_of(settings, lambda *key: numbers.setdefault(key, len(numbers)))
    sources = tuple({source.id: source for source in given}.values())
    vessels = {name: vessel.stage for name, vessel in settings.vessels.items()}
    supplies = supplies_of(settings)
    return channels_of(RackPlan(settings.rack.name, sources, vessels, {}, {}, supplies))


def _tolerance(draft: Draft, vessel: str, quantity: Quantity) -> Tolerance | None:
    stage = draft.settings.vessels[vessel].stage
    return draft.settings.tolerance_of(stage, quantity, vessel) if draft.knows_stage(stage) else None


def _is_clear(draft: Draft, vessel: str) -> bool:
    """Whether a vessel, its stage and its probes are all known, so that something can be said about them."""
    sound = draft.settings.vessels.get(vessel)
    return sound is not None and draft.knows_stage(sound.stage) and draft.knows_probes_of(vessel)


def _unwatched(draft: Draft, channels: tuple[Channel, ...]) -> Iterator[Finding]:
    """Warn of limits that nothing is measured for; a vessel without any probe is reported elsewhere."""
    watched = {(channel.vessel, channel.quantity) for channel in channels}
    for name, vessel in draft.settings.vessels.items():
        if not _is_clear(draft, name) or name not in {channel.vessel for channel in channels}:
            continue
        for quantity in Quantity:
            if _tolerance(draft, name, quantity) is None or (name, quantity) in watched:
                continue
            ways = _WAYS_TO_MEASURE.get(quantity, quantity.value)
            found = f"no {quantity} in this vessel, which the stage {vessel.stage} has limits on"
            expected = f'a probe of {ways}, or {quantity} = "none" in [stages.{vessel.stage}]'
            yield Finding(where("vessels", name, "stage"), found, expected, is_warning=True)


def _without_temperature(draft: Draft) -> Iterator[Finding]:
    """Warn where a stage in a vessel has no limits of temperature, which every stage dies of."""
    for stage in dict.fromkeys(vessel.stage for vessel in draft.settings.vessels.values()):
        for name in draft.settings.bases(stage) if draft.knows_stage(stage) else ():
            table = draft.settings.stages.get(name)
            if table is not None and table.limits(Quantity.TEMPERATURE) == OFF:
                expected = (
                    "limits, or no such key for the built-in ones: else no heat and no cold calls anybody"
                )
                yield Finding(where("stages", name, "temperature"), '"none"', expected, is_warning=True)


def _unused(draft: Draft, channels: tuple[Channel, ...], limited: list[Channel]) -> Iterator[Finding]:
    if not all(_is_clear(draft, vessel) for vessel in draft.declared["vessels"]):
        return
    used = _used(channels, limited)
    for channel in channels:
        source = channel.source
        is_known = channel.vessel in {*draft.settings.vessels, RACK_WIDE}
        if not channel.measured or source in used or not is_known:
            continue
        probe = draft.settings.probes[source.probe]
        entry = probe.quantities.index(source.quantity)
        path = where("probes", source.probe, probe.entries_key, entry, "quantity")
        found = f"{source.quantity}, which is logged but raises no alarm"
        yield Finding(path, found, _use_of(source, draft), is_warning=True)


def _used(channels: tuple[Channel, ...], limited: list[Channel]) -> set[Source]:
    """Return the sources of every channel that has a limit, and of all that it is derived from."""
    by_name = {channel.name: channel for channel in channels}
    waiting, used = list(limited), set()
    while waiting:
        channel = waiting.pop()
        used.add(channel.source)
        waiting += [by_name[name] for name in channel.inputs]
    return used


def _use_of(source: Source, draft: Draft) -> str:
    if source.vessel == RACK_WIDE:
        return "a vessel in which oxygen is measured and limited"
    stage = draft.settings.vessels[source.vessel].stage
    if source.quantity is Quantity.AIR_PRESSURE:
        return "no vessel for this probe, so that the whole rack has its air pressure"
    return f"limits in [stages.{stage}.{source.quantity}], or a quantity with limits that is derived from it"


def _without_barometer(
    draft: Draft, channels: tuple[Channel, ...], limited: list[Channel]
) -> Iterator[Finding]:
    rack_wide = {channel.quantity for channel in channels if channel.vessel == RACK_WIDE}
    judged = [channel.vessel for channel in limited if channel.quantity is Quantity.OXYGEN_SATURATION]
    if judged and Quantity.AIR_PRESSURE not in rack_wide and draft.is_whole("probes"):
        found = f"no air_pressure for the rack, although oxygen_saturation is limited in {judged[0]}"
        expected = "a barometer (a probe without vessel); weather alone moves saturation by 5 %"
        yield Finding("probes", found, expected, is_warning=True)


def _slow(name: str, probe: ProbeSettings, made: set[Quantity], draft: Draft) -> Iterator[Finding]:
    """Warn of a probe that is read more rarely than an alarm of what is `made` of it is delayed."""
    if probe.vessel not in draft.settings.vessels:
        return
    judged = [
        (tolerance, quantity)
        for quantity in Quantity
        if quantity in made and (tolerance := _tolerance(draft, probe.vessel, quantity)) is not None
    ]
    delays = [(min(its.on_delay_ms, its.critical_on_delay_ms) / 1000, quantity) for its, quantity in judged]
    unwatched = [(its.unwatched_after_ms / 1000, quantity) for its, quantity in judged]
    if unwatched and min(unwatched)[0] < probe.every_s:
        after_s, quantity = min(unwatched)
        expected = f"{shown(after_s)} or less, unwatched_after_s of {quantity} in its vessel, "
        expected += "or else a loss is told later than that"
        yield Finding(where("probes", name, "every_s"), shown(probe.every_s), expected, is_warning=True)
    elif probe.every_s < _FAST_S:
        expected = (
            f"{shown(_FAST_S)} or more: water does not change so fast, and line and card are worn for nothing"
        )
        yield Finding(where("probes", name, "every_s"), shown(probe.every_s), expected, is_warning=True)
    elif delays and min(delays)[0] < probe.every_s:
        delay_s, quantity = min(delays)
        expected = f"{shown(delay_s)} or less, the shortest on-delay of {quantity} in its vessel, "
        expected += "or else one reading alone can raise an alarm"
        yield Finding(where("probes", name, "every_s"), shown(probe.every_s), expected, is_warning=True)
