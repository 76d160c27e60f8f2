"""What no machine can find, and so is a duty of people, as `bellwatch check` says it of this rack."""

from collections.abc import Iterator

from daemon.check.coverage import channels_in
from daemon.settings.rack import Settings
from daemon.words import label


def duty_lines(settings: Settings) -> Iterator[str]:
    """Yield a line for each duty, and for each that this rack has no cover for (deploy/faults.md has all).

    `settings` are without errors.
    """
    limited = [
        (channel.vessel, channel.quantity)
        for channel in channels_in(settings)
        if (vessel := settings.vessels.get(channel.vessel)) is not None
        and settings.tolerance_of(vessel.stage, channel.quantity) is not None
    ]
    alone: dict[str, list[str]] = {}
    for vessel_name, quantity in limited:
        if limited.count((vessel_name, quantity)) == 1:
            alone.setdefault(vessel_name, []).append(label(quantity))
    if alone:
        where = "; ".join(f"{name} {', '.join(found)}" for name, found in alone.items())
        yield f"duty of people, `bellwatch measure` once a week, as a lone probe drifts unseen: {where}"
    unreminded = [name for name, probe in settings.probes.items() if probe.calibrate_every_days is None]
    if unreminded:
        what = "nobody is reminded to calibrate until two visits tell how it drifts"
        yield f"duty without cover, {what}: {', '.join(unreminded)}; calibrate_every_days would remind"
    if not settings.broker.oncall:
        what = "an on-call process that never ran is not missed"
        yield f"duty without cover, {what}: [broker] oncall = true would say what nobody has taken"
    if settings.backup is None and settings.mirror is None:
        yield "duty of people, `bellwatch backup` once a month: there is no [backup], and no [mirror]"
