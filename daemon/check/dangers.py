"""Who watches each quantity that the stage in a vessel has limits on, as `bellwatch check` says it."""

from collections.abc import Iterator

from daemon.check.coverage import channels_in
from daemon.settings.rack import Settings
from daemon.tables.words import shown
from daemon.words import label
from rules.judging.channel import FAULT_DELAYS_MS
from rules.quantities import Quantity
from rules.rack.channels import Channel, Need


def danger_lines(settings: Settings) -> Iterator[str]:
    """Yield a line for each: the probes, what else the value needs, how long a failure can go unseen.

    `settings` are without errors. What no probe is there for is unwatched by settings: shown, never a call.
    """
    channels = {channel.name: channel for channel in channels_in(settings)}
    for vessel, table in settings.vessels.items():
        for quantity in Quantity:
            if settings.tolerance_of(table.stage, quantity, vessel) is None:
                continue
            here = [it for it in channels.values() if it.vessel == vessel and it.quantity is quantity]
            seen = " and ".join(_seen_by(channel, channels, settings) for channel in here)
            yield f"{vessel} {label(quantity)}: {seen or 'unwatched by settings, no probe for it'}"


def _seen_by(channel: Channel, channels: dict[str, Channel], settings: Settings) -> str:
    probe = settings.probes[channel.source.probe]
    failing_s = FAULT_DELAYS_MS[0] / 1000 + 2 * probe.every_s
    told_s = max(probe.silent_after_s, failing_s)
    given = "".join(f", {_given_by(need, channels)}" for need in channel.needs)
    every = f"{channel.source.probe} every {shown(probe.every_s)} s"
    return f"{every}{given}; told within {shown(told_s)} s of its loss"


def _given_by(need: Need, channels: dict[str, Channel]) -> str:
    if need.channels:
        return f"{label(need.quantity)} of {channels[need.channels[0]].source.probe}"
    if need.supplied:
        return f"{label(need.quantity)} roughly, of {channels[need.supplied[0]].vessel}"
    return f"{label(need.quantity)} assumed"
