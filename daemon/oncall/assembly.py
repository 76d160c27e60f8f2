"""The one place that builds the on-call process from its settings and connects the parts."""

from contextlib import closing
from dataclasses import replace
from threading import Event
from zoneinfo import ZoneInfo

import structlog

from daemon.clock import SteadyClock, ahead_of_people_ms
from daemon.oncall.duty import duty_of
from daemon.oncall.link import OnCallLink
from daemon.oncall.outbox import OnCallOutbox
from daemon.oncall.page import answer_pages
from daemon.oncall.process import OnCall
from daemon.oncall.routes import Routes
from daemon.oncall.settings import OnCallSettings, mark_of
from daemon.oncall.store import AHEAD_MS, OnCallStore
from rules.calling.duty import Duty
from rules.calling.escalation import Escalation
from rules.calling.older import given_in
from rules.calling.problems import Given
from rules.errors import InputError

log = structlog.get_logger()


def run(settings: OnCallSettings, addresses: dict[str, list[str]], stop: Event) -> None:
    """Call people, and serve the page behind their links, until it is stopped."""
    with closing(OnCallStore(settings.oncall.state)) as store:
        clock = store.clock()
        store.keep_mark(mark_of(settings, addresses))
        store.drop_all_but(settings.rota.people, clock.now_ms())
    with answer_pages(settings, clock) as served:
        used = settings if served else settings.model_copy(update={"page": None})
        build(used, addresses, clock).run(stop)


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
    else:
        if team.clock_ms <= now_ms + AHEAD_MS:
            return team, []
    return Escalation(duty, now_ms), [given_in(state)]


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
