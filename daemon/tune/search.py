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
from daemon.settings.rack import Settings
from daemon.sources.store import Store
from daemon.tune.space import Choice, Space, settings_with
from rules.alarms.event import AlarmEvent
from rules.rack.plan import RackPlan
from rules.tuning.scoring import Incident, score
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
        pool = ProcessPoolExecutor(
            workers or os.cpu_count() or 1, get_context("spawn"), _begin, (self.store,)
        )
        try:
            return all(
                self._try(pool, batch, stopped, progress) for batch in self._batches(space, budget, seed)
            )
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
        yield _sample(space, budget // 2, draw)
        while (left := budget - len(self.trials) - len(self.unfit) + 1) > 0:
            best = [choice_of(trial) for trial in front(self.ranked())]
            near = {near for choice in best if choice for near in space.neighbours(choice)}
            new = sorted(near - self.trials.keys() - self.unfit.keys())
            if not new:
                new = [each for each in _sample(space, left, draw) if each not in self._tried()]
            if not new:
                return
            draw.shuffle(new)
            yield new[:left]

    def _tried(self) -> set[Choice]:
        return {*self.trials, *self.unfit}

    def _try(
        self,
        pool: ProcessPoolExecutor,
        choices: Iterable[Choice],
        stopped: Callable[[], bool],
        progress: Callable[[int], None],
    ) -> bool:
        waiting: dict[Future[list[AlarmEvent]], tuple[Choice, Settings]] = {}
        for choice in choices:
            settings = settings_with(self.tables, choice)
            if isinstance(settings, list):
                self.unfit[choice] = str(settings[0])
            else:
                waiting[pool.submit(_events, self._plan(settings))] = (choice, settings)
        while waiting:
            done, _ = wait(waiting, timeout=0.2, return_when=FIRST_COMPLETED)
            for future in done:
                choice, _settings = waiting.pop(future)
                self.trials[choice] = self._trial(choice, future.result())
                progress(len(self.trials))
            if stopped():
                return False
        return True

    def _plan(self, settings: Settings) -> RackPlan:
        return rack_plan(settings, self.store.recording().numbering())

    def _trial(self, choice: Choice, events: list[AlarmEvent]) -> Trial:
        watched = list(self.store.watched)
        return Trial(
            choice,
            len(choice),
            score(events, self.incidents, watched, self.zone),
            tuple(
                score(events, self.incidents, part, self.zone) for part in parts_of(watched, self.incidents)
            ),
        )


def choice_of(trial: Trial) -> Choice:
    """Return the choice of a trial."""
    choice: Choice = trial.choice  # type: ignore[assignment]  # this search makes no other trials
    return choice


def _sample(space: Space, count: int, draw: random.Random) -> list[Choice]:
    picked = {
        tuple((path, draw.choice(values)) for path, values in space.values.items()) for _ in range(count)
    }
    return sorted(picked)


_STORE: list[Store] = []
"""The recording of a worker process, handed over once when it starts."""


def _begin(store: Store) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _STORE[:] = [store]


def _events(plan: RackPlan) -> list[AlarmEvent]:
    """Return the alarm events of the worker's recording under a plan, nobody having responded to any."""
    return replay(_STORE[0].recording(), [plan], responses=False)[0].events
