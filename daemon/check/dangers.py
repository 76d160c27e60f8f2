"""Who watches each quantity that the stage in a vessel has limits on, as `bellwatch check` says it."""

from collections.abc import Iterable, Iterator

from daemon.buses.shape import ProbeSettings
from daemon.check.accuracy import difference_text
from daemon.check.coverage import channels_in
from daemon.check.witnesses import (
    BY_CALM,
    BY_HAND,
    counted_within_s,
    moved,
    repeated_within_s,
    witnessed_within_s,
    witnesses,
)
from daemon.settings.rack import Settings
from daemon.tables.words import shown
from daemon.words import label
from rules.judging.trend import LEAPS_WITHIN_MS, MS_PER_HOUR, STEEPEST
from rules.quantities import Quantity
from rules.rack.channels import Channel, Need
from rules.rack.limits import asks_for_watch
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.rack.tolerance import Band, Tolerance


def danger_lines(settings: Settings) -> Iterator[str]:
    """Yield a line for each: the probes, what else the value needs, how long a failure can go unseen.

    `settings` are without errors. What no probe is there for is unwatched by settings: shown, never a call.
    """
    channels = {channel.name: channel for channel in channels_in(settings)}
    for vessel, table in settings.vessels.items():
        for quantity in Quantity:
            tolerance = settings.tolerance_of(table.stage, quantity, vessel)
            if tolerance is None or not asks_for_watch(tolerance):
                continue
            here = [it for it in channels.values() if it.vessel == vessel and it.quantity is quantity]
            seen = " and ".join(_seen_by(channel, channels, settings) for channel in here)
            told_s = unwatched_after_s(tolerance, [settings.probes[it.source.probe] for it in here])
            within = f"; told within {shown(told_s)} s of its loss" if here else ""
            rest = (
                f"; a freeze {_frozen_by(here, settings, told_s)}" if here else "; duty: look at it by hand"
            )
            what = seen or "unwatched by settings, no probe for it"
            yield f"{vessel} {label(quantity)}: {what}{within}{rest}{_unseen(here, tolerance, settings)}"
        yield from _switched_off(vessel, table.stage, settings)


def _switched_off(vessel: str, stage: str, settings: Settings) -> Iterator[str]:
    """Say what nobody is called for since the settings take its critical limits away, or give it none."""
    built_in = DEFAULT_TOLERANCES.get(stage)
    for quantity in Quantity:
        tolerance = settings.tolerance_of(stage, quantity, vessel)
        usual = tolerance if built_in is None else built_in.get(quantity)
        wanted = (
            usual is not None and asks_for_watch(usual) and (built_in is None or usual.critical != Band())
        )
        if wanted and (tolerance is None or tolerance.critical == Band()):
            yield f"{vessel} {label(quantity)}: no critical limit by the settings, so it calls nobody"


def _frozen_by(channels: list[Channel], settings: Settings, told_s: float) -> str:
    """Say how long a freeze can go unseen, what may show it sooner, and what is left to people."""
    probes = [settings.probes[channel.source.probe] for channel in channels]
    if all(probe.fresh_by is not None for probe in probes):
        longest_s = max(map(counted_within_s, probes)) + told_s
        return f"told within {shown(longest_s)} s, its answers are counted"
    others = [other for it in channels for other in witnesses(settings, it.source.probe, it.source.quantity)]
    sooner = moved(dict.fromkeys(others), max(*map(witnessed_within_s, probes), told_s))
    longest_s = max(*map(repeated_within_s, probes), told_s + max(probe.every_s for probe in probes))
    by_noise = f"within {shown(longest_s)} s by a probe that seldom reads the same twice"
    return f"{BY_HAND}, unless {sooner}{by_noise}, {BY_CALM}; duty: measure by hand once a week"


def _unseen(channels: list[Channel], tolerance: Tolerance, settings: Settings) -> str:
    """Say what nothing shows of a lone probe: that it reads another vessel, or no further than a bound."""
    if len(channels) != 1:
        return ""
    rates = {"up": tolerance.max_rise_per_hour, "down": tolerance.max_fall_per_hour}
    sudden = settings.probes[channels[0].source.probe].every_s * 1000 <= LEAPS_WITHIN_MS
    hours, quantity = tolerance.rate_window_ms / MS_PER_HOUR / STEEPEST, channels[0].quantity
    leaps = [f"{difference_text(it * hours, quantity)} {way}" for way, it in rates.items() if it and sudden]
    shows = (
        f"by a leap of {' or '.join(leaps)} at least, else by its label" if leaps else "by its label alone"
    )
    return f"; another vessel's water shows {shows}; a bound that it reads no further than, by hand alone"


def unwatched_after_s(tolerance: Tolerance, probes: Iterable[ProbeSettings]) -> float:
    """Return how long a quantity may show nothing usable before that is told: three polls at least."""
    return max([tolerance.unwatched_after_ms / 1000, *(3 * probe.every_s for probe in probes)])


def _seen_by(channel: Channel, channels: dict[str, Channel], settings: Settings) -> str:
    probe = settings.probes[channel.source.probe]
    given = "".join(f", {_given_by(need, channels)}" for need in channel.needs)
    return f"{channel.source.probe} every {shown(probe.every_s)} s{given}"


def _given_by(need: Need, channels: dict[str, Channel]) -> str:
    if need.channels:
        return f"{label(need.quantity)} of {channels[need.channels[0]].source.probe}"
    if need.supplied:
        return f"{label(need.quantity)} roughly, of {channels[need.supplied[0]].vessel}"
    return f"{label(need.quantity)} assumed, so roughly or not at all by settings"
