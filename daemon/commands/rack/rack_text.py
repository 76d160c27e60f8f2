"""What is now in words, for a terminal: what needs somebody first, then every vessel, worst first."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from rich.cells import cell_len

from daemon.as_read import shown, shown_reason
from daemon.commands.rack.lines import plain, strip, wrapped
from daemon.view import rack_now as now
from daemon.view import rack_words as words
from daemon.view.health_text import health
from daemon.words import SHAPES, STYLES, label, length_of_time
from rules.alarms.life_cycle import Priority
from rules.judging.watched import WatchedState
from rules.quantities import Quantity

Line = tuple[str, str]
"""Text and its style."""

_STYLE_OF = {SHAPES[priority]: style for priority, style in STYLES.items()}


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
            yield f"■ NOT WATCHED: {words.lifeless(rack.watch, self.zone)}", critical, 2
        if rack.overall is now.Overall.WELL:
            yield "● No alarm stands.", "green", 2
        elif rack.overall is now.Overall.ALARMS_HELD and not any(map(words.kept_by_people, rack.alarms)):
            yield "No alarm stands but those that are held.", "", 2
        for said in words.other_calls(rack, self.zone):
            yield f"■ {said}", critical, 2
        for alarm in rack.alarms:
            if alarm.held_by is None:
                priority = Priority[alarm.priority.upper()]
                yield self._alarm(alarm), STYLES[priority], 2
        yield from self._kept()
        for vessel in rack.vessels:
            yield from self._unwatched(vessel)

    def _kept(self) -> Iterator[tuple[str, str, int]]:
        for alarm in filter(words.kept_by_people, self.rack.alarms):
            priority = Priority[alarm.priority.upper()]
            yield f"{SHAPES[priority]} STANDS, HELD:{self._held(alarm)[1:]}", STYLES[priority], 2

    def held(self) -> Iterator[tuple[str, str, int]]:
        """Give the alarms that are kept from people, and what is under maintenance."""
        for alarm in self.rack.alarms:
            if alarm.held_by is not None and not words.kept_by_people(alarm):
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
        parts += words.numbers(alarm, self.rack.made_ms, self.zone)
        if alarm.reason:
            parts.append(shown_reason(alarm.reason, alarm.quantity))
        has = alarm.who_has_it or alarm.acknowledged_by
        parts.append(f"{has} has it" if has else "nobody has it yet")
        if alarm.followers:
            parts.append(f"explains {', '.join(alarm.followers)}")
        if alarm.first_check:
            parts.append(f"first: {alarm.first_check}")
        return "; ".join(parts)

    def _held(self, alarm: now.AlarmNow) -> str:
        why = words.held(alarm, self.rack.made_ms, self.zone)
        return f"  {alarm.priority}  {alarm.name}  {why}"

    def _unwatched(self, vessel: now.VesselNow) -> Iterator[tuple[str, str, int]]:
        for what, why, worst in words.unwatched(vessel, self.rack.made_ms, self.zone):
            yield f"▨ unwatched  {vessel.name} {what}: {why} (hides up to {worst})", "bold", 2

    # Every vessel

    def vessels(self, *, alone: bool) -> Iterator[Line]:
        """Give every vessel: what is calm in few lines and columns, what is not in a line of its own."""
        for vessel in self.rack.vessels:
            shown = self._shown(vessel, alone=alone)
            calm = [its for its in shown if not alone and words.is_calm(its, self.rack.made_ms)]
            heading = self._heading(vessel) + self._watched(vessel, calm)
            yield from ((line, "bold") for line in wrapped(self.write(heading), self.width, 2))
            for its in shown:
                if its not in calm:
                    style = STYLES[Priority[its.priority.upper()]] if its.priority else ""
                    said, raw = self._spoken(its), words.sent(its) if alone else ""
                    said += raw if raw not in said else ""  # of what is not believed it says so anyway
                    said += f"; {limits_text(its.limits, its.quantity)}" if alone and its.limits else ""
                    for line in wrapped(f"  {self.write(said)}", self.width, 4):
                        yield line, style
            for row in self._rows([self.write(self._calm(its)) for its in calm]):
                yield from ((line, "") for line in wrapped(row, self.width, 4))

    def _rows(self, cells: list[str]) -> Iterator[str]:
        """Put cells side by side as far as there is room."""
        row = ""
        for cell in cells:
            if row and cell_len(row) + 2 + cell_len(cell) > self.width:
                yield row
                row = ""
            row += f"  {cell}"
        if row:
            yield row

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

    def _watched(self, vessel: now.VesselNow, calm: list[now.ChannelNow]) -> str:
        """Say once for all that is calm in a vessel that it is watched, and how old the oldest of it is."""
        if not calm:
            return ""
        ages = [its.age_s for its in calm if its.age_s is not None]
        age = f"{length_of_time(max(ages))} old" if len(ages) == len(calm) else "age unknown"
        lost = ", ".join(label(Quantity(it.quantity)) for it in vessel.unwatched)
        return f", {age}, watched{f' but for {lost}' if lost else ''}"

    def _calm(self, its: now.ChannelNow) -> str:
        trust = " roughly" if its.watched.state is WatchedState.WATCHED_ROUGHLY else ""
        return (
            f"{words.name(its)} {words.value(its)} {strip(its)}{words.trend(its, self.rack.made_ms)}{trust}"
        )

    def _spoken(self, its: now.ChannelNow) -> str:
        shape = f"{SHAPES[Priority[its.priority.upper()]]} " if its.priority else ""
        return shape + words.spoken(its, self.rack.made_ms, self.zone, strip(its))

    def _clock(self, at_ms: int) -> str:
        return words.moment(at_ms, self.rack.made_ms, self.zone)

    def _moment(self, at_ms: int) -> str:
        """Write a moment with its date."""
        return words.moment(at_ms, 0, self.zone)


def limits_text(limits: now.LimitsNow, quantity: str) -> str:
    """Write the limits of a stage, from the lowest to the highest; what is open is left out."""
    named = (
        ("critical", limits.critical_low),
        ("advisory", limits.advisory_low),
        ("target", limits.target),
        ("advisory", limits.advisory_high),
        ("critical", limits.critical_high),
    )
    return " < ".join(f"{name} {shown(value, quantity):g}" for name, value in named if value is not None)
