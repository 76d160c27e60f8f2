"""What tells a calm probe from a frozen one, and how long a freeze can go unseen, for `bellwatch check`."""

from collections.abc import Iterable, Iterator

from daemon.buses.shape import ProbeSettings
from daemon.settings.rack import Settings
from daemon.tables.words import shown
from daemon.words import label
from rules.judging.channel import FAULT_DELAYS_MS
from rules.judging.watch_list import OXYGEN
from rules.quality.calm import LEAST_MS, LEAST_READINGS, MOVED, STALE_POLLS
from rules.quality.hour_statistics import BUCKET_MS
from rules.quantities import Quantity

WITNESSED_WITHIN_S = 1800.0
BY_HAND = "goes unseen until it is measured by hand"
BY_CALM = "or after three times its longest calm, which is known after two days"


def witness_lines(settings: Settings) -> Iterator[str]:
    """Yield a line for each quantity of a probe, one for a whole probe whose answers are counted.

    `settings` are without errors.
    """
    for name, probe in settings.probes.items():
        if probe.fresh_by is not None:
            yield f"{name}: its answers are counted; a freeze shows within {shown(counted_within_s(probe))} s"
            continue
        for quantity in probe.quantities:
            sooner = moved(witnesses(settings, name, quantity), witnessed_within_s(probe))
            by_noise = f"within {shown(repeated_within_s(probe))} s if it seldom reads the same twice"
            yield f"{name} {label(quantity)}: a freeze {BY_HAND}, unless {sooner}{by_noise}, {BY_CALM}"


def repeated_within_s(probe: ProbeSettings) -> float:
    """Return how soon it shows that a probe repeats itself which has seldom done so."""
    return max(LEAST_MS / 1000, LEAST_READINGS * probe.every_s) + probe.every_s + FAULT_DELAYS_MS[0] / 1000


def moved(others: Iterable[str], within_s: float) -> str:
    """Say what shows a freeze by moving, and how soon after that; empty where nothing does."""
    names = " and ".join(others)
    return f"where {names} moves, within {shown(within_s)} s of that, " if names else ""


def witnessed_within_s(probe: ProbeSettings) -> float:
    """Return how soon a freeze shows after a witness has moved: by the buckets in which both are compared."""
    buckets_s = 2 * BUCKET_MS / 1000
    return max(WITNESSED_WITHIN_S, LEAST_READINGS * probe.every_s + buckets_s)


def counted_within_s(probe: ProbeSettings) -> float:
    """Return how soon it shows that the answers of a probe whose answers are counted are old ones."""
    return (STALE_POLLS + 1) * probe.every_s + FAULT_DELAYS_MS[0] / 1000


def faults_of_the_rack(settings: Settings) -> Iterator[str]:
    """Yield a line for each critical oxygen limit that guards a flow, and that nothing speaks for.

    A failed pump shows in the oxygen alone: a frozen probe would hide it, and no temperature that stays as it
    is would tell. `settings` are without errors.
    """
    for name, probe in settings.probes.items():
        table = settings.vessels.get(probe.vessel or "")
        for quantity in probe.quantities:
            if table is None or quantity not in OXYGEN or probe.fresh_by is not None:
                continue
            limits = [settings.tolerance_of(table.stage, it, probe.vessel) for it in OXYGEN]
            guards = any(it and it.critical.low is not None and it.max_fall_per_hour for it in limits)
            if guards and not _has_second(settings, name):
                what = f"{probe.vessel} {label(quantity)} of {name}"
                yield f"{what}: frozen, it would hide a failed flow; fresh_by or a second probe shows it"


def _has_second(settings: Settings, name: str) -> bool:
    others = (it for other, it in settings.probes.items() if other != name)
    return any(
        it.vessel == settings.probes[name].vessel and not set(OXYGEN).isdisjoint(it.quantities)
        for it in others
    )


def witnesses(settings: Settings, name: str, quantity: Quantity) -> Iterator[str]:
    """Go through what must move in the vessel where a probe's quantity does."""
    vessel = settings.probes[name].vessel
    for other, probe in settings.probes.items():
        for its in probe.quantities:
            if probe.vessel == vessel and its in MOVED[quantity] and (other, its) != (name, quantity):
                yield f"{label(its)} of {other}"
