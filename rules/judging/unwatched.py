"""Which dangers nobody sees: limits of a stage whose channels have shown nothing usable for too long.

A danger is a vessel and a quantity that the stage there has limits on. It is seen by each reading that may
be used and is sure enough to tell those limits from the target; by a probe found frozen it was seen last when
that moved last. The moment from which it counts as unwatched follows from the readings alone, as that of a
silence does. What the same probe, bus or rack hides by then is told with it, as one alarm. A danger that is
lost again within hours stays under it until it has been seen regularly.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rules.alarms.life_cycle import Condition, Priority
from rules.alarms.recurrence import Recurrence
from rules.judging.series import ChannelState
from rules.judging.silence import Places, Scope, SourceState, heard_by, scope_of
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.limits import Level
from rules.rack.plan import RackPlan, Source

Seen = Mapping[str, NDArray[np.intp]]
"""For each channel, where in the block its readings are that show it."""

Unmoved = Mapping[int, Sequence[tuple[int, int]]]
"""For each source that is found frozen, at which reading of the block, and since when it has not moved."""


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
    seen last; `reason` is why as far as the readings tell, and how often it was lost.
    """

    danger: Danger
    position: int
    at_ms: int
    since_ms: int
    begins: bool
    cause: str
    hidden: tuple[str, ...] = ()
    reason: str = ""


@dataclass(slots=True)
class Hidden:
    """What a danger's alarm is about (empty: none stands), whether it is unseen now, and how often it was."""

    cause: str = ""
    unseen: bool = False
    again: Recurrence = field(default_factory=Recurrence)


@dataclass(frozen=True, slots=True)
class _Gap:
    """A time in which a danger was not seen; from its end on it is seen regularly by all of `spell`.

    `known` are moments, the first of them that of its beginning, and when it was last seen by what was known
    from then on: a frozen probe is found late.
    """

    danger: Danger
    state: Hidden
    known: tuple[tuple[int, int], ...]
    end_ms: int | None
    spell: NDArray[np.intp]

    def lasts(self, at_ms: int) -> bool:
        return self.known[0][0] <= at_ms and (self.end_ms is None or self.end_ms > at_ms)

    def since_ms(self, at_ms: int) -> int:
        """Return when the danger was last seen, by what is known at a moment."""
        return next(since_ms for found_ms, since_ms in reversed(self.known) if found_ms <= at_ms)

    @property
    def due_ms(self) -> int:
        """Return when it is told on its own."""
        return min(max(found_ms, since_ms + self.danger.delay_ms) for found_ms, since_ms in self.known)


NOT_BORNE_OUT = "doubted"
"""What is the matter with a probe that answers and has no fault: it moved as nothing else shows."""

_NOWHERE = np.array([], dtype=np.intp)

_ENDS, _OVER, _BEGINS = range(3)
"""What comes first at the same moment."""


@dataclass(frozen=True, slots=True)
class Unseen:
    """Finds, in one block from `from_ms` on, which dangers are lost; `before` is what was known before it.

    `own` is the channel of what each source measures, `channels` are all by name.
    """

    sources: tuple[Source, ...]
    states: Mapping[int, SourceState]
    own: Mapping[int, Channel]
    channels: Mapping[str, Channel]
    from_ms: int
    at_ms: NDArray[np.int64]
    places: Places
    before: Mapping[str, ChannelState]
    seen: Seen
    unmoved: Unmoved

    def last_ms(self, name: str, position: int) -> int:
        """Return when a channel was last seen by readings before `position`."""
        here = self.seen.get(name, _NOWHERE)
        before = int(here.searchsorted(position))
        start = int(here[before - 1]) if before else -1
        last_ms = self.before[name].seen_ms if start < 0 else int(self.at_ms[start])
        found = self.unmoved.get(self.channels[name].source.id, ())
        return min([last_ms, *(since_ms for at, since_ms in found if start < at < position)])

    def losses(self, dangers: tuple[Danger, ...], known: dict[str, Hidden]) -> Iterator[Loss]:
        """Find what becomes unwatched up to the last of `at_ms`, and carry `known` on (it is changed).

        `known` says what hides each danger.
        """
        due, clock_ms = list[tuple[int, int, int]](), int(self.at_ms[-1])
        states = [(it, known.get(it.name) or Hidden()) for it in dangers if self._may_change(it, known)]
        gaps = [gap for danger, state in states for gap in self._gaps(danger, state)]
        for number, gap in enumerate(gaps):
            moment_ms = max(gap.due_ms, self.from_ms)
            if clock_ms > moment_ms if gap.end_ms is None else gap.lasts(moment_ms):
                heappush(due, (moment_ms, _BEGINS, number))
            if gap.end_ms == gap.known[0][0]:
                self._note_over(due, number, gap)
            elif gap.end_ms is not None:
                heappush(due, (gap.end_ms, _ENDS, number))
        while due:
            at_ms, kind, number = heappop(due)
            gap = gaps[number]
            if kind == _BEGINS:
                yield from () if gap.state.unseen else self._begin(gaps, gap, at_ms)
            elif kind == _OVER:
                gap.state.again.recurs = False
                yield self._end(gap, at_ms, gap.state.again.back_ms)
            else:
                since_ms = gap.since_ms(at_ms)
                gap.state.again.come_back(since_ms, at_ms)
                if gap.state.unseen and not gap.state.again.recurs:
                    yield self._end(gap, at_ms, since_ms)
                gap.state.unseen = False
                self._note_over(due, number, gap)
        known |= {danger.name: state for danger, state in states if state.again.times}
        for name in sorted(known):  # in one order, however the block was cut
            known[name] = known.pop(name)

    def _may_change(self, danger: Danger, known: Mapping[str, Hidden]) -> bool:
        """Return whether a danger may be lost or seen again: not where it shows as usual."""
        if danger.name in known or self.unmoved:
            return True
        since_ms = max(self.before[channel.name].seen_ms for channel in danger.channels)
        return bool(self.at_ms[-1] - since_ms > danger.missed_ms)

    def _note_over(self, due: list[tuple[int, int, int]], number: int, gap: _Gap) -> None:
        """Note the first reading after a gap by which a danger that comes and goes is so no longer."""
        over = int(self.at_ms[gap.spell].searchsorted(gap.state.again.over_ms))
        if gap.state.again.recurs and over < gap.spell.size:
            heappush(due, (int(self.at_ms[gap.spell[over]]), _OVER, number))

    def _end(self, gap: _Gap, at_ms: int, since_ms: int) -> Loss:
        """Let a danger be seen again, from the reading at `at_ms` on."""
        cause, gap.state.cause = gap.state.cause, ""
        position = int(gap.spell[self.at_ms[gap.spell].searchsorted(at_ms)])
        return Loss(gap.danger, position, at_ms, since_ms, False, cause)

    def _begin(self, gaps: list[_Gap], first: _Gap, at_ms: int) -> Iterator[Loss]:
        """Let a danger become unwatched, and with it what else is not seen now for the same cause."""
        lasting = [gap for gap in gaps if gap.lasts(at_ms)]
        cause = first.state.cause or self._shared(first, lasting, at_ms)
        new = [
            gap
            for gap in lasting
            if not gap.state.unseen
            and gap.since_ms(at_ms) + gap.danger.missed_ms <= at_ms
            and (gap.state.cause or self._shared(gap, lasting, at_ms)) == cause
        ]
        for gap in new:
            gap.state.cause, gap.state.unseen = cause, True
        hidden = tuple(gap.danger.name for gap in lasting if gap.state.unseen and gap.state.cause == cause)
        position = int(self.at_ms.searchsorted(at_ms, side="right"))
        for gap in new:
            since_ms = gap.since_ms(at_ms)
            often = gap.state.again.lose(since_ms, at_ms)
            reason = self._reason(gap, at_ms) + (often and f", lost {often}")
            yield Loss(gap.danger, position, at_ms, since_ms, True, cause, hidden, reason)

    def _gaps(self, danger: Danger, state: Hidden) -> Iterator[_Gap]:
        """Go through the times in which a danger was not seen for long enough to be missed.

        Of one that comes and goes an empty one comes first: what it was seen by since the block before.
        """
        since_ms = max(self.before[channel.name].seen_ms for channel in danger.channels)
        shown = [self.seen[channel.name] for channel in danger.channels if channel.name in self.seen]
        found = self._found(danger) if self.unmoved else []
        new = state.unseen or found or any(its.size for its in shown)
        if not new and self.at_ms[-1] - since_ms <= danger.missed_ms:
            return
        here = shown[0] if len(shown) == 1 else np.sort(np.concatenate([_NOWHERE, *shown]))
        seen = np.concatenate([[since_ms], self.at_ms[here], self.at_ms[-1:]])
        waits_ms = seen[1:] - seen[:-1]
        if not (state.unseen or state.again.recurs or found) and waits_ms.max() <= danger.missed_ms:
            return
        known = dict[int, list[tuple[int, int]]]()
        for position, moved_ms in found:
            place = int(here.searchsorted(position))
            known.setdefault(place, []).append((int(self.at_ms[position]), moved_ms))
        long = waits_ms > danger.missed_ms
        for place, its in known.items():
            long[place] |= seen[place + 1] - its[-1][1] > danger.missed_ms
        long[0] |= state.unseen
        places = long.nonzero()[0].tolist()
        if state.again.recurs and not long[0]:
            before = here[: places[0] if places else None]
            yield _Gap(danger, state, ((since_ms, since_ms),), since_ms, before)
        for place, after in pairwise([*places, here.size]):
            end_ms = int(seen[place + 1]) if place < here.size else None
            begins = int(seen[place]), int(seen[place])
            yield _Gap(danger, state, (begins, *known.get(place, ())), end_ms, here[place:after])

    def _found(self, danger: Danger) -> list[tuple[int, int]]:
        """Return where in the block a danger's sources are found frozen, and when it was last seen then."""
        sources = {channel.source.id for channel in danger.channels}
        at = sorted(position for source in sources for position, _ in self.unmoved.get(source, ()))
        return [(it, max(self.last_ms(channel.name, it + 1) for channel in danger.channels)) for it in at]

    def _shared(self, gap: _Gap, lasting: list[_Gap], at_ms: int) -> str:
        """Return what hides a danger; the bus where another probe of it was lost in the same poll."""
        lost = self._lost(gap.danger, at_ms)
        scope = scope_of(lost, self.sources, self.states, self.at_ms, self.places, at_ms)
        missed = [it for it in lasting if it.since_ms(at_ms) + it.danger.missed_ms <= at_ms]
        near_ms = lost.missed_after_ms / 3
        same = [it for it in missed if abs(it.since_ms(at_ms) - gap.since_ms(at_ms)) <= near_ms]
        together = [it for it in (self._lost(it.danger, at_ms) for it in same) if it.bus == lost.bus]
        if lost.bus and scope is Scope.PROBE and any(it.probe != lost.probe for it in together):
            scope = Scope.BUS
        return cause_of(lost, scope)

    def _lost(self, danger: Danger, at_ms: int) -> Source:
        """Return what hides a danger: its own source, or where that is seen its input most overdue."""
        channel = danger.channels[0]
        lost = channel.source
        if self._due_ms(lost, at_ms) > at_ms:
            inputs = (self.channels[name].source for name in channel.inputs)
            lost = min((lost, *inputs), key=lambda source: self._due_ms(source, at_ms))
        return lost

    def _reason(self, gap: _Gap, at_ms: int) -> str:
        """Say whether what hides a danger was not read, or was."""
        lost = self._lost(gap.danger, at_ms)
        last_ms = self.states[lost.id].taken_in_ms
        heard_ms = heard_by(last_ms, self.at_ms, self.places.get(lost.id), at_ms)
        return Condition.SILENT if heard_ms + lost.missed_after_ms <= at_ms else NOT_BORNE_OUT

    def _due_ms(self, source: Source, at_ms: int) -> int:
        """Return when a source should have been seen again, after the last time up to a moment."""
        position = int(self.at_ms.searchsorted(at_ms, side="right"))
        return self.last_ms(self.own[source.id].name, position) + source.missed_after_ms


def all_seen_until(
    sources: tuple[Source, ...],
    states: Mapping[int, SourceState],
    dangers: tuple[Danger, ...],
    channels: Mapping[str, ChannelState],
    known: Mapping[str, Hidden],
) -> int:
    """Return up to when nothing can fall silent nor be lost, whatever is heard until then; 0: no such time.

    That does not hold where something that was seen before is found frozen.
    """
    if any(it.unseen for it in known.values()) or any(states[source.id].silent for source in sources):
        return 0
    silent_ms = (states[source.id].at_ms + source.silent_after_ms for source in sources)
    lost_ms = (
        max(channels[it.name].seen_ms for it in danger.channels) + danger.missed_ms for danger in dangers
    )
    return min((*silent_ms, *lost_ms), default=0)


_FAMILY = {Quantity.OXYGEN_SATURATION: Quantity.OXYGEN, Quantity.CONDUCTIVITY: Quantity.SALINITY}
"""Quantities that move together, being the same thing in other units."""

_UPWARDS = (Condition.HIGH_HIGH, Condition.HIGH, Condition.RISING)


def cause_of(source: Source, scope: Scope) -> str:
    """Return what alarms about a source share: all buses, the bus where nothing answers, or the probe."""
    if scope is Scope.RACK:
        return "rack/all"
    return f"bus/{source.bus}" if scope is Scope.BUS else f"probe/{source.probe}"


def water_cause(plan: RackPlan, channel: Channel, condition: Condition, level: Level) -> str:
    """Return what a condition shares with others: of the water where (a shared supply or the vessel), what,
    which way; of a probe, that it is this probe.
    """
    family = _FAMILY.get(channel.quantity, channel.quantity)
    if condition in (Condition.SILENT, Condition.PROBE_FAULT):
        return cause_of(channel.source, Scope.PROBE)
    if condition is Condition.DISAGREEMENT:
        return f"{channel.vessel}/{family}/disagreement"
    where = next(
        (
            supply.name
            for supply in plan.supplies
            if channel.vessel in supply.vessels and _FAMILY.get(supply.quantity, supply.quantity) is family
        ),
        channel.vessel,
    )
    up = level is Level.ABOVE if condition is Condition.HEADING_OUT else condition in _UPWARDS
    return f"{where}/{family}/{'up' if up else 'down'}"
