"""Channels as they stand: value, trust, limits, trend, and whether somebody watches them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.view.rack_now import ChannelNow, Unwatched, Watched, WatchedState, WatchState
from daemon.view.reader import Sight
from daemon.view.tolerated import limits_now, place_of, reaching, telling
from rules import engine
from rules.alarms.alarm import Alarm
from rules.alarms.life_cycle import Condition
from rules.care.accuracy import accuracy_of
from rules.judging.channel import without
from rules.quality.flags import Flag, QartodTest
from rules.quantities import Quantity, unit_of
from rules.rack.limits import asks_for_watch, tells_limits, worst_priority
from rules.rack.tolerance import Tolerance

_FOUND = {
    QartodTest.TIMING: "came late",
    QartodTest.SYNTAX: "the probe is in air",
    QartodTest.GROSS_RANGE: "no water can be so",
    QartodTest.CLIMATOLOGY: "unusual here",
    QartodTest.SPIKE: "a spike",
    QartodTest.RATE_OF_CHANGE: "changes faster than water does",
    QartodTest.FLAT_LINE: "does not move",
    QartodTest.ATTENUATED_SIGNAL: "hardly moves",
}
"""What a quality test says of a reading that does not pass it."""

_SILENT, _NEVER, _UNKNOWN = "silent", "never read", "unknown"


def channels_now(sight: Sight, watch: WatchState) -> list[ChannelNow]:
    """Return every channel of the plan in force, in its order."""
    states = sight.engine.channels()
    trust = _accuracies(states)
    alarms: dict[str, list[Alarm]] = {}
    for alarm in sight.engine.alarms():
        alarms.setdefault(alarm.channel, []).append(alarm)
    return [
        _Looked(sight, state, trust.get(state.channel.name), alarms.get(state.channel.name, []), watch).now()
        for state in states
    ]


def _accuracies(states: list[engine.ChannelNow]) -> dict[str, float]:
    """Return the accuracy of each channel's value, plus or minus, where it is known."""
    now = {state.channel.name: state for state in states}
    channels = {name: state.channel for name, state in now.items()}
    found = {
        name: accuracy_of(state.channel, channels, lambda other: now[other].value)
        for name, state in now.items()
        if state.flag != Flag.FAIL
    }
    return {name: accuracy for name, accuracy in found.items() if accuracy is not None}


@dataclass(frozen=True, slots=True)
class _Looked:
    sight: Sight
    state: engine.ChannelNow
    accuracy: float | None
    alarms: list[Alarm]
    watch: WatchState

    def now(self) -> ChannelNow:
        state, lack = self.state, self._lack()
        tolerance = state.tolerance
        value = None if lack else state.value
        rate = None if math.isnan(state.rate_per_hour) else state.rate_per_hour
        time_ms = self._utc(state.time_ms) if state.time_ms else None
        reaches = None
        tells = rate is not None and tolerance is not None and telling(rate, tolerance)
        if value is not None and rate is not None and tolerance is not None:
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
            (state.error or self.accuracy) if value is not None else None,
            limits_now(tolerance),
            None if state.flag == Flag.FAIL else place_of(value, tolerance),
            rate,
            tells,
            reaches if tells else None,
            time_ms,
            None if time_ms is None else max(self.sight.now_ms - time_ms, 0) / 1000,
            Flag(state.flag).name.lower().replace("_", " "),
            self._why(lack),
            self._watched(lack, time_ms),
            max(here).word if here else None,
        )

    def _utc(self, at_ms: int) -> int:
        return self.sight.dating.utc_ms(at_ms)

    def _lack(self) -> str:
        if not self.state.time_ms:
            return _NEVER
        if self.state.silent:
            return _SILENT
        return _UNKNOWN if math.isnan(self.state.value) else ""

    def _why(self, lack: str) -> str:
        """Say in words why there is no value, or why it is not believed; empty where nothing is wrong."""
        if lack == _NEVER:
            return "no reading yet"
        if lack == _SILENT:
            return f"{self.state.channel.source.probe} is silent"
        flag = Flag(self.state.flag)
        if flag not in (Flag.SUSPECT, Flag.FAIL):
            return f"it needs {', '.join(self.state.channel.inputs)}" if lack else ""
        return ", ".join(_FOUND[test] for test in QartodTest if self.state.tests[test] == flag)

    def _watched(self, lack: str, time_ms: int | None) -> Watched:
        probe = self.state.channel.source.probe
        if self.watch is not WatchState.ALIVE:
            newest_ms = self.sight.journal.newest_ms
            return Watched(WatchedState.UNWATCHED, "", f"the watch is {self.watch}", newest_ms)
        fault = next((alarm for alarm in self.alarms if _is_fault(alarm)), None)
        if not lack and fault is None and self.state.flag != Flag.FAIL:
            if self.state.error:
                return self._watched_roughly(probe)
            return Watched(WatchedState.WATCHED, probe, "", None)
        since_ms = self._utc(fault.since_ms) if fault else time_ms
        why = self._why(lack) or (fault.evidence.reason if fault else "")
        return Watched(WatchedState.UNWATCHED, "", why, since_ms)

    def _watched_roughly(self, probe: str) -> Watched:
        """Say so of a value that lacks an input: unwatched where it tells a limit from the target no more."""
        state, tolerance = self.state, self.state.tolerance
        why = without(state.lacking, state.error)
        since_ms = self._utc(state.good_time_ms) if state.good_time_ms else None
        if tolerance is not None and not tells_limits(tolerance, state.error):
            return Watched(WatchedState.UNWATCHED, "", why, since_ms)
        return Watched(WatchedState.WATCHED_ROUGHLY, probe, why, since_ms)


def _is_fault(alarm: Alarm) -> bool:
    """Say whether an alarm tells that readings keep failing (not that they only stand still)."""
    return alarm.condition is Condition.PROBE_FAULT and "advisory" in alarm.active


def unwatched(
    tolerances: Mapping[Quantity, Tolerance], channels: Sequence[ChannelNow]
) -> tuple[Unwatched, ...]:
    """Return what a stage asks for in a vessel with these channels, and no channel of it is watched."""
    found = []
    for quantity, tolerance in tolerances.items():
        here = [channel.watched for channel in channels if channel.quantity == quantity]
        if not asks_for_watch(tolerance) or any(its.state is not WatchedState.UNWATCHED for its in here):
            continue
        why, since_ms = (here[0].why, here[0].since_ms) if here else ("no probe for it", None)
        found.append(Unwatched(quantity.value, why, since_ms, worst_priority(tolerance).word))
    return tuple(found)
