"""The watch: readings and requests in, one transaction, messages out."""

from collections.abc import Callable, Sequence

import structlog

from daemon.journal.dating import Stretch, keep_stretch
from daemon.journal.fold import REDATE, configuring, resume
from daemon.journal.journal import Journal, Message, NumberedReading, Request, as_readings
from daemon.watch.intake import Intake
from drivers.readings import Reading
from rules.alarms.event import AlarmEvent
from rules.engine import Engine
from rules.plain import to_plain
from rules.rack.plan import RackPlan
from rules.readings import Action, Notice, Outcome

log = structlog.get_logger()

SNAPSHOT_EVERY_MS = 3_600_000
LONG_TAIL = 50_000
"""After so many inputs since the newest snapshot a restart keeps one at once: the next shall be quick."""


class Watch:
    """Feeds the engine and writes down, together, what came in and what it caused.

    `words` turns an alarm event or a notice into the messages that it makes us publish. Readings
    that cause neither are written down within `commit_every_ms`, an alarm at once with all before it.
    """

    def __init__(
        self,
        journal: Journal,
        plan: RackPlan,
        now_ms: int,
        words: Callable[[AlarmEvent | Notice], list[Message]],
        commit_every_ms: int = 0,
    ) -> None:
        self._journal = journal
        self._plan = plan
        self._words = words
        self._commit_every_ms = commit_every_ms
        self._to_judge: list[Reading] = []
        self._judged: list[Reading] = []
        self._intake = Intake({}, {})
        self._go_on_from_the_journal(now_ms, now_ms)

    def _go_on_from_the_journal(self, now_ms: int, passed_ms: int) -> None:
        self._stale = False
        self._rows: list[NumberedReading] = []
        self._outcomes: list[Outcome] = []
        self._journal.number_again()
        self._last_number = self._journal.last_event_number()
        self._engine = self._resume(now_ms, passed_ms)
        self._intake = Intake(
            {(source.probe, source.quantity): source.id for source in self._plan.sources},
            self._engine.newest_times_ms(),
            self._intake.rejected,
        )
        self._snapshot_due_ms = self._engine.clock_ms + SNAPSHOT_EVERY_MS
        self._commit_due_ms = now_ms + self._commit_every_ms

    @property
    def engine(self) -> Engine:
        """Return the engine, for looking only."""
        return self._engine

    @property
    def rejected(self) -> dict[str, int]:
        """Return how many readings were refused at the door, by reason."""
        return dict(self._intake.rejected)

    def _resume(self, now_ms: int, passed_ms: int) -> Engine:
        """Go on from the journal, under our plan if it is another than before.

        Nothing that is still to come was taken in before `passed_ms`, so time has passed up to then.
        """
        engine, steps = resume(self._journal)
        at_ms = max(now_ms, self._journal.clock_ms())
        if engine is not None:
            # An event that time alone caused may be newer than the newest input.
            passed = engine.advance(max(engine.clock_ms, self._journal.clock_ms(), passed_ms))
            steps.events += passed.events
            steps.notices += passed.notices
            same = steps == Outcome() and engine.plan == self._plan
            if same and self._inputs_since_snapshot() < LONG_TAIL:
                return engine
        with self._journal.transaction():
            if engine is None:
                engine = Engine(self._plan, at_ms)
                self._journal.append_action(configuring(self._plan, at_ms))
            elif engine.plan != self._plan:
                self._journal.append_action(configuring(self._plan, at_ms))
                steps.events += engine.configure(self._plan, at_ms).events
            self._record(steps)
            self._journal.keep_snapshot(engine.snapshot())
        return engine

    def _inputs_since_snapshot(self) -> int:
        return self._journal.last_seq() - max((seq for seq, _ in self._journal.snapshots()), default=0)

    def start_over(self) -> None:
        """After the journal could not be written: go on from it, and judge again what was not committed."""
        self._to_judge = [*self._judged, *self._to_judge]
        self._judged = []
        self._stale = True

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        """Judge what came in and let time pass up to `now_ms`; commit what is due."""
        self._to_judge += readings
        self._judge(now_ms)
        requests = self._journal.requests()
        if requests or self._must_commit(now_ms):
            self._commit(requests, now_ms)

    def _judge(self, now_ms: int) -> None:
        if self._stale:
            self._go_on_from_the_journal(now_ms, passed_ms=0)
        engine = self._engine
        rows = self._journal.number(self._intake.rows(self._to_judge, engine.clock_ms, now_ms))
        self._judged += self._to_judge
        self._to_judge = []
        if rows:
            if not self._rows:
                self._commit_due_ms = now_ms + self._commit_every_ms
            self._rows += rows
            self._outcomes.append(engine.feed(as_readings(rows)))
        passed = engine.advance(max(now_ms, engine.clock_ms))
        if passed != Outcome():
            self._outcomes.append(passed)

    def _must_commit(self, now_ms: int) -> bool:
        if any(outcome.events or outcome.notices for outcome in self._outcomes):
            return True
        return bool(self._rows) and now_ms >= self._commit_due_ms

    def _commit(self, requests: Sequence[Request], now_ms: int) -> None:
        """Write everything since the last commit down, together with the answers to `requests`."""
        engine, journal = self._engine, self._journal
        with journal.transaction():
            journal.write(self._rows)
            self._outcomes += [self._do(request, max(now_ms, engine.clock_ms)) for request in requests]
            for outcome in self._outcomes:
                self._record(outcome)
            if engine.clock_ms >= self._snapshot_due_ms:
                self._keep_snapshot()
        self._rows, self._outcomes, self._judged = [], [], []

    def redate(self, stretch: Stretch, now_ms: int) -> None:
        """Note what time it really was since `stretch` began; judgements stay as they are."""
        self._judge(now_ms)
        self._commit([], now_ms)
        body = {
            "from_ms": stretch.from_ms,
            "ahead_ms": stretch.ahead_ms,
            "synchronised": stretch.synchronised,
        }
        with self._journal.transaction():
            self._journal.append_action(Action(self._engine.clock_ms, REDATE, "clock", body))
            keep_stretch(self._journal, stretch)

    def stop(self) -> None:
        """Write everything down and keep the state, so that the next start is quick."""
        self._judge(self._engine.clock_ms)
        self._snapshot_due_ms = self._engine.clock_ms
        self._commit([], self._engine.clock_ms)

    def _keep_snapshot(self) -> None:
        self._journal.keep_snapshot(self._engine.snapshot())
        self._snapshot_due_ms = self._engine.clock_ms + SNAPSHOT_EVERY_MS

    def _do(self, request: Request, at_ms: int) -> Outcome:
        action = Action(at_ms, request.kind, request.who, request.body)
        self._journal.append_action(action)
        outcome = self._engine.act(action)
        self._journal.answer(request, at_ms, outcome.refusal)
        refusal = outcome.refusal or None
        log.info("request", what=request.kind, who=request.who, refusal=refusal, body=request.body)
        return outcome

    def _record(self, outcome: Outcome) -> None:
        self._drop_known(outcome)
        for event in outcome.events:
            log.warning("alarm", **to_plain(event))
        notices = self._journal.keep_notices(outcome.notices)
        for notice in notices:
            log.warning("notice", kind=notice.kind, about=notice.vessel, details=notice.details)
        said: list[AlarmEvent | Notice] = [*outcome.events, *notices]
        self._journal.record(outcome, [message for what in said for message in self._words(what)])

    def _drop_known(self, outcome: Outcome) -> None:
        """Pass over events that were committed before a restart and come out of the tail again."""
        known = [event for event in outcome.events if event.number <= self._last_number]
        for event in self._journal.differing(known):
            log.error("restart_differs", now=to_plain(event))
        outcome.events = outcome.events[len(known) :]
        if outcome.events:
            self._last_number = outcome.events[-1].number
