"""The engine: inputs in arrival order go in, quality flags, alarm events and notices come out.

The engine has no clock. Time comes from the inputs and from `advance`, which promises that no
input before `until_ms` will follow. Feeding `a + b` gives exactly what feeding `a` and then `b`
gives, wherever the cut, with a snapshot and restore in between; `tests/rules/test_engine_law.py` holds
this, and replay, restart and the live watch all rest on it.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.alarms.alarm import Alarm
from rules.alarms.book import AlarmBook
from rules.alarms.event import AlarmEvent, Course
from rules.care.hand_checks import Chart
from rules.care.probe_care import CalibrationNow, Newest, ProbeCare
from rules.common_water import CommonWater
from rules.deeds import (
    Deeds,
    cuts_nothing,
    end_shelves_of_moved,
    finish_maintenance,
    move_as_planned,
    runs_long,
    vessels_looked_at,
)
from rules.errors import InputError, RulesError
from rules.judging.block import Block, Due, due_losses, due_silences
from rules.judging.disagreement import with_disagreement
from rules.judging.series import ChannelState
from rules.judging.silence import Places, SourceState, note_heard, refuse_disorder, silences
from rules.judging.unwatched import Hidden, Seen, Unmoved, Unseen, all_seen_until
from rules.judging.watch_list import WatchList, watched_no_more
from rules.judging.watched import ChannelNow, DangerNow, channels_now, courses, dangers_now, maintenance_over
from rules.judging.water import Water
from rules.meanwhile import bear_out, foreseen, meanwhile, newest_before, newest_values
from rules.pieces import Cut, Pieces, can_be_cut, cuts_in, one_by_one
from rules.plain import from_plain, to_plain
from rules.rack.plan import RackPlan
from rules.rack.stage_plan import StageNow
from rules.rack.state import RackState, stages_under
from rules.readings import Action, Outcome, Readings, by_day
from rules.shelved import bring_back
from rules.snapshot import Kept
from rules.told_already import under_what_stands

SNAPSHOT_VERSION = 25


class Engine:
    """The state of a rack's judgement; every public method takes inputs no earlier than the last."""

    def __init__(self, plan: RackPlan, start_ms: int, common: CommonWater | None = None) -> None:
        self._clock_ms, self._plan, self._common = start_ms, plan, common
        self._book = AlarmBook(plan.alarm_rules)
        self._sources = {source_id: SourceState(start_ms) for source_id in plan.source_ids()}
        self._rack = RackState(stages_under(plan, start_ms, None, {}), done_ms=start_ms)
        self._care = ProbeCare()
        self._care.arrange(plan.sources, start_ms)
        self._watch_list = WatchList(plan, self._rack)
        self._channels = {it.name: ChannelState(seen_ms=start_ms) for it in self._watch_list.channels}
        self._unwatched: dict[str, Hidden] = {}
        self._all_seen_until_ms = 0

    # Inputs

    def feed(self, readings: Readings) -> Outcome:
        """Judge a block of readings in arrival order, passing over sources that the plan does not have.

        What people did meanwhile happens in its place. Raises InputError, and changes nothing, where times
        run backwards.
        """
        outcome = Outcome()
        if not len(readings):
            return outcome
        refuse_disorder(days := [*by_day(readings)], self._sources, self._clock_ms)
        for day in days:
            self._judge(day, outcome)
        return outcome

    def advance(self, until_ms: int) -> Outcome:
        """Let time pass: everything that falls due before `until_ms` happens."""
        if until_ms < self._clock_ms:
            raise InputError(f"time cannot run back from {self._clock_ms} to {until_ms} ms")
        outcome = Outcome()
        while (moment_ms := self._moment_up_to(until_ms)) is not None:
            self._pass_time(moment_ms, outcome)
            outcome.add(self._reach(moment_ms, self._newest_values))
        self._pass_time(until_ms, outcome)
        return outcome

    def unwatched_until(self, until_ms: int, at_ms: int) -> Outcome:
        """Take into account that nobody watches from `at_ms` to `until_ms`: no probe is silent for that."""
        outcome = self.advance(at_ms)
        for state in self._sources.values():
            if not state.silent:
                state.at_ms += until_ms - at_ms
                state.away_ms += until_ms - at_ms
        return outcome

    def act(self, action: Action) -> Outcome:
        """Take in what people did, or say in `Outcome.refusal` why not."""
        outcome = self.advance(action.at_ms)
        its = self._do(action, partial(self._newest_values, action.rules), self._newest_values)
        outcome.add_told(its)
        outcome.refusal = its.refusal
        return outcome

    def _newest_values(self, rules: int = 0) -> Newest:
        return newest_values(self._watch_list, self._channels, rules)

    def _do(self, action: Action, newest: Callable[[], Newest], shown: Callable[[], Newest]) -> Outcome:
        outcome, deeds, before = Outcome(), self._deeds(action.at_ms, newest), self._rack.stages.copy()
        try:
            deeds.do(action)
        except RulesError as refused:
            outcome.refusal = str(refused)
        else:
            if action.kind == "end_maintenance":
                over = action.body["target"], action.at_ms
                deeds.notices.append(maintenance_over(self._watch_list, shown(), *over))
            if action.kind == "hand_measurement":
                bear_out(deeds.notices[0], self._watch_list, self._channels, self._care)
        outcome.notices += deeds.notices
        for name in deeds.changed_channels:
            self._channels[name].begin_anew()
        if not cuts_nothing(action):
            self._drop_limits_that_are_gone(action.at_ms, outcome)
            outcome.moved += self._rack.moved_since(before)
        outcome.events += self._book.take_events()
        return outcome

    def _deeds(self, at_ms: int, newest: Callable[[], Newest]) -> Deeds:
        possible, channels = partial(self._watch_list.possible_alarms, at_ms), self._watch_list.channels
        return Deeds(self._plan, self._book, self._rack, possible, self._care, channels, newest)

    def configure(self, plan: RackPlan, at_ms: int) -> Outcome:
        """Go on under another plan: what both have keeps its state, alarms without a limit return."""
        outcome = self.advance(at_ms)
        due, before = dict(self._rack.reminders(self._plan)), self._rack.stages
        self._rack.stages = stages_under(plan, at_ms, self._plan, before)
        end_shelves_of_moved(self._book, plan, before, self._rack.stages, at_ms)
        self._rack.done_ms = at_ms
        for vessel, due_ms in self._rack.reminders(plan):
            if due_ms <= at_ms < due.get(vessel, at_ms + 1):
                outcome.notices.append(runs_long(self._rack, vessel, at_ms))
        self._care.arrange(plan.sources, at_ms)
        self._plan, self._book.rules = plan, plan.alarm_rules
        self._watch_list = WatchList(plan, self._rack)
        known, channels = self._sources, self._channels
        self._sources = {it: known.get(it, SourceState(at_ms)) for it in plan.source_ids()}
        if gone := channels.keys() - {channel.name for channel in self._watch_list.channels}:
            outcome.notices.append(watched_no_more(sorted(gone), at_ms))
        self._channels = {
            channel.name: channels.get(channel.name, ChannelState(seen_ms=at_ms))
            for channel in self._watch_list.channels
        }
        for channel in self._watch_list.channels:
            if channel.source.id not in known:  # a new probe has its time to be heard, as at a start
                self._channels[channel.name].seen_ms = at_ms
        self._drop_limits_that_are_gone(at_ms, outcome, self._sources)
        return outcome

    def take_over(self, history: Iterable[AlarmEvent], last_number: int) -> Outcome:
        """Go on from what people were told, in an engine that was built up anew from part of its inputs.

        `history` is the newest event of each alarm, `last_number` that of the newest of all.
        """
        self._book.take_over(history, last_number, self._clock_ms)
        return Outcome(events=self._book.take_events())

    # What people look at

    def alarms(self) -> list[Alarm]:
        """Return the alarms that are not normal, by name."""
        return list(self._book)

    def channels(self) -> list[ChannelNow]:
        """Return every channel as it stands, in the order of the plan."""
        its = self._watch_list, self._channels, self._sources
        return channels_now(*its, self._book, self._clock_ms)

    def courses(self) -> list[Course]:
        """Return where the water of the alarms that people are told of is now, the most urgent first."""
        return courses(self._book, self.channels(), self._channels, self._clock_ms)

    def dangers(self) -> list[DangerNow]:
        """Return what is known of each danger: all that the stages have limits on, by vessel."""
        stages = self._rack.stages.items()
        asked = {vessel: self._plan.tolerances_of(vessel).get(now.stage, {}) for vessel, now in stages}
        return dangers_now(asked, self.channels())

    def stages(self) -> dict[str, StageNow]:
        """Return the stage that lives in each vessel."""
        return dict(self._rack.stages)

    def maintenance(self) -> dict[str, int]:
        """Return what is under maintenance (vessel/NAME or bus/NAME), and until when."""
        return {target: hold.until_ms or 0 for target, hold in self._rack.maintenance.items()}

    def calibrations(self) -> list[CalibrationNow]:
        """Return the calibration in force, and when the next is due, of all that probes measure."""
        return self._care.standing(self._plan.sources)

    def hand_checks(self) -> dict[str, Chart]:
        """Return the newest hand checks of each channel that has any."""
        return dict(self._care.charts)

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
        its = self._rack, self._care, self._sources, self._channels, self._unwatched
        kept = Kept(self._plan, self._clock_ms, tuple(self._book), self._book.last_number, *its)
        return {"version": SNAPSHOT_VERSION, **to_plain(kept)}

    @classmethod
    def restore(cls, data: dict[str, Any]) -> "Engine":
        """Return the engine that `snapshot` wrote down."""
        if data.get("version") != SNAPSHOT_VERSION:
            raise InputError(f"snapshot version {data.get('version')}; this engine reads {SNAPSHOT_VERSION}")
        kept = from_plain(Kept, {key: value for key, value in data.items() if key != "version"})
        engine = cls(kept.plan, kept.clock_ms)
        engine._book = AlarmBook(kept.plan.alarm_rules, kept.alarms, kept.last_number)
        engine._rack, engine._care, engine._watch_list = kept.rack, kept.care, WatchList(kept.plan, kept.rack)
        engine._sources, engine._channels, engine._unwatched = kept.sources, kept.channels, kept.unwatched
        return engine

    # Time

    def _moment_up_to(self, until_ms: int) -> int | None:
        """Return the next planned move, end of maintenance, reminder or calibration, if due by `until_ms`."""
        moments = (self._rack.next_moment_ms(self._plan), self._care.next_due_ms())
        due = (it for it in moments if it is not None and it <= until_ms)
        return min(due, default=None)

    def _reach(self, moment_ms: int, newest: Callable[[], Newest]) -> Outcome:
        """Come to a moment of the plan: it holds for every reading from then on; a move cuts its vessels."""
        outcome, before = Outcome(), self._rack.stages.copy()
        self._rack.done_ms = moment_ms
        move_as_planned(self._book, self._plan, self._rack, moment_ms)
        over = Action(moment_ms, "end_maintenance", "", {})
        for target, hold in sorted(self._rack.maintenance.items()):
            if hold.until_ms == moment_ms:
                finish_maintenance(self._book, self._rack, target, over)
                outcome.notices.append(maintenance_over(self._watch_list, newest(), target, moment_ms))
        for vessel, due_ms in self._rack.reminders(self._plan):
            if due_ms == moment_ms:
                outcome.notices.append(runs_long(self._rack, vessel, moment_ms))
        outcome.notices += self._care.reach(moment_ms, self._plan.sources)
        if moved := self._rack.moved_since(before):
            self._drop_limits_that_are_gone(moment_ms, outcome)
            outcome.moved += moved
        outcome.events += self._book.take_events()
        return outcome

    def _pass_time(self, until_ms: int, outcome: Outcome) -> None:
        before_ms, self._clock_ms, due = self._clock_ms, until_ms, list[Due]()
        if until_ms > self._all_seen_until_ms:
            clock, known = np.array([until_ms], dtype=np.int64), (self._plan.sources, self._sources)
            due += due_silences(silences(*known, clock, {}, {}), self._watch_list)
            due += self._losses(before_ms, clock, {}, {}, {})
            dangers = self._watch_list.dangers()
            self._all_seen_until_ms = all_seen_until(*known, dangers, self._channels, self._unwatched)
        self._settle(due, outcome)

    # The steps of a block

    def _judge(self, readings: Readings, outcome: Outcome) -> None:
        """Judge readings of a day as one block, or with a cut at each thing that people did meanwhile.

        What looks at values, or ends a doubt, must not meet a probe that is doubted.
        """
        cuts = cuts_in(readings, self._plan, self._rack.done_ms)
        looked_at = vessels_looked_at(action for _, action in readings.acts)
        whole = readings.is_in_order(self._clock_ms) and can_be_cut(cuts, looked_at, self._plan)
        if whole and (asked := self._watch_list.made_of(looked_at)):
            whole = not self._water(readings, readings.places_of(self._sources)).may_doubt(asked)
        if whole and self._judge_block(readings, cuts, outcome):
            return
        for it in one_by_one(readings, self._plan, self._rack):
            if isinstance(it, Readings):
                self._judge_block(it, (), outcome)
            else:
                outcome.add(self.act(it) if isinstance(it, Action) else self.advance(it))

    def _water(self, readings: Readings, places: Places) -> Water:
        states = self._channels, self._sources, self._care
        fed, work = foreseen(readings, self._deeds(self._clock_ms, dict))
        return Water(readings, places, self._watch_list, *states, fed, work)

    def _judge_block(self, readings: Readings, cuts: Sequence[Cut], outcome: Outcome) -> bool:
        """Judge readings as one block, with `cuts` of some vessels only; or say that it cannot be."""
        if not len(readings):
            return True
        good, pieces = self._newest_values(), Pieces(readings, self._watch_list, self._sources, cuts)
        own = self._water(readings, pieces.to_judge())
        before, water = own.carried() if cuts else [], self._judged(own, pieces)
        if water.inputs.asked_others(pieces.vessels):
            own.carry_on(before)
            return False
        pieces.listen(self._sources)
        due, start = self._judge_piece(pieces, water, outcome), 0
        for place, at_ms, action in meanwhile(readings, self._moment_up_to):
            self._clock_ms, end = at_ms, (place, False, at_ms)
            now = [*due, *pieces.worse(self._book, start)]
            self._settle([it for it in now if it.order[:3] < end], outcome)
            due, start = [it for it in due if it.order[:3] >= end], place
            newest = partial(newest_before, place, pieces.judged, good)
            outcome.add(self._do(action, newest, newest) if action else self._reach(at_ms, newest))
            if pieces.is_cut_by(action, at_ms):
                good, piece = newest(), own.piece(pieces.to_judge(), pieces.group, water.inputs)
                due += self._judge_piece(pieces, self._judged(piece, pieces), outcome)
        note_heard(self._sources, readings.at_ms, readings.time_ms, pieces.places)
        self._clock_ms = int(readings.at_ms[-1])
        self._settle([*due, *pieces.worse(self._book, start)], outcome)
        return True

    def _judged(self, own: Water, pieces: Pieces) -> Water:
        if self._common is not None:
            return self._common.judged(own, pieces.newest)
        return own.judge_apart() if pieces.may_fail else own.judge()

    def _judge_piece(self, pieces: Pieces, water: Water, outcome: Outcome) -> list[Due]:
        """Judge what `water` shows by the limits, and what falls due up to the next cut."""
        outcome.add(Outcome(flags=water.flags, amendments=water.amendments))
        block = Block(water, self._watch_list, self._channels)
        due = [*pieces.troubles(), *block.judge()]
        water.shown = {} if self._common is None else water.shown  # else trends wait for the collector
        pieces.take(water, block)
        if block.unmoved:  # what is found frozen was last seen longer ago
            self._all_seen_until_ms = 0
        return due + self._losses(self._clock_ms, *pieces.stretch())

    def _losses(
        self, from_ms: int, at_ms: NDArray[np.int64], places: Places, seen: Seen, unmoved: Unmoved
    ) -> list[Due]:
        """Find what nobody sees any more, or sees again, up to the last of `at_ms`; note when each was."""
        known = (self._plan.sources, self._sources, self._watch_list.own, self._watch_list.by_name)
        unseen = Unseen(*known, from_ms, at_ms, places, self._channels, seen, unmoved)
        as_usual = not (self._unwatched or unmoved) and at_ms[-1] <= self._all_seen_until_ms
        dangers = () if as_usual else self._watch_list.dangers()
        due = due_losses(unseen.losses(dangers, self._unwatched), self._watch_list)
        for name in seen:
            self._channels[name].seen_ms = unseen.last_ms(name, at_ms.size)
        return due

    def _settle(self, due: list[Due], outcome: Outcome) -> None:
        """Let everything happen in its order, up to the clock."""
        for item in sorted(due, key=lambda item: item.order):
            self._ring_timers(item.at_ms)
            held = self._rack.maintenance_of(item.crossing.vessel, item.crossing.bus)
            self._book.gather(item.crossing)
            if bring_back(self._book, item.crossing, item.at_ms):
                continue
            crossing = under_what_stands(item.crossing, self._book, self._watch_list.dangers())
            for made in with_disagreement(crossing, self._book, self._watch_list.redundant):
                self._book.cross(made, item.at_ms, held)
        self._ring_timers(self._clock_ms)
        outcome.events += self._book.take_events()

    def _ring_timers(self, before_ms: int) -> None:
        while (due_ms := self._book.next_due_ms()) is not None and due_ms < before_ms:
            self._book.let_pass()

    def _drop_limits_that_are_gone(
        self, at_ms: int, outcome: Outcome, sources: Mapping[int, SourceState] | None = None
    ) -> None:
        """Let conditions return whose limit, whole channel, or silence (`sources`) no longer exists."""
        self._all_seen_until_ms = 0
        self._watch_list.stages_changed()
        for name, keys in (possible := self._watch_list.possible_keys()).items():
            standing = self._channels[name].standing
            for key in sorted(standing.keys() - keys):
                del standing[key]
        causes, asked = self._watch_list.causes(), {danger.name for danger in self._watch_list.dangers()}
        known = self._unwatched.items()
        self._unwatched = {name: it for name, it in known if name in asked and it.cause in {"", *causes}}
        gone = self._watch_list.gone(self._book, {**possible, **causes}, sources or {}, at_ms)
        self._book.withdraw(gone, at_ms)
        outcome.events += self._book.take_events()
