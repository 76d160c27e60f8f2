"""What no machine can find, and so is a duty of people, as `bellwatch check` says it of this rack."""

from collections.abc import Iterable, Iterator

from daemon.check.coverage import channels_in
from daemon.settings.rack import Settings
from daemon.words import label

_OF_EVERY_RACK = (
    "each morning: `bellwatch status`: each vessel's stage, and each probe in the vessel of its label",
    "once a month: the machine's supply and temperature, by its lamp and log",
    "before use and once a year: pull the plug, and see that everything stands where it stood",
    "at each change of this file: a second person reads it, and replays it (`bellwatch replay`)",
)
"""Whatever the settings say, nothing else finds these."""


def duty_lines(settings: Settings) -> Iterator[str]:
    """Yield a line for each duty, and for each that this rack has no cover for (deploy/faults.md has all).

    `settings` are without errors.
    """
    found: dict[tuple[str, str], list[str]] = {}
    for it in channels_in(settings):
        vessel = settings.vessels.get(it.vessel)
        if vessel is not None and settings.tolerance_of(vessel.stage, it.quantity) is not None:
            found.setdefault((it.vessel, label(it.quantity)), []).append(it.source.bus)
    if lone := _by_vessel(key for key, buses in found.items() if len(buses) == 1):
        yield f"duty of people, `bellwatch measure` once a week, as a lone probe drifts unseen: {lone}"
        yield "duty of people, `bellwatch measure` after each cleaning, calibration or change of a lone probe"
    if of_one_line := _by_vessel(key for key, buses in found.items() if len(buses) > len(set(buses)) == 1):
        what = "as one supply may move all probes of a line"
        yield f"duty of people, `bellwatch measure` once a week, {what}: {of_one_line}"
    unreminded = [name for name, probe in settings.probes.items() if probe.calibrate_every_days is None]
    if unreminded:
        what = "nobody is reminded to calibrate until two visits tell how it drifts"
        yield f"duty without cover, {what}: {', '.join(unreminded)}; calibrate_every_days would remind"
    if not settings.broker.oncall:
        what = "an on-call process that never ran is not missed"
        yield f"duty without cover, {what}: [broker] oncall = true would say what nobody has taken"
    if settings.backup is None and settings.mirror is None:
        yield "duty of people, `bellwatch backup` once a month: there is no [backup], and no [mirror]"
    yield from (f"duty of people, {duty}" for duty in _OF_EVERY_RACK)


def _by_vessel(channels: Iterable[tuple[str, str]]) -> str:
    vessels: dict[str, list[str]] = {}
    for vessel, quantity in channels:
        vessels.setdefault(vessel, []).append(quantity)
    return "; ".join(f"{name} {', '.join(quantities)}" for name, quantities in vessels.items())
