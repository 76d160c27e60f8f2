"""State is a fold over the journal: the one way from journaled inputs to the engine's state.

The watch resumes by it after a restart, `bellwatch status` looks at a journal through it.
"""

import json

import structlog

from daemon.errors import JournalError
from daemon.journal.inputs import CONFIGURE, RULES
from daemon.journal.journal import Journal
from rules import RULES_VERSION
from rules.alarms.history import alarm_event_from_json
from rules.engine import Engine
from rules.errors import InputError
from rules.plain import from_plain, to_plain
from rules.rack.plan import RackPlan
from rules.readings import Action, Outcome, Readings

log = structlog.get_logger()

REDATE = "redate"
"""The kind of action that notes what time it really was; it changes no judgement."""

WAITED = "waited"
"""The kind of action that keeps what waited at a broker and cannot be dated; it changes no judgement."""

RELEARNT_MS = 48 * 3_600_000
"""Without a usable snapshot the engine judges the readings of so long a time again."""

_UNUSABLE = (InputError, ValueError, KeyError, TypeError, AttributeError, IndexError)
"""What comes of a snapshot that is damaged, or that another version wrote."""


def configuring(plan: RackPlan, at_ms: int) -> Action:
    """Return the action that puts `plan` into force."""
    return Action(at_ms, CONFIGURE, "settings", {**to_plain(plan), RULES: RULES_VERSION})


def fold(engine: Engine | None, item: Readings | Action) -> tuple[Engine, Outcome]:
    """Return the engine after one more input, and what it made of it."""
    if isinstance(item, Action) and item.kind == CONFIGURE:
        plan = from_plain(RackPlan, {key: value for key, value in item.body.items() if key != RULES})
        if engine is None:
            return Engine(plan, item.at_ms), Outcome()
        return engine, engine.configure(plan, item.at_ms)
    if engine is None:
        raise JournalError("the journal does not begin with a plan, so its readings cannot be judged")
    if isinstance(item, Readings):
        return engine, engine.feed(item)
    return engine, engine.advance(item.at_ms) if item.kind in (REDATE, WAITED) else engine.act(item)


def engine_of(journal: Journal) -> Engine | None:
    """Return the engine as it stands after everything in the journal; None for a new journal.

    An alarm that time alone raised (a silence) is in it too.
    """
    engine, _ = resume(journal)
    if engine is not None:
        engine.advance(max(engine.clock_ms, journal.state.clock_ms()))
    return engine


def resume(journal: Journal) -> tuple[Engine | None, Outcome]:
    """Return the engine to go on with, and the steps that alarms had to take on the way; none as a rule.

    From the newest snapshot that can be used, and the inputs after it. Where there is none, the
    newest days are judged again and the alarms that stood are taken over from their history.
    """
    for seq, state in journal.state.snapshots():
        try:
            engine = Engine.restore(json.loads(state))
        except _UNUSABLE as error:
            log.warning("snapshot_unusable", after_input=seq, why=repr(error))
            continue
        for item in journal.inputs.after(seq):
            engine, _ = fold(engine, item)
        return engine, Outcome()
    return _relearn(journal)


def _relearn(journal: Journal) -> tuple[Engine | None, Outcome]:
    engine = None
    clock_ms = journal.state.clock_ms()
    oldest = journal.inputs.last_seq_before(clock_ms - RELEARNT_MS)
    for item in journal.inputs.after(0, readings_after_seq=oldest):
        engine, _ = fold(engine, item)
    if engine is None:
        return None, Outcome()
    engine.advance(max(clock_ms, engine.clock_ms))
    history = [alarm_event_from_json(body) for body in journal.history.newest_event_of_each_alarm()]
    return engine, engine.take_over(history, journal.history.last_event_number())
