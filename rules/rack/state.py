"""What the engine carries about the vessels themselves: their stages, and maintenance under way."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from rules.alarms.alarm import Hold
from rules.rack.plan import RackPlan
from rules.rack.stage_plan import Moved, StageNow, move, steps_between

Target = str
"""What maintenance is done on: vessel/NAME or bus/NAME."""


def targets_of(vessel: str, bus: str) -> tuple[Target, Target]:
    """Return the targets whose maintenance concerns a channel of `vessel` on `bus`."""
    return f"vessel/{vessel}", f"bus/{bus}"


@dataclass(slots=True)
class RackState:
    """The stage in each vessel, maintenance by target, and how far the planned moves have been made.

    `fed_ms` is when the animals of a vessel were last fed.
    """

    stages: dict[str, StageNow]
    maintenance: dict[Target, Hold] = field(default_factory=dict)
    done_ms: int = 0
    fed_ms: dict[str, int] = field(default_factory=dict)

    def maintenance_of(self, vessel: str, bus: str) -> Hold | None:
        """Return the maintenance that keeps a channel's alarms from people; None where there is none."""
        found = [self.maintenance[target] for target in targets_of(vessel, bus) if target in self.maintenance]
        return found[0] if found else None

    def let_end(self, until_ms: int) -> Iterator[int]:
        """Let the maintenance end whose time is over by then; go through the moments."""
        for target, hold in sorted(self.maintenance.items(), key=lambda it: it[1].until_ms or 0):
            if hold.until_ms is not None and hold.until_ms <= until_ms:
                del self.maintenance[target]
                yield hold.until_ms

    def moved_since(self, before: Mapping[str, StageNow]) -> list[Moved]:
        """Return the stages that began since they were as `before`."""
        return [Moved(it, before[it], now) for it, now in self.stages.items() if now is not before[it]]

    def next_step_ms(self, plan: RackPlan) -> int | None:
        """Return when the next planned move is due."""
        moments = (step.at_ms for steps in plan.steps.values() for step in steps)
        return min((moment for moment in moments if moment > self.done_ms), default=None)

    def next_moment_ms(self, plan: RackPlan) -> int | None:
        """Return when a planned move, the end of maintenance or a reminder is due next."""
        moments = [step.at_ms for steps in plan.steps.values() for step in steps]
        moments += [hold.until_ms for hold in self.maintenance.values() if hold.until_ms is not None]
        moments += [due_ms for _, due_ms in self.reminders(plan)]
        return min((moment for moment in moments if moment > self.done_ms), default=None)

    def reminders(self, plan: RackPlan) -> Iterator[tuple[str, int]]:
        """Go through the vessels whose stage has a usual length: the vessel, and when that is over."""
        for vessel, now in self.stages.items():
            if now.since_ms and now.stage in plan.usual_stay_ms:
                yield vessel, now.since_ms + plan.usual_stay_ms[now.stage]


def stages_under(
    plan: RackPlan, at_ms: int, old: RackPlan | None, now: Mapping[str, StageNow]
) -> dict[str, StageNow]:
    """Return the stages when a plan comes into force: as they were, unless the plan says something new.

    New is a vessel, another stage in the settings than before, or planned moves that are past and
    newer than the vessel's last one.
    """
    stages: dict[str, StageNow] = {}
    for vessel, stage in plan.vessels.items():
        was = now.get(vessel)
        if was is None or old is None:
            found = StageNow(stage, 0)
        elif old.vessels.get(vessel) != stage and was.stage != stage:
            found = StageNow(stage, at_ms)
        else:
            found = was
        for step in steps_between(plan.steps.get(vessel, ()), found.since_ms, at_ms):
            found = move(found, step)
        stages[vessel] = found
    return stages
