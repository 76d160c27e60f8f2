"""Replay: a recording through the very same engine that watches live.

Under the plans of the time it gives the very events that the daemon raised; under another plan,
those that it would have raised.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daemon.journal.fold import fold
from daemon.journal.inputs import CONFIGURE, UNREADABLE_PLAN, judged_by
from daemon.settings.plan import rack_plan
from daemon.settings.rack import Settings
from daemon.sources.recording import Recording
from rules.alarms.event import AlarmEvent
from rules.common_water import CommonWater
from rules.engine import Engine
from rules.judging.watched import DangerNow
from rules.rack.plan import RackPlan
from rules.readings import FLAG_NUMBERS, Action, ChannelFlags, Outcome, Readings, by_day

RESPONSES = frozenset({"acknowledge", "shelve", "unshelve", "reset"})
"""What people did because of an alarm; under other settings the same alarm may not have been there."""

Observer = Callable[[Engine, Outcome], None]


@dataclass(slots=True)
class Replayed:
    """What came of a replay; `until_ms` is the time up to which it went, `complete` whether that is all.

    `flags` counts each channel's readings by QARTOD flag (shape 10), `passed_over` the readings of
    sources that the plan does not have, `refused` what people did that had nothing to act on,
    `dangers` is what is known of each danger at the end,
    `judged_by` when which version of the rules took over at the time (None: before they were counted).
    """

    start_ms: int
    until_ms: int
    complete: bool = False
    readings: int = 0
    events: list[AlarmEvent] = field(default_factory=list)
    flags: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    passed_over: Counter[int] = field(default_factory=Counter)
    refused: list[str] = field(default_factory=list)
    dangers: list[DangerNow] = field(default_factory=list)
    judged_by: list[tuple[int, int | None]] = field(default_factory=list)


class Judging:
    """One engine on its way through a recording: under `plan`, or the plans of the time where it is None."""

    def __init__(
        self,
        recording: Recording,
        plan: RackPlan | None,
        responses: bool,
        observe: Observer | None,
        common: CommonWater | None = None,
    ) -> None:
        self.result = Replayed(recording.start_ms, recording.start_ms)
        self._engine = None if plan is None else Engine(plan, recording.start_ms, common)
        plans = () if plan is None else (CONFIGURE, UNREADABLE_PLAN)
        self._left_out = {*(() if responses else RESPONSES), *plans}
        self._observe = observe
        self._tally = FlagTally(self.result.flags)

    def take(self, item: Readings | Action) -> None:
        """Judge one more block, or let happen what somebody did."""
        if isinstance(item, Action) and item.kind == CONFIGURE:
            rules, known = judged_by(item), self.result.judged_by
            if not known or known[-1][1] != rules:
                known.append((item.at_ms, rules))
        if isinstance(item, Action) and item.kind in self._left_out:
            return
        if isinstance(item, Readings) and any(it.kind in self._left_out for _, it in item.acts):
            item = replace(item, acts=tuple(it for it in item.acts if it[1].kind not in self._left_out))
        self._engine, outcome = fold(self._engine, item)
        if isinstance(item, Readings):
            self._count(self._engine, item)
        self.result.refused += [*outcome.refused, *filter(None, [outcome.refusal])]
        self._note(self._engine, outcome)

    def finish(self, end_ms: int) -> None:
        """Let time pass to the end of the recording."""
        if self._engine is not None:
            self._note(self._engine, self._engine.advance(max(end_ms, self._engine.clock_ms)))
            self.result.dangers = self._engine.dangers()
        self.result.complete = True

    def _note(self, engine: Engine, outcome: Outcome) -> None:
        self.result.events += outcome.events
        self.result.until_ms = engine.clock_ms
        self._tally.add(outcome)
        if self._observe is not None:
            self._observe(engine, outcome)

    def _count(self, engine: Engine, readings: Readings) -> None:
        self.result.readings += len(readings)
        for source in readings.counts.keys() - engine.plan.source_ids():
            self.result.passed_over[source] += readings.counts[source]


def replay(
    recording: Recording,
    plans: Sequence[RackPlan | None],
    *,
    responses: bool = True,
    stopped: Callable[[], bool] = lambda: False,
    observers: Sequence[Observer | None] | None = None,
    progress: Callable[[int], None] = lambda _readings: None,
) -> list[Replayed]:
    """Judge a recording under each of `plans` in one go through it; None stands for the plans of the time.

    `responses` says whether acknowledging and shelving happen again as they did. `stopped` is asked
    between blocks; what has been judged until then is a valid result, the same stretch for every
    plan, marked as not complete. An observer sees the engine and the outcome of each block;
    `progress` is told the number of readings judged.
    """
    watching = observers or [None] * len(plans)
    pairs = zip(plans, watching, strict=True)
    common = CommonWater() if len(plans) > 1 else None
    runs = [Judging(recording, plan, responses, observe, common) for plan, observe in pairs]
    for item in recording.inputs():
        if stopped():
            return [run.result for run in runs]
        for part in [item] if common is None or isinstance(item, Action) else by_day(item):
            for run in runs:
                run.take(part)
            if common is not None:
                common.forget()
        progress(runs[0].result.readings)
    for run in runs:
        run.finish(recording.end_ms)
    return [run.result for run in runs]


def plans_of(settings: Iterable[Settings], recording: Recording) -> list[RackPlan | None]:
    """Return the plan of each of the settings; that of the time, None, where there are none."""
    number = recording.numbering()
    return [rack_plan(each, number) for each in settings] or [None]


class FlagTally:
    """Counts flags by channel into `counts`, late amendments included, whatever the blocks."""

    def __init__(self, counts: dict[str, NDArray[np.int64]]) -> None:
        self._counts = counts
        self._last: dict[str, ChannelFlags] = {}

    def add(self, outcome: Outcome) -> None:
        """Count the flags of one outcome; an amendment is to the reading before a block, in it or not."""
        late = {(amended.channel, amended.seq): amended for amended in outcome.amendments}
        for flags in outcome.flags:
            if (counts := self._counts.get(flags.channel)) is None:
                counts = self._counts[flags.channel] = np.zeros(FLAG_NUMBERS, dtype=np.int64)
            before = self._last.get(flags.channel) if late else None
            if before and (amended := late.get((flags.channel, int(before.seq[-1])))):
                counts[before.summary[-1]] -= 1
                counts[amended.summary] += 1
            counts += flags.counts
            self._last[flags.channel] = flags
