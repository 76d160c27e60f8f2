"""Why an alarm fired, or a value is what it is: all that the journal knows of it, as plain data.

Times are UTC milliseconds, values in the unit of their channel. The journal is only read.
"""

import math
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from daemon.broker.noted import oncall_heard
from daemon.errors import JournalError
from daemon.journal.dating import Dating
from daemon.journal.history import UNUSABLE
from daemon.journal.inputs import CONFIGURE, judged_by
from daemon.journal.journal import Journal
from daemon.settings.stages import key_of, other_keys
from daemon.settings.toml import line_of
from daemon.view.channels import around_in
from daemon.view.moment import Judged, Moment, moment_at
from daemon.view.rack_now import OtherwiseNow
from rules.alarms.event import NO_EVIDENCE, AlarmEvent
from rules.alarms.life_cycle import Condition, State, latches
from rules.care.misread import read_otherwise
from rules.care.rationale import Record, record_of
from rules.errors import none_such
from rules.judging.channel import FAULT_DELAYS_MS
from rules.judging.watched import ChannelNow
from rules.quality.flags import Flag, unpack
from rules.quantities import Quantity
from rules.rack.limits import LIKELY, limits_of

SHOWN = 12
BUILT_IN = "built-in"


@dataclass(frozen=True, slots=True)
class Reading:
    """What the probe sent, what was made of it, QARTOD's flag and what the tests found."""

    time_ms: int
    raw: float
    value: float | None
    flag: Flag
    found: str


@dataclass(frozen=True, slots=True)
class LimitThen:
    """A limit in force then, where a ramp had moved it; `back_at` is from where on it counts as over.

    `origin` is built-in, or its key in the settings file, which stands on `line` there now (None: no more).
    """

    condition: Condition
    value: float | None
    back_at: float | None
    above: bool
    on_delay_ms: int
    off_delay_ms: int
    origin: str
    line: int | None


@dataclass(frozen=True, slots=True)
class StageThen:
    """The stage in the vessel, since when and by whom; `share` of the ramp from `before` was done by then."""

    stage: str
    since_ms: int | None
    by: str
    before: str
    share: float
    ramp_until_ms: int


@dataclass(frozen=True, slots=True)
class ChannelThen:
    """A channel at the moment: its newest readings, limits, stage; of one not believed, what it would be."""

    name: str
    quantity: Quantity
    measures: Quantity
    probe: str
    why: str
    readings: tuple[Reading, ...]
    limits: tuple[LimitThen, ...]
    stage: StageThen | None
    otherwise: tuple[OtherwiseNow, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody asked for an alarm, and why it was refused (empty: done)."""

    at_ms: int
    kind: str
    who: str
    refusal: str


@dataclass(frozen=True, slots=True)
class Episode:
    """One stretch of an alarm, from its first step to its end (None: it stands); times of steps are UTC.

    `confirmed_ms` says by event number when the broker took it (None: not, or it is not kept so long);
    `untaken_ms` since when no on-call process has taken it, `oncall` which one is heard; `record`
    says why the alarm exists. `waited_ms` is from its beginning to its telling, whatever became of the clock.
    """

    steps: tuple[AlarmEvent, ...]
    first: AlarmEvent
    waited_ms: int
    ended_ms: int | None
    followers: tuple[str, ...]
    confirmed_ms: dict[int, int | None]
    oncall: str
    untaken_ms: int | None
    asked: tuple[Asked, ...]
    latching: bool
    record: Record | None


@dataclass(frozen=True, slots=True)
class Why:
    """An alarm (`episode`) or a channel at `at_ms`; `rules` say when which version of them took over.

    `judged_by` is the one that judged then; 0: one from before they had numbers.
    """

    about: str
    at_ms: int
    episode: Episode | None
    channels: tuple[ChannelThen, ...]
    rules: tuple[tuple[int, int | None], ...]
    judged_by: int


def why(settings_file: Path, path: Path, about: str, own: Mapping[str, Record]) -> Why:
    """Return why an alarm, or VESSEL/QUANTITY, is or was so; JournalError where nothing has the name.

    `own` are the nursery's own records.
    """
    try:
        with closing(Journal(path, writable=False)) as journal, journal.standing_still():
            return _Asking(journal, settings_file, journal.state.dating(), own).why(about)
    except (*UNUSABLE, sqlite3.Error) as error:
        raise JournalError(f"journal {path}: {error!r}; it is damaged, or of another version") from error


@dataclass(frozen=True, slots=True)
class _Asking:
    journal: Journal
    file: Path
    dating: Dating
    own: Mapping[str, Record]

    def why(self, about: str) -> Why:
        events = _newest_episode(self.journal.history.events_of(about))
        first = next((it for it in events if it.evidence != NO_EVIDENCE), events[0] if events else None)
        at_ms = first.at_ms if first else self.journal.state.clock_ms()
        moment = moment_at(self.journal, at_ms)
        wanted = (*first.evidence.hidden, first.channel) if first else (about,)
        states = moment.engine.channels()
        here = [it for it in states if it.channel.name in wanted or _danger(it) in wanted]
        if not first and not here:
            alarms = self.journal.history.newest_event_of_each_alarm()
            names = {*(it.channel.name for it in states), *(it.alarm for it in alarms)}
            known = [name for name in names if name.split("/")[0] == about.split("/", maxsplit=1)[0]]
            said = none_such(about, known or moment.engine.stages())
            raise JournalError(f"about: {said}; an alarm is found once it was raised")
        shown = max(SHOWN // max(len(here), 1), 3)
        channels = tuple(self._channel(it, moment, at_ms, first, shown) for it in here)
        stage = next((it.stage.stage for it in channels if it.stage), "")
        episode = self._episode(events, first, moment, stage) if first else None
        plans = [(it.at_ms, judged_by(it)) for it in self.journal.inputs.actions(CONFIGURE)]
        rules = [new for new, before in zip(plans, [(0, -1), *plans], strict=False) if new[1] != before[1]]
        dated = tuple((self.dating.utc_ms(since_ms), by) for since_ms, by in rules)
        by = next((by for since_ms, by in reversed(rules) if since_ms <= at_ms), None)
        return Why(about, self.dating.utc_ms(at_ms), episode, channels, dated, by or 0)

    def _episode(self, events: list[AlarmEvent], first: AlarmEvent, moment: Moment, stage: str) -> Episode:
        over = events[-1].state is State.NORMAL
        end_ms = events[-1].at_ms if over else self.journal.state.clock_ms()
        oncall = oncall_heard(self.journal)
        untaken_ms = None if over else oncall.untaken.get(first.alarm)
        utc_ms, history = self.dating.utc_ms, self.journal.history
        return Episode(
            tuple(map(self.dating.dated, events)),
            self.dating.dated(first),
            first.at_ms - first.since_ms,
            utc_ms(end_ms) if over else None,
            tuple(history.explained_by(first.alarm, events[0].since_ms, end_ms)),
            {it.number: self.journal.outbox.confirmed_ms(it.number) for it in events},
            oncall.by if oncall.alive else "",
            None if untaken_ms is None else utc_ms(untaken_ms),
            tuple(
                Asked(utc_ms(it.at_ms), it.kind, it.who, refusal)
                for it, refusal in self.journal.inputs.asked_of("alarm", first.alarm, events[0].at_ms, end_ms)
            ),
            latches(Condition(first.condition), moment.engine.plan.alarm_rules.latching),
            record_of(stage, first.quantity, first.condition, self.own),
        )

    def _channel(
        self, its: ChannelNow, moment: Moment, at_ms: int, first: AlarmEvent | None, shown: int
    ) -> ChannelThen:
        channel, judged = its.channel, moment.judged.get(its.channel.name, [])[-shown:]
        span = (judged[0].seq, judged[-1].seq) if judged else (0, 0)
        flags = self.journal.history.flags_of(channel.name, *span)
        sent = self.journal.history.flags_of(its.sent.channel.name, *span) if its.sent else {}
        readings = tuple(self._reading(row, its, flags.get(row.seq), sent.get(row.seq)) for row in judged)
        doubted = [it.raw for it in readings if it.flag is Flag.FAIL]
        around = around_in(moment.engine.channels()).get(channel.vessel)
        otherwise = read_otherwise(channel.source.quantity, doubted[-1], around) if doubted else ()
        return ChannelThen(
            channel.name,
            channel.quantity,
            channel.source.quantity,
            channel.source.probe,
            its.why,
            readings,
            tuple(dict.fromkeys(self._limits(its, first.condition if first else None))),
            self._stage(channel.vessel, moment, at_ms),
            tuple(OtherwiseNow(it.value, it.as_what) for it in otherwise),
        )

    def _reading(
        self, row: Judged, its: ChannelNow, flagged: tuple[int, int] | None, sent: tuple[int, int] | None
    ) -> Reading:
        summary, tests = flagged or (Flag.PASS, 0)
        value = None if math.isnan(row.value) else row.value
        if summary != Flag.MISSING:
            found = its.found(summary, _by_test(tests)) if flagged else ""
        elif its.sent is not None and sent is not None and sent[0] == Flag.FAIL:
            found = its.sent.not_believed(_by_test(sent[1]))
        else:
            found = its.needs
        return Reading(self.dating.utc_ms(row.time_ms), row.raw, value, Flag(summary), found)

    def _limits(self, its: ChannelNow, condition: str | None) -> Iterator[LimitThen]:
        tolerance, source, quantity = its.tolerance, its.channel.source, its.channel.quantity
        if condition == Condition.PROBE_FAULT:
            yield LimitThen(Condition.PROBE_FAULT, None, None, True, *FAULT_DELAYS_MS, BUILT_IN, None)
        if condition == Condition.SILENT:
            line = line_of(self.file, f"probes.{source.probe}", "silent_after_s")
            set_by = f"probes.{source.probe}.silent_after_s" if line else BUILT_IN
            yield LimitThen(Condition.SILENT, None, None, True, source.silent_after_ms, 0, set_by, line)
        if tolerance is None:
            return
        if condition == Condition.UNWATCHED:
            origin = self._origin(tolerance.origin("unwatched_after_s"), quantity)
            yield LimitThen(Condition.UNWATCHED, None, None, True, tolerance.unwatched_after_ms, 0, *origin)
        for limit in limits_of(tolerance):
            if limit.level not in LIKELY and condition in (None, limit.condition):
                back_at = limit.value - limit.deadband if limit.above else limit.value + limit.deadband
                yield LimitThen(
                    limit.condition,
                    limit.value,
                    back_at,
                    limit.above,
                    *limit.delays_ms,
                    *self._origin(limit.origin, quantity),
                )

    def _origin(self, origin: str, quantity: Quantity) -> tuple[str, int | None]:
        """Name a key as the file writes it, with its unit, and find its line."""
        table, _, limit = origin.rpartition(".")
        if not table:
            return BUILT_IN, None
        keys = (key_of(limit, quantity), *other_keys(limit, quantity))
        lines = {key: line for key in keys if (line := line_of(self.file, table, key))}
        key, line = next(iter(lines.items()), (keys[0], None))
        return f"{table}.{key}", line

    def _stage(self, vessel: str, moment: Moment, at_ms: int) -> StageThen | None:
        now = moment.engine.stages().get(vessel)
        if now is None:
            return None
        moves = [it for it in self.journal.inputs.actions("move_stage") if it.at_ms == now.since_ms]
        by = next((f"by {it.who}" for it in moves if it.body.get("vessel") == vessel), "by the settings")
        steps = moment.engine.plan.steps.get(vessel, ())
        if any(step.at_ms == now.since_ms for step in steps):
            by = f"by the plan, vessels.{vessel}.plan"
        on_ramp = now.before is not None and at_ms < now.settled_ms
        return StageThen(
            now.stage,
            self.dating.utc_ms(now.since_ms) if now.since_ms else None,
            by,
            now.before.stage if now.before is not None and on_ramp else "",
            (at_ms - now.since_ms) / now.ramp_ms if on_ramp else 1.0,
            self.dating.utc_ms(now.settled_ms),
        )


def _by_test(tests: int) -> list[int]:
    flags: list[int] = unpack(np.array([tests], dtype=np.uint32))[:, 0].tolist()
    return flags


def _danger(its: ChannelNow) -> str:
    return f"{its.channel.vessel}/{its.channel.quantity}"


def _newest_episode(events: list[AlarmEvent]) -> list[AlarmEvent]:
    """Return the steps of an alarm since it was normal last before its newest step."""
    begins = max((at + 1 for at, it in enumerate(events[:-1]) if it.state is State.NORMAL), default=0)
    return events[begins:]
