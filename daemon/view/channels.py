"""Channels as they stand: value, trust, limits, trend, and whether somebody watches them."""

import math
from dataclasses import dataclass, replace

from daemon.view.rack_now import OF_THE_WATCH, ChannelNow, OtherwiseNow, RawNow, Unwatched, WatchState
from daemon.view.reader import Sight, age_s
from daemon.view.tolerated import limits_now, place_of, reaching, telling
from rules.alarms.alarm import Alarm
from rules.care.accuracy import accuracy_of
from rules.care.misread import Around, read_otherwise
from rules.judging import watched
from rules.judging.watched import BY_SETTINGS, Watched, WatchedState
from rules.quality.flags import Flag
from rules.quantities import Quantity, unit_of
from rules.rack.plan import RACK_WIDE, Source

TROUBLE_EXPLAINS_MS = 3_600_000
"""So long what went wrong with a probe is said to be why nothing is heard of it (project judgement)."""


def channels_now(sight: Sight, watch: WatchState) -> list[ChannelNow]:
    """Return every channel of the plan in force, in its order."""
    states = sight.engine.channels()
    trust = _accuracies(sight, states)
    alarms: dict[str, list[Alarm]] = {}
    for alarm in sight.engine.alarms():
        alarms.setdefault(alarm.channel, []).append(alarm)
    around = around_in(states)
    return [
        _Looked(
            sight,
            state,
            trust.get(state.channel.name),
            alarms.get(state.channel.name, []),
            watch,
            around.get(state.channel.vessel, Around()),
        ).now()
        for state in states
    ]


def around_in(states: list[watched.ChannelNow]) -> dict[str, Around]:
    """Return for each vessel what is believed of it, and of the air."""
    known = {
        (it.channel.vessel, it.channel.quantity): it.value
        for it in reversed(states)
        if not it.lack and it.flag != Flag.FAIL
    }

    def value(vessel: str, quantity: Quantity) -> float:
        return known.get((vessel, quantity), math.nan)

    return {
        vessel: Around(
            value(vessel, Quantity.TEMPERATURE),
            value(vessel, Quantity.SALINITY),
            value(RACK_WIDE, Quantity.AIR_PRESSURE),
        )
        for vessel in {it.channel.vessel for it in states}
    }


def why_lacking(sight: Sight, probe: str, bus: str, why: str) -> str:
    """Say also what went wrong lately with a probe of which no value came: it may send, and be refused."""
    for trouble in reversed(sight.troubles):
        about = trouble.probe == probe or (trouble.probe is None and trouble.bus == bus)
        if about and trouble.last_ms > sight.now_ms - TROUBLE_EXPLAINS_MS:
            return f"{why}; {trouble.kind}: {trouble.what}"
    return why


def _accuracies(sight: Sight, states: list[watched.ChannelNow]) -> dict[str, float]:
    """Return the accuracy of each channel's value, plus or minus, where it is known."""
    standing = {its.source.id: its for its in sight.engine.calibrations()}
    charts = sight.engine.hand_checks()

    def more(source: Source, value: float) -> tuple[float, float]:
        return standing[source.id].errors_at(value, sight.engine.clock_ms)

    now = {state.channel.name: state for state in states}
    channels = {name: state.channel for name, state in now.items()}
    found = {
        name: accuracy_of(state.channel, channels, lambda other: now[other].value, more)
        for name, state in now.items()
        if state.flag != Flag.FAIL
    }
    return {
        name: charts[name].widened(accuracy) if name in charts else accuracy
        for name, accuracy in found.items()
        if accuracy is not None
    }


@dataclass(frozen=True, slots=True)
class _Looked:
    sight: Sight
    state: watched.ChannelNow
    accuracy: float | None
    alarms: list[Alarm]
    watch: WatchState
    around: Around

    def now(self) -> ChannelNow:
        state, lack = self.state, self.state.lack
        tolerance = state.tolerance
        value = None if lack else state.value
        rate = None if math.isnan(state.rate_per_hour) else state.rate_per_hour
        time_ms = self._utc(state.time_ms) if state.time_ms else None
        now_ms = self.sight.dating.axis_ms(self.sight.now_ms)  # the clock may have been set since it was read
        is_of_now = time_ms is not None and now_ms - state.time_ms <= state.channel.source.silent_after_ms
        reaches = None
        tells = rate is not None and tolerance is not None and telling(rate, tolerance)
        if is_of_now and value is not None and rate is not None and tolerance is not None:
            reaches = reaching(value, rate, tolerance, self._utc(state.time_ms))
            soon = reaches is not None and reaches.at_ms <= self.sight.now_ms + tolerance.lead_time_ms
            tells = tells or soon
        its, quantity = state.channel, state.channel.quantity
        named = (its.name, its.vessel, quantity.value, unit_of(quantity), its.source.probe)
        here = [alarm.priority for alarm in self.alarms if alarm.active]
        return ChannelNow(
            *named,
            value,
            lack,
            self._uncertainty() if value is not None else None,
            limits_now(tolerance),
            None if state.flag == Flag.FAIL else place_of(value, tolerance),
            rate,
            tells,
            reaches if tells else None,
            time_ms,
            None if time_ms is None else age_s(state.time_ms, now_ms),
            Flag(state.flag).name.lower().replace("_", " "),
            self._why(),
            self._watched(),
            max(here).word if here else None,
            self._raw(),
        )

    def _uncertainty(self) -> float | None:
        """Return what is not measured now and what the probes may be off, together."""
        known = [error for error in (self.state.error, self.accuracy) if error]
        return math.hypot(*known) if known else None

    def _why(self) -> str:
        its = self.state
        if its.lack not in (watched.SILENT, watched.NEVER):
            return its.why
        return why_lacking(self.sight, its.channel.source.probe, its.channel.source.bus, its.why)

    def _raw(self) -> RawNow | None:
        value, quantity = self.sight.raw.get(self.state.channel.name), self.state.channel.source.quantity
        if value is None:
            return None
        otherwise = read_otherwise(quantity, value, self.around)
        found = tuple(OtherwiseNow(it.value, it.as_what) for it in otherwise)
        return RawNow(value, quantity.value, unit_of(quantity), found)

    def _utc(self, at_ms: int) -> int:
        return self.sight.dating.utc_ms(at_ms)

    def _watched(self) -> Watched:
        if self.watch is not WatchState.ALIVE:
            newest_ms = self.sight.journal.newest_ms
            return Watched(WatchedState.UNWATCHED, "", f"{OF_THE_WATCH}{self.watch}", newest_ms)
        its = self.state.watched
        why = self._why() if self.state.lack else its.why
        return replace(its, why=why, since_ms=None if its.since_ms is None else self._utc(its.since_ms))


def unwatched(
    sight: Sight, watch: WatchState, channels: list[ChannelNow]
) -> dict[str, tuple[Unwatched, ...]]:
    """Return what the stage in each vessel asks for and nobody watches."""
    found: dict[str, tuple[Unwatched, ...]] = {}
    for danger in sight.engine.dangers():
        its = danger.watched
        why, since_ms = its.why, None if its.since_ms is None else sight.dating.utc_ms(its.since_ms)
        if watch is not WatchState.ALIVE and why != BY_SETTINGS:
            why, since_ms = f"{OF_THE_WATCH}{watch}", sight.journal.newest_ms
        elif its.state is not WatchedState.UNWATCHED:
            continue
        else:
            here = (it for it in channels if (it.vessel, it.quantity) == (danger.vessel, danger.quantity))
            why = next((it.why for it in here if it.lack and it.why), why)
        one = Unwatched(danger.quantity.value, why, since_ms, danger.priority.word)
        found[danger.vessel] = (*found.get(danger.vessel, ()), one)
    return found
