"""The one place that builds the on-call process from its settings and connects the parts."""

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from zoneinfo import ZoneInfo

import structlog

from daemon.clock import AHEAD_MS, SteadyClock, ahead_of_people_ms
from daemon.journal.damage import set_aside
from daemon.journal.schema import finding_of
from daemon.oncall.duty import duty_of
from daemon.oncall.link import OnCallLink
from daemon.oncall.outbox import OnCallOutbox
from daemon.oncall.page import answer_pages
from daemon.oncall.process import OnCall
from daemon.oncall.routes import Routes
from daemon.oncall.settings import OnCallSettings, mark_of
from daemon.oncall.store import OnCallStore
from daemon.transaction import LOCKED_AT_MOST_S, connect, is_damage
from rules.calling.duty import Duty
from rules.calling.escalation import Escalation
from rules.calling.older import given_in
from rules.calling.problems import Given
from rules.errors import InputError

log = structlog.get_logger()

SQLITE = b"SQLite format 3\0"
"""The first bytes of a file of SQLite's (its file format, 1.2.1); a torn card may have zeros there."""


def run(settings: OnCallSettings, addresses: dict[str, list[str]], stop: Event) -> None:
    """Call people, and serve the page behind their links, until it is stopped."""
    put_damaged_aside(settings.oncall.state)
    with closing(OnCallStore(settings.oncall.state)) as store:
        clock = store.clock()
        store.keep_mark(mark_of(settings, addresses))
        store.drop_all_but(settings.rota.people, clock.now_ms())
    with answer_pages(settings, clock) as served:
        used = settings if served else settings.model_copy(update={"page": None})
        build(used, addresses, clock).run(stop)


def put_damaged_aside(path: Path) -> None:
    """Let a new file be begun where the one at `path` is damaged; what is no file of SQLite's stays.

    What stands the racks say again, and the broker which numbers were given out: to end at each start would
    call nobody.
    """
    if why := _damage(path):
        log.error("state_damaged", why=why, set_aside=str(set_aside(path, datetime.now(UTC))))


def _damage(path: Path) -> str:
    """Return what is broken in a file; empty where nothing is, or something else is wrong with it."""
    try:
        with path.open("rb") as file:
            if file.read(len(SQLITE)) not in (SQLITE, bytes(len(SQLITE))):
                return ""
        with closing(connect(path, timeout=LOCKED_AT_MOST_S)) as db:
            if found := finding_of(db):
                return found
            db.text_factory = bytes.decode  # what is no text is no error of SQLite's
            for (table,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall():
                db.execute(f"SELECT * FROM {table}").fetchall()
            for (state,) in db.execute("SELECT body FROM state"):
                json.loads(state)
            if db.execute("SELECT count(*) FROM meta WHERE key = 'id'").fetchone() == (0,):
                return "its id is gone"
    except (OSError, sqlite3.Error) as error:
        return str(error) if is_damage(error) else ""
    except ValueError as error:
        return f"its text: {error}"
    return ""


def resumed(store: OnCallStore, duty: Duty, clock: SteadyClock) -> tuple[Escalation, list[Given]]:
    """Return the calling as it was left, and the numbers that were given out where it begins anew.

    So it does where its clock ran far ahead, or a later version wrote it that was taken back: the racks say
    again what stands, and what calls nobody would be worse than what calls twice.
    """
    duty, state, now_ms = replace(duty, ahead_ms=ahead_of_people_ms(clock)), store.state(), clock.now_ms()
    if state is None:
        return Escalation(duty, now_ms), []
    try:
        team = Escalation.restore(state, duty)
    except (InputError, ValueError, TypeError, KeyError) as error:
        log.exception("state_not_read", why=str(error))
        given = given_in(state)
    else:
        if team.clock_ms <= now_ms + AHEAD_MS:
            return team, []
        given = team.calls.given
    return Escalation(duty, now_ms), [given]


def build(
    settings: OnCallSettings, addresses: dict[str, list[str]], clock: SteadyClock | None = None
) -> OnCall:
    """Return the on-call process, ready to run; raise OnCallError where its file cannot be used."""
    store = OnCallStore(settings.oncall.state)
    clock = clock or store.clock()
    passes_on, duty = settings.commands.enabled, duty_of(settings)
    other = duty.pair.other if duty.pair else ""
    return OnCall(
        store,
        OnCallLink(
            settings.broker,
            settings.oncall.name,
            store.id,
            answers=passes_on,
            hears_people=settings.commands.answers,
            other=other,
        ),
        OnCallOutbox(store, Routes(addresses), settings.delivery),
        resumed(store, duty, clock),
        settings.notes,
        ZoneInfo(settings.oncall.time_zone),
        clock,
        passes_on=passes_on,
        page=settings.page,
    )
