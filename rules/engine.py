"""The engine: inputs in arrival order go in, quality flags and alarm events come out.

The engine has no clock. Time comes from the inputs and from `advance`, which promises that no
input before `until_ms` will follow. Feeding `a + b` gives exactly what feeding `a` and then `b`
gives, wherever the cut, with a snapshot and restore in between; `tests/test_engine_law.py` holds
this, and replay, restart and the live watch all rest on it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.alarm_book import AlarmBook, Crossing, Evidence
from rules.alarms import Alarm, Condition, Priority
from rules.channels import Channel, channels_of
from rules.conversion import PRESSURE_HOLDS_MS, convert, newest_known
from rules.errors import AlarmError, InputError
from rules.judgement import (
    ChannelState,
    Edge,
    Series,
    Verdict,
    channel_state_from_json,
    channel_state_to_json,
    judge_channel,
)
from rules.limits import Level, limits_of, worst_priority
from rules.plan import RackPlan, Source, plan_from_json
from rules.quantities import Quantity
from rules.readings import Action, Amendment, ChannelFlags, Outcome, Readings
from rules.tolerance import Tolerance

SNAPSHOT_VERSION = 1


@dataclass(slots=True)
class SourceState:
    """When a source was last heard: taken in at `at_ms`, measured at `time_ms`."""

    at_ms: int
    time_ms: int = -1
    silent: bool = False


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """A channel as it stands, for people to look at."""

    channel: Channel
    tolerance: Tolerance | None
    time_ms: int
    value: float
    flag: int
    rate_per_hour: float
    silent: bool


@dataclass(frozen=True, slots=True)
class _Due:
    """An edge in its place: before reading `position` (`timer`), or made by it."""

    position: int
    timer: bool
    at_ms: int
    channel_order: int
    edge_order: int
    crossing: Crossing
    evidence: Evidence

    @property
    def order(self) -> tuple[int, bool, int, int, int]:
        return (self.position, not self.timer, self.at_ms, self.channel_order, self.edge_order)


class Engine:
    """The state of a rack's judgement; every public method takes inputs no earlier than the last."""

    def __init__(self, plan: RackPlan, start_ms: int) -> None:
        self._plan = plan
        self._clock_ms = start_ms
        self._book = AlarmBook()
        self._sources = {source.id: SourceState(start_ms) for source in plan.sources}
        self._arrange(plan)
        self._channels = {channel.name: ChannelState() for channel in self._order}

    def _arrange(self, plan: RackPlan) -> None:
        """Work out from the plan what does not change until the next one."""
        self._plan = plan
        self._order = channels_of(plan)
        self._at = {channel.name: place for place, channel in enumerate(self._order)}
        self._own = {channel.source.id: channel for channel in self._order if channel.measured}
        self._needed = {source.id: self._worst_without(source) for source in plan.sources}

    def _worst_without(self, source: Source) -> Priority:
        """Return the priority of the worst alarm that nobody could raise without `source`.

        The barometer is not counted: its last value, then the standard one, stands in for it.
        """
        if source.quantity is Quantity.AIR_PRESSURE:
            return Priority.LOW
        lost = {channel.name for channel in self._order if channel.source.id == source.id}
        for channel in self._order:
            if lost.intersection(channel.inputs):
                lost.add(channel.name)
        return max(
            worst_priority(self._plan.tolerance(channel.vessel, channel.quantity))
            for channel in self._order
            if channel.name in lost
        )

    # Inputs

    def feed(self, readings: Readings) -> Outcome:
        """Judge a block of readings in arrival order.

        Readings of sources that the plan does not have are passed over. Raises InputError, and
        changes nothing, where times run backwards.
        """
        outcome = Outcome()
        if not len(readings):
            return outcome
        blocks = self._by_source(readings)
        self._refuse_disorder(readings, blocks)
        due = self._silences(readings.at_ms, blocks)
        before = {name: (state.good_time_ms, state.good_value) for name, state in self._channels.items()}
        usable: dict[str, Series] = {}
        for channel in self._order:
            indices = blocks.get(channel.source.id)
            if indices is None:
                continue
            series = self._series(channel, readings, indices, before, usable)
            former_flag = self._channels[channel.name].flag
            verdict = self._judge(channel, series)
            usable[channel.name] = Series(series.index, series.time_ms, verdict.usable)
            self._note_flags(channel, readings.seq[indices], series, verdict, former_flag, outcome)
            due += self._placed(channel, readings.at_ms, verdict.edges)
        for source_id, indices in blocks.items():
            state = self._sources[source_id]
            state.at_ms, state.time_ms = int(readings.at_ms[indices[-1]]), int(readings.time_ms[indices[-1]])
        self._clock_ms = int(readings.at_ms[-1])
        self._settle(due, outcome)
        return outcome

    def advance(self, until_ms: int) -> Outcome:
        """Let time pass: everything that falls due before `until_ms` happens."""
        if until_ms < self._clock_ms:
            raise InputError(f"time cannot run back from {self._clock_ms} to {until_ms} ms")
        self._clock_ms = until_ms
        outcome = Outcome()
        self._settle(self._silences(np.array([until_ms], dtype=np.int64), {}), outcome)
        return outcome

    def act(self, action: Action) -> Outcome:
        """Take what a person did into account; a refused action says why in `Outcome.refusal`."""
        outcome = self.advance(action.at_ms)
        try:
            if action.kind != "acknowledge":
                raise AlarmError(f"{action.kind}: no such action; known is: acknowledge")
            outcome.events.append(self._book.acknowledge(action.body["alarm"], action.at_ms, action.who))
        except AlarmError as refused:
            outcome.refusal = str(refused)
        return outcome

    def configure(self, plan: RackPlan, at_ms: int) -> Outcome:
        """Go on under another plan: what both plans have keeps its state, alarms without a limit return."""
        outcome = self.advance(at_ms)
        self._arrange(plan)
        self._sources = {
            source.id: self._sources.get(source.id, SourceState(at_ms)) for source in plan.sources
        }
        self._channels = {
            channel.name: self._channels.get(channel.name, ChannelState()) for channel in self._order
        }
        possible = {channel.name: self._possible(channel) for channel in self._order}
        for channel in self._order:
            standing = self._channels[channel.name].standing
            for key in sorted(standing.keys() - possible[channel.name]):
                del standing[key]
        for alarm in self._book:
            for level in sorted(alarm.active):
                if f"{alarm.condition}:{level}" not in possible.get(alarm.channel, set()):
                    self._cross(_gone(alarm, level, at_ms), at_ms, Evidence(), outcome)
        return outcome

    # What people look at

    def alarms(self) -> list[Alarm]:
        """Return the alarms that are not normal, by name."""
        return list(self._book)

    def channels(self) -> list[ChannelNow]:
        """Return every channel as it stands, in the order of the plan."""
        return [
            ChannelNow(
                channel,
                self._plan.tolerance(channel.vessel, channel.quantity),
                state.time_ms,
                state.value,
                state.flag,
                state.rate_per_hour,
                self._sources[channel.source.id].silent,
            )
            for channel in self._order
            for state in [self._channels[channel.name]]
        ]

    def newest_times_ms(self) -> dict[int, int]:
        """Return when each source's newest reading was measured; -1 where there is none yet."""
        return {source_id: state.time_ms for source_id, state in self._sources.items()}

    @property
    def plan(self) -> RackPlan:
        """Return the plan in force."""
        return self._plan

    @property
    def clock_ms(self) -> int:
        """Return the time up to which everything has been judged."""
        return self._clock_ms

    # Snapshot

    def snapshot(self) -> dict[str, Any]:
        """Return the whole state as plain JSON values; `Engine.restore` is the exact inverse."""
        return {
            "version": SNAPSHOT_VERSION,
            "plan": self._plan.to_json(),
            "clock_ms": self._clock_ms,
            "book": self._book.to_json(),
            "sources": {
                str(key): [state.at_ms, state.time_ms, state.silent] for key, state in self._sources.items()
            },
            "channels": {name: channel_state_to_json(state) for name, state in self._channels.items()},
        }

    @classmethod
    def restore(cls, data: dict[str, Any]) -> "Engine":
        """Return the engine that `snapshot` wrote down."""
        if data.get("version") != SNAPSHOT_VERSION:
            raise InputError(f"snapshot version {data.get('version')}; this engine reads {SNAPSHOT_VERSION}")
        engine = cls(plan_from_json(data["plan"]), data["clock_ms"])
        engine._book = AlarmBook.from_json(data["book"])
        engine._sources = {int(key): SourceState(*state) for key, state in data["sources"].items()}
        engine._channels = {name: channel_state_from_json(state) for name, state in data["channels"].items()}
        return engine

    # The steps of a block

    def _by_source(self, readings: Readings) -> dict[int, NDArray[np.intp]]:
        """Return the places of each source's readings in the block, in arrival order."""
        order = np.argsort(readings.source.astype(np.uint16), kind="stable")
        ranked = readings.source[order]
        ids = np.array(sorted(self._sources), dtype=np.int64)
        starts, stops = np.searchsorted(ranked, ids), np.searchsorted(ranked, ids, side="right")
        return {
            int(source_id): order[start:stop]
            for source_id, start, stop in zip(ids, starts, stops, strict=True)
            if stop > start
        }

    def _refuse_disorder(self, readings: Readings, blocks: dict[int, NDArray[np.intp]]) -> None:
        if readings.at_ms[0] < self._clock_ms or (np.diff(readings.at_ms) < 0).any():
            raise InputError("readings must come in the order of their arrival, none before the last")
        for source_id, indices in blocks.items():
            times = readings.time_ms[indices]
            if times[0] <= self._sources[source_id].time_ms or (np.diff(times) <= 0).any():
                raise InputError(f"the times of source {source_id} must rise from reading to reading")

    def _series(
        self,
        channel: Channel,
        readings: Readings,
        indices: NDArray[np.intp],
        before: dict[str, tuple[int, float]],
        usable: dict[str, Series],
    ) -> Series:
        if channel.measured:
            return Series(indices, readings.time_ms[indices], readings.value[indices])
        source = usable[self._own[channel.source.id].name]
        inputs = [
            newest_known(before[name], usable.get(name), source, self._holds_ms(name))
            for name in channel.inputs
        ]
        return Series(indices, source.time_ms, convert(channel, source.value, inputs))

    def _holds_ms(self, name: str) -> int:
        channel = self._order[self._at[name]]
        if channel.quantity is Quantity.AIR_PRESSURE:
            return PRESSURE_HOLDS_MS
        return channel.source.silent_after_ms

    def _judge(self, channel: Channel, series: Series) -> Verdict:
        return judge_channel(
            series,
            self._channels[channel.name],
            self._plan.tolerance(channel.vessel, channel.quantity),
            self._plan.quality[channel.quantity],
            self._needed[channel.source.id],
        )

    def _note_flags(
        self,
        channel: Channel,
        seq: NDArray[np.int64],
        series: Series,
        verdict: Verdict,
        former_flag: int,
        outcome: Outcome,
    ) -> None:
        state, judged = self._channels[channel.name], verdict.judged
        if judged.amended_tests is not None:
            summary = former_flag if judged.amended is None else int(judged.amended)
            outcome.amendments.append(Amendment(channel.name, state.last_seq, summary, judged.amended_tests))
        state.last_seq = int(seq[-1])
        outcome.flags.append(
            ChannelFlags(channel.name, seq, series.time_ms, series.value, judged.summary, judged.tests)
        )

    def _silences(self, at_ms: NDArray[np.int64], blocks: dict[int, NDArray[np.intp]]) -> list[_Due]:
        """Find where sources fell silent or were heard again, and carry `silent` on (it is changed)."""
        due: list[_Due] = []
        for source_id, state in self._sources.items():
            channel = self._own[source_id]
            limit_ms = channel.source.silent_after_ms
            indices = blocks.get(source_id, np.array([], dtype=np.intp))
            heard = np.concatenate([[state.at_ms], at_ms[indices], [at_ms[-1]]])
            for gap in np.flatnonzero(np.diff(heard) > limit_ms).tolist():
                fell_ms = int(heard[gap]) + limit_ms
                if gap > 0 or not state.silent:
                    position = int(np.searchsorted(at_ms, fell_ms, side="right"))
                    due.append(self._silence(channel, position, fell_ms, int(heard[gap]), True))
                state.silent = True
                if gap < indices.size:
                    position = int(indices[gap])
                    due.append(self._silence(channel, position, int(at_ms[position]), int(heard[gap]), False))
                    state.silent = False
        return due

    def _silence(self, channel: Channel, position: int, at_ms: int, since_ms: int, active: bool) -> _Due:
        crossing = Crossing(
            channel.vessel,
            channel.name,
            Condition.SILENT,
            Level.ADVISORY,
            self._needed[channel.source.id],
            active,
            since_ms,
        )
        return _Due(position, active, at_ms, self._at[channel.name], -1, crossing, Evidence())

    def _placed(self, channel: Channel, at_ms: NDArray[np.int64], edges: list[Edge]) -> list[_Due]:
        return [
            _Due(
                edge.index,
                False,
                int(at_ms[edge.index]),
                self._at[channel.name],
                place,
                Crossing(
                    channel.vessel,
                    channel.name,
                    edge.condition,
                    edge.level,
                    edge.priority,
                    edge.active,
                    edge.since_ms,
                ),
                Evidence(_number(edge.value), edge.limit, _number(edge.rate_per_hour)),
            )
            for place, edge in enumerate(edges)
        ]

    def _settle(self, due: list[_Due], outcome: Outcome) -> None:
        for item in sorted(due, key=lambda item: item.order):
            self._cross(item.crossing, item.at_ms, item.evidence, outcome)

    def _cross(self, crossing: Crossing, at_ms: int, evidence: Evidence, outcome: Outcome) -> None:
        event = self._book.cross(crossing, at_ms, evidence)
        if event is not None:
            outcome.events.append(event)

    def _possible(self, channel: Channel) -> set[str]:
        """Return the keys of every condition and level that a channel can be in."""
        tolerance = self._plan.tolerance(channel.vessel, channel.quantity)
        keys = {limit.key for limit in limits_of(tolerance)} if tolerance else set()
        keys.add(f"{Condition.PROBE_FAULT}:{Level.ADVISORY}")
        return keys | {f"{Condition.SILENT}:{Level.ADVISORY}"} if channel.measured else keys


def _gone(alarm: Alarm, level: str, at_ms: int) -> Crossing:
    priority = alarm.active[level]
    return Crossing(alarm.vessel, alarm.channel, alarm.condition, level, priority, False, at_ms)


def _number(value: float) -> float | None:
    return None if np.isnan(value) else value
