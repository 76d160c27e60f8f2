"""State is a fold over the journal: the one way from journaled inputs to the engine's state.

The watch resumes by it after a restart, `bellwatch status` looks at a journal through it.
"""

import json
from collections.abc import Callable, Iterable, Iterator

import structlog

from daemon.errors import BellwatchError, JournalError
from daemon.journal.history import UNUSABLE
from daemon.journal.inputs import CONFIGURE, RULES, UNREADABLE_PLAN
from daemon.journal.journal import Journal
from rules import RULES_VERSION
from rules.engine import Engine
from rules.plain import from_plain, to_plain
from rules.rack.plan import RACK_WIDE, RackPlan
from rules.readings import Action, Notice, Outcome, Readings

log = structlog.get_logger()

REDATE = "redate"
"""The kind of action that notes what time it really was; it changes no judgement."""

WAITED = "waited"
"""The kind of action that keeps what waited at a broker and cannot be dated; it changes no judgement."""

AWAY = "away"
"""The kind of action that says until when nobody watched: no probe is blamed for that time."""

RELEARNT_MS = 48 * 3_600_000
"""Without a usable snapshot the engine judges the readings of so long a time again."""

UNUSABLE_INPUT = "inputs unusable"
"""The kind of notice that says how much of the journal could not be taken into account again."""


def configuring(plan: RackPlan, at_ms: int) -> Action:
    """Return the action that puts `plan` into force."""
    return Action(at_ms, CONFIGURE, "settings", {**to_plain(plan), RULES: RULES_VERSION})


def fold(engine: Engine | None, item: Readings | Action) -> tuple[Engine, Outcome]:
    """Return the engine after one more input, and what it made of it."""
    if isinstance(item, Action) and item.kind in (CONFIGURE, UNREADABLE_PLAN):
        plan = _plan_in(item)
        if engine is None:
            return Engine(plan, item.at_ms), Outcome()
        return engine, engine.configure(plan, item.at_ms)
    if engine is None:
        raise JournalError("the journal does not begin with a plan, so its readings cannot be judged")
    if isinstance(item, Readings):
        return engine, engine.feed(item)
    if item.kind == AWAY:
        return engine, engine.unwatched_until(item.body["until_ms"], item.at_ms)
    return engine, engine.advance(item.at_ms) if item.kind in (REDATE, WAITED) else engine.act(item)


def _plan_in(action: Action) -> RackPlan:
    try:
        return from_plain(RackPlan, {key: value for key, value in action.body.items() if key != RULES})
    except UNUSABLE as error:
        raise JournalError(f"a plan in the journal is damaged, or of another version: {error}") from error


def nothing_judged(journal: Journal) -> JournalError:
    """Return what to say of a journal from which no engine came."""
    if journal.inputs.last_seq():
        return JournalError(f"journal {journal.path}: nothing in it can be judged; it is damaged")
    return JournalError(f"journal {journal.path}: empty; `bellwatch run` has not taken in anything yet")


def engine_of(journal: Journal) -> Engine | None:
    """Return the engine as it stands after everything in the journal; None for a new journal.

    An alarm that time alone raised (a silence) is in it too.
    """
    engine, _ = resume(journal)
    if engine is not None:
        engine.advance(max(engine.clock_ms, journal.state.clock_ms()))
    return engine


Inputs = Iterator[Readings | Action]


def resume(
    journal: Journal, whole_tail: bool = True, through: Callable[[Inputs], Inputs] = iter
) -> tuple[Engine | None, Outcome]:
    """Return the engine to go on with, and the steps that alarms had to take on the way; none as a rule.

    From the newest snapshot that can be used, and the inputs after it. Where there is none, the
    newest days are judged again and the alarms that stood are taken over from their history; without
    `whole_tail` so too where the snapshot is older than that. Inputs come `through` what may count them.
    """
    oldest = 0 if whole_tail else journal.inputs.last_seq_before(journal.state.clock_ms() - RELEARNT_MS)
    for seq, state in journal.state.snapshots():
        if seq < oldest:
            break
        try:
            engine = Engine.restore(json.loads(state))
        except UNUSABLE as error:
            log.warning("snapshot_unusable", after_input=seq, why=repr(error))
            continue
        return _fold_what_can_be(engine, through(journal.inputs.after(seq)))
    return _relearn(journal, through)


def _relearn(journal: Journal, through: Callable[[Inputs], Inputs]) -> tuple[Engine | None, Outcome]:
    clock_ms = journal.state.clock_ms()
    oldest = journal.inputs.last_seq_before(clock_ms - RELEARNT_MS)
    inputs = journal.inputs.after(0, readings_after_seq=oldest)
    engine, steps = _fold_what_can_be(None, through(inputs))
    if engine is not None:
        engine.advance(max(clock_ms, engine.clock_ms))
        steps.add_told(take_over(journal, engine))
    return engine, steps


def take_over(journal: Journal, engine: Engine) -> Outcome:
    """Let an engine without memory go on with the alarms that stood, and with their numbers."""
    history = journal.history.newest_event_of_each_alarm()
    return engine.take_over(history, journal.history.last_event_number())


def _fold_what_can_be(
    engine: Engine | None, inputs: Iterable[Readings | Action]
) -> tuple[Engine | None, Outcome]:
    """Return the engine after all inputs that make sense; a notice says how many do not, and why."""
    missing, why = 0, ""
    for item in inputs:
        try:
            engine, _ = fold(engine, item)
        except (*UNUSABLE, BellwatchError) as error:
            missing += len(item) if isinstance(item, Readings) else 1
            why = why or str(error)
    if not missing:
        return engine, Outcome()
    at_ms = 0 if engine is None else engine.clock_ms
    log.error(UNUSABLE_INPUT, inputs=missing, why=why)
    return engine, Outcome(
        notices=[Notice(UNUSABLE_INPUT, at_ms, RACK_WIDE, {"inputs": missing, "why": why})]
    )
