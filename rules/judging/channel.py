"""One channel against the limits on its value, its rate and its course; `water` has flagged its readings.

Array kernels find the few readings at which something turns; nothing else leaves this module.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from math import isnan

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import Crossing, Evidence
from rules.alarms.life_cycle import Condition, Priority
from rules.alarms.moves import Move, of_limit, told
from rules.alarms.persistence import Phase, Turn, carried_turns, is_active, is_clear
from rules.alarms.recurrence import Recurrence
from rules.judging.series import (
    Array,
    ChannelState,
    Edge,
    Known,
    Quiet,
    Series,
    Shown,
    Verdict,
    number,
    without,
)
from rules.judging.trend import MS_PER_HOUR, NO_TREND, Trend, rose_from, trend
from rules.quality.flags import NOT_EVALUATED, PASS, SUSPECT, QartodTest, worse_than_pass
from rules.quality.history import LEARNED_WITHIN
from rules.quality.probe_faults import FaultReason, flags_of, reason_of, stuck
from rules.quality.scatter import last
from rules.rack.limits import DISAGREEMENT_KEY, FAULT_KEY, STUCK_KEY, Basis, Bounds, Level, Limit
from rules.rack.tolerance import Tolerance

DEADBAND_NOISE = 4.0
"""Standard deviations of its own noise that a value keeps within for nearly all of a night of minutes."""

FAULT_DELAYS_MS = (60_000, 300_000)
"""How long readings must keep failing to be a probe fault, and be sound to end it (project judgement)."""

DOUBTED = "it came in a leap, and nothing else shows whether it is the water"
DOUBTED_MS = 420_000
"""Said of a limit that doubted readings alone are beyond, longer than a burst of six lasts where a probe is
read every minute (project judgement)."""

CLOSE = 0.2
"""What would be at its critical limit within that share of the lead time is told each time (project
judgement)."""

CrossingOf = Callable[[Condition, Level, Priority | None, Turn, Evidence], Crossing]
"""Makes the crossing of a channel; a priority of None stands for that of what is lost without its probe."""


def judge_channel(
    shown: Shown,
    state: ChannelState,
    bounds: Bounds,
    crossing: CrossingOf,
    noise: Callable[[], float] | None = None,
    turns: Array | None = None,
) -> Verdict:
    """Judge what one channel shows in one block against limits, and carry `state` on (it is changed).

    `noise` finds its usual one, `turns` is by how much an hour a lagging thermometer may make a derived value
    rise or fall (shape m). What other probes say is compared later.
    """
    edges = list[Edge]()
    # where nothing is worse than passed nor stands, neither can begin nor end
    if shown.belied or state.standing or state.again or shown.judged.causal.max() > NOT_EVALUATED:
        edges = [*_fault_edges(shown, state, crossing), *_stuck_edges(shown, state, crossing)]
    before = state.trend, state.rise
    calm, known = not (edges or state.standing or state.again), None
    if calm:
        known = next((it for it in shown.quiet if it.holds_for(bounds, turns, before)), None)
    if known is not None:
        (state.trend, state.rise), courses = known.after, known.courses
    else:
        found, courses = _along_limits(shown, state, bounds, crossing, noise, turns)
        edges += found
        if calm and not (edges or state.standing or state.again):
            shown.quiet.append(Quiet(bounds, turns, before, (state.trend, state.rise), courses))
    if shown.series.error is not None and (lacks := shown.series.error > 0).any():
        state.lacked_ms = int(shown.series.time_ms[lacks][-1])
    if bounds.maintained is not None:
        state.worked_ms = int(shown.series.time_ms[bounds.maintained][-1])
    state.keep_order()
    state.rate_per_hour = float(courses[-1][1].rate_per_hour[-1]) if courses else np.nan
    return Verdict(shown, edges, courses)


def _along_limits(
    shown: Shown,
    state: ChannelState,
    bounds: Bounds,
    crossing: CrossingOf,
    noise: Callable[[], float] | None,
    turns: Array | None,
) -> tuple[list[Edge], list[tuple[slice, Trend]]]:
    edges, courses = list[Edge](), []
    for part, back in shown.stretches:
        if back is not None:
            _begin_anew(state, back)
        if bounds.tolerance is None:
            continue
        judgement = _judgement(shown, bounds.tolerance, bounds, state, part, noise, turns)
        courses.append((part, judgement.course))
        for limit, value in bounds.limits:
            bound = value if isinstance(value, float) else value[part]
            if judgement.may_turn(limit, bound):
                edges += judgement.edges(limit, bound, crossing)
    return edges, courses


def _begin_anew(state: ChannelState, back: bool) -> None:
    """Forget the trend, and after a time out of the water what was pending: nobody knew what it was."""
    state.trend = NO_TREND
    for key, kept in list(state.standing.items()) if back else ():
        if kept.phase is Phase.PENDING and key not in (FAULT_KEY, STUCK_KEY, DISAGREEMENT_KEY):
            del state.standing[key]


def _judgement(
    shown: Shown,
    tolerance: Tolerance,
    bounds: Bounds,
    state: ChannelState,
    part: slice,
    noise: Callable[[], float] | None,
    turns: Array | None,
) -> "_Judgement":
    here, usable = shown.series.part(part), shown.usable[part]
    ramp, worked = (None if its is None else its[part] for its in (bounds.ramp, bounds.maintained))
    key, before = (tolerance.rate_window_ms, part.start), state.trend
    known = shown.trends.get(key)
    if known is None or known.before is not before:
        known = Known(before, *trend(here.time_ms, usable, tolerance.rate_window_ms, before), turns, {})
    known = shown.trends[key] = known if known.turns is turns else known._replace(turns=turns, farthest={})
    course, state.trend = known.course, known.after
    rose, state.rise = rose_from(course, here.time_ms, tolerance, state.rise)
    rates = _rates(course, here.time_ms, worked, state.worked_ms, tolerance.rate_window_ms)
    own = worked, rates, state, noise, rose, None if turns is None else turns[part]
    return _Judgement(here, usable, course, tolerance, ramp, *own, known.farthest)


def _rates(
    course: Trend,
    time_ms: NDArray[np.int64],
    worked: NDArray[np.bool_] | None,
    before_ms: int,
    window_ms: int,
) -> Array:
    """Return the rates: for a window after work the flatter of the whole and what came since.

    People moved the water; what moves on beyond that is told once that says enough. `before_ms` is when
    somebody was at work before the block.
    """
    rate = course.sure_per_hour
    if worked is None and time_ms[0] - before_ms >= window_ms:
        return rate
    worked_ms = last(np.zeros(rate.size, dtype=np.bool_) if worked is None else worked, time_ms, before_ms)
    since = course.since_per_hour(worked_ms)
    flatter = np.where(rate * since > 0, np.where(np.abs(since) < np.abs(rate), since, rate), 0.0 * rate)
    return np.where(time_ms - worked_ms < window_ms, flatter, rate)


@dataclass(frozen=True, slots=True)
class _Judgement:
    """One block of one channel, ready to be compared with limits."""

    series: Series
    usable: Array
    course: Trend
    tolerance: Tolerance
    ramp: NDArray[np.bool_] | None
    maintained: NDArray[np.bool_] | None
    rates: Array
    state: ChannelState
    noise: Callable[[], float] | None
    rose_from: Array | None
    turns: Array | None
    farthest: dict[tuple[str, int], float]

    def may_turn(self, limit: Limit, bound: float | Array) -> bool:
        """Return whether a limit may begin or end: not where nothing of it stands and nothing lies beyond.

        Nothing does where not even the farthest does, which all limits of a kind share.
        """
        if limit.basis is Basis.DIFFERENCE:  # that is found when all are judged
            return False
        again = of_limit(self.state.again, limit.key, limit.value) if limit.of_moves else None
        if not is_clear(self.state.standing, limit.key) or (again and again.stands):
            return True
        if not isinstance(bound, float):
            return bool(self._beyond(limit, bound).any())
        kind = limit.kind, self.tolerance.lead_time_ms
        if kind not in self.farthest:
            self.farthest[kind] = self._farthest(limit)
        farthest = self.farthest[kind]
        return farthest > bound if limit.above else farthest < bound

    def _farthest(self, limit: Limit) -> float:
        sure = self.series.error is None and self._doubted(limit) is None
        if sure and limit.basis is Basis.LIKELY_VALUE:
            return np.nan
        its = self._surely(self._compared(limit), limit)
        farthest = float(its[0] if its.size == 1 else its.max() if limit.above else its.min())
        return farthest if not isnan(farthest) else float((np.fmax if limit.above else np.fmin).reduce(its))

    def _beyond(self, limit: Limit, bound: float | Array) -> NDArray[np.bool_]:
        extreme = self._surely(self._compared(limit), limit)
        return extreme > bound if limit.above else extreme < bound

    def edges(self, limit: Limit, bound: float | Array, crossing: CrossingOf) -> Iterator[Edge]:
        """Find where the readings cross one limit, and carry its persistence on."""
        state, compared, beyond = self.state, self._compared(limit), self._beyond(limit, bound)
        again = of_limit(state.again, limit.key, limit.value) if limit.is_told_twice else None
        if limit.past is not None:
            level = self.course.level
            away = level > limit.past if limit.above else level < limit.past
            beyond &= away if self.ramp is None else away | self.ramp
        if limit.basis is Basis.PROJECTION:
            beyond = self._sure(beyond, bound, limit.above)
        deadband = self._deadband(limit)
        inside = compared < bound - deadband if limit.above else compared > bound + deadband
        if limit.condition is Condition.FALLING and self.rose_from is not None:
            back = self.course.level >= self.rose_from - self.tolerance.deadband
            beyond, inside = beyond & ~back, inside | back
        on_ms, off_ms = limit.delays_ms
        on_ms = on_ms if self._doubted(limit) is None else max(on_ms, DOUBTED_MS)
        how = beyond, inside, self.series.time_ms, (on_ms, off_ms)
        active = is_active(state.standing, limit.key)
        found: Iterable[Turn] = carried_turns(state.standing, limit.key, *how)
        if limit.is_told_twice and (found or active or again):
            again = state.again.setdefault(limit.key, again or Recurrence(limit=limit.value))
            stays = limit.of_moves and limit.level is not Level.AWAY  # what goes on so is told anew
            found = told([*found], active, self._move(limit, compared), again, self.maintained, stays)
        for turn in found:
            here = bound if isinstance(bound, float) else float(bound[turn.index])
            evidence = self._evidence(limit, compared, turn, here)
            made = crossing(limit.condition, limit.level, limit.priority, turn, evidence)
            yield int(self.series.index[turn.index]), made

    def _move(self, limit: Limit, compared: Array) -> Move:
        """Return how far the water went, and where away from its target it is `CLOSE` to a critical limit."""
        band, way = self.tolerance.critical, 1.0 if limit.above else -1.0
        level, critical = (
            way * (self.course.level if limit.of_moves else compared),
            band.high if limit.above else band.low,
        )
        close = np.zeros(level.size, dtype=np.bool_)
        if critical is not None and limit.level is not Level.ADVISORY:
            soon_h = CLOSE * self.tolerance.lead_time_ms / MS_PER_HOUR
            close = level + way * self.course.newest_per_hour * soon_h > way * critical
        leap = partial(self.course.leap, way=way, sure_ms=self._lacked_ms()) if limit.of_moves else None
        return Move(self.series.time_ms, level, self.tolerance.deadband, close, leap)

    def _lacked_ms(self) -> NDArray[np.int64]:
        """Return when, up to each reading, a value last was off for want of an input: what is back steps."""
        lacks = (
            np.zeros(self.usable.size, dtype=np.bool_) if self.series.error is None else self.series.error > 0
        )
        return last(lacks, self.series.time_ms, self.state.lacked_ms)

    def _deadband(self, limit: Limit) -> float:
        """Return by how much a value must be inside a limit to count as back: more for a noisy one."""
        if self.noise is None or limit.basis not in (Basis.VALUE, Basis.LIKELY_VALUE):
            return limit.deadband
        return min(max(DEADBAND_NOISE * self.noise(), limit.deadband), LEARNED_WITHIN * limit.deadband)

    def _compared(self, limit: Limit) -> Array:
        basis, doubted = limit.basis, self._doubted(limit)
        if doubted is not None:
            return np.where(np.isnan(doubted), self.usable, doubted)
        if basis in (Basis.VALUE, Basis.LIKELY_VALUE):
            return self.usable
        if basis is Basis.RATE:
            return self.rates
        return self.course.level + self.course.rate_per_hour * (self.tolerance.lead_time_ms / MS_PER_HOUR)

    def _doubted(self, limit: Limit) -> Array | None:
        """Return what is doubted and may be the water, NaN elsewhere: only what is critical is told of it."""
        return self.series.doubted if limit.level is Level.LIKELY_CRITICAL else None

    def _surely(self, compared: Array, limit: Limit) -> Array:
        """Return what is compared with a limit: where a value may be off, its end on the limit's safe side.

        A likely one counts as it is, but only where it may be off; of two of which nobody knows which is
        likely, the milder.
        """
        error = self.series.error
        if limit.basis is Basis.LIKELY_VALUE:
            if (doubted := self._doubted(limit)) is not None:
                return doubted
            if (otherwise := self.series.otherwise) is not None:
                milder = np.fmin if limit.above else np.fmax
                compared = milder(compared, np.where(np.isnan(compared), np.nan, otherwise))
            return np.where(False if error is None else error > 0, compared, np.nan)
        turns = 0.0 if self.turns is None else self.turns
        off: float | Array = 0.0 if error is None else error
        if limit.basis is Basis.RATE:
            off = off / (self.tolerance.rate_window_ms / MS_PER_HOUR) + turns
        elif limit.basis is Basis.PROJECTION:
            off = off + turns * (self.tolerance.lead_time_ms / MS_PER_HOUR)
        if isinstance(off, float) and not off:
            return compared
        return compared - off if limit.above else compared + off

    def _sure(self, beyond: NDArray[np.bool_], bound: float | Array, above: bool) -> NDArray[np.bool_]:
        """Keep those forecasts of what is not past yet that the flatter half of the trend would reach too."""
        index = beyond.nonzero()[0]
        lead_h = self.tolerance.lead_time_ms / MS_PER_HOUR
        level = self.course.level[index]
        off = 0.0 if self.series.error is None else self.series.error[index]
        reached = level + self.course.steady_rate(index) * lead_h + (-off if above else off)
        limit = bound if isinstance(bound, float) else bound[index]
        sure, otherwise = np.zeros_like(beyond), self.series.otherwise
        if otherwise is not None:  # of two courses of which nobody knows which is likely, none is a forecast
            reached = np.where(np.isnan(otherwise[index]), reached, np.nan)
        sure[index] = (level <= limit) & (reached > limit) if above else (level >= limit) & (reached < limit)
        return sure

    def _evidence(self, limit: Limit, compared: Array, turn: Turn, bound: float) -> Evidence:
        index = turn.index
        rate = number(self.course.rate_per_hour[index])
        bound = limit.value if np.isnan(bound) else bound  # after food no fall is too fast: this one is over
        if limit.basis is not Basis.PROJECTION:
            value = rate if limit.basis is Basis.RATE else number(compared[index])
            return Evidence(value, bound, limit.origin, rate, reason=self._reason(turn, limit))
        level = number(self.course.level[index])
        reached_ms = None
        if turn.active and rate and level is not None and (bound - level) / rate >= 0:
            reached_ms = int(self.series.time_ms[index]) + round((bound - level) / rate * MS_PER_HOUR)
        return Evidence(level, bound, limit.origin, rate, reached_ms, reason=turn.again)

    def _reason(self, turn: Turn, limit: Limit) -> str:
        """Say how far a value may be off, and for want of what, and that it chatters; empty where neither."""
        doubted = self._doubted(limit)
        if doubted is not None and not np.isnan(doubted[turn.index]):
            return DOUBTED
        error, lacks = self.series.error, self.series.lacks(turn.index)
        rough = without(lacks, float(error[turn.index])) if error is not None and lacks else ""
        return "; ".join(filter(None, (rough, turn.again)))


def _fault_edges(shown: Shown, state: ChannelState, crossing: CrossingOf) -> Iterator[Edge]:
    """Find where readings keep failing, and where they are sound again."""
    series, judged, alone, belied = shown.series, shown.judged, shown.alone, shown.belied
    if not (state.fails or FAULT_KEY in state.again or belied or alone.any()):
        return
    failed, sound = alone, (judged.causal == PASS) | (judged.causal == SUSPECT)
    if belied:
        failed = alone | belied.frozen | belied.erratic | (belied.jumped & ~belied.young) | belied.loose
        sound &= ~belied.loose
    how = failed, sound, series.time_ms, FAULT_DELAYS_MS
    for turn in carried_turns(state.standing, FAULT_KEY, *how, state.again):
        reason = reason_of(judged.tests[turn.index]) if turn.active else ""
        if reason == FaultReason.IN_AIR and shown.out is not None and not shown.out[turn.index]:
            reason = FaultReason.IMPOSSIBLE  # a dry cell that nothing else bears out is broken
        if belied and turn.active and belied.played[turn.index]:
            reason = FaultReason.PLAYED
        elif belied and turn.active and reason in ("", FaultReason.TOO_FAST):
            reason = FaultReason.ERRATIC if belied.erratic[turn.index] else FaultReason.TOO_FAST
        moved_ms = belied.since_ms[turn.index] if belied and turn.active else turn.since_ms
        began = replace(turn, since_ms=min(turn.since_ms, int(moved_ms)))
        said = ", ".join(filter(None, (reason, turn.again)))
        evidence = Evidence(number(series.value[turn.index]), reason=said)
        made = crossing(Condition.PROBE_FAULT, Level.ADVISORY, None, began, evidence)
        yield int(series.index[turn.index]), made


def _stuck_edges(shown: Shown, state: ChannelState, crossing: CrossingOf) -> Iterator[Edge]:
    """Find where readings stop moving, and where they move again."""
    series, judged, belied = shown.series, shown.judged, shown.belied
    if is_clear(state.standing, STUCK_KEY) and not worse_than_pass(judged.causal).any():
        return
    flat = stuck(judged.tests)
    moving = flags_of(judged.tests, QartodTest.FLAT_LINE) <= NOT_EVALUATED
    for turn in carried_turns(state.standing, STUCK_KEY, flat, moving, series.time_ms, FAULT_DELAYS_MS):
        played = belied is not None and belied.played[turn.index]
        reason = (FaultReason.PLAYED if played else FaultReason.STUCK) if turn.active else ""
        evidence = Evidence(number(series.value[turn.index]), reason=reason)
        made = crossing(Condition.PROBE_FAULT, Level.DOUBTFUL, Priority.LOW, turn, evidence)
        yield int(series.index[turn.index]), made
