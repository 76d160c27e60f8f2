"""`bellwatch why ALARM|VESSEL/QUANTITY`: why it fired, or why a value is what it is."""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.check.load import load_settings
from daemon.check.rationale import record_lines
from daemon.commands.options import add_journal
from daemon.commands.rack.lines import say
from daemon.view.why import BUILT_IN, ChannelThen, Episode, LimitThen, Reading, StageThen, Why, why
from daemon.words import amount, condition_word, event_text, label, length_of_time, level, number
from rules import RULES_VERSION
from rules.alarms.life_cycle import Condition
from rules.care.rationale import Record

_SOUND = {
    Condition.PROBE_FAULT: "sound readings",
    Condition.SILENT: "an answer of the probe",
}
"""What ends an alarm that no value can end."""


def why_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `why`."""
    parser.add_argument("about", help="an alarm, such as k1/temperature/high, or k1/temperature")
    add_journal(parser)
    parser.set_defaults(command=_why)


def _why(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    journal = options.journal or settings.journal.path
    found = why(options.settings, journal, options.about, settings.own_records())
    say(*_Text(found, ZoneInfo(settings.rack.time_zone), options.settings).lines())
    return 0


@dataclass(frozen=True, slots=True)
class _Text:
    it: Why
    zone: ZoneInfo
    file: Path

    def lines(self) -> Iterator[str]:
        """Give all that is known: the steps, each channel, who was told, what to do, the end, which rules."""
        yield f"{self.it.about}  at {self._at(self.it.at_ms)}"
        if self.it.episode is not None:
            yield from self._steps(self.it.episode)
        for channel in self.it.channels:
            yield from self._channel(channel)
        if self.it.episode is not None:
            yield from self._told(self.it.episode)
            if self.it.episode.record is not None:
                yield from self._record(self.it.episode.record)
            yield f"What ends it: {self._end(self.it.episode)}"
        versions = [f"{by or 'before 1'} since {self._at(at_ms)}" for at_ms, by in self.it.rules]
        judged = self.it.judged_by or "before 1"
        yield f"Judged by rules {judged} ({', '.join(versions)}; today's are {RULES_VERSION})"

    def _steps(self, its: Episode) -> Iterator[str]:
        for step in its.steps:
            sent_ms = its.confirmed_ms[step.number]
            took = (
                f"the broker took it at {self._at(sent_ms)}" if sent_ms else "the broker has not confirmed it"
            )
            yield f"  {self._at(step.at_ms)}  {step.trigger}: {event_text(step, self.zone)} ({took})"
        waited = length_of_time(its.waited_ms / 1000)
        began = f"began {self._at(its.first.since_ms)}, raised {waited} later"
        yield f"  {began}; cause: {its.first.cause or its.first.channel}"
        if its.followers:
            yield f"  it explains {', '.join(its.followers)}"

    def _channel(self, its: ChannelThen) -> Iterator[str]:
        yield f"{its.name}, from {label(its.measures)} by {its.probe}{f': {its.why}' if its.why else ''}"
        for limit in its.limits:
            yield f"  {self._limit(limit, its)}"
        if its.stage is not None:
            yield f"  {self._stage(its.stage)}"
        for reading in its.readings:
            yield f"  {self._reading(reading, its)}"
        if not its.readings:
            yield "  no reading in the six hours before"
        for other in its.otherwise:
            value = amount(other.value, its.measures)
            yield f"  the newest that failed would be {value} if sent {other.as_what}"

    def _limit(self, limit: LimitThen, its: ChannelThen) -> str:
        said = condition_word(limit.condition)
        said += f" {level(limit.value, its.quantity, limit.condition)}" if limit.value is not None else ""
        delays = f"after {length_of_time(limit.on_delay_ms / 1000)}"
        if limit.origin == BUILT_IN:
            return f"{said}, {delays}; built-in{f' for {its.stage.stage}' if its.stage else ''}"
        line = f"line {limit.line}" if limit.line else "where it is not set any more"
        return f"{said}, {delays}; {limit.origin} in {self.file}, {line}"

    def _stage(self, its: StageThen) -> str:
        since = f" since {self._at(its.since_ms)} {its.by}" if its.since_ms else " from the start"
        if not its.before:
            return f"stage {its.stage}{since}"
        ramp = f"limits on their way from {its.before}, {its.share * 100:.0f} % done"
        return f"stage {its.stage}{since}; {ramp}, until {self._at(its.ramp_until_ms)}"

    def _reading(self, its: Reading, of: ChannelThen) -> str:
        value = "no value" if its.value is None else amount(its.value, of.quantity)
        flag = its.flag.name.lower() + (f": {its.found}" if its.found else "")
        return f"{self._at(its.time_ms)}  sent {number(its.raw, of.measures)}  {value}  {flag}"

    def _told(self, its: Episode) -> Iterator[str]:
        for asked in its.asked:
            done = f"refused: {asked.refusal}" if asked.refusal else "done"
            yield f"  {self._at(asked.at_ms)}  {asked.kind} by {asked.who}, {done}"
        if not its.asked:
            yield "  nobody has answered it at the rack"
        if its.untaken_ms is not None:
            yield f"  no on-call process has taken it, since {self._at(its.untaken_ms)}"
        yield f"  on call now: {its.oncall or 'no process is heard'}; whom it called stands in its own file"

    def _record(self, its: Record) -> Iterator[str]:
        yield f"What it is there for: act within {its.respond_min:g} min"
        yield from record_lines(its)

    def _end(self, its: Episode) -> str:
        if its.ended_ms is not None:
            return f"it ended at {self._at(its.ended_ms)}"
        condition = Condition(its.first.condition)
        limits = [(limit, channel.quantity) for channel in self.it.channels for limit in channel.limits]
        backs = dict.fromkeys(
            f"{'at or below' if limit.above else 'at or above'} {level(limit.back_at, quantity, condition)}"
            for limit, quantity in limits
            if limit.back_at is not None
        )
        off_ms = max((limit.off_delay_ms for limit, _ in limits), default=0)
        lasting = f" for {length_of_time(off_ms / 1000)}" if off_ms else ""
        reset = ", then a reset (it latches)" if its.latching else ""
        return (" or ".join(backs) or _SOUND.get(condition, "a usable reading")) + lasting + reset

    def _at(self, at_ms: int) -> str:
        return f"{datetime.fromtimestamp(at_ms / 1000, self.zone):%Y-%m-%d %H:%M:%S}"
