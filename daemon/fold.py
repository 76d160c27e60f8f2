"""State is a fold over the journal: the one way from journaled inputs to the engine's state.

The watch resumes by it after a restart, `bellwatch status` looks at a journal through it.
"""

from daemon.errors import JournalError
from daemon.journal import Journal
from rules.engine import Engine
from rules.plan import RackPlan, plan_from_json
from rules.readings import Action, Outcome, Readings

CONFIGURE = "configure"
"""The kind of action that puts a plan into force; every journal begins with one."""


def configuring(plan: RackPlan, at_ms: int) -> Action:
    """Return the action that puts `plan` into force."""
    return Action(at_ms, CONFIGURE, "settings", plan.to_json())


def fold(engine: Engine | None, item: Readings | Action) -> tuple[Engine, Outcome]:
    """Return the engine after one more input, and what it made of it."""
    if isinstance(item, Action) and item.kind == CONFIGURE:
        plan = plan_from_json(item.body)
        if engine is None:
            return Engine(plan, item.at_ms), Outcome()
        return engine, engine.configure(plan, item.at_ms)
    if engine is None:
        raise JournalError("the journal does not begin with a plan, so its readings cannot be judged")
    return engine, engine.feed(item) if isinstance(item, Readings) else engine.act(item)


def engine_of(journal: Journal) -> Engine | None:
    """Return the engine as it stands after everything in the journal; None for a new journal."""
    snapshot = journal.newest_snapshot()
    after_seq, engine = (0, None) if snapshot is None else (snapshot[0], Engine.restore(snapshot[1]))
    for item in journal.inputs(after_seq):
        engine, _ = fold(engine, item)
    return engine
