"""A handover in sections of words, ready for whoever writes them: a page, a terminal, a table."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from operator import itemgetter

from daemon.as_read import shown_unit
from daemon.culture.words import cohort_text, rest_text
from daemon.handover.facts import Facts, WaterOf
from daemon.journal.fold import AWAY
from daemon.replay.words import Span, spans_of
from daemon.report.measured import OF_THE_STANDARD, measured_by_week
from daemon.report.provenance import SHOWN
from daemon.view.entries import deed_text, entry_text
from daemon.view.rack_now import RackNow, WatchNow, WatchState
from daemon.view.today import to_do
from daemon.view.tolerated import place_of
from daemon.words import (
    SHAPES,
    event_text,
    label,
    length_of_time,
    notice_text,
    number,
    quantity_of,
    shown_line,
    shown_point,
)
from rules.alarms.episodes import Episode, episodes_of
from rules.alarms.life_cycle import Trigger
from rules.alarms.measures import WEEK_MS
from rules.care.probe_care import CHECKED
from rules.culture.cohorts import culture_of
from rules.rack.logbook import ENTRY_KINDS
from rules.rack.tolerance import Tolerance

MINUTE_MS = 60_000
_ANSWERS = {
    **{Trigger.ACKNOWLEDGED: "", Trigger.SHELVED: ", shelved,"},
    **{Trigger.TAKEN_OUT: ", out of service,", Trigger.RESET: ", reset,"},
}
"""What people do about an alarm."""
_TOLD_ELSEWHERE = {AWAY, CHECKED, "daily word"}


class Passing(str):
    """Words of how things stand when they are printed: they are no part of the record."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Extent:
    """Where a channel was, in shares of its band strip: both fields, least to greatest value, middle."""

    critical: tuple[float, float]
    advisory: tuple[float, float]
    values: tuple[float, float]
    middle: float


@dataclass(frozen=True, slots=True)
class Section:
    """A table: `none` stands where there are no rows; `drawings` has an extent for each row, or is empty.

    Of a passing section nothing is part of the record.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    none: str
    notes: tuple[str, ...] = ()
    drawings: tuple[Extent | None, ...] = ()
    passing: bool = False


@dataclass(frozen=True, slots=True)
class Handover:
    """The whole; `record` is the mark of all that is told of the period, `head` says what it rests on."""

    title: str
    head: tuple[str, ...]
    superseded: tuple[str, ...]
    sections: tuple[Section, ...]
    record: str


def handover_of(facts: Facts, now: RackNow, version: str, likely: Sequence[str] = ()) -> Handover:
    """Return the handover of a period; what is to do today stands in that of the newest night only.

    `likely` are lines of what the animals will do next.
    """
    parts = _Parts(facts)
    period = facts.period
    rows = tuple((line,) for line in (*to_do(now, facts.open_notices), *likely))
    today = Section("To look at today", ("",), rows, "Nothing but the daily round.", passing=True)
    told = [
        *((today,) if period.newest else ()),
        parts.called(),
        parts.water(),
        parts.unwatched(now.watch),
        *((parts.calibrations(), parts.measures()) if period.monthly else ()),
        *((parts.animals(),) if facts.acts else ()),
        parts.entries(),
        parts.sums(),
        parts.done(),
        parts.said(),
    ]
    lasting = json.dumps([period.name, *(_lasting(it) for it in told if not it.passing)])
    record = hashlib.sha256(lasting.encode()).hexdigest()[:SHOWN]
    begun, ended, made = (date_of(it, facts.zone) for it in (period.from_ms, period.to_ms, now.made_ms))
    marks = f"Record {record}, settings {facts.settings}, journal {facts.journal[:8]}"
    head = (
        f"{begun} to {ended} ({facts.zone}){', SO FAR: it lasts still' if period.lasts else ''}.",
        f"Printed {made}. {marks}; {version}.",
    )
    return Handover(f"{facts.rack}, {period.name}", head, tuple(parts.superseded()), tuple(told), record)


def _lasting(section: Section) -> list[object]:
    rows = [[cell for cell in row if not isinstance(cell, Passing)] for row in section.rows]
    return [section.title, *rows]


@dataclass(frozen=True, slots=True)
class _Parts:
    facts: Facts

    def superseded(self) -> Iterator[str]:
        """Say which entries were put right after the end: what was printed before is not true now."""
        for it in self.facts.corrections:
            what = f"{it.corrects} was corrected by {it.seq}" if it.corrects else f"{it.seq} came late"
            yield (
                f"Entry {what} ({it.who}, {self._date(it.at_ms)});"
                " what was printed of this time before then is superseded."
            )

    def called(self) -> Section:
        """Return who was called for what, and answered when, as far as it is known here."""
        rows = tuple(map(self._called, self._episodes()))
        by = f" ({self.facts.oncall.by})" if self.facts.oncall.by else ""
        notes = (
            f"Answers from afar stand here as they came to the rack. Whom the on-call process{by} called,"
            " and whom no call reached, it alone knows: `bellwatch oncall status`.",
        )
        sent_too = () if self.facts.period.monthly else ("sent",)
        columns = ("since", "priority", "lasted", *sent_too, "answered by", "what")
        return Section("Called for", columns, rows, "No alarm called anybody.", notes if rows else ())

    def _called(self, it: Episode) -> tuple[str, ...]:
        until_ms, zone = it.until(self.facts.period.to_ms), self.facts.zone
        answers = [
            f"{event.who}{_ANSWERS[event.trigger]} after {length_of_time((event.at_ms - it.start_ms) / 1000)}"
            for event in self.facts.events
            if event.trigger in _ANSWERS
            and event.alarm == it.alarm
            and it.start_ms <= event.at_ms <= until_ms
        ]
        lasted = length_of_time((until_ms - it.start_ms) / 1000)
        return (
            self._when(it.start_ms),
            f"{SHAPES[it.priority]} {it.priority.word}",
            lasted if it.end_ms is not None else f"{lasted}, stood at the end",
            *(() if self.facts.period.monthly else (Passing(self._sent(it)),)),
            "; ".join(answers) or "nobody",
            event_text(it.first, zone, ranked=False),
        )

    def _sent(self, it: Episode) -> str:
        if it.end_ms is None and it.alarm in self.facts.oncall.untaken:
            return "nobody has taken it"
        sent_ms = self.facts.sent_ms.get(it.first.number)
        return "not known here" if sent_ms is None else self._when(sent_ms)

    def _episodes(self) -> list[Episode]:
        period = self.facts.period
        found = episodes_of(self.facts.events)
        return [it for it in found if it.start_ms < period.to_ms and it.until(period.to_ms) >= period.from_ms]

    def water(self) -> Section:
        """Return what each channel with limits was like."""
        rows = tuple(map(self._water, self.facts.water))
        columns = ("vessel", "quantity", "least", "middle", "greatest", "outside", "critical", "known")
        kept = self.facts.from_ms > self.facts.period.from_ms
        gone = f"Readings before {self._date(self.facts.from_ms)} are not kept, or were never taken."
        drawings = tuple(_extent(it) for it in self.facts.water)
        return Section("The water", columns, rows, "Nothing was read.", (gone,) if kept else (), drawings)

    def _water(self, it: WaterOf) -> tuple[str, ...]:
        period, quantity = self.facts.period, quantity_of(it.channel)
        vessel, _, *probe = it.channel.split("/")
        known = 100 * it.was.known_ms / (period.to_ms - period.from_ms)
        return (
            vessel,
            " ".join([label(quantity), *probe, shown_unit(quantity)]).rstrip(),
            *(number(value, quantity) for value in (it.was.lowest, it.was.middle, it.was.highest)),
            _length(it.was.advisory_ms),
            _length(it.was.critical_ms),
            f"{known:.0f} %",
        )

    def unwatched(self, watch: WatchNow) -> Section:
        """Return when nobody watched what, and why."""
        period, together = self.facts.period, defaultdict[tuple[str, str, str], list[str]](list)
        found = [
            (it.begun.since_ms, self._ends(it), it.what)
            for it in spans_of(self.facts.events)
            if it.begun.since_ms < period.to_ms and (it.end_ms or period.to_ms) >= period.from_ms
        ]
        still = () if watch.state is WatchState.ALIVE else ((watch.since_ms or 0, period.to_ms),)
        for gone_ms, back_ms in (*self.facts.away, *still):
            begun_ms, end_ms = max(gone_ms, period.from_ms), min(back_ms, period.to_ms)
            if end_ms - begun_ms >= MINUTE_MS:
                ends = self._when(begun_ms), self._when(end_ms), "the watch did not run"
                found.append((begun_ms, ends, "the whole rack"))
        for _, ends, what in sorted(found, key=itemgetter(0)):
            together[ends].append(what)
        rows = [(begun, end, _listed(what), why) for (begun, end, why), what in together.items()]
        return Section("Unwatched", ("from", "to", "what", "why"), tuple(rows), "Everything was watched.")

    def _ends(self, it: Span) -> tuple[str, str, str]:
        end = "the end" if it.end_ms is None else self._when(it.end_ms)
        return self._when(it.begun.since_ms), end, it.why

    def entries(self) -> Section:
        """Return what people wrote down, as it was put right since."""
        rows = []
        for it in self.facts.entries:
            was = self.facts.written.get(it.corrects or 0)
            right = f"  (put right by {it.seq}; was {entry_text(was)} by {was.who})" if was else ""
            named = f"{it.corrects or it.seq or '-'}", self._when(it.at_ms)
            rows.append((*named, it.vessel, it.who, it.kind.replace("_", " "), f"{entry_text(it)}{right}"))
        columns = ("number", "when", "vessel", "who", "kind", "what")
        return Section("Written down", columns, tuple(rows), "Nothing was written down.")

    def animals(self) -> Section:
        """Return how many animals there should be at the end, and what did not add up in the period."""
        period = self.facts.period
        cohorts = culture_of(self.facts.acts).cohorts.values()
        rows = [
            (cohort_text(of), "; ".join(rest_text(it) for it in of.rests if it.at_ms >= period.from_ms))
            for of in cohorts
            if of.vessels or any(it.at_ms >= period.from_ms for it in of.rests)
        ]
        return Section("Animals", ("batch", "counted in this time"), tuple(rows), "None lives.")

    def sums(self) -> Section:
        """Return for each vessel and kind of entry what they come to: a sum, or the newest."""
        found = defaultdict[tuple[str, str], list[float]](list)
        for it in self.facts.entries:
            kind = ENTRY_KINDS.get(it.kind)
            if kind is not None and kind.unit and it.body.get("value") is not None:
                found[it.vessel, it.kind].append(it.body["value"])
        rows = []
        for (vessel, name), values in sorted(found.items()):
            kind = ENTRY_KINDS[name]
            what = "in all" if kind.summed else "newest"
            value = sum(values) if kind.summed else values[-1]
            rows.append((vessel, name.replace("_", " "), f"{len(values)}", what, f"{value:g} {kind.unit}"))
        return Section(
            "Sums of the logbook", ("vessel", "kind", "entries", "", "value"), tuple(rows), "None."
        )

    def done(self) -> Section:
        """Return what people asked of the watch, and it did."""
        rows = [(self._when(it.at_ms), it.who, deed_text(it)) for it in self.facts.deeds]
        return Section("Done", ("when", "who", "what"), tuple(rows), "Nobody asked the watch for anything.")

    def said(self) -> Section:
        """Return what the watch had to say of care and of itself."""
        rows = [
            (self._when(it.at_ms), notice_text(it, self.facts.zone))
            for it in self.facts.notices
            if it.kind not in _TOLD_ELSEWHERE
        ]
        return Section("Said by the watch", ("when", "what"), tuple(rows), "Nothing.")

    def calibrations(self) -> Section:
        """Return the calibrations that were made."""
        rows = []
        for it in self.facts.calibrations:
            pairs = [shown_point(point, it.quantity) for point in it.points]
            points = ", ".join(f"{point.read:g} in {point.true:g}" for point in pairs)
            line = f"{it.line.slope:.4f} x {shown_line(it.line, it.quantity).offset:+.3f}"
            rows.append((self._when(it.at_ms), it.probe, label(it.quantity), points, line, it.who))
        columns = ("when", "probe", "quantity", "read in a standard of", "line", "who")
        return Section("Calibrations", columns, tuple(rows), "No probe was calibrated.")

    def measures(self) -> Section:
        """Return the alarm measures of the standard, week by week, and of the whole."""
        start_ms, stop_ms = self.facts.period.from_ms, self.facts.period.to_ms
        rows = tuple(measured_by_week(self._episodes(), start_ms, stop_ms))
        days = [self._date(at_ms)[5:10] for at_ms in range(start_ms, stop_ms, WEEK_MS)]
        return Section("Alarm measures", ("", "reference", *days, "all"), rows, "", (OF_THE_STANDARD,))

    def _when(self, at_ms: int) -> str:
        """Write a moment; within a night the time of the day is enough."""
        period = self.facts.period
        short = not period.monthly and period.from_ms <= at_ms <= period.to_ms
        return self._date(at_ms)[-5:] if short else self._date(at_ms)

    def _date(self, at_ms: int) -> str:
        return date_of(at_ms, self.facts.zone)


def date_of(at_ms: int, zone: tzinfo) -> str:
    """Write a moment with its date."""
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%d %H:%M}"


def _length(length_ms: int) -> str:
    """Write a length of time to the minute; empty where there is none."""
    minutes = timedelta(milliseconds=length_ms) // timedelta(minutes=1)
    hours = f"{minutes // 60} h " if minutes >= 60 else ""
    return "" if not length_ms else f"{hours}{minutes % 60} min" if minutes else "under a minute"


def _listed(dangers: Sequence[str]) -> str:
    """Write dangers, each vessel once: k1 temperature, salinity; k2 temperature."""
    by_vessel = defaultdict[str, list[str]](list)
    for danger in dangers:
        vessel, _, what = danger.partition(" ")
        by_vessel[vessel].append(what)
    return "; ".join(f"{vessel} {', '.join(what)}" for vessel, what in by_vessel.items())


def _extent(it: WaterOf) -> Extent | None:
    """Return where a channel was on its strip; None where its stage sets no limits that make a scale."""
    places = [place_of(value, it.tolerance) for value in (it.was.lowest, it.was.middle, it.was.highest)]
    low, middle, high = (None if place is None else _share(place) for place in places)
    if low is None or middle is None or high is None:
        return None
    return Extent(_field(it.tolerance, "critical"), _field(it.tolerance, "advisory"), (low, high), middle)


def _field(tolerance: Tolerance, level: str) -> tuple[float, float]:
    band = getattr(tolerance, level)
    low, high = (place_of(end, tolerance) for end in (band.low, band.high))
    return 0.0 if low is None else _share(low), 1.0 if high is None else _share(high)


def _share(place: float) -> float:
    """Return a place on the strip from 0 to 1; what lies far outside stands at its edge."""
    return min(max(0.5 + 0.36 * place, 0.0), 1.0)
