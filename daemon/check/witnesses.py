"""What tells a calm probe from a frozen one, and how long a freeze can go unseen, for `bellwatch check`."""

from collections.abc import Iterator

from daemon.settings.rack import Settings
from daemon.tables.words import shown
from daemon.words import label
from rules.judging.channel import FAULT_DELAYS_MS
from rules.quality.calm import LEAST_MS, MOVED, STALE_POLLS, TIMES_THE_LONGEST
from rules.quantities import Quantity


def witness_lines(settings: Settings) -> Iterator[str]:
    """Yield a line for each quantity of a probe, one for a whole probe whose answers are counted.

    `settings` are without errors.
    """
    for name, probe in settings.probes.items():
        if probe.fresh_by is not None:
            told_s = (STALE_POLLS + 1) * probe.every_s + FAULT_DELAYS_MS[0] / 1000
            yield f"{name}: its answers are counted; a freeze is told within {shown(told_s)} s"
            continue
        for quantity in probe.quantities:
            others = " and ".join(_witnesses(settings, name, quantity))
            seen = f"{others} must show it too, else " if others else ""
            least = TIMES_THE_LONGEST * LEAST_MS // 60_000
            yield (
                f"{name} {label(quantity)}: {seen}its own calm, known after two days; "
                f"a freeze is told within {least} min at best, or three times its longest calm"
            )


def _witnesses(settings: Settings, name: str, quantity: Quantity) -> Iterator[str]:
    """Go through what must move in the vessel where a probe's quantity does."""
    vessel = settings.probes[name].vessel
    for other, probe in settings.probes.items():
        for its in probe.quantities:
            if probe.vessel == vessel and its in MOVED[quantity] and (other, its) != (name, quantity):
                yield f"{label(its)} of {other}"
