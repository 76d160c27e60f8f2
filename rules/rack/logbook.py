"""The kinds of entry of a vessel's logbook: what each counts or measures, in which unit, within what.

The ranges keep out slips of the pen (project judgement); a new kind is one row.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import fmean, stdev
from typing import Any

from rules.errors import InputError

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class EntryKind:
    """The unit of its value, the range of that, and ranges of stages where these differ.

    `summed` says that several entries add up; of the others the newest tells how it is. `in_words` needs no
    value. `beside` are keys of what else such an entry may say.
    """

    unit: str
    within: Range
    whole: bool = False
    summed: bool = False
    in_words: bool = False
    of_stage: Mapping[str, Range] = field(default_factory=dict)
    beside: tuple[str, ...] = ()


ACCEPTANCE = "acceptance"
"""What was seen when the rack was walked through, step by step."""

WATER = ("ph", "scale", "temperature_c", "salinity")
"""What is measured beside ammonia, of which its share follows."""
ENTRY_KINDS: Mapping[str, EntryKind] = {
    "note": EntryKind("", (-1e12, 1e12), in_words=True),
    "count": EntryKind("animals", (0, 1e7), whole=True),
    "bell_diameter": EntryKind("mm", (0, 500), of_stage={"ephyra": (0, 40), "juvenile": (0, 150)}),
    "wet_weight": EntryKind(
        "mg",
        (0.01, 1e7),
        of_stage={"ephyra": (0.01, 5e3), "juvenile": (0.01, 5e5)},
        beside=("diameters_mm",),
    ),
    "feed": EntryKind("mL", (0, 1e5), summed=True),
    "water_change": EntryKind("L", (0, 1e5), summed=True),
    ACCEPTANCE: EntryKind("", (-1e12, 1e12), in_words=True),
    "deaths": EntryKind("animals", (0, 1e7), whole=True, summed=True),
    "pulse_rate": EntryKind("per min", (0, 150), of_stage={"adult": (0, 80)}),
    "stomachs": EntryKind("stomachs", (0, 12), whole=True),
    "deformed": EntryKind("%", (0, 100)),
    "gut_full": EntryKind("%", (0, 100)),
    "with_bubbles": EntryKind("animals", (0, 1e7), whole=True),
    "food_density": EntryKind("prey/L", (0, 1e5)),
    "uneaten": EntryKind("%", (0, 100)),
    "ph": EntryKind("", (5, 10), beside=WATER[1:]),
    "ammonia": EntryKind("mg N/L", (0, 300), beside=WATER),
    "nitrite": EntryKind("mg N/L", (0, 100)),
    "nitrate": EntryKind("mg N/L", (0, 500)),
    "cleaning": EntryKind("", (-1e12, 1e12), in_words=True),
    "treatment": EntryKind("", (-1e12, 1e12), in_words=True),
}
"""Every kind by its name."""


def sample_of(values: Sequence[float]) -> dict[str, Any]:
    """Return what an entry says of values: itself where it is one, of several mean, sd and range too."""
    if len(values) < 2:
        return {"value": values[0]} if values else {}
    its = {"value": fmean(values), "n": len(values), "low": min(values), "high": max(values)}
    return {**its, "sd": stdev(values), "values": list(values)}


def is_withdrawn(body: Mapping[str, Any]) -> bool:
    """Return whether an entry says of the one that it corrects that it never was."""
    return body.get("withdrawn") is True and "corrects" in body


def range_of(kind: str, stage: str) -> Range:
    """Return between what a value of a kind lies in a stage."""
    its = ENTRY_KINDS[kind]
    return its.of_stage.get(stage, its.within)


def check_sample(value: float, n: float, low: float, high: float) -> None:
    """Raise InputError where `value` is no mean of `n` animals between `low` and `high` (NaN: not given)."""
    if n < 1 or n != round(n):
        raise InputError(f"n: found {n:g}; expected how many were measured, a whole number from 1")
    if low > value or high < value:
        raise InputError(f"value: found {value:g}; a mean lies within its range, {low:g} to {high:g}")


def check_entry(kind: str, value: float, stage: str) -> None:
    """Raise InputError, in a line for who wrote it, where a value is none of its kind in that stage."""
    its, (low, high) = ENTRY_KINDS[kind], range_of(kind, stage)
    if not low <= value <= high or (its.whole and value != round(value)):
        what = "a whole number" if its.whole else "a number"
        within = f"from {low:g} to {high:g} {its.unit}".rstrip()
        raise InputError(f"value: found {value:g}; {kind} in {stage} is {what} {within}")
