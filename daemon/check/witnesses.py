"""What tells a calm probe from a frozen one, and how long a freeze can go unseen, for `bellwatch check`."""

from collections.abc import Iterator

from daemon.buses.shape import ProbeSettings
from daemon.settings.rack import Settings
from daemon.tables.words import shown
from daemon.words import label
from rules.judging.channel import FAULT_DELAYS_MS
from rules.judging.watch_list import OXYGEN
from rules.quality.calm import LEAST_MS, MOVED, STALE_POLLS, TIMES_THE_LONGEST
from rules.quantities import Quantity

BY_CALM = f"told within {TIMES_THE_LONGEST * LEAST_MS // 60_000} min at best, or three times its longest calm"


def witness_lines(settings: Settings) -> Iterator[str]:
    """Yield a line for each quantity of a probe, one for a whole probe whose answers are counted.

    `settings` are without errors.
    """
    for name, probe in settings.probes.items():
        if probe.fresh_by is not None:
            told_s = shown(counted_within_s(probe))
            yield f"{name}: its answers are counted; a freeze is told within {told_s} s"
            continue
        for quantity in probe.quantities:
            others = " and ".join(witnesses(settings, name, quantity))
            seen = f"{others} must show it too, else " if others else ""
            yield f"{name} {label(quantity)}: {seen}its own calm, known after two days; a freeze is {BY_CALM}"


def counted_within_s(probe: ProbeSettings) -> float:
    """Return how soon it is told that the answers of a probe whose answers are counted are old ones."""
    return (STALE_POLLS + 1) * probe.every_s + FAULT_DELAYS_MS[0] / 1000


def faults_of_the_rack(settings: Settings) -> Iterator[str]:
    """Yield a line for each critical oxygen limit that guards a flow, and that nothing speaks for.

    A failed pump shows in the oxygen alone: a frozen probe would hide it. `settings` are without errors.
    """
    for name, probe in settings.probes.items():
        table = settings.vessels.get(probe.vessel or "")
        for quantity in probe.quantities:
            if table is None or quantity not in OXYGEN or probe.fresh_by is not None:
                continue
            limits = [settings.tolerance_of(table.stage, it, probe.vessel) for it in OXYGEN]
            guards = any(it and it.critical.low is not None and it.max_fall_per_hour for it in limits)
            if guards and not list(witnesses(settings, name, quantity)):
                what = f"{probe.vessel} {label(quantity)} of {name}"
                yield f"{what}: frozen, it would hide a failed flow; fresh_by or a second probe shows it"


def witnesses(settings: Settings, name: str, quantity: Quantity) -> Iterator[str]:
    """Go through what must move in the vessel where a probe's quantity does."""
    vessel = settings.probes[name].vessel
    for other, probe in settings.probes.items():
        for its in probe.quantities:
            if probe.vessel == vessel and its in MOVED[quantity] and (other, its) != (name, quantity):
                yield f"{label(its)} of {other}"
