"""What people do, checked and carried out: each kind of `Action` has one function here.

A deed that cannot be done raises AlarmError or InputError with one line for the person who asked.
"""

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from rules import ENTRIES_CHECKED, SECOND_WORD, TOLD_APART
from rules.alarms.alarm import Alarm, Hold, HoldKind
from rules.alarms.book import AlarmBook
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import MILDER, WORSE, Priority
from rules.calling.records import DRILL
from rules.care.probe_care import Newest, ProbeCare
from rules.culture.acts import act_of
from rules.errors import InputError, RulesError, none_such
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.limits import Limit, limits_of
from rules.rack.logbook import ENTRY_KINDS, check_entry, check_sample, is_withdrawn
from rules.rack.plan import RACK_WIDE, RackPlan
from rules.rack.stage_plan import StageNow, StageStep, move
from rules.rack.state import RackState, targets_of
from rules.rack.tolerance import Tolerance
from rules.readings import Action, Notice

MAINTENANCE_LIMIT_MS = 24 * 3_600_000
"""The longest that maintenance can be declared for at once (project judgement)."""

RAMP_LIMIT_MS = 366 * 86_400_000
"""The longest that the limits may take to follow a stage move (project judgement)."""

BELL_DIAMETER_MM = 10.0
"""An ephyra whose recorded bell is wider is due for review (common practice, no source)."""

LARGEST = 1e12
"""No number that somebody gives here is larger; it also keeps out what is not a number."""

LOG_KINDS = tuple(ENTRY_KINDS)

LOOKS_AT_VALUES = frozenset({"shelve", "take_out_of_service", "hand_measurement"})
"""Kinds of action that look at the newest values of the vessel that they are about."""

FORESEEN = frozenset({"log", "begin_maintenance", "end_maintenance"})
"""Kinds of action of which it is worked out beforehand what they change in the readings after them."""

CUTS_NOTHING = LOOKS_AT_VALUES | FORESEEN | {
    "culture", "acknowledge", "reset", "unshelve", "put_back_into_service", "drill"
}  # fmt: skip


def cuts_nothing(action: Action) -> bool:
    """Return whether the readings of all vessels before and after an action can be judged as one block.

    It moves no limit; of food, of work, and of a measurement by hand, the engine knows what they change.
    """
    return action.kind in CUTS_NOTHING and "limits_too" not in action.body


def vessels_looked_at(actions: Iterable[Action]) -> set[str]:
    """Return the vessels whose newest values these actions look at."""
    bodies = (action.body for action in actions if action.kind in LOOKS_AT_VALUES)
    return {str(it.get(key)).strip().partition("/")[0] for it in bodies for key in ("vessel", "alarm")}


@dataclass(slots=True)
class Deeds:
    """Carries actions out on the book of alarms and the state of the rack.

    `possible` gives, by the name of every alarm that the plan can raise, a crossing that names it;
    `newest` each channel's newest usable value. `changed_channels` are those that a
    calibration makes jump.
    """

    plan: RackPlan
    book: AlarmBook
    rack: RackState
    possible: Callable[[], Mapping[str, Crossing]]
    care: ProbeCare
    channels: Sequence[Channel]
    newest: Callable[[], Newest]
    notices: list[Notice] = field(default_factory=list)
    changed_channels: list[str] = field(default_factory=list)

    def do(self, action: Action) -> None:
        """Carry an action out; raise RulesError, having changed nothing, where it cannot be done."""
        deed = DEEDS.get(action.kind)
        if deed is None:
            raise InputError(f"{action.kind}: no such action; known are: {', '.join(DEEDS)}")
        deed(self, action)

    def acknowledge(self, action: Action) -> None:
        """Note that somebody has seen an alarm."""
        self._each(action, lambda name: self.book.acknowledge(name, action.at_ms, action.who))

    def reset(self, action: Action) -> None:
        """Let a latched alarm go."""
        self._each(action, lambda name: self.book.reset(name, action.at_ms, action.who))

    def shelve(self, action: Action) -> None:
        """Keep an alarm from people for a bounded time, for a reason."""
        rules, name = self.plan.alarm_rules, _text(action, "alarm")
        limit_ms = rules.shelf_limit_ms
        if action.rules >= SECOND_WORD and self._is_critical(name):
            limit_ms = min(limit_ms, rules.critical_shelf_limit_ms)
            if action.body.get("yes_critical") is not True:
                hours = f"{limit_ms / 3_600_000:g} h at most"
                raise InputError(f"{name}: animals are at risk; say yes_critical too, and for {hours}")
        until_ms = action.at_ms + _duration_ms(action, limit_ms)
        self._keep_from_people(action, HoldKind.SHELF, until_ms)

    def _is_critical(self, name: str) -> bool:
        stands = next((alarm.priority for alarm in self.book if alarm.name == name), Priority.LOW)
        return name.rpartition("/")[2] in MILDER or stands is Priority.CRITICAL

    def unshelve(self, action: Action) -> None:
        """Take an alarm off the shelf before its time."""
        self._each(action, lambda name: self.book.release(name, HoldKind.SHELF, action.at_ms, action.who))

    def take_out(self, action: Action) -> None:
        """Take an alarm out of service, for a reason, until somebody puts it back."""
        self._keep_from_people(action, HoldKind.SERVICE, None)

    def put_back(self, action: Action) -> None:
        """Put an alarm back into service."""
        self._each(action, lambda name: self.book.release(name, HoldKind.SERVICE, action.at_ms, action.who))

    def move_stage(self, action: Action) -> None:
        """Move another stage into a vessel, its limits following over a ramp where one is given."""
        vessel = _one_of(_text(action, "vessel"), "vessel", self.rack.stages)
        stage = _one_of(_text(action, "stage"), "stage", self.plan.tolerances_of(vessel))
        ramp_ms = round(_number(action, "over_s", 0.0) * 1000)
        if not 0 <= ramp_ms <= RAMP_LIMIT_MS:
            days = RAMP_LIMIT_MS / 86_400_000
            raise InputError(f"over_s: found {ramp_ms / 1000:g}; expected from 0 s to {days:g} days")
        step = StageStep(action.at_ms, stage, ramp_ms)
        self.rack.stages[vessel] = move(self.rack.stages[vessel], step)
        end_shelves(self.book, self.plan, vessel, self.rack.stages[vessel], action.at_ms)

    def begin_maintenance(self, action: Action) -> None:
        """Suppress the alarms of a vessel or a bus for a bounded time."""
        target = _one_of(_text(action, "target"), "target", self._targets())
        until_ms = action.at_ms + _duration_ms(action, MAINTENANCE_LIMIT_MS)
        hold = Hold(_who(action), _text(action, "why"), until_ms)
        self.rack.maintenance[target] = hold
        self.book.hold_all(
            lambda alarm: target in targets_of(alarm.vessel, alarm.bus),
            HoldKind.MAINTENANCE,
            hold,
            action.at_ms,
        )

    def _targets(self) -> list[str]:
        buses = sorted({source.bus for source in self.plan.sources})
        return [f"vessel/{vessel}" for vessel in self.plan.vessels] + [f"bus/{bus}" for bus in buses]

    def end_maintenance(self, action: Action) -> None:
        """End maintenance before its time."""
        target = _one_of(_text(action, "target"), "target", self._targets())
        if target not in self.rack.maintenance:
            under = ", ".join(sorted(self.rack.maintenance)) or "nothing"
            raise InputError(f"target: {target} is not under maintenance now; under it is: {under}")
        finish_maintenance(self.book, self.rack, target, action)

    def log(self, action: Action) -> None:
        """Write into the logbook; a bell that has outgrown its stage makes a notice.

        After food oxygen may fall faster for a while (see `rules.judging.watch_list`).
        """
        vessel = _one_of(_text(action, "vessel"), "vessel", self.rack.stages)
        kind = _one_of(_text(action, "what"), "what", LOG_KINDS)
        if is_withdrawn(action.body):
            if "value" in action.body:
                raise InputError("value: found one; an entry that never was has none")
            return
        value = _number(action, "value", math.nan)
        checked = action.rules >= ENTRIES_CHECKED and "value" in action.body
        if checked and not (kind == "bell_diameter" and value <= 0):
            low, high = _number(action, "low", value), _number(action, "high", value)
            check_sample(value, _number(action, "n", 1.0), low, high)
            _number(action, "sd", 0.0)
            for end in (low, high):
                check_entry(kind, end, self.rack.stages[vessel].stage)
        earlier = "corrects" in action.body or "when_ms" in action.body
        if kind == "feed" and not earlier:
            self.rack.fed_ms[vessel] = action.at_ms
        if kind == "bell_diameter":
            if not value > 0:
                raise InputError("value: a bell diameter needs one, in millimetres, above 0")
            if self.rack.stages[vessel].stage == "ephyra" and value > BELL_DIAMETER_MM:
                details = {"stage": "ephyra", "bell_diameter_mm": value, "usual_mm": BELL_DIAMETER_MM}
                self.notices.append(Notice("stage review", action.at_ms, vessel, details))

    def culture(self, action: Action) -> None:
        """Take what was done with a batch of animals; the vessels that are named follow to its stage.

        What there is of animals is no input of any judgement.
        """
        act = act_of(0, action.at_ms, _who(action), action.body)
        for vessel in filter(None, (act.vessel, act.to)):
            _one_of(vessel, "vessel", self.rack.stages)
        follow = [str(vessel) for vessel in action.body.get("limits_too", ())]
        for vessel in follow:
            _one_of(act.stage, "stage", self.plan.tolerances_of(_one_of(vessel, "vessel", self.rack.stages)))
        for vessel in follow:
            self.move_stage(replace(action, body={"vessel": vessel, "stage": act.stage}))

    def calibrate(self, action: Action) -> None:
        """Put a probe's calibration into force from now on."""
        self.changed_channels += self.care.calibrate(action, self.plan, self.channels)

    def hand_measurement(self, action: Action) -> None:
        """Compare what somebody measured by hand with the probes."""
        self.notices += self.care.hand_measurement(action, self.plan, self.channels, self.newest())

    def drill(self, action: Action) -> None:
        """Ask whoever calls people to practise: nothing is wrong, and no alarm is touched."""
        self.notices.append(Notice(DRILL, action.at_ms, RACK_WIDE, {"who": _who(action)}))

    def _each(self, action: Action, deed: Callable[[str], None]) -> None:
        """Do it to the alarm that is meant; before high-high had a name, `high` meant whichever stood."""
        channel, _, condition = _text(action, "alarm").rpartition("/")
        meant = [f"{channel}/{condition}"]
        if action.rules < TOLD_APART and condition in WORSE:
            meant.append(f"{channel}/{WORSE[condition]}")
        refused = []
        for name in meant:
            try:
                deed(name)
            except RulesError as refusal:
                refused.append(refusal)
        if len(refused) == len(meant):
            raise refused[0]

    def _keep_from_people(self, action: Action, kind: HoldKind, until_ms: int | None) -> None:
        hold = Hold(_who(action), _text(action, "why"), until_ms)
        possible, newest = self.possible(), self.newest()

        def keep(name: str) -> None:
            meant = possible[_one_of(name, "alarm", possible)]
            value = newest[meant.channel][1] if meant.channel in newest else math.nan
            known = replace(hold, value=None if math.isnan(value) else value)
            self.book.hold(meant, kind, known, action.at_ms)
            maintenance = self.rack.maintenance_of(meant.vessel, meant.bus)
            if maintenance is not None:
                self.book.hold(meant, HoldKind.MAINTENANCE, maintenance, action.at_ms)

        self._each(action, keep)


def finish_maintenance(book: AlarmBook, rack: RackState, target: str, action: Action) -> None:
    """Take maintenance off a target and release the alarms that nothing else keeps in maintenance."""
    del rack.maintenance[target]
    for alarm in sorted(book, key=lambda alarm: -alarm.priority):
        if HoldKind.MAINTENANCE in alarm.holds and rack.maintenance_of(alarm.vessel, alarm.bus) is None:
            book.release(alarm.name, HoldKind.MAINTENANCE, action.at_ms, action.who)


def move_as_planned(book: AlarmBook, plan: RackPlan, rack: RackState, moment_ms: int) -> None:
    """Make the planned moves of a moment."""
    for vessel, steps in plan.steps.items():
        for step in steps:
            if step.at_ms == moment_ms:
                now = rack.stages[vessel] = move(rack.stages[vessel], step)
                end_shelves(book, plan, vessel, now, moment_ms)


def runs_long(rack: RackState, vessel: str, at_ms: int) -> Notice:
    """Return what people are told of a stage that has lasted for as long as it usually does."""
    return Notice("stage runs long", at_ms, vessel, {"stage": rack.stages[vessel].stage})


def end_shelves(book: AlarmBook, plan: RackPlan, vessel: str, now: StageNow, at_ms: int) -> None:
    """Let each shelf whose limit a stage move has changed end when the water has been judged by the new one.

    So it does not cover what nobody thought of, nor does the move itself call anybody.
    """
    by_stage = plan.tolerances_of(vessel)
    was = by_stage.get(now.before.stage, {}) if now.before else {}
    for alarm in book:
        shelf = alarm.holds.get(HoldKind.SHELF)
        if shelf is None or alarm.vessel != vessel:
            continue
        old, new = (_limits_of(stage, alarm) for stage in (was, by_stage.get(now.stage, {})))
        if [limit.value for limit in old] != [limit.value for limit in new]:
            ends_ms = at_ms + max((limit.delays_ms[0] for limit in new), default=0)
            shorter = replace(shelf, until_ms=min(shelf.until_ms or ends_ms, ends_ms))
            book.hold_all(partial(_is_named, alarm.name), HoldKind.SHELF, shorter, at_ms)


def end_shelves_of_moved(
    book: AlarmBook, plan: RackPlan, before: Mapping[str, StageNow], after: Mapping[str, StageNow], at_ms: int
) -> None:
    """Do so in each vessel that another plan moves to another stage."""
    for vessel, now in after.items():
        if vessel in before and now != before[vessel]:
            end_shelves(book, plan, vessel, now, at_ms)


def _is_named(name: str, alarm: Alarm) -> bool:
    return alarm.name == name


def _limits_of(tolerances: Mapping[Quantity, Tolerance], alarm: Alarm) -> list[Limit]:
    """Return the limits of a stage that raise an alarm."""
    name = f"{alarm.channel}/".removeprefix(f"{alarm.vessel}/")
    found = [its for quantity, its in tolerances.items() if name.startswith(f"{quantity}/")]
    return [limit for its in found for limit in limits_of(its) if limit.condition is alarm.condition]


DEEDS: dict[str, Callable[[Deeds, Action], None]] = {
    "acknowledge": Deeds.acknowledge,
    "reset": Deeds.reset,
    "shelve": Deeds.shelve,
    "unshelve": Deeds.unshelve,
    "take_out_of_service": Deeds.take_out,
    "put_back_into_service": Deeds.put_back,
    "move_stage": Deeds.move_stage,
    "begin_maintenance": Deeds.begin_maintenance,
    "end_maintenance": Deeds.end_maintenance,
    "log": Deeds.log,
    "culture": Deeds.culture,
    "calibrate": Deeds.calibrate,
    "hand_measurement": Deeds.hand_measurement,
    "drill": Deeds.drill,
}
"""Every kind of action, and what it does."""


def _text(action: Action, key: str) -> str:
    value = action.body.get(key)
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{key}: {action.kind} needs one, in words")
    return value


def _who(action: Action) -> str:
    if not action.who.strip():
        raise InputError(f"who: {action.kind} needs the name of the person who does it")
    return action.who


def _number(action: Action, key: str, default: float) -> float:
    if key not in action.body:
        return default
    value: Any = action.body[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= LARGEST:
        raise InputError(f"{key}: found {str(value)[:40]}; expected a number")
    return float(value)


def _duration_ms(action: Action, limit_ms: int) -> int:
    duration_ms = round(_number(action, "for_s", 0.0) * 1000)
    if not 0 < duration_ms <= limit_ms:
        raise InputError(
            f"for_s: found {action.body.get('for_s')}; expected up to {limit_ms / 3_600_000:g} h, above 0"
        )
    return duration_ms


def _one_of(value: str, key: str, known: Collection[str]) -> str:
    if value not in known:
        raise InputError(f"{key}: {none_such(value, known)}")
    return value
