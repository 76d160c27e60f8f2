"""`bellwatch fits`: whether this version can go on from settings and journal, and what it cannot carry.

The install asks it of the version that is to come, before the one that watches is stopped. The journal is
only read; one of an older layout is brought up in a copy that is deleted afterwards.
"""

import argparse
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.check.load import load_settings
from daemon.commands.options import add_journal
from daemon.errors import JournalError
from daemon.journal.fold import RELEARNT_MS, engine_of
from daemon.journal.history import UNUSABLE
from daemon.journal.inputs import CONFIGURE, judged_by
from daemon.journal.journal import Journal
from daemon.journal.schema import SCHEMA_VERSION, copy_as_it_is, layout_of
from rules import RULES_VERSION
from rules.alarms.life_cycle import State
from rules.engine import Engine


def fits_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fits`."""
    add_journal(parser)
    parser.set_defaults(command=_fits)


def _fits(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    path = options.journal or settings.journal.path
    print("\n".join(what_is_carried(path)) if path.exists() else "settings fit; there is no journal yet")
    return 0


def what_is_carried(path: Path) -> Iterator[str]:
    """Yield a line for each thing that changes or is lost when this version goes on from a journal.

    JournalError where it cannot: the journal is of a newer layout, or no journal.
    """
    try:
        layout = layout_of(path)
    except sqlite3.Error as error:
        raise JournalError(f"journal {path}: {error}") from error
    if layout >= SCHEMA_VERSION:
        with closing(Journal(path, writable=False)) as journal:
            yield from _carried(journal)
        return
    yield f"journal layout {layout} becomes {SCHEMA_VERSION}: versions before this one cannot read it then"
    with TemporaryDirectory(dir=path.parent, prefix="fits-") as folder:
        copy = Path(folder, path.name)
        copy_as_it_is(path, copy)
        with closing(Journal(copy, writable=True)) as journal:
            yield from _carried(journal)


def _carried(journal: Journal) -> Iterator[str]:
    judged = judged_by(journal.inputs.newest_action(CONFIGURE))
    if judged != RULES_VERSION:
        yield f"rules {judged or 'before 1'} judged until now, {RULES_VERSION} go on and may judge otherwise"
    yield from _forgotten(journal)
    engine = engine_of(journal)
    told = journal.history.newest_event_of_each_alarm()
    before = {it.alarm: it.state for it in told if it.state is not State.NORMAL}
    now = {} if engine is None else {it.name: it.state for it in engine.alarms()}
    for alarm, state in before.items():
        if now.get(alarm, State.NORMAL) != state:
            yield f"not carried: {alarm}, {state} until now, will be {now.get(alarm, State.NORMAL)}"
    ramps = 0 if engine is None else sum(engine.clock_ms < it.settled_ms for it in engine.stages().values())
    yield f"carried: {len(before.keys() & now.keys())} of {len(before)} standing alarms, {ramps} ramps"


def _forgotten(journal: Journal) -> Iterator[str]:
    """Yield what the newest snapshot knows that this version cannot take from it and has to learn again."""
    for _, text in journal.state.snapshots()[:1]:
        channels = list[str]()
        try:
            state = json.loads(text)
            channels = sorted(state.get("channels", ()))
            Engine.restore(state)
        except UNUSABLE as error:
            yield f"not carried: what was learned of {', '.join(channels) or 'the probes'} ({error})"
            yield f"             the last {RELEARNT_MS // 3_600_000} h are judged again and learned from"
