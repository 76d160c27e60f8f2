"""The one reader of a journal for everything that is looked at: restored once, then followed.

Each look is one short transaction that reads only what is new; only the first one, and one after the
watch was started anew or the file replaced, restores from the newest snapshot and the inputs after it, or
where that snapshot is old, from the newest days: a look never reads a year.
"""

import shutil
from dataclasses import dataclass, replace
from datetime import tzinfo
from functools import partial
from zoneinfo import ZoneInfo

from daemon.broker.noted import link_of, oncall_heard
from daemon.broker.notices import SHOWN_LIVE
from daemon.errors import JournalError
from daemon.journal.dating import Dating
from daemon.journal.fold import Inputs, fold, nothing_judged, resume
from daemon.journal.journal import Journal, reading
from daemon.journal.logbook import ALWAYS, logbook_of
from daemon.journal.repair import BALLAST_BYTES
from daemon.journal.schema import WAL_BYTES_KEPT
from daemon.journal.sole_writer import Holder, holder_of
from daemon.machine import MACHINE, Machine, MachineReading
from daemon.settings.plan import rack_plan
from daemon.settings.rack import Settings
from daemon.view import rack_now as shape
from daemon.view.entries import entry_text
from daemon.words import notice_text
from rules.alarms.life_cycle import State
from rules.care.misread import is_plausible
from rules.engine import Engine
from rules.errors import InputError
from rules.quality.flags import Flag
from rules.rack.plan import RACK_WIDE, RackPlan
from rules.readings import Readings

SAID_SHOWN_MS = 7 * 86_400_000
ENTRIES_AT_MOST = 500
AHEAD_MS = 60_000
"""By so much a clock may be set back before ages are taken for unknown (project judgement)."""
LOG_HELD_BYTES = 6 * WAL_BYTES_KEPT
"""The write-ahead log is folded into the file before it is so long, whatever one commit adds to it, unless a
reader holds it."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What one look at a journal found; the engine's times are those of the journal's axis.

    `seen_by` tells who acknowledged something at a moment of the axis; `raw` what the source of each channel
    sent last that shows no value, or one that no water can be.
    """

    settings: Settings
    now_ms: int
    engine: Engine
    dating: Dating
    seen_by: dict[int, str]
    raw: dict[str, float]
    holder: Holder | None
    journal: shape.JournalNow
    broker: shape.BrokerNow
    oncall: shape.OnCallNow | None
    mirror: shape.MirrorNow | None
    troubles: tuple[shape.TroubleNow, ...]
    said: tuple[shape.SaidNow, ...]
    entries: dict[str, tuple[shape.EntryNow, ...]]
    machine: tuple[MachineReading, ...]


class JournalView:
    """Looks at the journal of a rack again and again.

    The file is open during a look only: a reader that stays would keep the daemon from folding its
    write-ahead log into the file when it stops.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._path = settings.journal.path
        self._engine: Engine | None = None
        self._seq = 0
        self._stands_for: tuple[object, ...] = ()
        self.share = 0.0
        """How much of what a first look must read is read, from 0 to 1, for who waits for it."""

    def look(self, now_ms: int) -> Sight:
        """Return what is there at `now_ms` (UTC); JournalError where there is nothing that can be read."""
        holder = holder_of(self._path)
        try:
            with reading(self._path) as journal, journal.standing_still():
                return self._sight(journal, holder, now_ms)
        except OSError as error:
            raise JournalError(f"journal {self._path}: {error}; look again in a moment") from error

    def _differs(self, plan: RackPlan, ids: dict[tuple[str, str, str], int]) -> bool:
        """Return whether the file says something else; how often probes are read a plan need not know."""
        wanted = rack_plan(self._settings, lambda *about: ids.get(about, 0))
        if not any(source.every_ms for source in plan.sources):
            wanted = replace(wanted, sources=tuple(replace(it, every_ms=0) for it in wanted.sources))
        return wanted != plan

    def _sight(self, journal: Journal, holder: Holder | None, now_ms: int) -> Sight:
        file = self._path.stat()
        stands_for = (file.st_dev, file.st_ino, journal.id, holder and holder.run)
        if stands_for != self._stands_for:
            self._engine, self._stands_for = None, stands_for
        engine, dating = self._up_to_date(journal), journal.state.dating()
        ids = {about: number for number, about in journal.inputs.sources().items()}
        now = _file(journal, dating, now_ms, settings_differ=self._differs(engine.plan, ids))
        waiting, refused = journal.outbox.counts()
        refusals = journal.outbox.refusals() if refused else ()
        link = link_of(journal)
        since_ms = None if link.since_ms is None else dating.utc_ms(link.since_ms)
        broker = shape.BrokerNow(
            waiting,
            refused,
            tuple(shape.Refusal(*refusal) for refusal in refusals),
            None if since_ms is None else link.alive,
            since_ms,
            link.rival,
        )
        mirror = mirror_now(journal) if self._settings.mirror is not None else None
        seen_by, oncall = _seen_by(journal, engine), _oncall(journal, dating)
        said = _said(journal, dating, ZoneInfo(self._settings.rack.time_zone))
        return Sight(
            self._settings,
            now_ms,
            engine,
            dating,
            seen_by,
            _raw(journal, engine),
            holder,
            now,
            broker,
            oncall,
            mirror,
            _troubles(journal, dating),
            said,
            _entries(journal, dating),
            tuple(journal.state.record(MACHINE, Machine()).readings),
        )

    def _up_to_date(self, journal: Journal) -> Engine:
        """Return the engine after everything in the journal, also a silence that time alone raised."""
        engine = self._followed(journal)
        if engine is None:
            engine, _ = resume(journal, whole_tail=False, through=partial(self._counted, journal))
        if engine is None:
            raise nothing_judged(journal)
        engine.advance(max(engine.clock_ms, journal.state.clock_ms()))
        self._engine, self._seq = engine, journal.inputs.last_seq()
        return engine

    def _counted(self, journal: Journal, inputs: Inputs) -> Inputs:
        first, last = None, journal.inputs.last_seq()
        for item in inputs:
            yield item
            if isinstance(item, Readings):
                first = int(item.seq[0]) if first is None else first
                self.share = (int(item.seq[-1]) - first + 1) / max(last - first + 1, 1)

    def _followed(self, journal: Journal) -> Engine | None:
        """Return the engine of the last look with all that is new; None where it must be restored."""
        engine, self._engine = self._engine, None
        if engine is None or journal.inputs.last_seq() < self._seq:
            return None
        try:
            for item in journal.inputs.after(self._seq):
                engine, _ = fold(engine, item)
        except (InputError, JournalError):  # of the moment of an event beyond which time has passed; damaged
            return None
        return engine


def age_s(at_ms: int, now_ms: int) -> float | None:
    """Return how long ago something was; None where it lies ahead of this machine's clock: nobody knows."""
    return None if at_ms > now_ms + AHEAD_MS else max(now_ms - at_ms, 0) / 1000


def _file(journal: Journal, dating: Dating, now_ms: int, *, settings_differ: bool) -> shape.JournalNow:
    path, newest_ms = journal.path, dating.utc_ms(journal.state.clock_ms())
    log = path.with_name(path.name + "-wal")
    free = shutil.disk_usage(path.parent).free
    log_bytes = log.stat().st_size if log.exists() else 0
    return shape.JournalNow(
        journal.id,
        journal.run_id,
        newest_ms,
        age_s(newest_ms, now_ms),
        path.stat().st_size,
        log_bytes,
        log_bytes > LOG_HELD_BYTES,
        free,
        free < BALLAST_BYTES,
        settings_differ,
    )


def _oncall(journal: Journal, dating: Dating) -> shape.OnCallNow | None:
    """Return what is known of the on-call process; None where none was ever heard, nor missed."""
    its = oncall_heard(journal)
    untaken = tuple(
        shape.UntakenNow(alarm, dating.utc_ms(since_ms)) for alarm, since_ms in its.untaken.items()
    )
    since_ms = None if its.since_ms is None else dating.utc_ms(its.since_ms)
    duty = its.on_call, its.until_ms, its.then
    return shape.OnCallNow(its.by, its.alive, since_ms, untaken, *duty) if its.by or untaken else None


def mirror_now(journal: Journal) -> shape.MirrorNow:
    """Return how far the mirror is behind."""
    come, (_, newest) = journal.outbox.mirrored(), journal.inputs.span() or (0, 0)
    events = max(journal.history.last_event_number() - come.event, 0)
    refused = journal.outbox.refused_by_mirror()
    return shape.MirrorNow(max(newest - come.reading, 0), events, come.taken_ms, come.trouble, *refused)


def _troubles(journal: Journal, dating: Dating) -> tuple[shape.TroubleNow, ...]:
    utc_ms = dating.utc_ms
    return tuple(
        shape.TroubleNow(
            it.bus, it.probe, it.kind, it.text, it.times, utc_ms(it.first_ms), utc_ms(it.last_ms)
        )
        for it in journal.state.troubles()
    )


def _said(journal: Journal, dating: Dating, zone: tzinfo) -> tuple[shape.SaidNow, ...]:
    lately = journal.history.newest_notices(RACK_WIDE, journal.state.clock_ms() - SAID_SHOWN_MS)
    found = [dating.dated_notice(notice) for notice in lately if notice.kind not in SHOWN_LIVE]
    return tuple(shape.SaidNow(notice.kind, notice.at_ms, notice_text(notice, zone)) for notice in found)


def _entries(journal: Journal, dating: Dating) -> dict[str, tuple[shape.EntryNow, ...]]:
    """Return the newest entries of the logbook by vessel, the oldest first."""
    found: dict[str, tuple[shape.EntryNow, ...]] = {}
    since = (journal.state.clock_ms() - SAID_SHOWN_MS, ALWAYS[1])
    for it in logbook_of(journal, between=since, at_most=ENTRIES_AT_MOST):
        at_ms, text = dating.utc_ms(it.at_ms), entry_text(it)
        one = shape.EntryNow(it.seq or None, it.kind, at_ms, it.who, text, it.corrects)
        found[it.vessel] = (*found.get(it.vessel, ()), one)
    return found


def _raw(journal: Journal, engine: Engine) -> dict[str, float]:
    """Return what probes send where that is doubted, or is another number than what is made of it."""
    found, calibrated = {}, {it.source.id for it in engine.calibrations() if it.newest is not None}
    for now in engine.channels():
        its = now.channel
        doubted = now.flag == Flag.FAIL or not is_plausible(its.quantity, now.value)
        other = its.measured and (its.source.id in calibrated or its.inputs)
        asked = (doubted or other) and not now.silent
        if asked and (value := journal.inputs.newest_value(its.source.id)) is not None:
            found[its.name] = value
    return found


def _seen_by(journal: Journal, engine: Engine) -> dict[int, str]:
    if all(alarm.state is not State.ACKNOWLEDGED for alarm in engine.alarms()):
        return {}
    return {action.at_ms: action.who for action in journal.inputs.actions("acknowledge")}
