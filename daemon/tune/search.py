"""Trying settings: choices replay the whole recording, some in each pass, in processes here or elsewhere."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any

import numpy as np

from daemon.journal.fold import REDATE, WAITED
from daemon.journal.inputs import CONFIGURE
from daemon.replay.replay import RESPONSES, replay
from daemon.settings.plan import rack_plan
from daemon.sources.store import Store
from daemon.tune.space import Choice, Space, settings_with
from rules.alarms.event import AlarmEvent
from rules.rack.plan import RackPlan
from rules.tuning.incident import Incident
from rules.tuning.protection import protects_as_well
from rules.tuning.scoring import Timely, score
from rules.tuning.trade_off import Draws, Recommendation, Trial, choose, rank, recommend, worth_keeping

PRESENT: Choice = ()
"""The choice that changes nothing."""

AT_ONCE = 40
"""So many choices are tried between two looks at which are the best."""

TOGETHER = 10
"""So many choices share a pass through the recording: the first costs a replay, each other about a tenth."""

LED_BY = 3
"""New choices go on from so many of the best."""

DRAWS = 2000
"""Nights are drawn so often for an interval."""


NOT_TRIED = RESPONSES | {CONFIGURE, REDATE, WAITED}
"""Actions that a trial does without: answers to alarms, other plans, and what changes no judgement."""


@dataclass(slots=True)
class Search:
    """Trials of choices over one store; `unfit` are the choices that `bellwatch check` would refuse."""

    store: Store
    tables: Mapping[str, Any]
    incidents: Sequence[Incident]
    zone: tzinfo
    timely: Timely
    trials: dict[Choice, Trial] = field(default_factory=dict)
    unfit: dict[Choice, str] = field(default_factory=dict)

    def run(
        self,
        space: Space,
        budget: int,
        pool: Executor,
        *,
        stopped: Callable[[], bool] = lambda: False,
        progress: Callable[[int], None] = lambda _done: None,
    ) -> bool:
        """Try the present settings and up to `budget` choices; return whether it was not stopped before.

        What the best could do without is tried beside the budget. `pool` is where the trials run.
        """
        return all(self._try(pool, batch, stopped, progress) for batch in self._batches(space, budget))

    def ranked(self) -> list[Trial]:
        """Return the trials in an order that does not depend on which process was quicker."""
        return [self.trials[choice] for choice in sorted(self.trials)]

    def fit(self) -> list[Trial]:
        """Return the trials that call for no incident too late that is called for in time at present."""
        found, leaves_ms = self.trials[PRESENT].score.found, self.timely.before_harm_ms
        return [it for it in self.ranked() if protects_as_well(it.score.found, found, leaves_ms)]

    def recommendation(self) -> Recommendation:
        """Return what to choose; the nights drawn for it are the same each time."""
        nights = len(self.trials[PRESENT].score.nights)
        draws: Draws = np.random.default_rng(1).integers(0, nights, (DRAWS, nights))
        return recommend(self.fit(), self.trials[PRESENT], self.timely, draws, self.reduced)

    def reduced(self, whole: Trial) -> Trial:
        """Return a trial without the keys that bring nothing, as far as that has been tried."""
        trial, present = whole, self.trials[PRESENT].score
        fit = {choice_of(each): each for each in self.fit()}

        while True:
            fewer = [fit[choice] for choice in less_one_key(choice_of(trial)) if choice in fit]
            idle = [it for it in fewer if not worth_keeping(it.score, whole.score, present, self.timely)]
            if not idle:
                return trial
            trial = min(idle, key=lambda each: rank(each.score, self.timely))

    def _batches(self, space: Space, budget: int) -> Iterator[list[Choice]]:
        """Give every choice where that fits the budget; else single steps, then steps on from the best."""
        yield self._new([PRESENT])
        if space.size <= budget + 1:
            yield self._new(space)
        else:
            yield self._new(space.steps())[:budget]
            while (left := budget + 1 - len(self.trials) - len(self.unfit)) > 0:
                before = self._best_ranks()
                new = self._new(self._steps_on(space))[: min(left, AT_ONCE)]
                if not new:
                    break
                yield new
                if self._best_ranks() == before:
                    break
        while new := self._new(less_one_key(choice_of(self.reduced(choose(self.fit(), self.timely))))):
            yield new

    def _new(self, choices: Iterable[Choice]) -> list[Choice]:
        return [it for it in dict.fromkeys(choices) if it not in self.trials and it not in self.unfit]

    def _best_ranks(self) -> list[tuple[float, ...]]:
        return sorted(rank(trial.score, self.timely) for trial in self.fit())[:LED_BY]

    def _steps_on(self, space: Space) -> Iterator[Choice]:
        """Go from the best trials on by one step each, the steps first that did best by themselves."""
        steps = [self.trials[step] for step in space.steps() if step in self.trials]
        steps.sort(key=lambda step: rank(step.score, self.timely))
        best = sorted(self.fit(), key=lambda trial: (*rank(trial.score, self.timely), trial.changes))
        for step in steps:
            for trial in best[:LED_BY]:
                yield tuple(sorted({**dict(choice_of(trial)), **dict(choice_of(step))}.items()))

    def _try(
        self,
        pool: Executor,
        choices: Iterable[Choice],
        stopped: Callable[[], bool],
        progress: Callable[[int], None],
    ) -> bool:
        plans: dict[Choice, RackPlan] = {}
        for choice in choices:
            settings = settings_with(self.tables, choice)
            if isinstance(settings, list):
                self.unfit[choice] = str(settings[0])
            else:
                plans[choice] = rack_plan(settings, self.store.recording().numbering())
        waiting: dict[Future[list[list[AlarmEvent]]], list[Choice]] = {}
        for first in range(0, len(plans), TOGETHER):
            its = list(plans)[first : first + TOGETHER]
            waiting[pool.submit(events_under, self.store, [plans[choice] for choice in its])] = its
        while waiting:
            done, _ = wait(waiting, timeout=0.2, return_when=FIRST_COMPLETED)
            for future in done:
                for choice, events in zip(waiting.pop(future), future.result(), strict=True):
                    found = score(events, self.incidents, self.store.watched, self.zone)
                    self.trials[choice] = Trial(choice, len(choice), found)
                progress(len(self.trials))
            if stopped():
                for future in waiting:
                    future.cancel()
                return False
        return True


def choice_of(trial: Trial) -> Choice:
    """Return the choice of a trial."""
    choice: Choice = trial.choice  # type: ignore[assignment]  # this search makes no other trials
    return choice


def less_one_key(choice: Choice) -> list[Choice]:
    """Return the choices that leave one key of a choice as it is."""
    return [choice[:at] + choice[at + 1 :] for at in range(len(choice))]


def events_under(store: Store, plans: Sequence[RackPlan]) -> list[list[AlarmEvent]]:
    """Return the alarm events of a recording under each of some plans, nobody having responded to any."""
    recording = store.recording(without=NOT_TRIED)
    return [its.events for its in replay(recording, plans, responses=False)]
