"""How many examples a property is tried with."""

import os

FOR = os.environ.get("BELLWATCH_TESTS", "patient")
"""What this run is for. quick: one of hundreds, as those of `tests.rigs.mutate`; thorough: a long proof."""

_FACTORS = {"quick": 0.1, "patient": 1.0, "thorough": 10.0}


def examples(count: int) -> int:
    """Return a count of examples, scaled by what this run is for."""
    return max(round(count * _FACTORS[FOR]), 5)
