"""The watch: readings and requests in, one transaction, messages out."""

from collections.abc import Callable, Sequence

import structlog

from daemon.fold import configuring, engine_of
from daemon.intake import Intake
from daemon.journal import Journal, Message, Request
from drivers.readings import Reading
from rules.engine import Engine
from rules.plan import RackPlan
from rules.readings import Action, AlarmEvent, Outcome

log = structlog.get_logger()

SNAPSHOT_EVERY_MS = 300_000


class Watch:
    """Feeds the engine and writes down, together, what came in and what it caused.

    `words` turns an alarm event into the messages that it makes us publish.
    """

    def __init__(
        self, journal: Journal, plan: RackPlan, now_ms: int, words: Callable[[AlarmEvent], list[Message]]
    ) -> None:
        self._journal = journal
        self._words = words
        self._last_number = journal.last_event_number()
        self._engine = self._resume(plan, now_ms)
        self._intake = Intake(
            {(source.probe, source.quantity): source.id for source in plan.sources},
            self._engine.newest_times_ms(),
        )
        self._snapshot_due_ms = self._engine.clock_ms + SNAPSHOT_EVERY_MS

    @property
    def engine(self) -> Engine:
        """Return the engine, for looking only."""
        return self._engine

    @property
    def rejected(self) -> dict[str, int]:
        """Return how many readings were refused at the door, by reason."""
        return dict(self._intake.rejected)

    def _resume(self, plan: RackPlan, now_ms: int) -> Engine:
        """Go on from the journal, under `plan` if it is another than before."""
        engine = engine_of(self._journal)
        at_ms = max(now_ms, self._journal.clock_ms())
        if engine is not None and engine.plan.to_json() == plan.to_json():
            return engine
        with self._journal.transaction():
            change = configuring(plan, at_ms)
            self._journal.append_action(change)
            if engine is None:
                engine = Engine(plan, at_ms)
            else:
                self._record([engine.configure(plan, at_ms)])
            self._journal.keep_snapshot(engine.snapshot())
        return engine

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        """Judge what came in and let time pass up to `now_ms`, all in one transaction."""
        engine, journal = self._engine, self._journal
        rows = self._intake.rows(readings, engine.clock_ms)
        requests = journal.requests()
        if not rows and not requests:
            idle = engine.advance(max(now_ms, engine.clock_ms))
            if idle.events:
                with journal.transaction():
                    self._record([idle])
            return
        with journal.transaction():
            outcomes = [engine.feed(journal.append_readings(rows))] if rows else []
            outcomes += [self._do(request, max(now_ms, engine.clock_ms)) for request in requests]
            outcomes.append(engine.advance(max(now_ms, engine.clock_ms)))
            self._record(outcomes)
            if engine.clock_ms >= self._snapshot_due_ms:
                self._keep_snapshot()

    def stop(self) -> None:
        """Keep the state, so that the next start is quick."""
        with self._journal.transaction():
            self._keep_snapshot()

    def _keep_snapshot(self) -> None:
        self._journal.keep_snapshot(self._engine.snapshot())
        self._snapshot_due_ms = self._engine.clock_ms + SNAPSHOT_EVERY_MS

    def _do(self, request: Request, at_ms: int) -> Outcome:
        action = Action(at_ms, request.kind, request.who, request.body)
        self._journal.append_action(action)
        outcome = self._engine.act(action)
        self._journal.answer(request, at_ms, outcome.refusal)
        log.info(
            "request", what=request.kind, who=request.who, refusal=outcome.refusal or None, **request.body
        )
        return outcome

    def _record(self, outcomes: list[Outcome]) -> None:
        for outcome in outcomes:
            self._drop_known(outcome)
            for event in outcome.events:
                log.warning("alarm", **event.to_json())
            messages = [message for event in outcome.events for message in self._words(event)]
            self._journal.record(outcome, messages)

    def _drop_known(self, outcome: Outcome) -> None:
        """Pass over events that were committed before a restart and come out of the tail again."""
        known = [event for event in outcome.events if event.number <= self._last_number]
        for event in self._journal.differing(known):
            log.error("restart_differs", event=event.to_json())
        outcome.events = outcome.events[len(known) :]
        if outcome.events:
            self._last_number = outcome.events[-1].number
