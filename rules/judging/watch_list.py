"""The channels of a rack, what each is judged by now, and the alarms that it can raise."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import NO_EVIDENCE, Crossing, Evidence
from rules.alarms.life_cycle import Condition, Priority
from rules.judging.causes import silence_cause, water_cause
from rules.judging.out_of_water import cells_of
from rules.judging.persistence import Turn
from rules.judging.silence import Scope, Silence
from rules.quality.calm import MOVED
from rules.quality.settings import QualitySettings
from rules.quantities import Quantity
from rules.rack.channels import Channel, channels_of
from rules.rack.limits import FAULT_KEY, STUCK_KEY, Basis, Bounds, Level, limits_of, worst_priority
from rules.rack.plan import RackPlan, Source
from rules.rack.stage_plan import StageNow, bounds, tolerance_at
from rules.rack.state import RackState
from rules.rack.tolerance import Tolerance
from rules.water.specific_conductance import Compensation

OXYGEN = (Quantity.OXYGEN, Quantity.OXYGEN_SATURATION)
FEED_MS = 2_700_000
"""So long animals that have been fed may draw oxygen down faster (project judgement); low limits stand."""

_FALLS = {f"{Condition.FALLING}:{level}" for level in Level}
_SILENT_KEY = f"{Condition.SILENT}:{Level.ADVISORY}"


class WatchList:
    """What follows from a plan and from the stages in the vessels; the engine looks everything up here.

    `channels` come each after those that it takes its inputs from; `own` is the channel of what a
    source measures, `cells` the conductivity source by which a probe knows that it is in water, `witness_ids`
    the sources that bear witness against others.
    """

    def __init__(self, plan: RackPlan, rack: RackState) -> None:
        self.plan = plan
        self.channels = channels_of(plan)
        self.place = {channel.name: place for place, channel in enumerate(self.channels)}
        self.own = {channel.source.id: channel for channel in self.channels if channel.measured}
        self.cells = cells_of(plan.sources)
        self._rack = rack
        self._needed: dict[int, Priority] = {}
        self.witness_ids = {it for source in plan.sources for it, _ in self.witnesses(source)}

    def mates(self, cell: int) -> list[Source]:
        """Return what a conductivity cell's probe measures beside it."""
        probe = self.own[cell].source.probe
        return [mate for mate in self.plan.sources if mate.probe == probe and mate.id != cell]

    def corrected_by(self, channel: Channel) -> Channel | None:
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
        return self.plan.quality_of(channel.quantity, channel.source.probe, self.stage(channel).stage)

    def witnesses(self, source: Source) -> list[tuple[int, float]]:
        """Return the sources that must move where a source should, and their least changes."""
        moved = MOVED[source.quantity]
        return [
            (other.id, moved[other.quantity])
            for other in self.plan.sources
            if other.vessel == source.vessel
            and other.quantity in moved
            and (other.probe, other.quantity) != (source.probe, source.quantity)
        ]

    def is_maintained(self, source_id: int) -> bool:
        """Return whether somebody is at work on a source's vessel or bus now."""
        source = self.own[source_id].source
        return self._rack.maintenance_of(source.vessel, source.bus) is not None

    def stages_changed(self) -> None:
        """Forget what was worked out for the stages as they were."""
        self._needed.clear()

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

    def bounds(self, channel: Channel, time_ms: NDArray[np.int64]) -> Bounds:
        """Return what a channel is judged by at the times `time_ms` (shape m).

        After feeding no fall of oxygen counts as too fast for a while; what stands, stands.
        """
        tolerances = self.plan.tolerances_of(channel.vessel)
        found = bounds(tolerances, self.stage(channel), channel.quantity, time_ms)
        fed = time_ms < self._rack.fed_ms.get(channel.vessel, -FEED_MS) + FEED_MS
        if channel.quantity not in OXYGEN or not fed.any():
            return found
        limits = [
            (limit, np.where(fed, np.nan, value) if limit.key in _FALLS else value)
            for limit, value in found.limits
        ]
        return replace(found, limits=limits)

    def is_outside(self, channel: Channel, value: float, at_ms: int) -> bool:
        """Say whether a value is outside one of the channel's bands at a moment."""
        judged = self.bounds(channel, np.array([at_ms], dtype=np.int64))
        return any(
            bool(value > bound if limit.above else value < bound)
            for limit, bound in judged.limits
            if limit.basis is Basis.VALUE
        )

    def worst_without(self, source: Source) -> Priority:
        """Return the priority of the worst alarm that nobody could raise without `source`.

        What it is only an input of goes on: something else stands in for it (see `ranked_inputs`).
        """
        if source.id not in self._needed:
            self._needed[source.id] = self._work_out_worst_without(source)
        return self._needed[source.id]

    def _work_out_worst_without(self, source: Source) -> Priority:
        own = (channel for channel in self.channels if channel.source.id == source.id)
        return max(worst_priority(self.tolerance(channel)) for channel in own)

    def crossing(
        self,
        channel: Channel,
        condition: Condition,
        level: Level,
        priority: Priority | None,
        turn: Turn,
        evidence: Evidence = NO_EVIDENCE,
    ) -> Crossing:
        """Return a crossing; without a `priority`, that of the worst alarm lost with the channel's source."""
        return Crossing(
            vessel=channel.vessel,
            bus=channel.source.bus,
            channel=channel.name,
            condition=condition,
            cause=water_cause(self.plan, channel, condition, level),
            level=level,
            priority=priority or self.worst_without(channel.source),
            active=turn.active,
            since_ms=turn.since_ms,
            evidence=evidence,
        )

    def silence(self, silence: Silence) -> Crossing:
        """Return the crossing of a source that fell silent or was heard again."""
        channel, source, scope = self.own[silence.source.id], silence.source, silence.scope
        turn = Turn(silence.position, silence.begins, silence.since_ms)
        reach = {
            other.vessel
            for other in self.plan.sources
            if scope is Scope.RACK or (scope is Scope.BUS and other.bus == source.bus)
        }
        evidence = Evidence(reason=self._hidden_by(source, scope)) if silence.begins else NO_EVIDENCE
        crossing = self.crossing(channel, Condition.SILENT, Level.ADVISORY, None, turn, evidence)
        return replace(crossing, cause=silence_cause(channel, scope), reach=tuple(sorted(reach)))

    def _hidden_by(self, source: Source, scope: Scope) -> str:
        """Say which limits of which vessels nothing watches while a probe, its bus or the rack is silent."""
        silent = {
            other.id
            for other in self.plan.sources
            if scope is Scope.RACK
            or (other.bus == source.bus if scope is Scope.BUS else other.probe == source.probe)
        }
        limited = [channel for channel in self.channels if self.tolerance(channel) is not None]
        seen = {(it.vessel, it.quantity) for it in limited if it.source.id not in silent}
        hidden = {
            (it.vessel, it.quantity): None
            for it in limited
            if it.source.id in silent and (it.vessel, it.quantity) not in seen
        }
        vessels = {vessel: [q for at, q in hidden if at == vessel] for vessel, _ in hidden}
        told = (f"{vessel}: {', '.join(them)}" for vessel, them in vessels.items())
        return f"{'; '.join(told)} unwatched".replace("_", " ") if vessels else ""

    def possible_keys(self) -> Mapping[str, frozenset[str]]:
        """Return, for every channel, the keys of each condition and level that it can be in."""
        return {channel.name: self._possible_keys(channel) for channel in self.channels}

    def _possible_keys(self, channel: Channel) -> frozenset[str]:
        tolerance = self.tolerance(channel)
        keys = {limit.key for limit in limits_of(tolerance)} if tolerance else set()
        silent = {_SILENT_KEY} if channel.measured else set()
        return frozenset(keys | silent | {FAULT_KEY, STUCK_KEY})

    def possible_alarms(self, at_ms: int) -> dict[str, Crossing]:
        """Return every alarm that the rack can raise now, by name."""
        return {
            f"{channel.name}/{condition}": self.crossing(
                channel, Condition(condition), Level(level), None, Turn(0, False, at_ms)
            )
            for channel in self.channels
            for condition, level in (key.split(":") for key in sorted(self._possible_keys(channel)))
        }
