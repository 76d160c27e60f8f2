"""Trying settings: every choice replays the whole recording, in as many processes as there are cores."""

import os
import random
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from datetime import tzinfo
from multiprocessing import get_context
from typing import Any

from daemon.replay.replay import replay
from daemon.settings.plan import rack_plan
from daemon.sources.store import Store
from daemon.tune.space import Choice, Space, settings_with
from rules.alarms.event import AlarmEvent
from rules.rack.plan import RackPlan
from rules.tuning.incident import Incident
from rules.tuning.scoring import score
from rules.tuning.trade_off import Trial, front, parts_of

PRESENT: Choice = ()
"""The choice that changes nothing."""


@dataclass(slots=True)
class Search:
    """Trials of choices over one store; `unfit` are the choices that `bellwatch check` would refuse."""

    store: Store
    tables: Mapping[str, Any]
    incidents: Sequence[Incident]
    zone: tzinfo
    trials: dict[Choice, Trial] = field(default_factory=dict)
    unfit: dict[Choice, str] = field(default_factory=dict)

    def run(
        self,
        space: Space,
        budget: int,
        *,
        stopped: Callable[[], bool] = lambda: False,
        progress: Callable[[int], None] = lambda _done: None,
        workers: int | None = None,
        seed: int = 1,
    ) -> bool:
        """Try the present settings and up to `budget` choices; return whether it was not stopped before."""
        processes = workers or os.cpu_count() or 1
        pool = ProcessPoolExecutor(processes, get_context("spawn"), _begin, (self.store,))
        batches = self._batches(space, budget, seed)
        try:
            return all(self._try(pool, batch, stopped, progress) for batch in batches)
        finally:
            pool.shutdown(cancel_futures=True)

    def ranked(self) -> list[Trial]:
        """Return the trials in an order that does not depend on which process was quicker."""
        return [self.trials[choice] for choice in sorted(self.trials)]

    def _batches(self, space: Space, budget: int, seed: int) -> Iterator[list[Choice]]:
        """Give the whole grid where it fits the budget; else a sample, then steps away from the front."""
        yield [PRESENT]
        if space.size <= budget:
            yield list(space)
            return
        draw = random.Random(seed)
        yield sorted(_sample(space, budget // 2, draw))
        while (left := budget - len(self.trials) - len(self.unfit) + 1) > 0:
            best = [choice_of(trial) for trial in front(self.ranked())]
            near = {near for choice in best if choice for near in space.neighbours(choice)}
            tried = self.trials.keys() | self.unfit.keys()
            new = sorted(near - tried) or sorted(_sample(space, left, draw) - tried)
            if not new:
                return
            draw.shuffle(new)
            yield new[:left]

    def _try(
        self,
        pool: ProcessPoolExecutor,
        choices: Iterable[Choice],
        stopped: Callable[[], bool],
        progress: Callable[[int], None],
    ) -> bool:
        waiting: dict[Future[list[AlarmEvent]], Choice] = {}
        for choice in choices:
            settings = settings_with(self.tables, choice)
            if isinstance(settings, list):
                self.unfit[choice] = str(settings[0])
            else:
                plan = rack_plan(settings, self.store.recording().numbering())
                waiting[pool.submit(_events, plan)] = choice
        while waiting:
            done, _ = wait(waiting, timeout=0.2, return_when=FIRST_COMPLETED)
            for future in done:
                choice = waiting.pop(future)
                self.trials[choice] = self._trial(choice, future.result())
                progress(len(self.trials))
            if stopped():
                return False
        return True

    def _trial(self, choice: Choice, events: list[AlarmEvent]) -> Trial:
        watched = list(self.store.watched)
        parts = [watched, *parts_of(watched, self.incidents)]
        whole, *by_part = (score(events, self.incidents, part, self.zone) for part in parts)
        return Trial(choice, len(choice), whole, tuple(by_part))


def choice_of(trial: Trial) -> Choice:
    """Return the choice of a trial."""
    choice: Choice = trial.choice  # type: ignore[assignment]  # this search makes no other trials
    return choice


def _sample(space: Space, count: int, draw: random.Random) -> set[Choice]:
    return {tuple((path, draw.choice(values)) for path, values in space.values.items()) for _ in range(count)}


_STORE: list[Store] = []
"""The recording of a worker process, handed over once when it starts."""


def _begin(store: Store) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _STORE[:] = [store]


def _events(plan: RackPlan) -> list[AlarmEvent]:
    """Return the alarm events of the worker's recording under a plan, nobody having responded to any."""
    return replay(_STORE[0].recording(), [plan], responses=False)[0].events
