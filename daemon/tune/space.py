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
from rules.quantities import Quantity
from rules.rack.tolerance import Tolerance

Choice = tuple[tuple[str, float], ...]
"""Values by the path of their key, such as stages.ephyra.temperature.on_delay_s."""

TUNABLE = ("stages.", "probes.")
FACTORS = (0.5, 1.0, 2.0)
"""`around` tries each setting at half, once and twice its present value."""


@dataclass(frozen=True, slots=True)
class Space:
    """A grid: the values to try for each key, by the path of the key."""

    values: Mapping[str, tuple[float, ...]]

    @property
    def size(self) -> int:
        """Return how many choices there are."""
        return prod(map(len, self.values.values()))

    def __iter__(self) -> Iterator[Choice]:
        for picked in product(*self.values.values()):
            yield tuple(zip(self.values, picked, strict=True))

    def neighbours(self, choice: Choice) -> Iterator[Choice]:
        """Go through the choices that are one step away in one key."""
        for at, (path, value) in enumerate(choice):
            values = self.values[path]
            place = values.index(value)
            for near in (place - 1, place + 1):
                if 0 <= near < len(values):
                    yield (*choice[:at], (path, values[near]), *choice[at + 1 :])


def space_of(tries: Sequence[str], around: Sequence[str], settings: Settings) -> Space:
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
    if not values:
        raise TuneError("nothing to try: name settings with --try or --around")
    return Space(values)


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


def _around(text: str, settings: Settings) -> dict[str, tuple[float, ...]]:
    """Return delays, deadband, rates and windows of STAGE.QUANTITY, each at `FACTORS` of its value."""
    stage, _, name = text.rpartition(".")
    stages = settings.stage_names()
    known = stage in stages and name in list(Quantity)
    tolerance = settings.tolerance_of(stage, Quantity(name)) if known else None
    if tolerance is None:
        expected = "expected STAGE.QUANTITY with limits, such as ephyra.temperature"
        raise TuneError(f"{text!r}: {expected}; stages are {', '.join(stages)}")
    return {
        f"stages.{stage}.{name}.{key}": tuple(round(factor * value, 6) for factor in FACTORS)
        for key, value in _scalable(tolerance, Quantity(name)).items()
    }


def _scalable(tolerance: Tolerance, quantity: Quantity) -> dict[str, float]:
    """Return the settings of a tolerance that can be scaled, by their key in the file."""
    limits = ("max_rise_per_hour", "max_fall_per_hour", "deadband")
    times = ("rate_window", "on_delay", "critical_on_delay", "off_delay", "lead_time")
    found = {key_of(name, quantity): getattr(tolerance, name) for name in limits}
    found |= {key_of(f"{name}_s", quantity): getattr(tolerance, f"{name}_ms") / 1000 for name in times}
    return {key: float(value) for key, value in found.items() if value}
