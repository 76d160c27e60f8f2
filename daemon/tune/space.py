"""The settings to try: which values of which keys, and the file's tables with a choice put in."""

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod
from typing import Any

from daemon.check.check import findings_in
from daemon.errors import Finding, TuneError
from daemon.settings.rack import Settings
from daemon.settings.stages import key_of
from daemon.tables.values import number
from rules.alarms.life_cycle import Condition
from rules.quantities import Quantity
from rules.rack.tolerance import Tolerance
from rules.tuning.incident import Incident
from rules.tuning.protection import exercised, is_weaker

Choice = tuple[tuple[str, float], ...]
"""Values by the path of their key, such as stages.ephyra.temperature.on_delay_s."""

TUNABLE = ("stages.", "probes.")
FACTORS = (0.25, 0.5, 2.0, 4.0, 8.0)
"""`around` tries each setting at so many times its present value."""

_BAND_ALARM = ("on_delay", "critical_on_delay", "off_delay", "deadband")
_KEYS_OF = {
    **dict.fromkeys((Condition.HIGH, Condition.HIGH_HIGH, Condition.LOW, Condition.LOW_LOW), _BAND_ALARM),
    Condition.RISING: ("max_rise_per_hour", "rate_window"),
    Condition.FALLING: ("max_fall_per_hour", "rate_window"),
    Condition.HEADING_OUT: ("lead_time", "rate_window"),
    Condition.DISAGREEMENT: ("max_disagreement",),
}
"""What can be scaled about an alarm, by its condition."""


@dataclass(frozen=True, slots=True)
class Space:
    """The values to try for each key, by its path, and the `present` value of each, which is none of them.

    `unproven` says what may not be tried, since it would guard a critical limit less without evidence.
    """

    values: Mapping[str, tuple[float, ...]]
    present: Mapping[str, float | None]
    unproven: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Return how many choices there are; to change nothing is one."""
        return prod(len(values) + 1 for values in self.values.values())

    def __iter__(self) -> Iterator[Choice]:
        for picked in product(*((None, *values) for values in self.values.values())):
            pairs = zip(self.values, picked, strict=True)
            yield tuple(sorted((path, value) for path, value in pairs if value is not None))

    def steps(self) -> list[Choice]:
        """Return what can be changed in one step: one key, or the delays of one quantity alike."""
        single: list[Choice] = [((path, value),) for path, values in self.values.items() for value in values]
        for path, values in self.values.items():
            if path.endswith(".on_delay_s"):
                critical = path.replace(".on_delay_s", ".critical_on_delay_s")
                both = zip(values, self.values.get(critical, ()), strict=False)
                single += [((critical, other), (path, value)) for value, other in both]
        return single


def space_of(
    tries: Sequence[str], around: Sequence[str], settings: Settings, file: Mapping[str, Any]
) -> Space:
    """Read PATH=VALUES and STAGE.QUANTITY arguments; raise TuneError where they are not that."""
    values: dict[str, tuple[float, ...]] = {}
    for text in around:
        values |= _around(text, settings)
    for text in tries:
        path, _, listed = text.partition("=")
        if not path.startswith(TUNABLE) or path.count(".") < 2:
            example = "stages.ephyra.temperature.on_delay_s=60,120,300"
            raise TuneError(f"{text!r}: expected PATH=VALUES, such as {example}")
        values[path] = _values(listed, text)
    return _without_present(values, settings, file)


def space_around(offenders: Mapping[str, int], settings: Settings, file: Mapping[str, Any]) -> Space:
    """Return what can be tried about the alarms that offend, named VESSEL/QUANTITY/CONDITION."""
    values: dict[str, tuple[float, ...]] = {}
    for alarm in offenders:
        vessel, quantity, *_, condition = alarm.split("/")
        if vessel in settings.vessels and condition in _KEYS_OF:
            keys = _KEYS_OF[Condition(condition)]
            values |= _around(f"{settings.vessels[vessel].stage}.{quantity}", settings, keys)
    return _without_present(values, settings, file)


def guarded(space: Space, incidents: Sequence[Incident], settings: Settings) -> Space:
    """Return a space without what would guard a critical limit less where no incidents needed the guard."""
    kept: dict[str, tuple[float, ...]] = {}
    unproven: list[str] = []
    for path, values in space.values.items():
        _, stage, *quantity, key = path.split(".")
        vessels = [name for name, vessel in settings.vessels.items() if vessel.stage == stage]
        present = space.present[path]
        weaker = {value for value in values if is_weaker(key, present, value)}
        if weaker and not exercised(incidents, "".join(quantity), vessels):
            unproven.append(f"{path} = {', '.join(f'{value:g}' for value in sorted(weaker))}")
        else:
            weaker = set()
        kept[path] = tuple(value for value in values if value not in weaker)
    return Space({path: its for path, its in kept.items() if its}, space.present, tuple(unproven))


def with_choice(tables: Mapping[str, Any], choice: Choice) -> dict[str, Any]:
    """Return the settings file's tables with the values of a choice in them."""
    changed = copy.deepcopy(dict(tables))
    for path, value in choice:
        *levels, key = path.split(".")
        table = changed
        for level in levels:
            table = table.setdefault(level, {})
            if not isinstance(table, dict):
                raise TuneError(f"{path}: {level} is no table in the settings file")
        table[key] = value
    return changed


def settings_with(tables: Mapping[str, Any], choice: Choice) -> Settings | list[Finding]:
    """Return the settings under a choice, or what is wrong with them."""
    changed = with_choice(tables, choice)
    errors = [finding for finding in findings_in(changed) if not finding.is_warning]
    return errors or Settings.model_validate(changed)


def _values(listed: str, text: str) -> tuple[float, ...]:
    """Read 60,120,300 or FROM:TO:STEP."""
    try:
        if ":" in listed:
            first, last, step = map(number, listed.split(":"))
            count = int((last - first) / step + 1e-9) + 1
            numbers = [round(first + k * step, 9) for k in range(count)]
        else:
            numbers = [number(each) for each in listed.split(",")]
    except (ValueError, ZeroDivisionError):
        numbers = []
    if not numbers:
        raise TuneError(f"{text!r}: expected numbers, as 60,120,300 or FROM:TO:STEP")
    return tuple(sorted(set(numbers)))


def _around(text: str, settings: Settings, only: Sequence[str] = ()) -> dict[str, tuple[float, ...]]:
    """Return delays, deadband, rates, windows of STAGE.QUANTITY (or `only` some), at `FACTORS`."""
    stage, _, name = text.rpartition(".")
    stages = settings.stage_names()
    known = stage in stages and name in list(Quantity)
    tolerance = settings.tolerance_of(stage, Quantity(name)) if known else None
    if tolerance is None:
        expected = "expected STAGE.QUANTITY with limits, such as ephyra.temperature"
        raise TuneError(f"{text!r}: {expected}; stages are {', '.join(stages)}")
    return {
        f"stages.{stage}.{name}.{key}": tuple(round(factor * value, 6) for factor in FACTORS)
        for field, (key, value) in _scalable(tolerance, Quantity(name)).items()
        if value and (not only or field in only)
    }


def _scalable(tolerance: Tolerance, quantity: Quantity) -> dict[str, tuple[str, float | None]]:
    """Return the settings of a tolerance that can be scaled: key in the file and value, by their name."""
    limits = ("max_rise_per_hour", "max_fall_per_hour", "deadband", "max_disagreement")
    times = ("rate_window", "on_delay", "critical_on_delay", "off_delay", "lead_time", "unwatched_after")
    found = {name: (key_of(name, quantity), getattr(tolerance, name)) for name in limits}
    seconds = {name: getattr(tolerance, f"{name}_ms") / 1000 for name in times}
    return found | {name: (key_of(f"{name}_s", quantity), value) for name, value in seconds.items()}


def _without_present(
    values: Mapping[str, tuple[float, ...]], settings: Settings, file: Mapping[str, Any]
) -> Space:
    present = {path: _present(path, settings, file) for path in values}
    tried = {path: tuple(value for value in its if value != present[path]) for path, its in values.items()}
    return Space({path: its for path, its in tried.items() if its}, present)


def _present(path: str, settings: Settings, file: Mapping[str, Any]) -> float | None:
    """Return the value that a key has now, in the file or built in; None where that is not a number."""
    found: Any = file
    section, *levels = path.split(".")
    for level in (section, *levels):
        found = found.get(level) if isinstance(found, Mapping) else None
    if isinstance(found, int | float):
        return float(found)
    stage, name, key = levels if section == "stages" and len(levels) == 3 else ("", "", "")
    if stage not in settings.stage_names() or name not in list(Quantity):
        return None
    tolerance = settings.tolerance_of(stage, quantity := Quantity(name))
    if tolerance is None:
        return None
    edges = {"critical": tolerance.critical, "advisory": tolerance.advisory}
    known = dict(_scalable(tolerance, quantity).values())
    for band, its in edges.items():
        known |= {key_of(f"{band}_{side}", quantity): getattr(its, side) for side in ("low", "high")}
    return known.get(key)
