"""The channels of a rack, what each is judged by now, and the alarms that it can raise."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules.alarms.alarm import Alarm, AlarmRules
from rules.alarms.event import NO_EVIDENCE, Crossing, Evidence
from rules.alarms.life_cycle import Condition, Priority
from rules.alarms.persistence import Turn
from rules.judging.channel import DOUBTED
from rules.judging.drop_outs import DropOuts
from rules.judging.out_of_water import cells_of, lifted_together
from rules.judging.series import Series
from rules.judging.silence import Scope, Silence, SourceState
from rules.judging.unwatched import Danger, Loss, cause_of, water_cause
from rules.plain import taken_over
from rules.quality.calm import ALONG, MOVED
from rules.quality.settings import QualitySettings
from rules.quantities import Quantity
from rules.rack.channels import Channel, channels_of
from rules.rack.limits import (
    FAULT_KEY,
    GAPS_KEY,
    STUCK_KEY,
    Basis,
    Bounds,
    Level,
    asks_for_watch,
    limits_of,
    worst_priority,
)
from rules.rack.plan import RACK_WIDE, RackPlan, Source
from rules.rack.stage_plan import StageNow, bounds, tolerance_at
from rules.rack.state import RackState
from rules.rack.tolerance import Tolerance
from rules.readings import Notice
from rules.water.specific_conductance import Compensation

OXYGEN = (Quantity.OXYGEN, Quantity.OXYGEN_SATURATION)
FEED_MS = 2_700_000
"""So long animals that have been fed may draw oxygen down faster (project judgement); low limits stand."""

NEVER_MS = -(2**62)
Feedings = tuple[NDArray[np.intp], NDArray[np.int64]]
"""When the animals of a vessel were last fed, each from a place of a block on; the first from before it."""

_FALLS = {f"{Condition.FALLING}:{level}" for level in Level}
_SILENT_KEY = f"{Condition.SILENT}:{Level.ADVISORY}"


Asked = tuple[int, float, tuple[int, float] | None]
"""A source that bears witness, its least change, and what must move along (`Witness`)."""


class WatchList:
    """What follows from a plan and from the stages in the vessels; the engine looks everything up here.

    `channels` come each after those that it takes its inputs from; `redundant` are those of one vessel and
    quantity by the name of each, best first, where there are several; `own` is the channel of what a
    source measures, `cells` the conductivity source by which a probe knows that it is in water, `apart` that
    by which a source does whose probe has none, `given` the channels for which probes give all inputs.
    """

    def __init__(self, plan: RackPlan, rack: RackState) -> None:
        self.plan = plan
        self.channels = channels_of(plan)
        self.place = {channel.name: place for place, channel in enumerate(self.channels)}
        self.by_name = {channel.name: channel for channel in self.channels}
        self.own = {channel.source.id: channel for channel in self.channels if channel.measured}
        self.cells = cells_of(plan.sources)
        self.of_probe: dict[str, list[Source]] = {}
        for source in plan.sources:
            self.of_probe.setdefault(source.probe, []).append(source)
        self.apart = dict(lifted_together(plan.sources))
        alike = {it.twin: [it.twin] for it in self.channels if it.twin}
        for channel in self.channels:
            alike.get(channel.twin, []).append(channel.name)
        self.redundant = {name: tuple(names) for names in alike.values() for name in names}
        self._measured: dict[tuple[str, Quantity], list[Channel]] = {}
        for channel in self.own.values():
            self._measured.setdefault((channel.vessel, channel.quantity), []).append(channel)
        self._but_for_limits = replace(plan, tolerances={}, own_tolerances={}, alarm_rules=AlarmRules())
        self._causes = [
            cause_of(it, scope) for it in plan.sources for scope in Scope if scope is not Scope.BUS or it.bus
        ]
        self._rack = rack
        self._dangers: tuple[Danger, ...] | None = None
        self._quality: dict[str, QualitySettings] = {}
        self._settled: dict[str, Bounds] = {}
        self._mates: dict[int, list[Source]] = {}
        self.given: set[str] = set()
        for channel in self.channels:
            if all(any(name in self.given for name in need.channels) for need in channel.needs):
                self.given.add(channel.name)
        self.beside = {channel.name: self._beside(channel) for channel in self.channels}
        self.borne_out_by = {channel.name: self._borne_out_by(channel) for channel in self.channels}
        self.witnesses = {source.id: self._witnesses(source) for source in plan.sources}
        self.corrected_by = {channel.name: self._corrected_by(channel) for channel in self.channels}

    def mates(self, cell: int) -> list[Source]:
        """Return what a conductivity cell's probe measures beside it, or what stands apart beside it."""
        if cell not in self._mates:
            probe = self.own[cell].source.probe
            own = (it for it in self.plan.sources if it.probe == probe or self.apart.get(it.id) == cell)
            self._mates[cell] = [mate for mate in own if mate.id != cell]
        return self._mates[cell]

    def _corrected_by(self, channel: Channel) -> Channel | None:
        """Return the temperature by which a probe itself corrects what it measures; None where there is none.

        A probe's own thermometer goes into its oxygen, salinity and conductivity at 25 °C.
        """
        source = channel.source
        in_situ = source.quantity is Quantity.CONDUCTIVITY and source.compensation is Compensation.NONE
        if in_situ or source.quantity in (Quantity.TEMPERATURE, Quantity.AIR_PRESSURE):
            return None
        before = self.channels[: self.place[channel.name]]
        own = (it for it in before if it.source.probe == source.probe and it.vessel == channel.vessel)
        return next((it for it in own if it.quantity is Quantity.TEMPERATURE), None)

    def quality(self, channel: Channel) -> QualitySettings:
        """Return the settings of a channel's quality tests now."""
        if channel.name not in self._quality:
            probe, stage = channel.source.probe, self.stage(channel).stage
            self._quality[channel.name] = self.plan.quality_of(channel.quantity, probe, stage)
        return self._quality[channel.name]

    def _witnesses(self, source: Source) -> list[Asked]:
        """Return the sources that must move where a source should, their least changes, and what moves along.

        The thermometer that an oxygen probe is asked by may lie: the cell beside it shows that.
        """
        moved = MOVED[source.quantity]
        others = [
            other
            for other in self.plan.sources
            if other.vessel == source.vessel
            and other.quantity in moved
            and (other.probe, other.quantity) != (source.probe, source.quantity)
        ]
        found: list[Asked] = [(other.id, moved[other.quantity], None) for other in others]
        for place, other in enumerate(others) if source.quantity is Quantity.OXYGEN else ():
            cell = self.borne_out_by[self.own[other.id].name]
            if other.quantity is Quantity.TEMPERATURE and cell is not None:
                found[place] = other.id, found[place][1], (len(found), ALONG * found[place][1])
                found.append((cell.source.id, np.inf, None))
        return found

    def _beside(self, channel: Channel) -> list[Channel]:
        """Return what other probes measure of a channel's quantity in its vessel."""
        here = self._measured.get((channel.vessel, channel.quantity), ())
        return [it for it in here if it.source.probe != channel.source.probe]

    def _borne_out_by(self, channel: Channel) -> Channel | None:
        """Return the cell that shows what a thermometer does, or the other way; None where none does."""
        pair = {Quantity.TEMPERATURE: Quantity.CONDUCTIVITY, Quantity.CONDUCTIVITY: Quantity.TEMPERATURE}
        wanted = pair.get(channel.quantity)
        if wanted is None or channel.source.compensation is not Compensation.NONE:
            return None
        its = self._measured.get((channel.vessel, wanted), ())
        return next((it for it in its if it.source.compensation is Compensation.NONE), None)

    def of_the_water(self) -> tuple[RackPlan, dict[str, StageNow]]:
        """Return what the water is judged by: the plan but for its limits, and the stages."""
        return self._but_for_limits, dict(self._rack.stages)

    def stages_changed(self) -> None:
        """Forget what was worked out for the stages as they were."""
        self._dangers = None
        self._quality.clear()
        self._settled.clear()

    def stage(self, channel: Channel) -> StageNow:
        """Return the stage in a channel's vessel; one without a name where there is none."""
        return self._rack.stages.get(channel.vessel, StageNow("", 0))

    def tolerance(self, channel: Channel) -> Tolerance | None:
        """Return what the stage in a channel's vessel tolerates; None where it does not care."""
        return (
            self.plan.tolerances_of(channel.vessel).get(self.stage(channel).stage, {}).get(channel.quantity)
        )

    def tolerance_at(self, channel: Channel, at_ms: int) -> Tolerance | None:
        """Return what is tolerated at one moment, bands where they are on a ramp."""
        return tolerance_at(
            self.plan.tolerances_of(channel.vessel), self.stage(channel), channel.quantity, at_ms
        )

    def made_of(self, vessels: Collection[str]) -> list[Channel]:
        """Return the channels of these vessels, and what they are made of."""
        if not vessels:
            return []
        here = [it for it in self.channels if it.vessel in vessels]
        names = {name for it in here for need in it.needs for name in need.channels}
        return [*here, *(it for it in self.channels if it.name in names)]

    def bounds(self, channel: Channel, time_ms: NDArray[np.int64]) -> Bounds:
        """Return what a channel is judged by at the times `time_ms` (shape m), food and work apart."""
        if (found := self._settled.get(channel.name)) is None:
            tolerances = self.plan.tolerances_of(channel.vessel)
            found = bounds(tolerances, self.stage(channel), channel.quantity, time_ms)
            if found.ramp is None:
                self._settled[channel.name] = found
        return found

    def is_outside(self, channel: Channel, value: float, at_ms: int) -> bool:
        """Say whether a value is outside one of the channel's bands at a moment."""
        judged = self.bounds(channel, np.array([at_ms], dtype=np.int64))
        return any(
            bool(value > bound if limit.above else value < bound)
            for limit, bound in judged.limits
            if limit.basis is Basis.VALUE
        )

    def crossing(
        self,
        channel: Channel,
        condition: Condition,
        level: Level,
        priority: Priority | None,
        turn: Turn,
        evidence: Evidence = NO_EVIDENCE,
    ) -> Crossing:
        """Return a crossing; a probe's own trouble is of low priority: what it hides has its own alarm."""
        return Crossing(
            vessel=channel.vessel,
            bus=channel.source.bus,
            channel=channel.name,
            condition=condition,
            cause=cause_of(channel.source, Scope.PROBE)
            if evidence.reason == DOUBTED
            else water_cause(self.plan, channel, condition, level),
            level=level,
            priority=priority or Priority.LOW,
            active=turn.active,
            since_ms=turn.since_ms,
            evidence=evidence,
            waits_ms=self._waits_ms([channel.source]) if turn.active and not priority else turn.waits_ms,
        )

    def _sources_of(self, cause: str) -> list[Source]:
        """Return what a probe, a bus or the whole rack measures, by the cause that alarms about it share."""
        scope, _, name = cause.partition("/")
        every = scope == "rack"
        return [it for it in self.plan.sources if every or name == (it.probe if scope == "probe" else it.bus)]

    def _waits_ms(self, lost: list[Source]) -> int:
        """Return within which time a danger is told as unwatched that nothing shows but what may be lost."""
        hidden = (it for it in self.dangers() if all(channel.source in lost for channel in it.channels))
        return max((danger.delay_ms for danger in hidden), default=0)

    def silence(self, silence: Silence) -> Crossing:
        """Return the crossing of a source that fell silent or was heard again."""
        turn = Turn(silence.position, silence.begins, silence.since_ms)
        channel, cause = self.own[silence.source.id], cause_of(silence.source, silence.scope)
        crossing = self.crossing(
            channel, Condition.SILENT, Level.ADVISORY, None, turn, Evidence(reason=silence.reason)
        )
        waits_ms = self._waits_ms(self._sources_of(cause))
        return replace(crossing, cause=cause, reach=self._reach(cause, silence.scope), waits_ms=waits_ms)

    def drop_outs(self, found: DropOuts, at_ms: int) -> Crossing:
        """Return the crossing of a source of which answers are missing, or hardly any: it hides nothing."""
        turn = Turn(found.position, found.begins, at_ms)
        cause = cause_of(found.waits_for or found.source, found.scope)
        channel, evidence = self.own[found.source.id], Evidence(reason=found.reason)
        crossing = self.crossing(channel, Condition.PROBE_FAULT, Level.GAPS, Priority.LOW, turn, evidence)
        return replace(crossing, cause=cause, reach=self._reach(cause, found.scope))

    def _reach(self, cause: str, scope: Scope) -> tuple[str, ...]:
        """Return the vessels that a cause concerns beside that of its own probe."""
        shared = [] if scope is Scope.PROBE else self._sources_of(cause)
        return tuple(sorted({other.vessel for other in shared}))

    def dangers(self) -> tuple[Danger, ...]:
        """Return what the stages have limits on and a channel shows."""
        if self._dangers is None:
            by_name: dict[str, list[Channel]] = {}
            for channel in self.channels:
                tolerance = self.tolerance(channel)
                if tolerance is not None and asks_for_watch(tolerance):
                    by_name.setdefault(f"{channel.vessel}/{channel.quantity}", []).append(channel)
            self._dangers = tuple(self._danger(name, channels) for name, channels in by_name.items())
        return self._dangers

    def _danger(self, name: str, channels: list[Channel]) -> Danger:
        least_ms = max(channel.source.missed_after_ms for channel in channels)
        tolerance = self.tolerance(channels[0])
        delay_ms = max(tolerance.unwatched_after_ms if tolerance else 0, least_ms)
        missed_ms = min(max(channel.source.silent_after_ms for channel in channels), delay_ms)
        return Danger(name, tuple(channels), missed_ms, delay_ms, worst_priority(tolerance))

    def loss(self, loss: Loss) -> Crossing:
        """Return the crossing of a danger that nobody sees any more, or that is seen again."""
        scope, its = loss.cause.partition("/")[0], self._sources_of(loss.cause)[0]
        return Crossing(
            vessel=its.vessel if scope == "probe" else RACK_WIDE,
            bus="" if scope == "rack" else its.bus,
            channel=loss.cause,
            condition=Condition.UNWATCHED,
            cause=loss.cause,
            level=loss.danger.name,
            priority=loss.danger.priority,
            active=loss.begins,
            since_ms=loss.since_ms,
            reach=tuple(dict.fromkeys(name.partition("/")[0] for name in loss.hidden)),
            evidence=Evidence(hidden=loss.hidden, reason=loss.reason),
        )

    def causes(self) -> dict[str, frozenset[str]]:
        """Return the keys of the alarms that a probe, a bus or the rack can raise for what it hides."""
        keys = frozenset(f"{Condition.UNWATCHED}:{danger.name}" for danger in self.dangers())
        return dict.fromkeys(self._causes, keys)

    def possible_keys(self) -> Mapping[str, frozenset[str]]:
        """Return, for every channel, the keys of each condition and level that it can be in."""
        return {channel.name: self._possible_keys(channel) for channel in self.channels}

    def _possible_keys(self, channel: Channel) -> frozenset[str]:
        tolerance = self.tolerance(channel)
        keys = {limit.key for limit in limits_of(tolerance)} if tolerance else set()
        silent = {_SILENT_KEY, GAPS_KEY} if channel.measured else set()
        return frozenset(keys | silent | {FAULT_KEY, STUCK_KEY})

    def gone(
        self,
        alarms: Iterable[Alarm],
        possible: Mapping[str, frozenset[str]],
        sources: Mapping[int, SourceState],
        at_ms: int,
    ) -> list[Crossing]:
        """Return the ends of what stands although its limit or its whole channel is gone.

        So is a silence of which `sources` know nothing; where none are given, it stands.
        """
        over = {"active": False, "since_ms": at_ms, "reach": (), "evidence": NO_EVIDENCE}
        told = {source_id for source_id, it in sources.items() if it.silent or it.drops.recurs}
        silent = {channel.name for source_id, channel in self.own.items() if source_id in told}
        found = []
        for alarm in alarms:
            for level, priority in sorted(alarm.active.items()):
                channel, key = alarm.channel, f"{alarm.condition}:{level}"
                if ":" in level:  # a limit gave it to a disagreement
                    channel, _, key = level.rpartition("/")
                heard = bool(sources) and alarm.condition is Condition.SILENT and channel not in silent
                if heard or key not in possible.get(channel, frozenset()):
                    found.append(taken_over(Crossing, alarm, level=level, priority=priority, **over))
        return found

    def possible_alarms(self, at_ms: int) -> dict[str, Crossing]:
        """Return every alarm that the rack can raise now, by name."""
        unwatched = [
            self.loss(Loss(danger, 0, at_ms, at_ms, False, cause))
            for cause in self.causes()
            for danger in self.dangers()[:1]
        ]
        return {crossing.alarm: crossing for crossing in unwatched} | {
            f"{channel.name}/{condition}": self.crossing(
                channel, Condition(condition), Level(level), None, Turn(0, False, at_ms)
            )
            for channel in self.channels
            for condition, level in (key.split(":") for key in sorted(self._possible_keys(channel)))
        }


def after_food(channel: Channel, series: Series, found: Bounds, feedings: Feedings | None) -> Bounds:
    """Return the bounds of a channel: after feeding no fall of oxygen is too fast for a while.

    What stands, stands.
    """
    if channel.quantity not in OXYGEN or feedings is None:
        return found
    places, fed_ms = feedings
    fed = series.time_ms < fed_ms[places.searchsorted(series.index, side="right") - 1] + FEED_MS
    if not fed.any():
        return found
    limits = [
        (limit, np.where(fed, np.nan, value) if limit.key in _FALLS else value)
        for limit, value in found.limits
    ]
    return replace(found, limits=limits)


_NAMED_AT_MOST = 5
"""Channels that one line names; it must fit what the on-call process reads."""


def watched_no_more(gone: list[str], at_ms: int) -> Notice:
    """Return what people are told of channels that a new plan does not have."""
    more = f" and {len(gone) - _NAMED_AT_MOST} more" if len(gone) > _NAMED_AT_MOST else ""
    said = ", ".join(name[:30] for name in gone[:_NAMED_AT_MOST]) + more
    return Notice("not watched any more", at_ms, RACK_WIDE, {"said": said})
