"""Which changes of a setting protect less, and whether the record shows that they may be made.

Of what guards a critical limit nothing is made weaker by tuning unless the record holds incidents in
which that guard was needed: nights on which nothing happened say nothing about it.
"""

from collections.abc import Iterable

from rules.tuning.incident import Incident
from rules.tuning.scoring import Found

WEAKER_IF_MORE = ("critical_high", "critical_on_delay", "unwatched_after", "silent_after")
WEAKER_IF_LESS = ("critical_low", "lead_time")
"""Beginnings of the keys that guard a critical limit: how far, how late, how long unseen, how early."""

LEAST_EXERCISED = 3
"""So many incidents with a known moment of harm must have needed the guard (project judgement)."""


def is_weaker(key: str, present: float | None, value: float) -> bool:
    """Return whether a value guards a critical limit less than the present one, or may (None: not known)."""
    more = key.startswith(WEAKER_IF_MORE) and (present is None or value > present)
    return more or (key.startswith(WEAKER_IF_LESS) and (present is None or value < present))


def exercised(incidents: Iterable[Incident], quantity: str, vessels: Iterable[str]) -> bool:
    """Return whether incidents with a known harm needed the guards of a quantity in some vessels."""
    there = set(vessels)
    about = [each for each in incidents if each.call_wanted and each.quantity == quantity and each.harm_ms]
    return sum(bool(there & set(each.vessels)) for each in about) >= LEAST_EXERCISED


def protects_as_well(found: Iterable[Found], present: Iterable[Found], before_harm_ms: int) -> bool:
    """Return whether no incident with a known harm that was called in time is now called too late."""
    in_time = {each.incident for each in present if _leaves(each, before_harm_ms)}
    return all(_leaves(each, before_harm_ms) for each in found if each.incident in in_time)


def _leaves(found: Found, before_harm_ms: int) -> bool:
    return found.lead_ms is not None and found.lead_ms >= before_harm_ms
