"""The alarms that stand on a rack, and the numbered events by which they came and went.

One call for one problem: alarms with the same `cause` explain each other. The first is announced,
later ones are suppressed by design while it stands, unless they are more urgent than all that has
been announced; when the announced ones have returned, the most urgent of the others comes forward,
unless they return soon afterwards too. Of high and high-high the worse, once announced, explains the
milder even where that was there first; when only the milder is left, it goes on in the state of the worse.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from difflib import get_close_matches

from rules.alarms.alarm import (
    HOLDING,
    UNSEEN,
    Alarm,
    AlarmRules,
    Hold,
    HoldKind,
    explained_until,
    explains,
    hidden_by,
    must_allow,
    new_alarm,
    raised_again,
    stands_for,
    step_after,
    trigger_of,
)
from rules.alarms.event import NO_EVIDENCE, AlarmEvent, Crossing, Evidence
from rules.alarms.history import once_one, remembered, steps_to
from rules.alarms.life_cycle import (
    EXCUSES,
    HELD,
    MILDER,
    Condition,
    Priority,
    State,
    Trigger,
    latches,
    next_state,
)
from rules.alarms.patience import AT_ONCE, LAST_BACK, Patience, patience
from rules.errors import AlarmError
from rules.plain import taken_over


class AlarmBook:
    """Keeps every alarm that is not normal, and counts events from 1."""

    def __init__(self, rules: AlarmRules, alarms: Iterable[Alarm] = (), last_number: int = 0) -> None:
        self.rules = rules
        self.last_number = last_number
        self._alarms = {alarm.name: alarm for alarm in alarms}
        self._events: list[AlarmEvent] = []

    def __iter__(self) -> Iterator[Alarm]:
        """Go through the alarms that are not normal, by name."""
        return iter([self._alarms[name] for name in sorted(self._alarms)])

    def take_events(self) -> list[AlarmEvent]:
        """Return the events since the last call, in order."""
        events, self._events = self._events, []
        return events

    # What the water does

    def cross(self, crossing: Crossing, at_ms: int, maintenance: Hold | None) -> None:
        """Take a crossing into account; `maintenance` is what goes on at the vessel or bus now."""
        self.gather(crossing)
        self._part(crossing, at_ms)
        alarm = self._take(crossing, at_ms, maintenance)
        milder = self._milder(alarm)
        stands = bool(alarm.active) or (milder is not None and milder.announced)
        self._look_after_group(alarm.cause, at_ms, patience(crossing.active, stands))

    def gather(self, hides: Crossing) -> None:
        """Give the troubles of the probe, or of those on the bus, that hides dangers its cause."""
        for alarm in self if hides.active and hides.condition in EXCUSES else ():
            shares = alarm.bus == hides.bus and alarm.vessel in hides.reach
            its = shares if hides.cause.startswith("bus/") else alarm.cause == hides.channel
            if its and alarm.active and alarm.condition in EXCUSES[hides.condition]:
                self._keep(replace(alarm, cause=hides.cause))

    def _part(self, trouble: Crossing, at_ms: int) -> None:
        """Let what a probe hides be told by itself, once more is lost than what explained it knew of."""
        hides = self._alarms.get(f"{trouble.cause}/{Condition.UNWATCHED}")
        if hides is None or hides.cause == trouble.cause or not trouble.active:
            return
        if trouble.condition in EXCUSES[hides.condition] and hides.held_by is HoldKind.EXPLAINED:
            self._release(replace(hides, cause=trouble.cause), HoldKind.EXPLAINED, "", at_ms, NO_EVIDENCE)

    def withdraw(self, crossings: Iterable[Crossing], at_ms: int) -> None:
        """Let levels that have no limit any more return all at once: none comes forward for another."""
        taken = [self._take(crossing, at_ms, None) for crossing in crossings]
        for cause in sorted({alarm.cause for alarm in taken}):
            self._look_after_group(cause, at_ms, LAST_BACK)

    def _take(self, crossing: Crossing, at_ms: int, maintenance: Hold | None) -> Alarm:
        evidence = crossing.evidence
        alarm = self._alarms.get(crossing.alarm) or new_alarm(crossing)
        active = {level: rank for level, rank in alarm.active.items() if level != crossing.level}
        if crossing.active:
            active[crossing.level] = crossing.priority
        if crossing.active and not alarm.active:
            alarm = raised_again(alarm, crossing)
        newest = evidence if crossing.active else alarm.evidence
        moves = crossing.active and alarm.condition in EXCUSES and alarm.held_by is HoldKind.EXPLAINED
        cause = crossing.cause if moves else alarm.cause  # it hides more than what explained it
        before, alarm = alarm, replace(alarm, active=active, evidence=newest, cause=cause)
        if alarm.holds:
            self._cross_held(before, alarm, at_ms, crossing)
        elif not before.active and active:
            self._raise(alarm, at_ms, crossing, maintenance)
        else:
            trigger = trigger_of(before, alarm, self.rules.latching)
            self._keep(alarm)
            if before.active and not active and self._milder_goes_on(alarm, at_ms, evidence):
                trigger = Trigger.HANDED_ON if trigger is Trigger.RETURNED else trigger
            if trigger:
                self._step(alarm, trigger, at_ms, evidence)
        return alarm

    def _raise(self, alarm: Alarm, at_ms: int, crossing: Crossing, maintenance: Hold | None) -> None:
        evidence = crossing.evidence
        if maintenance is not None:
            self._hold(alarm, HoldKind.MAINTENANCE, maintenance, at_ms, evidence)
            return
        latched = alarm.state in (State.LATCHED, State.LATCHED_UNACKNOWLEDGED)
        leader = None if latched else self._news(alarm)
        if leader is not None:
            self._hold(alarm, HoldKind.EXPLAINED, Hold("", leader.name), at_ms, evidence)
        elif crossing.waits_ms and not latched:
            self._hold(alarm, HoldKind.EXPLAINED, alarm.waits(at_ms + crossing.waits_ms), at_ms, evidence)
        else:
            excuses = alarm.condition in EXCUSES and alarm.state is State.NORMAL
            goes_over = excuses and any(it.announced for it in self._group(alarm.cause))
            self._step(alarm, Trigger.WORSENED if goes_over else Trigger.RAISED, at_ms, evidence)

    def _cross_held(self, before: Alarm, alarm: Alarm, at_ms: int, crossing: Crossing) -> None:
        """While an alarm is kept from people the water is only noted; an explanation can cease to be one."""
        self._keep(alarm)
        if alarm.held_by is not HoldKind.EXPLAINED:
            return
        worse = trigger_of(before, alarm, self.rules.latching) is Trigger.WORSENED
        news = (worse or alarm.waited_for(crossing)) and not crossing.waits_ms and self._news(alarm) is None
        if news or not alarm.active:
            self._release(alarm, HoldKind.EXPLAINED, "", at_ms, crossing.evidence)

    def _milder(self, alarm: Alarm) -> Alarm | None:
        """Return the alarm of the milder of two limits, where `alarm` is that of the worse."""
        return self._alarms.get(f"{alarm.channel}/{MILDER.get(alarm.condition)}")

    def _milder_goes_on(self, worse: Alarm, at_ms: int, evidence: Evidence) -> bool:
        """Let the milder alarm go on in the state of the worse, which is over; return whether it does."""
        milder = self._milder(worse)
        explained = milder is not None and milder.active and milder.held_by is HoldKind.EXPLAINED
        if milder is None or not explained or self._explanation(milder) is not None:
            return False
        seen = worse.state is State.ACKNOWLEDGED
        now = replace(milder.evidence, value=evidence.value, rate_per_hour=evidence.rate_per_hour)
        by_whom = replace(milder, acknowledged_ms=worse.acknowledged_ms, seen_by=worse.seen_by)
        goes_on = replace(by_whom, holds={}, worst=milder.priority, evidence=now)
        self._step(goes_on, Trigger.GOES_ON_SEEN if seen else Trigger.GOES_ON, at_ms, now)
        return True

    def _explanation(self, alarm: Alarm) -> Alarm | None:
        """Return the announced alarm of the same cause that is at least as urgent; None if there is none.

        Who has shelved the worse of two limits need not be told of the milder, nor of a probe that hides it.
        """
        others = [it for it in self._group(alarm.cause) if it.name != alarm.name and stands_for(it, alarm)]
        calling = State.UNACKNOWLEDGED
        leader = max(others, key=lambda other: (other.priority, other.state is calling), default=None)
        return leader if leader is not None and leader.priority >= alarm.priority else None

    def _news(self, alarm: Alarm) -> Alarm | None:
        """Return what explains an alarm that has just come up or become worse; None if people must be told.

        Who has acknowledged one vessel may not know that another one has become critical since.
        """
        leader = self._explanation(alarm)
        told = leader is None or leader.vessel == alarm.vessel or leader.state is State.UNACKNOWLEDGED
        return leader if told or alarm.priority < Priority.CRITICAL else None

    def _group(self, cause: str) -> list[Alarm]:
        return [alarm for alarm in self if cause and alarm.cause == cause]

    def _look_after_group(self, cause: str, at_ms: int, waits_ms: Patience = AT_ONCE) -> None:
        """Where nobody is told of a cause any more, let the most urgent of its alarms come forward.

        Those that have just lost what explained them wait for `waits_ms`, by their own priority.
        """
        while True:
            for alarm in self._group(cause):
                if alarm.held_by is HoldKind.EXPLAINED:
                    hold = self._explained_by(alarm, at_ms + waits_ms[alarm.priority])
                    self._keep(replace(alarm, holds={HoldKind.EXPLAINED: hold}))
            due = [alarm for alarm in self._group(cause) if explained_until(alarm, at_ms)]
            if not due:
                return
            first = min(due, key=lambda alarm: (-alarm.priority, alarm.since_ms, alarm.name))
            self._release(first, HoldKind.EXPLAINED, "", at_ms, NO_EVIDENCE)

    def _explained_by(self, alarm: Alarm, else_until_ms: int) -> Hold:
        leader, was = self._explanation(alarm), alarm.holds[HoldKind.EXPLAINED]
        if leader is not None:
            return Hold("", leader.name)
        return was if was.until_ms is not None else replace(was, until_ms=else_until_ms)

    # After a loss of state

    def take_over(self, history: Iterable[AlarmEvent], last_number: int, at_ms: int) -> None:
        """Bring every alarm from where people were told it stands (its newest event) to where it stands now.

        For a book that was built up anew: people's acknowledgements stay, events are numbered on.
        What was told before the worse of two limits had an alarm of its own goes over to that.
        """
        self.last_number, self._events = last_number, []
        told = {event.alarm: event for event in history}
        passed_on = {worse: told[milder] for worse, milder in once_one(self, told)}
        for name in [*sorted(passed_on), *sorted({*told, *self._alarms} - passed_on.keys())]:
            event = passed_on.get(name) or told.get(name)
            alarm = self._alarms.pop(name, None) or remembered(told[name])
            before = State.NORMAL if event is None else event.state
            steps = steps_to(before, alarm, self.rules.latching)
            if name in passed_on:
                seen, before = before is State.ACKNOWLEDGED, State.NORMAL
                steps = [Trigger.GOES_ON_SEEN if seen else Trigger.GOES_ON, *steps]
            if event is not None and Trigger.RAISED not in steps:
                alarm = replace(alarm, since_ms=event.since_ms)
            if event is not None and event.state is State.ACKNOWLEDGED and alarm.state is not event.state:
                alarm = replace(alarm, acknowledged_ms=event.at_ms)
            alarm = replace(alarm, state=before)
            self._keep(alarm)
            for trigger in steps:  # one that is normal on the way is not kept
                alarm = self._alarms.get(name, replace(alarm, state=State.NORMAL))
                self._step(alarm, trigger, at_ms, NO_EVIDENCE)

    # What people do

    def acknowledge(self, name: str, at_ms: int, who: str) -> None:
        """Note that `who` has seen the alarm; raise AlarmError where there is nothing to see."""
        alarm = self._standing(name, Trigger.ACKNOWLEDGED)
        worst = max(alarm.active.values(), default=alarm.worst)
        seen = replace(alarm, worst=worst, acknowledged_ms=at_ms, seen_by=who)
        self._step(seen, Trigger.ACKNOWLEDGED, at_ms, NO_EVIDENCE, who)

    def reset(self, name: str, at_ms: int, who: str) -> None:
        """Let a latched alarm go; raise AlarmError for any other."""
        self._step(self._standing(name, Trigger.RESET), Trigger.RESET, at_ms, NO_EVIDENCE, who)

    def hold(self, crossing: Crossing, kind: HoldKind, hold: Hold, at_ms: int) -> None:
        """Keep an alarm, standing or normal, from people; raise AlarmError where the table forbids it.

        `crossing` says which alarm is meant; its level and priority do not matter.
        """
        alarm = self._alarms.get(crossing.alarm) or new_alarm(crossing)
        if kind in (HoldKind.SHELF, HoldKind.SERVICE):
            must_allow(alarm, HOLDING[kind][0])
        self._hold(alarm, kind, hold, at_ms, NO_EVIDENCE)
        self._look_after_group(alarm.cause, at_ms)

    def hold_all(self, chosen: Callable[[Alarm], bool], kind: HoldKind, hold: Hold, at_ms: int) -> None:
        """Keep every alarm that is `chosen` from people, in the place of an older hold of that kind."""
        for alarm in self:
            if chosen(alarm):
                self._hold(alarm, kind, hold, at_ms, NO_EVIDENCE)
        for alarm in self:
            self._look_after_group(alarm.cause, at_ms)

    def release(self, name: str, kind: HoldKind, at_ms: int, who: str) -> None:
        """End a hold; an alarm whose condition lasts is raised. AlarmError where there is no such hold."""
        alarm = self._standing(name)
        if kind not in alarm.holds:
            must_allow(alarm, HOLDING[kind][2])
        self._release(alarm, kind, who, at_ms, NO_EVIDENCE)
        self._look_after_group(alarm.cause, at_ms)

    def _standing(self, name: str, trigger: Trigger | None = None) -> Alarm:
        if name not in self._alarms:
            nearest = get_close_matches(name, self._alarms, 1)
            hint = f"the nearest that does is {nearest[0]}" if nearest else "see `bellwatch status`"
            raise AlarmError(f"{name}: no such alarm stands now; {hint}")
        if trigger:
            must_allow(self._alarms[name], trigger)
        return self._alarms[name]

    # What time does

    def next_due_ms(self) -> int | None:
        """Return when a hold ends or an alarm is to be announced again; None where nothing is due."""
        return min((due_ms for due_ms, _, _ in self._timers()), default=None)

    def let_pass(self) -> None:
        """Do the next thing that is due; there must be one."""
        due_ms, name, kind = min(self._timers())
        alarm = self._alarms[name]
        if not kind:
            self._step(alarm, Trigger.REANNOUNCED, due_ms, NO_EVIDENCE)
        elif kind != HoldKind.EXPLAINED:
            self._release(alarm, HoldKind(kind), "", due_ms, NO_EVIDENCE)
        self._look_after_group(alarm.cause, due_ms)

    def _timers(self) -> Iterator[tuple[int, str, str]]:
        """Go through all that is due: when, the alarm, and the kind of hold that ends ("": told again).

        Maintenance is not among them: it ends for the whole vessel or bus, by `release`.
        """
        for alarm in self:
            for kind, hold in alarm.holds.items():
                if hold.until_ms is not None and kind is not HoldKind.MAINTENANCE:
                    yield hold.until_ms, alarm.name, kind
            critical = alarm.state is State.ACKNOWLEDGED and alarm.priority is Priority.CRITICAL
            if critical and self.rules.reannounce_ms is not None:
                yield alarm.acknowledged_ms + self.rules.reannounce_ms, alarm.name, ""

    # Steps

    def _hold(self, alarm: Alarm, kind: HoldKind, hold: Hold, at_ms: int, evidence: Evidence) -> None:
        holds = {**alarm.holds, kind: hold}
        if kind is not HoldKind.EXPLAINED:
            holds.pop(HoldKind.EXPLAINED, None)
        work = kind is HoldKind.MAINTENANCE and alarm.state not in HELD
        held = replace(alarm, holds=holds, before_work=alarm.state if work else alarm.before_work)
        if HOLDING[held.held_by or kind][1] is alarm.state:
            self._keep(held)
        else:
            self._step(held, HOLDING[kind][0], at_ms, evidence, hold.who)

    def _release(self, alarm: Alarm, kind: HoldKind, who: str, at_ms: int, evidence: Evidence) -> None:
        _, held_state, trigger = HOLDING[kind]
        holds = {other: hold for other, hold in alarm.holds.items() if other is not kind}
        left = replace(alarm, holds=holds)
        if alarm.state is not held_state or any(HOLDING[other][1] is held_state for other in holds):
            self._keep(left)
            return
        self._step(left, trigger, at_ms, evidence, who)
        again, left = step_after(left, kind), replace(left, state=State.NORMAL)
        if left.held_by is not None:
            self._step(left, HOLDING[left.held_by][0], at_ms, evidence, holds[left.held_by].who)
        elif left.active:
            left = replace(left, worst=left.priority)
            leader = self._news(left)
            if leader is None:
                self._step(left, again, at_ms, left.evidence)
            else:
                self._hold(left, HoldKind.EXPLAINED, Hold("", leader.name), at_ms, evidence)
        elif kind is not HoldKind.EXPLAINED:
            self._after_work(left, at_ms)

    def _after_work(self, alarm: Alarm, at_ms: int) -> None:
        """Let what nobody had seen, or reset, before maintenance be there again, though its water is well."""
        before, alarm = alarm.before_work, replace(alarm, before_work=State.NORMAL)
        latched, unseen = latches(alarm.condition, self.rules.latching), before in UNSEEN
        if unseen or (latched and before is not State.NORMAL):
            self._step(alarm, Trigger.LATCHED if latched else Trigger.RETURNED, at_ms, NO_EVIDENCE)
            if not unseen:
                self._step(self._alarms[alarm.name], Trigger.ACKNOWLEDGED, at_ms, NO_EVIDENCE, alarm.seen_by)

    def _step(self, alarm: Alarm, trigger: Trigger, at_ms: int, evidence: Evidence, who: str = "") -> None:
        worst = max(alarm.worst, *alarm.active.values()) if alarm.active else alarm.worst
        state = next_state(alarm.state, trigger)
        before = alarm.before_work if state in HELD else State.NORMAL
        alarm = replace(alarm, state=state, worst=worst, before_work=before)
        self._keep(alarm)
        self.last_number += 1
        hold = alarm.holds[alarm.held_by] if alarm.held_by else None
        event = taken_over(
            AlarmEvent,
            alarm,
            number=self.last_number,
            at_ms=at_ms,
            trigger=trigger,
            vessels=self._vessels(alarm),
            evidence=evidence,
            who=who,
            why=hold.why if hold else "",
            until_ms=hold.until_ms if hold else None,
        )
        self._events.append(event)
        if trigger in (Trigger.RAISED, Trigger.WORSENED):
            for other in self._group(alarm.cause):
                if other.announced and explains(alarm, other):
                    hold = Hold("", alarm.name)
                    self._hold(hidden_by(alarm, other), HoldKind.EXPLAINED, hold, at_ms, NO_EVIDENCE)

    def _vessels(self, alarm: Alarm) -> tuple[str, ...]:
        """Return the vessels in which the alarm's cause shows, the alarm's own first."""
        others = {other.vessel for other in self._group(alarm.cause) if other.active}
        return (alarm.vessel, *sorted(others.union(alarm.reach) - {alarm.vessel}))

    def _keep(self, alarm: Alarm) -> None:
        if alarm.state is State.NORMAL and not alarm.active and not alarm.holds:
            self._alarms.pop(alarm.name, None)
        else:
            self._alarms[alarm.name] = alarm
