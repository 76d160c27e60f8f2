"""Which dangers nobody sees: limits of a stage whose channels have shown nothing usable for too long.

A danger is a vessel and a quantity that the stage there has limits on. It is seen by each reading that may
be used and is sure enough to tell those limits from the target. The moment from which it counts as unwatched
follows from the readings alone, as that of a silence does. What the same probe, bus or rack hides by then is
told with it, as one alarm.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.alarms.alarm import Alarm
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import EXCUSES, Condition, Priority
from rules.judging.silence import Places, Scope, SourceState, heard_by, scope_of
from rules.rack.channels import Channel
from rules.rack.plan import Source

Seen = Mapping[str, NDArray[np.intp]]
"""For each channel, where in the block its readings are that show it."""


@dataclass(frozen=True, slots=True)
class Danger:
    """What a stage has limits on in a vessel: the channels that show it, when it counts as unwatched.

    `missed_ms` is from when on it is not seen now, `delay_ms` from when on that is told on its own.
    """

    name: str
    channels: tuple[Channel, ...]
    missed_ms: int
    delay_ms: int
    priority: Priority


@dataclass(frozen=True, slots=True)
class Loss:
    """A danger became unwatched (`begins`) or is seen again at `at_ms`, before or with reading `position`.

    `cause` is what hides it; `hidden` are all dangers that it hides then, `since_ms` is when this one was
    seen last.
    """

    danger: Danger
    position: int
    at_ms: int
    since_ms: int
    begins: bool
    cause: str
    hidden: tuple[str, ...] = ()


@dataclass(slots=True)
class _Gap:
    danger: Danger
    since_ms: int
    end_ms: int | None
    position: int
    under: str

    def lasts(self, at_ms: int) -> bool:
        return self.end_ms is None or self.end_ms > at_ms


@dataclass(frozen=True, slots=True)
class Unseen:
    """Finds, in one block from `from_ms` on, which dangers are lost; `last` is when each was seen before it.

    `own` is the channel of what each source measures, `channels` are all by name.
    """

    sources: tuple[Source, ...]
    states: Mapping[int, SourceState]
    own: Mapping[int, Channel]
    channels: Mapping[str, Channel]
    from_ms: int
    at_ms: NDArray[np.int64]
    places: Places
    last: Mapping[str, int]
    seen: Seen

    def losses(self, dangers: tuple[Danger, ...], under: dict[str, str]) -> Iterator[Loss]:
        """Find what becomes unwatched up to the last of `at_ms`, and carry `under` on (it is changed).

        `under` says what hides each danger that is unwatched.
        """
        gaps = [gap for danger in dangers for gap in self._gaps(danger, under.get(danger.name, ""))]
        clock_ms = int(self.at_ms[-1])
        moments = [max(gap.since_ms + gap.danger.delay_ms, self.from_ms) for gap in gaps]
        for place in np.argsort(np.array(moments, dtype=np.int64), kind="stable").tolist():
            gap, moment_ms = gaps[place], moments[place]
            if not gap.under and (clock_ms > moment_ms if gap.end_ms is None else gap.lasts(moment_ms)):
                yield from self._begin(gaps, gap, moment_ms)
        for gap in gaps:
            if gap.under:
                under[gap.danger.name] = gap.under
            if gap.under and gap.end_ms is not None:
                del under[gap.danger.name]
                yield Loss(gap.danger, gap.position, gap.end_ms, gap.since_ms, False, gap.under)

    def _begin(self, gaps: list[_Gap], first: _Gap, at_ms: int) -> Iterator[Loss]:
        """Let a danger become unwatched, and with it what else is not seen now for the same cause."""
        cause = self._cause(first.danger, at_ms)
        lasting = [gap for gap in gaps if gap.since_ms <= at_ms and gap.lasts(at_ms)]
        new = [
            gap
            for gap in lasting
            if not gap.under
            and gap.since_ms + gap.danger.missed_ms <= at_ms
            and self._cause(gap.danger, at_ms) == cause
        ]
        for gap in new:
            gap.under = cause
        hidden = tuple(gap.danger.name for gap in lasting if gap.under == cause)
        position = int(np.searchsorted(self.at_ms, at_ms, side="right"))
        for gap in new:
            yield Loss(gap.danger, position, at_ms, gap.since_ms, True, cause, hidden)

    def _gaps(self, danger: Danger, under: str) -> Iterator[_Gap]:
        """Go through the times in which a danger was not seen for long enough to be missed."""
        since_ms = max(self.last[channel.name] for channel in danger.channels)
        shown = [self.seen[channel.name] for channel in danger.channels if channel.name in self.seen]
        here = np.sort(np.concatenate([np.array([], dtype=np.intp), *shown]))
        if not here.size and not under and self.at_ms[-1] - since_ms <= danger.missed_ms:
            return
        seen = np.concatenate([[since_ms], self.at_ms[here], self.at_ms[-1:]])
        long = np.diff(seen) > danger.missed_ms
        long[0] |= bool(under)
        for place in np.flatnonzero(long).tolist():
            ends = place < here.size
            yield _Gap(
                danger,
                int(seen[place]),
                int(seen[place + 1]) if ends else None,
                int(here[place]) if ends else 0,
                under if place == 0 else "",
            )

    def _cause(self, danger: Danger, at_ms: int) -> str:
        """Return what hides a danger: its own source, or where that is seen its input most overdue."""
        channel = danger.channels[0]
        lost = channel.source
        if self._due_ms(lost, at_ms) > at_ms:
            inputs = (self.channels[name].source for name in channel.inputs)
            lost = min((lost, *inputs), key=lambda source: self._due_ms(source, at_ms))
        return cause_of(lost, scope_of(lost, self.sources, self.states, self.at_ms, self.places, at_ms))

    def _due_ms(self, source: Source, at_ms: int) -> int:
        """Return when a source should have been seen again, after the last time up to a moment."""
        name = self.own[source.id].name
        last_ms = heard_by(self.last[name], self.at_ms, self.seen.get(name), at_ms)
        return last_ms + source.missed_after_ms


def cause_of(source: Source, scope: Scope) -> str:
    """Return what alarms about a source share: all buses, the bus where nothing answers, or the probe."""
    if scope is Scope.RACK:
        return "rack/all"
    return f"bus/{source.bus}" if scope is Scope.BUS else f"probe/{source.probe}"


def with_its_reason(crossing: Crossing, alarms: Iterable[Alarm]) -> Crossing:
    """Say of what hides a danger what is the matter with it, as its own alarms tell."""
    if crossing.condition is not Condition.UNWATCHED or not crossing.active:
        return crossing
    reasons = {
        alarm.evidence.reason or str(alarm.condition)
        for alarm in alarms
        if alarm.cause == crossing.cause and alarm.active and alarm.condition in EXCUSES[crossing.condition]
    }
    return replace(crossing, evidence=replace(crossing.evidence, reason=", ".join(sorted(reasons))))
