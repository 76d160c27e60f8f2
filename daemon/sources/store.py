"""A recording loaded once and shared: its columns as files that many processes map into memory."""

from collections.abc import Container, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from daemon.sources.recording import Recording, SourceKey, in_blocks, in_order, one_by_one
from rules.readings import Action, Readings

_COLUMNS = {"seq": np.int64, "at_ms": np.int64, "source": np.int64, "time_ms": np.int64, "value": np.float64}
UNWATCHED_AFTER_MS = 3_600_000
"""A time without any reading for more than an hour was not watched (project judgement)."""


@dataclass(frozen=True, slots=True)
class Store:
    """Where the columns are, and which number each action stands before. It can be sent to a process."""

    folder: Path
    name: str
    sources: dict[int, SourceKey]
    start_ms: int
    end_ms: int
    readings: int
    actions: tuple[tuple[int, Action], ...]
    watched: tuple[tuple[int, int], ...]

    def recording(self, without: Container[str] = ()) -> Recording:
        """Return the recording again, kinds of action left out that would cut blocks and count for nothing.

        Its blocks are views of the mapped files, not copies.
        """
        its = self.name, self.sources, self.readings, self.start_ms, self.end_ms
        return Recording(*its, partial(self._inputs, without), {})

    def _inputs(self, without: Container[str]) -> Iterator[Readings | Action]:
        seq, at_ms, source, time_ms, value = (
            np.memmap(self.folder / name, dtype=kind, mode="r", shape=(self.readings,)).view(np.ndarray)
            for name, kind in _COLUMNS.items()
        )
        actions = ((seq, action) for seq, action in self.actions if action.kind not in without)
        yield from in_order(in_blocks(Readings(seq, at_ms, source, time_ms, value)), actions)


def stored(recording: Recording, folder: Path) -> Store:
    """Load a recording into `folder` (40 bytes a reading), block by block; it must hold some reading."""
    count, next_seq = 0, 0
    actions: list[tuple[int, Action]] = []
    watched = Watched()
    with ExitStack() as stack:
        files = {name: stack.enter_context((folder / name).open("wb")) for name in _COLUMNS}
        for item in one_by_one(recording.inputs()):
            if isinstance(item, Action):
                actions.append((next_seq, item))
                continue
            count, next_seq = count + len(item), int(item.seq[-1]) + 1
            watched.add(item)
            for name, file in files.items():
                file.write(getattr(item, name).tobytes())
    sources, span = dict(recording.sources), (recording.start_ms, recording.end_ms)
    return Store(folder, recording.name, sources, *span, count, tuple(actions), tuple(watched.stretches))


class Watched:
    """Gathers the stretches (from, to) in which readings came, block by block."""

    def __init__(self) -> None:
        self.stretches: list[tuple[int, int]] = []

    def add(self, readings: Readings) -> None:
        """Take a block in, which may go on with the last stretch."""
        watched = self.stretches
        before = watched[-1][1] if watched else int(readings.at_ms[0])
        at_ms = np.concatenate([[before], readings.at_ms])
        gaps = np.flatnonzero(np.diff(at_ms) > UNWATCHED_AFTER_MS)
        starts = [at_ms[0] if not watched else watched.pop()[0], *at_ms[gaps + 1]]
        stops = [*at_ms[gaps], at_ms[-1]]
        watched += [(int(start), int(stop)) for start, stop in zip(starts, stops, strict=True)]
