"""The watch: readings and requests in, one transaction, messages out."""

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

import structlog

from daemon.journal.asking import WATCH_WAITS_S, Request, RequestBox, used_before
from daemon.journal.dating import Stretch
from daemon.journal.fold import AWAY, REDATE, WAITED, configuring, fold, resume, take_over
from daemon.journal.history import entry_of
from daemon.journal.inputs import CONFIGURE, NumberedReading, as_readings, judged_by
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.watch.entries import unfit_entry
from daemon.watch.intake import Intake
from drivers.readings import RECEIPTS_OPEN, Reading, Receipt, Waited
from rules import RULES_VERSION
from rules.alarms.event import AlarmEvent
from rules.deeds import DEEDS
from rules.engine import Engine
from rules.plain import to_plain
from rules.rack.plan import FRESH, RACK_WIDE, RackPlan
from rules.readings import Action, Notice, Outcome

log = structlog.get_logger()

SNAPSHOT_EVERY_MS = 4 * 3_600_000
"""A rack's state is a megabyte, at each hour two fifths of all that was written; to judge four hours again
takes a restart, or a look, a fifth of a second (37 channels every 30 s)."""
ANSWERS_TAKE_S = 1.0
"""So much of a turn goes to requests before the rest of them is left to the next (project judgement)."""
AWAY_MS, TOLD_AWAY_MS = 1_000, 60_000
"""A watch that was away for longer than its last commit explains blames no probe for it, and says so."""
REQUESTS_ASIDE = "requests set aside"
NOTHING = Outcome()
LONG_TAIL = 50_000
"""After so many inputs since the newest snapshot a restart keeps one at once: the next shall be quick."""


class Watch:
    """Feeds the engine and writes down, together, what came in and what it caused.

    `words` turns an alarm event or a notice into the messages that it makes us publish. Readings
    that cause neither are written down within `commit_every_ms`, an alarm at once with all before it.
    `beside` are sources, by probe and quantity, whose readings are written down and not judged.
    """

    def __init__(
        self,
        journal: Journal,
        plan: RackPlan,
        now_ms: int,
        words: Callable[[AlarmEvent | Notice], list[Message]],
        commit_every_ms: int = 0,
        beside: Mapping[tuple[str, str], int] = MappingProxyType({}),
    ) -> None:
        self._journal = journal
        self._beside = beside
        self._box = RequestBox(journal.path, WATCH_WAITS_S)
        self._plan = plan
        self._words = words
        self._commit_every_ms = commit_every_ms
        self._to_judge: list[Reading] = []
        self._judged: list[Reading] = []
        self._waited: list[Waited] = []
        self._receipts: list[Receipt] = []
        self._intake = Intake({}, {})
        self._go_on_from_the_journal(now_ms, now_ms)

    def _go_on_from_the_journal(self, now_ms: int, passed_ms: int) -> None:
        self._stale = False
        self._rows: list[NumberedReading] = []
        self._outcomes: list[Outcome] = []
        self._journal.inputs.number_again()
        self._last_number = self._journal.history.last_event_number()
        self._engine = self._resume(now_ms, passed_ms)
        self._intake = Intake(
            {(source.probe, str(source.quantity)): source.id for source in self._plan.sources}
            | {(probe, FRESH): source_id for probe, source_id in self._plan.fresh.items()}
            | dict(self._beside),
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
    def rejected(self) -> Counter[tuple[str, str]]:
        """Return how many readings were refused at the door so far, by probe and reason; for looking only."""
        return self._intake.rejected

    def _resume(self, now_ms: int, passed_ms: int) -> Engine:
        """Go on from the journal, under our plan if it is another than before.

        Nothing that is still to come was taken in before `passed_ms`, so time has passed up to then.
        """
        engine, steps = resume(self._journal)
        at_ms = max(now_ms, self._journal.state.clock_ms())
        same_plan = engine is not None and self._goes_on_under_its_plan(engine)
        away = None
        if engine is not None:
            # An event that time alone caused may be newer than the newest input.
            gone_ms = max(engine.clock_ms, self._journal.state.clock_ms())
            steps.add_told(engine.advance(gone_ms))
            planned = self._journal.inputs.newest_action(CONFIGURE) is not None
            if planned and passed_ms - gone_ms > self._commit_every_ms + AWAY_MS:
                away, told = _away(engine, gone_ms, passed_ms)
                steps.add_told(told)
            steps.add_told(engine.advance(max(gone_ms, passed_ms)))
            if (
                steps == Outcome()
                and same_plan
                and away is None
                and self._inputs_since_snapshot() < LONG_TAIL
            ):
                return engine
        with self._journal.transaction():
            if away is not None:
                self._journal.inputs.append_action(away)
            if engine is None:
                engine = Engine(self._plan, at_ms)
                steps.add_told(take_over(self._journal, engine))
                self._journal.inputs.append_action(configuring(self._plan, at_ms))
            elif not same_plan:
                self._journal.inputs.append_action(configuring(self._plan, at_ms))
                steps.add_told(engine.configure(self._plan, at_ms))
            self._record(steps)
            self._journal.state.keep_snapshot(self._journal.inputs.last_seq(), engine.snapshot())
        return engine

    def _goes_on_under_its_plan(self, engine: Engine) -> bool:
        """Return whether neither the plan nor the rules are others than those that judged last."""
        judged = self._journal.inputs.newest_action(CONFIGURE)
        if judged_by(judged) != RULES_VERSION:
            log.warning(
                "rules_changed", judged_by=judged_by(judged) or "a version before 1", now=RULES_VERSION
            )
            return False
        return engine.plan == self._plan

    def _inputs_since_snapshot(self) -> int:
        newest = max((seq for seq, _ in self._journal.state.snapshots()), default=0)
        return self._journal.inputs.last_seq() - newest

    def start_over(self) -> None:
        """After the journal could not be written: go on from it, and judge again what was not committed."""
        self._to_judge = [*self._judged, *self._to_judge]
        self._judged = []
        self._stale = True

    def take(
        self,
        readings: Sequence[Reading],
        now_ms: int,
        waited: Sequence[Waited] = (),
        receipts: Sequence[Receipt] = (),
        still_since_ms: int | None = None,
        asks: bool = True,
    ) -> bool:
        """Judge what came in and let time pass up to `now_ms`; commit what is due.

        What `waited` at a broker is kept. `receipts` are confirmed when all that came with or before
        them is committed. `still_since_ms` is since when the machine slept, or had no time for us.
        Without `asks` nobody's requests are looked for. Returns whether anything was committed.
        """
        self._to_judge += readings
        self._waited += waited
        self._receipts += receipts
        if still_since_ms is not None and still_since_ms < now_ms:
            self._blame_nobody(still_since_ms, now_ms)
        self._judge(now_ms)
        requests = self._requests() if asks else []
        if requests or self._must_commit(now_ms):
            self._commit(requests, now_ms)
            return True
        if not self._rows:
            self._confirm()
        return False

    def _requests(self) -> list[Request]:
        """Return what people ask; a box that could not be read is told."""
        requests = self._box.waiting()
        if self._box.set_aside:
            aside = Notice(REQUESTS_ASIDE, self._engine.clock_ms, RACK_WIDE, {"file": self._box.set_aside})
            self._outcomes.append(Outcome(notices=[aside]))
            self._box.set_aside = ""
        return requests

    def _blame_nobody(self, since_ms: int, now_ms: int) -> None:
        """Write down that nobody watched, between what came before that and what came after."""
        later = [it for it in self._to_judge if it.time_ms > since_ms]
        self._to_judge = [it for it in self._to_judge if it.time_ms <= since_ms]
        receipts, self._receipts = self._receipts, []
        try:
            self._judge(since_ms)
            self._commit([], now_ms)
            away, told = _away(self._engine, self._engine.clock_ms, now_ms)
            with self._journal.transaction():
                self._journal.inputs.append_action(away)
                self._record(told)
        finally:
            self._to_judge += later
            self._receipts += receipts

    def _judge(self, now_ms: int) -> None:
        if self._stale:
            self._go_on_from_the_journal(now_ms, passed_ms=0)
        engine = self._engine
        if self._to_judge:
            rows = self._journal.inputs.number(self._intake.rows(self._to_judge, engine.clock_ms, now_ms))
            self._judged += self._to_judge
            self._to_judge = []
            if rows:
                if not self._rows:
                    self._commit_due_ms = now_ms + self._commit_every_ms
                self._rows += rows
                self._outcomes.append(engine.feed(as_readings(rows)))
        passed = engine.advance(max(now_ms, engine.clock_ms))
        if passed != NOTHING:
            self._outcomes.append(passed)

    def _must_commit(self, now_ms: int) -> bool:
        # A broker whose messages wait for their commit sends no more at some time; be early.
        if self._waited or len(self._receipts) >= RECEIPTS_OPEN // 4:
            return True
        if any(outcome.events or outcome.notices for outcome in self._outcomes):
            return True
        return bool(self._rows) and now_ms >= self._commit_due_ms

    def _commit(self, requests: Sequence[Request], now_ms: int) -> None:
        """Write everything since the last commit down, together with the answers to `requests`."""
        engine, journal = self._engine, self._journal
        with journal.transaction():
            journal.inputs.write(self._rows)
            self._keep_waited()
            answers, begun_s = dict[int, str](), time.monotonic()
            for it in requests:
                answers[it.number] = self._answer(it, max(now_ms, engine.clock_ms))
                if time.monotonic() - begun_s > ANSWERS_TAKE_S:  # the others wait, and no alarm for them
                    break
            for outcome in self._outcomes:
                self._record(outcome)
            if engine.clock_ms >= self._snapshot_due_ms:
                self._keep_snapshot()
        self._rows, self._outcomes, self._judged, self._waited = [], [], [], []
        self._confirm()
        if answers:
            self._box.answer(answers, now_ms)

    def _keep_waited(self) -> None:
        if self._waited:
            kept = [
                {"probe": it.probe, "topic": it.topic, "payload": it.payload.decode("utf-8", "replace")}
                for it in self._waited
            ]
            action = Action(self._engine.clock_ms, WAITED, "broker", {"messages": kept})
            self._journal.inputs.append_action(action)

    def _confirm(self) -> None:
        """Let the brokers know what is safe."""
        for receipt in self._receipts:
            receipt.confirm()
        self._receipts = []

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
            self._journal.inputs.append_action(Action(self._engine.clock_ms, REDATE, "clock", body))
            self._journal.state.keep_stretch(stretch)

    def stop(self) -> None:
        """Write everything down and keep the state, so that the next start is quick."""
        self._judge(self._engine.clock_ms)
        self._snapshot_due_ms = self._engine.clock_ms
        self._commit([], self._engine.clock_ms)

    def _keep_snapshot(self) -> None:
        self._journal.state.keep_snapshot(self._journal.inputs.last_seq(), self._engine.snapshot())
        self._snapshot_due_ms = self._engine.clock_ms + SNAPSHOT_EVERY_MS

    def _answer(self, request: Request, at_ms: int) -> str:
        """Do what is asked, unless it was done already; return why not, empty where it is done."""
        asked = (request.kind, request.who, request.body)
        taken = self._journal.inputs.taken(request.id)
        if taken is not None:
            same = asked == (taken[0].kind, taken[0].who, taken[0].body)
            return taken[1] if same else used_before(request.id)
        if request.fault:
            refusal = request.fault
        elif request.kind not in DEEDS:
            refusal = f"{request.kind[:40]!r}: nothing that people do; known are: {', '.join(DEEDS)}"
        else:
            refusal = unfit_entry(self._journal, asked, at_ms) or self._do(request.id, Action(at_ms, *asked))
        log.info("request", what=request.kind, who=request.who, refusal=refusal or None, body=request.body)
        return refusal

    def _do(self, request_id: str, action: Action) -> str:
        seq = self._journal.inputs.append_action(action)
        outcome = self._engine.act(action)
        self._outcomes.append(outcome)
        self._journal.inputs.keep_answer(request_id, seq, outcome.refusal)
        entry = entry_of(seq, action)
        if entry is not None and not outcome.refusal:
            self._journal.history.keep_entry(entry)
        return outcome.refusal

    def _record(self, outcome: Outcome) -> None:
        self._drop_known(outcome)
        for event in outcome.events:
            log.warning("alarm", **to_plain(event))
        notices = self._journal.history.keep_notices(outcome.notices)
        for notice in notices:
            log.warning("notice", kind=notice.kind, about=notice.vessel, details=notice.details)
        said: list[AlarmEvent | Notice] = [*outcome.events, *notices]
        self._journal.history.record(outcome)
        self._journal.outbox.put(message for what in said for message in self._words(what))

    def _drop_known(self, outcome: Outcome) -> None:
        """Pass over events that were committed before a restart and come out of the tail again."""
        known = [event for event in outcome.events if event.number <= self._last_number]
        for event in self._journal.history.differing(known):
            log.error("restart_differs", now=to_plain(event))
        outcome.events = outcome.events[len(known) :]
        if outcome.events:
            self._last_number = outcome.events[-1].number


def _away(engine: Engine, gone_ms: int, until_ms: int) -> tuple[Action, Outcome]:
    """Let an engine know that nobody watched for a while; return that as an input, and what it made of it."""
    action = Action(gone_ms, AWAY, "watch", {"until_ms": until_ms})
    _, told = fold(engine, action)
    if until_ms - gone_ms > TOLD_AWAY_MS:
        told.notices.append(Notice(AWAY, until_ms, RACK_WIDE, {"away_ms": until_ms - gone_ms}))
    return action, told
