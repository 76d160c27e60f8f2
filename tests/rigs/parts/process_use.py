"""What a process holds, as the kernel counts it."""

import re
from pathlib import Path
from typing import NamedTuple


class Use(NamedTuple):
    """`memory_mb` counts what is shared with others by its share, `own_mb` only what is in no file."""

    memory_mb: float
    own_mb: float
    threads: int
    handles: int


def use_of(pid="self"):
    """Return what a process holds now."""
    here = Path(f"/proc/{pid}")
    rollup = (here / "smaps_rollup").read_text()
    memory, own = (
        int(re.search(rf"^{of}: +(\d+) kB", rollup, re.M)[1]) / 1024 for of in ("Pss", "Anonymous")
    )
    threads, handles = (sum(1 for _ in (here / of).iterdir()) for of in ("task", "fd"))
    return Use(memory, own, threads, handles)
