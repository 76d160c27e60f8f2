"""What the journal has of a period, with all times in UTC."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import structlog

from daemon.broker.noted import OnCallHeard, oncall_heard
from daemon.culture.water import water_of
from daemon.errors import JournalError
from daemon.handover.period import Period
from daemon.journal.dating import Dating
from daemon.journal.fold import AWAY
from daemon.journal.history import UNUSABLE, Entry
from daemon.journal.inputs import CONFIGURE
from daemon.journal.journal import Journal
from daemon.journal.logbook import WRITTEN_KINDS, acts_in, calibrations_in, in_force, logbook_of, roots_of
from daemon.report.provenance import of_settings
from daemon.settings.rack import Settings
from daemon.view.moment import LED_THERE_MS
from daemon.view.today import open_among
from daemon.words import quantity_of
from rules.alarms.event import AlarmEvent
from rules.alarms.history import alarm_event_from_json
from rules.alarms.life_cycle import State
from rules.care.calibration import Calibration
from rules.culture.acts import Act
from rules.culture.exposure import Exposure, exposure
from rules.deeds import DEEDS
from rules.rack.tolerance import Tolerance
from rules.readings import Action, Notice

log = structlog.get_logger()

_WRITTEN = {"log", "hand_measurement", "culture"}


@dataclass(frozen=True, slots=True)
class WaterOf:
    """What a channel was in the period; `tolerance` is what was tolerated at its end."""

    channel: str
    was: Exposure
    tolerance: Tolerance


@dataclass(frozen=True, slots=True)
class Facts:
    """A period of a rack.

    `events` are all up to its end, everything else is of the period itself: `entries` in force, `corrections`
    those that were made after its end; `away` is from when to when no watch ran; `sent_ms` says by event
    number when the broker took what calls people (None: not, or it is not kept so long); `from_ms` is from
    when on readings are still kept.
    """

    rack: str
    period: Period
    zone: ZoneInfo
    settings: str
    journal: str
    events: tuple[AlarmEvent, ...]
    water: tuple[WaterOf, ...]
    entries: tuple[Entry, ...]
    written: dict[int, Entry]
    corrections: tuple[Entry, ...]
    deeds: tuple[Action, ...]
    notices: tuple[Notice, ...]
    open_notices: tuple[Notice, ...]
    away: tuple[tuple[int, int], ...]
    calibrations: tuple[Calibration, ...]
    oncall: OnCallHeard
    sent_ms: dict[int, int | None]
    from_ms: int
    acts: tuple[Act, ...]


def facts_of(settings: Settings, period: Period) -> Facts:
    """Return what there is of a period; JournalError where nothing can be read."""
    path = settings.journal.path
    try:
        with closing(Journal(path, writable=False)) as journal, journal.standing_still():
            found = _Period(journal, period, journal.state.dating()).facts(settings)
    except (*UNUSABLE, sqlite3.Error) as error:
        raise JournalError(f"journal {path}: {error!r}; it is damaged, or of another version") from error
    return replace(found[0], water=_water(settings, *found[1:]))


def _water(settings: Settings, span_ms: tuple[int, int], numbers: tuple[int, int]) -> tuple[WaterOf, ...]:
    """Judge again what was read then, and some hours before; the journal is not held meanwhile."""
    found = []
    judged = water_of(settings, None, numbers, span_ms[1])
    for name, series in judged.series.items():
        was = exposure([(series, *span_ms)])
        tolerance = judged.stages.limits(name.split("/")[0], quantity_of(name), span_ms[1])
        if tolerance and series.time_ms[-1] >= span_ms[0]:  # not by what holds from before alone
            found.append(WaterOf(name, was, tolerance))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Period:
    journal: Journal
    period: Period
    dating: Dating

    def facts(self, settings: Settings) -> tuple[Facts, tuple[int, int], tuple[int, int]]:
        """Return all but the water, the period on the axis, and between which numbers its readings lie."""
        journal, period, utc_ms = self.journal, self.period, self.dating.utc_ms
        axis = self.dating.axis_ms(period.from_ms), self.dating.axis_ms(period.to_ms)
        written = [replace(it, at_ms=utc_ms(it.at_ms)) for it in logbook_of(journal, kinds=WRITTEN_KINDS)]
        here = [it for it in in_force(written) if self._within(it.at_ms)]
        roots = {it.seq for it in written if self._within(it.at_ms)}
        acts = tuple(it for it in acts_in(journal) if it.at_ms < period.to_ms)
        roots |= {it.number for it in acts}
        of = roots_of(written)
        late = [it for it in written if it.at_ms >= period.to_ms and of[it.seq].seq in roots]
        done = journal.inputs.done(axis, [kind for kind in DEEDS if kind not in _WRITTEN])
        made = [replace(it, at_ms=utc_ms(it.at_ms)) for it in calibrations_in(journal)]
        events = tuple(self._events(axis[1]))
        plan = journal.inputs.newest_action(CONFIGURE, journal.inputs.last_seq_before(axis[1]))
        kept = journal.inputs.span()
        facts = Facts(
            settings.rack.name,
            period,
            ZoneInfo(settings.rack.time_zone),
            of_settings(plan.body if plan else {}),
            journal.id,
            events,
            (),
            tuple(here),
            {it.seq: it for it in written if it.seq},
            tuple(late),
            tuple(replace(it, at_ms=utc_ms(it.at_ms)) for it in done),
            tuple(self.dating.dated_notice(it) for it in journal.history.notices(*axis)),
            tuple(open_among(journal, settings, written)),
            tuple(self._away(axis[0])),
            tuple(it for it in made if self._within(it.at_ms)),
            oncall_heard(journal),
            {} if period.monthly else self._sent(events),
            utc_ms(next(journal.inputs.rows(kept[0] - 1, kept[0]))[1]) if kept else period.to_ms,
            acts,
        )
        before = journal.inputs.last_seq_before(axis[0] - LED_THERE_MS)
        return facts, axis, (before, journal.inputs.last_seq_before(axis[1]))

    def _away(self, after_ms: int) -> Iterator[tuple[int, int]]:
        """Give the time before the first watch, and each that ended later than a moment of the axis."""
        begun = next(iter(self.journal.inputs.actions(CONFIGURE)), None)
        yield 0, self.dating.utc_ms(begun.at_ms) if begun else self.period.to_ms
        found = self.journal.history.notices(after_ms, self.journal.state.clock_ms() + 1)
        for it in map(self.dating.dated_notice, found):
            if it.kind == AWAY:
                yield it.at_ms - it.details["away_ms"], it.at_ms

    def _within(self, at_ms: int) -> bool:
        return self.period.from_ms <= at_ms < self.period.to_ms

    def _events(self, before_ms: int) -> list[AlarmEvent]:
        found = []
        for body in self.journal.history.event_bodies(before_ms=before_ms):
            try:
                found.append(self.dating.dated(alarm_event_from_json(body)))
            except UNUSABLE as error:
                log.warning("event_unusable", number=body.get("number"), why=repr(error))
        return found

    def _sent(self, events: tuple[AlarmEvent, ...]) -> dict[int, int | None]:
        outbox = self.journal.outbox
        begun = (it for it in events if it.state is State.UNACKNOWLEDGED and self._within(it.at_ms))
        return {it.number: outbox.confirmed_ms(it.number) for it in begun}
