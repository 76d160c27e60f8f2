"""Replay: a recording through the very same engine that watches live.

Under the plans of the time it gives the very events that the daemon raised; under another plan,
those that it would have raised.
"""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daemon.fold import CONFIGURE, fold
from daemon.sources import Recording
from rules.engine import Engine
from rules.plan import RackPlan
from rules.readings import Action, AlarmEvent, Outcome, Readings

RESPONSES = frozenset({"acknowledge", "shelve", "unshelve"})
"""What people did because of an alarm; under other settings the same alarm may not have been there."""

_FLAG_NUMBERS = 10

Observer = Callable[[Engine, Outcome], None]


@dataclass(slots=True)
class Replayed:
    """What came of a replay; `until_ms` is the time up to which it went, `complete` whether that is all.

    `flags` counts each channel's readings by QARTOD flag (shape 10), `passed_over` the readings of
    sources that the plan does not have, `refused` what people did that had nothing to act on.
    """

    start_ms: int
    until_ms: int
    complete: bool = False
    readings: int = 0
    events: list[AlarmEvent] = field(default_factory=list)
    flags: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    passed_over: Counter[int] = field(default_factory=Counter)
    refused: list[str] = field(default_factory=list)


def replay(
    recording: Recording,
    plan: RackPlan | None,
    *,
    responses: bool = True,
    stopped: Callable[[], bool] = lambda: False,
    observe: Observer = lambda _engine, _outcome: None,
    progress: Callable[[int, int], None] = lambda _readings, _until_ms: None,
) -> Replayed:
    """Judge a recording under `plan`, or under the plans of the time where it is None.

    `responses` says whether acknowledging and shelving happen again as they did. `stopped` is asked
    between blocks; what has been judged until then is a valid result, marked as not complete.
    `observe` sees the engine and the outcome of each block; `progress` is told readings and time.
    """
    engine = None if plan is None else Engine(plan, recording.start_ms)
    result = Replayed(recording.start_ms, recording.start_ms)
    tally = FlagTally(result.flags)
    for item in recording.inputs():
        if stopped():
            return result
        if _left_out(item, plan, responses):
            continue
        engine, outcome = fold(engine, item)
        _take(result, engine, item, outcome)
        tally.add(outcome)
        observe(engine, outcome)
        progress(result.readings, result.until_ms)
    if engine is not None:
        outcome = engine.advance(max(recording.end_ms, engine.clock_ms))
        result.events += outcome.events
        observe(engine, outcome)
        result.until_ms = engine.clock_ms
    result.complete = True
    return result


def _left_out(item: Readings | Action, plan: RackPlan | None, responses: bool) -> bool:
    if isinstance(item, Readings):
        return False
    return (plan is not None and item.kind == CONFIGURE) or (not responses and item.kind in RESPONSES)


def _take(result: Replayed, engine: Engine, item: Readings | Action, outcome: Outcome) -> None:
    result.events += outcome.events
    result.until_ms = engine.clock_ms
    if isinstance(item, Readings):
        result.readings += len(item)
        counts = np.bincount(item.source)
        planned = {source.id for source in engine.plan.sources}
        for source in set(np.flatnonzero(counts).tolist()) - planned:
            result.passed_over[source] += int(counts[source])
    elif outcome.refusal:
        result.refused.append(outcome.refusal)


class FlagTally:
    """Counts flags by channel into `counts`, late amendments included, whatever the blocks."""

    def __init__(self, counts: dict[str, NDArray[np.int64]]) -> None:
        self._counts = counts
        self._last: dict[str, int] = {}

    def add(self, outcome: Outcome) -> None:
        """Count the flags of one block; an amendment is to the last reading of the block before."""
        for amended in outcome.amendments:
            counts = self._counts[amended.channel]
            counts[self._last[amended.channel]] -= 1
            counts[amended.summary] += 1
        for flags in outcome.flags:
            counts = self._counts.setdefault(flags.channel, np.zeros(_FLAG_NUMBERS, dtype=np.int64))
            counts += np.bincount(flags.summary, minlength=_FLAG_NUMBERS)
            self._last[flags.channel] = int(flags.summary[-1])


def passed_over_text(passed_over: Mapping[int, int], recording: Recording) -> list[str]:
    """Say which readings the settings have no probe for, one line a source."""
    return [
        f"{count} readings of {' '.join(recording.sources[source])}: not in the settings, passed over"
        for source, count in sorted(passed_over.items())
    ]
