"""What a process holds, as the kernel counts it."""

import re
from pathlib import Path
from typing import NamedTuple


class Use(NamedTuple):
    """`memory_mb` counts what is shared with others by its share."""

    memory_mb: float
    threads: int
    handles: int


def use_of(pid="self"):
    """Return what a process holds now."""
    here = Path(f"/proc/{pid}")
    memory_kib = int(re.search(r"^Pss: +(\d+) kB", (here / "smaps_rollup").read_text(), re.M)[1])
    threads, handles = (sum(1 for _ in (here / of).iterdir()) for of in ("task", "fd"))
    return Use(memory_kib / 1024, threads, handles)
