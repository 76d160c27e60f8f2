"""What is now in words, for a terminal: what needs somebody first, then every vessel, worst first."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from rich.cells import cell_len, set_cell_size

from daemon.commands.rack.health_text import health
from daemon.commands.rack.lines import plain, strip, wrapped
from daemon.view import rack_now as now
from daemon.words import SHAPES, STYLES, amount, clock_time, label, length_of_time, number, plus_minus
from rules.alarms.alarm import HoldKind
from rules.alarms.life_cycle import Priority
from rules.judging.watched import WatchedState
from rules.quantities import Quantity

Line = tuple[str, str]
"""Text and its style."""

_TRUST = {
    WatchedState.WATCHED: "watched",
    WatchedState.WATCHED_ROUGHLY: "watched roughly",
    WatchedState.UNWATCHED: "unwatched",
}
_STYLE_OF = {SHAPES[priority]: style for priority, style in STYLES.items()}
_BELIEVED = ("pass", "not evaluated")


def rack_lines(rack: now.RackNow, width: int, *, utf8: bool = True, alone: bool = False) -> Iterator[Line]:
    """Give what is now in lines of at most `width` cells; `alone` where it is about one vessel only."""
    write = (lambda text: text) if utf8 else plain
    text = _RackText(rack, ZoneInfo(rack.time_zone), width, write)
    for said, style, indent in (*text.first(), *(() if alone else text.held())):
        yield from ((line, style) for line in wrapped(write(said), width, indent))
    yield from text.vessels(alone=alone)
    for said in health(rack, text.zone):
        style = _STYLE_OF.get(said[0], "")
        yield from ((line, style) for line in wrapped(write(said), width, 2))


def _kept_by_people(alarm: now.AlarmNow) -> bool:
    """Return whether somebody keeps an alarm from people whose condition lasts: never as if nothing stood."""
    return alarm.stands and alarm.held_by in (HoldKind.SHELF, HoldKind.SERVICE)


@dataclass(frozen=True, slots=True)
class _RackText:
    rack: now.RackNow
    zone: ZoneInfo
    width: int
    write: Callable[[str], str]

    # What needs somebody

    def first(self) -> Iterator[tuple[str, str, int]]:
        """Give the watch where it does not live, what calls people, the alarms that stand, the unwatched."""
        rack, critical = self.rack, STYLES[Priority.CRITICAL]
        if rack.watch.state is not now.WatchState.ALIVE:
            yield f"■ NOT WATCHED: {lifeless(rack.watch, self.zone)}", critical, 2
        if rack.overall is now.Overall.WELL:
            yield "● No alarm stands.", "green", 2
        elif rack.overall is now.Overall.ALARMS_HELD and not any(map(_kept_by_people, rack.alarms)):
            yield "No alarm stands but those that are held.", "", 2
        if rack.journal.disk_full:
            yield "■ THE DISK IS FULL: nothing new can be written down; make room.", critical, 2
        if rack.broker.rival:
            said = f"■ TWO RACKS are called {rack.rack}: this one, and {rack.broker.rival}. Rename one."
            yield said, critical, 2
        for missed in rack.oncall.untaken if rack.oncall else ():
            since = self._clock(missed.since_ms)
            yield f"■ NOBODY HAS TAKEN {missed.alarm}, since {since}; call somebody.", critical, 2
        for alarm in rack.alarms:
            if alarm.held_by is None:
                priority = Priority[alarm.priority.upper()]
                yield self._alarm(alarm), STYLES[priority], 2
        yield from self._kept()
        for vessel in rack.vessels:
            yield from self._unwatched(vessel)

    def _kept(self) -> Iterator[tuple[str, str, int]]:
        for alarm in filter(_kept_by_people, self.rack.alarms):
            priority = Priority[alarm.priority.upper()]
            yield f"{SHAPES[priority]} STANDS, HELD:{self._held(alarm)[1:]}", STYLES[priority], 2

    def held(self) -> Iterator[tuple[str, str, int]]:
        """Give the alarms that are kept from people, and what is under maintenance."""
        for alarm in self.rack.alarms:
            if alarm.held_by is not None and not _kept_by_people(alarm):
                yield self._held(alarm), "dim", 4
        for work in self.rack.maintenance:
            yield f"  {work.target} is under maintenance until {self._clock(work.until_ms)}", "", 4

    def _alarm(self, alarm: now.AlarmNow) -> str:
        """Write an alarm that stands: how bad, where, since when, numbers, who has it, the first check."""
        since = f"since {self._clock(alarm.since_ms)}"
        parts = [f"{SHAPES[Priority[alarm.priority.upper()]]} {alarm.priority}  {alarm.name}  {alarm.state}"]
        if alarm.acknowledged_by:
            parts[0] += f" by {alarm.acknowledged_by}"
        parts[0] += f", {since}"
        if alarm.quantity:
            parts += self._numbers(alarm)
        if alarm.reason:
            parts.append(alarm.reason)
        has = alarm.who_has_it or alarm.acknowledged_by
        parts.append(f"{has} has it" if has else "nobody has it yet")
        if alarm.followers:
            parts.append(f"explains {', '.join(alarm.followers)}")
        if alarm.first_check:
            parts.append(f"first: {alarm.first_check}")
        return "; ".join(parts)

    def _numbers(self, alarm: now.AlarmNow) -> Iterator[str]:
        quantity = Quantity(alarm.quantity)
        per = "/h" if alarm.condition in ("rising", "falling") else ""
        if alarm.value_now is not None:
            yield f"{amount(alarm.value_now, quantity)} now"
        if alarm.limit is not None:
            yield f"limit {amount(alarm.limit, quantity, per)}"
        if alarm.rate_per_hour is not None:
            yield f"moving {alarm.rate_per_hour:+.2f}/h"
        if alarm.reached_ms is not None:
            yield f"there at {self._clock(alarm.reached_ms)}"

    def _held(self, alarm: now.AlarmNow) -> str:
        until = f" until {self._clock(alarm.held_until_ms)}" if alarm.held_until_ms is not None else ""
        by = f" by {alarm.held_who}" if alarm.held_who else ""
        why = f"part of {alarm.leader}" if alarm.leader else f"{alarm.state}{until}{by}: {alarm.held_why}"
        return f"  {alarm.priority}  {alarm.name}  {why}"

    def _unwatched(self, vessel: now.VesselNow) -> Iterator[tuple[str, str, int]]:
        for (why, since_ms), group in groupby(vessel.unwatched, lambda it: (it.why, it.since_ms)):
            lost = list(group)
            what = ", ".join(label(Quantity(it.quantity)) for it in lost)
            since = f", since {self._clock(since_ms)}" if since_ms is not None else ""
            worst = max(Priority[it.priority.upper()] for it in lost).word
            yield f"▨ unwatched  {vessel.name} {what}: {why}{since} (hides up to {worst})", "bold", 2

    # Every vessel

    def vessels(self, *, alone: bool) -> Iterator[Line]:
        """Give every vessel: what is calm in few lines and columns, what is not in a line of its own."""
        shown = {its.name: self._shown(its, alone=alone) for its in self.rack.vessels}
        calm = {
            its.name: self.write(self._calm(its)) for here in shown.values() for its in here if _is_calm(its)
        }
        column = max(map(cell_len, calm.values()), default=0) + 2
        for vessel in self.rack.vessels:
            yield from ((line, "bold") for line in wrapped(self.write(self._heading(vessel)), self.width, 2))
            for its in shown[vessel.name]:
                if alone or not _is_calm(its):
                    style = STYLES[Priority[its.priority.upper()]] if its.priority else ""
                    limits = f"; {limits_text(its.limits)}" if alone and its.limits else ""
                    for line in wrapped(f"  {self.write(self._spoken(its) + limits)}", self.width, 4):
                        yield line, style
            if not alone:
                cells = [calm[its.name] for its in shown[vessel.name] if _is_calm(its)]
                a_line = max((self.width - 2) // column, 1)
                for place in range(0, len(cells), a_line):
                    row = "".join(set_cell_size(cell, column) for cell in cells[place : place + a_line])
                    yield from ((line, "") for line in wrapped(f"  {row.rstrip()}", self.width, 4))

    def _shown(self, vessel: now.VesselNow, *, alone: bool) -> list[now.ChannelNow]:
        """Return the channels that the stage has limits for, or that alarm; of a vessel alone, all."""
        return [its for its in vessel.channels if alone or its.limits or its.priority]

    def _heading(self, vessel: now.VesselNow) -> str:
        stage = vessel.stage
        said = "  ".join(part for part in (vessel.name, vessel.label, stage.name) if part)
        if stage.ramp_until_ms is not None:
            said += f", limits moving from {stage.ramp_from} until {self._moment(stage.ramp_until_ms)}"
        if stage.next_at_ms is not None:
            said += f", {stage.next_name} from {self._moment(stage.next_at_ms)}"
        if vessel.maintenance_until_ms is not None:
            said += f", under maintenance until {self._clock(vessel.maintenance_until_ms)}"
        return said

    def _calm(self, its: now.ChannelNow) -> str:
        trust = "roughly" if its.watched.state is WatchedState.WATCHED_ROUGHLY else "watched"
        age = length_of_time(its.age_s or 0)
        return f"{_name(its)} {_value(its)} {strip(its)} {age} {trust}"

    def _spoken(self, its: now.ChannelNow) -> str:
        """Write a quantity out: value, place, trend, time left, why it is not believed, age and trust."""
        shape = f"{SHAPES[Priority[its.priority.upper()]]} " if its.priority else ""
        parts = [f"{shape}{_name(its)} {self._what(its)} {strip(its)}".rstrip()]
        if its.trend_per_hour is not None and its.trend_tells:
            parts.append(f"moving {its.trend_per_hour:+.2f}/h")
        if its.reaching is not None:
            left = length_of_time(max(its.reaching.at_ms - self.rack.made_ms, 0) / 1000)
            limit = number(its.reaching.value, Quantity(its.quantity))
            parts.append(f"{its.reaching.limit.replace('_', ' ')} limit {limit} in {left}")
        if its.age_s is not None:
            parts.append(f"{length_of_time(its.age_s)} old")
        trust, why = _TRUST[its.watched.state], its.watched.why
        since = f" since {self._clock(its.watched.since_ms)}" if its.watched.since_ms is not None else ""
        parts.append(f"{trust}{since}{f' ({why})' if why and why != its.why else ''}")
        return ", ".join(parts)

    def _what(self, its: now.ChannelNow) -> str:
        why = f": {its.why}" if its.why else ""
        if its.value is None:
            said = f"{its.lack}{why}"
        elif its.flag in _BELIEVED:
            return _value(its)
        else:
            said = f"{_value(its)} {'not believed' if its.flag == 'fail' else its.flag}{why}"
        return said + (_raw(its.raw) if its.raw else "")

    def _clock(self, at_ms: int) -> str:
        """Write a moment as a time of the day, with its date where that is another day."""
        same = self._day(at_ms) == self._day(self.rack.made_ms)
        return clock_time(at_ms, self.zone) if same else self._moment(at_ms)

    def _moment(self, at_ms: int) -> str:
        return f"{self._day(at_ms)} {clock_time(at_ms, self.zone)}"

    def _day(self, at_ms: int) -> str:
        return f"{datetime.fromtimestamp(at_ms / 1000, self.zone):%Y-%m-%d}"


def _raw(raw: now.RawNow) -> str:
    """Say what a probe sent, and what it would be otherwise."""
    quantity = Quantity(raw.quantity)
    others = (f", {amount(it.value, quantity)} if sent {it.as_what}" for it in raw.otherwise)
    return f"; the probe sends {number(raw.value, quantity)} for {label(quantity)}{''.join(others)}"


def limits_text(limits: now.LimitsNow) -> str:
    """Write the limits of a stage, from the lowest to the highest; what is open is left out."""
    named = (
        ("critical", limits.critical_low),
        ("advisory", limits.advisory_low),
        ("target", limits.target),
        ("advisory", limits.advisory_high),
        ("critical", limits.critical_high),
    )
    return " < ".join(f"{name} {value:g}" for name, value in named if value is not None)


def lifeless(watch: now.WatchNow, zone: ZoneInfo) -> str:
    """Say of a watch that does not live since when, and what to do."""
    if watch.since_ms is None:
        return "`bellwatch run` never wrote this journal; start it"
    since = f"since {datetime.fromtimestamp(watch.since_ms / 1000, zone):%Y-%m-%d %H:%M:%S}"
    age = f"({watch.age_s or 0:.0f} s ago)"
    if watch.state is now.WatchState.HUNG:
        return f"`bellwatch run` hangs, no turn was finished {since} {age}; start it again"
    return f"`bellwatch run` is dead {since} {age}; start it"


def _is_calm(its: now.ChannelNow) -> bool:
    believed = its.value is not None and its.flag in _BELIEVED
    seen = its.watched.state is not WatchedState.UNWATCHED
    return believed and seen and its.priority is None and not its.trend_tells


def _name(its: now.ChannelNow) -> str:
    """Write a quantity, with its probe where the vessel has several for it."""
    probe = its.name.split("/")[2:]
    return " ".join([label(Quantity(its.quantity)), *probe])


def _value(its: now.ChannelNow) -> str:
    quantity = Quantity(its.quantity)
    value = number(its.value or 0.0, quantity)
    return f"{value}{plus_minus(its.uncertainty)} {its.unit}".rstrip()
