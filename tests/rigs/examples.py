"""How many examples a property is tried with."""

import os

QUICK = os.environ.get("BELLWATCH_TESTS") == "quick"
"""Whether this run is one of hundreds, as those of `tests.rigs.mutate`: few examples, always the same."""


def examples(count: int) -> int:
    """Return a count of examples, or a tenth of it where the run is to be quick."""
    return max(count // 10, 5) if QUICK else count
