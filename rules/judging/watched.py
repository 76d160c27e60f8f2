"""What is known of each danger now: watched, watched roughly, or seen by nobody; why, and since when.

And where the water of each alarm is now: people are told that, not the numbers of the crossing hours ago.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from rules.alarms.alarm import Alarm
from rules.alarms.event import Course, Trail
from rules.alarms.life_cycle import Condition, Priority, State
from rules.care.misread import is_plausible
from rules.care.probe_care import Newest
from rules.judging.series import ChannelState, without
from rules.judging.silence import SourceState
from rules.judging.trend import MS_PER_HOUR
from rules.judging.watch_list import WatchList
from rules.quality.flags import Flag, QartodTest
from rules.quality.history import Learned, learned
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.limits import Level, asks_for_watch, tells_limits, worst_priority
from rules.rack.state import targets_of
from rules.rack.tolerance import Tolerance
from rules.readings import Notice

NOT_WATER = "no water can be so"
_FOUND = {
    QartodTest.TIMING: "came late",
    QartodTest.SYNTAX: "the probe is in air",
    QartodTest.GROSS_RANGE: NOT_WATER,
    QartodTest.CLIMATOLOGY: "unusual here",
    QartodTest.SPIKE: "a spike",
    QartodTest.RATE_OF_CHANGE: "changes faster than water does",
    QartodTest.FLAT_LINE: "does not move",
    QartodTest.ATTENUATED_SIGNAL: "hardly moves",
}
"""What a quality test says of a reading that does not pass it."""

SILENT, NEVER, UNKNOWN = "silent", "never read", "unknown"
LATE = "its readings come late"
UNCHANGED = "not changed since, and nobody can tell whether it is frozen"
NO_WATER = "hardly any water is so, is the number read in the right unit and word order?"
BY_SETTINGS = "by settings, no probe for it"

FORESEEN_MS = 43_200_000
"""No trend is drawn out further than this (project judgement)."""
TOLD_AT_MOST = 50
"""So many fit into one sign of life; the most urgent come first."""
TRAILS_AT_MOST, TRAIL_POINTS, TRAIL_S = 6, 40, 6 * 3600
"""So many of them with their trail, and what is drawn of it on a phone."""

_OF_A_PROBE = (Condition.SILENT, Condition.PROBE_FAULT, Condition.DISAGREEMENT)


class WatchedState(StrEnum):
    """What is known of a danger, the better ones first."""

    WATCHED = "watched"
    WATCHED_ROUGHLY = "watched_roughly"
    UNWATCHED = "unwatched"


@dataclass(frozen=True, slots=True)
class Watched:
    """What is known: by which probe (empty: none), or why not and since when (None: not known)."""

    state: WatchedState
    by_what: str
    why: str
    since_ms: int | None


@dataclass(frozen=True, slots=True)
class DangerNow:
    """A quantity that a vessel's stage has limits on, and the priority of the worst of them."""

    vessel: str
    quantity: Quantity
    watched: Watched
    priority: Priority


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """A channel as it stands, for people to look at; `tests` are the newest reading's flags, test by test.

    `error` is how far the value may be off for want of the inputs in `lacking`; `good_time_ms` is when the
    last good reading was measured that lacked none. Of what a probe measures, `last_change_ms` is when a
    reading last differed from the one before (-1: never), `frozen` whether a witness says that the probe
    repeats itself (None: it has not changed for so long that nobody can tell); `usual` is what was learned.
    `fault` says since when, and why, its readings keep failing; `given` whether probes give all inputs,
    `borne_out` whether more than a cell says that its probe is in air, `late` whether the newest reading was
    old when it came. `sent` is the channel of what the probe itself sends, None where that is this one.
    """

    channel: Channel
    tolerance: Tolerance | None
    time_ms: int
    value: float
    flag: int
    rate_per_hour: float
    silent: bool
    tests: tuple[int, ...]
    error: float
    lacking: tuple[Quantity, ...]
    good_time_ms: int
    last_change_ms: int
    frozen: bool | None
    usual: Learned | None
    fault: tuple[int, str] | None
    given: bool = True
    borne_out: bool = True
    late: bool = False
    sent: "ChannelNow | None" = None

    @property
    def lack(self) -> str:
        """Return in a word why there is no value: silent, never read, unknown; empty where there is one."""
        if not self.time_ms:
            return NEVER
        if self.silent:
            return SILENT
        return UNKNOWN if math.isnan(self.value) else ""

    @property
    def why(self) -> str:
        """Say in words why there is no value, or why it is not believed; empty where nothing is wrong."""
        if self.lack == NEVER:
            return "no reading yet"
        if self.lack == SILENT:
            return f"{self.channel.source.probe} is silent"
        flag = Flag(self.flag)
        if flag in (Flag.SUSPECT, Flag.FAIL):
            return self.found(flag, self.tests)
        if self.lack and self.sent is not None and self.sent.flag == Flag.FAIL:
            return self.sent.not_believed(self.sent.tests)
        return self.needs if self.lack else LATE if self.late else ""

    @property
    def needs(self) -> str:
        """Say what a value that is made of several is made of."""
        return f"it needs {', '.join(self.channel.inputs)}"

    def not_believed(self, tests: Sequence[int]) -> str:
        """Say of what is made of this channel why it is not there, by the tests of the reading."""
        return f"{self.channel.name} is not believed: {self.found(Flag.FAIL, tests)}"

    def found(self, flag: int, tests: Sequence[int]) -> str:
        """Say in words what the tests found that made a reading's flag; `tests` are by `QartodTest`."""
        words = _FOUND if self.borne_out else _FOUND | {QartodTest.SYNTAX: NOT_WATER}
        return ", ".join(dict.fromkeys(words[test] for test in QartodTest if tests[test] == flag))

    @property
    def watched(self) -> Watched:
        """Return what is known of the danger by this channel alone.

        A value that lacks an input watches roughly, and no more once it tells no limit from the target.
        """
        probe = self.channel.source.probe
        if self.lack or self.late or self.fault is not None or self.flag == Flag.FAIL:
            since_ms, why = self.fault or (self.time_ms or None, "")
            return Watched(WatchedState.UNWATCHED, "", self.why or why, since_ms)
        why, since_ms = without(self.lacking, self.error), self.good_time_ms or None
        if self.error and self.tolerance is not None and not tells_limits(self.tolerance, self.error):
            why = why if self.given else f"by settings, {why}"
            return Watched(WatchedState.UNWATCHED, "", why, since_ms)
        if not is_plausible(self.channel.quantity, self.value):
            return Watched(WatchedState.WATCHED_ROUGHLY, probe, NO_WATER, self.time_ms)
        if self.frozen is None and self.last_change_ms > 0:
            why, since_ms = f"{why}; {UNCHANGED}" if self.error else UNCHANGED, self.last_change_ms
            return Watched(WatchedState.WATCHED_ROUGHLY, probe, why, since_ms)
        if self.error:
            return Watched(WatchedState.WATCHED_ROUGHLY, probe, why, since_ms)
        return Watched(WatchedState.WATCHED, probe, "", None)


def channels_now(
    watch_list: WatchList,
    states: Mapping[str, ChannelState],
    sources: Mapping[int, SourceState],
    alarms: Iterable[Alarm],
    at_ms: int,
) -> list[ChannelNow]:
    """Return every channel as it stands, in the order of the plan."""
    faults = {
        alarm.channel: (alarm.since_ms, alarm.evidence.reason)
        for alarm in alarms
        if alarm.condition is Condition.PROBE_FAULT and Level.ADVISORY in alarm.active
        if states[alarm.channel].fails
    }
    found = dict[str, ChannelNow]()
    for channel in watch_list.channels:  # each after those that it is made of
        state, source, own = states[channel.name], channel.source, watch_list.own[channel.source.id].name
        calm, heard = states[own].calm, sources[source.id]
        found[channel.name] = ChannelNow(
            channel,
            watch_list.tolerance_at(channel, at_ms),
            state.time_ms,
            state.value,
            state.flag,
            state.rate_per_hour,
            heard.silent,
            tuple(state.quality.tests[:, 0].tolist()),
            state.error,
            state.lacking,
            state.good_time_ms,
            calm.changed_ms,
            calm.is_frozen(at_ms, source.probe in watch_list.plan.fresh),
            learned(state.history, at_ms, channel.quantity, source.silent_after_ms),
            faults.get(channel.name),
            channel.name in watch_list.given,
            source.quantity is not Quantity.CONDUCTIVITY or heard.is_borne_out,
            heard.taken_in_ms - heard.time_ms > source.silent_after_ms,
            found.get(own),
        )
    return list(found.values())


def maintenance_over(watch_list: WatchList, newest: Newest, target: str, at_ms: int) -> Notice:
    """Say whether the water is back in its bands after maintenance, by what each channel showed last."""
    outside, unknown = [], []
    for channel in watch_list.channels:
        if target not in targets_of(channel.vessel, channel.source.bus):
            continue
        time_ms, value = newest[channel.name]
        if watch_list.tolerance(channel) is None:
            continue
        if math.isnan(value) or at_ms - time_ms > channel.source.silent_after_ms:
            unknown.append(channel.name)
        elif watch_list.is_outside(channel, value, at_ms):
            outside.append(channel.name)
    return Notice("maintenance over", at_ms, target, {"outside": outside, "unknown": unknown})


def dangers_now(
    tolerances: Mapping[str, Mapping[Quantity, Tolerance]], channels: Iterable[ChannelNow]
) -> list[DangerNow]:
    """Return what is known of all that the stages ask for; `tolerances` are those in each vessel now.

    The best of the channels that show a danger counts.
    """
    shown: dict[tuple[str, Quantity], list[Watched]] = {}
    for now in channels:
        shown.setdefault((now.channel.vessel, now.channel.quantity), []).append(now.watched)
    return [
        DangerNow(vessel, quantity, _best(shown.get((vessel, quantity), ())), worst_priority(tolerance))
        for vessel, limits in tolerances.items()
        for quantity, tolerance in limits.items()
        if asks_for_watch(tolerance)
    ]


def _best(known: Sequence[Watched]) -> Watched:
    order = list(WatchedState)
    none = Watched(WatchedState.UNWATCHED, "", BY_SETTINGS, None)
    return min(known, key=lambda its: order.index(its.state), default=none)


def courses(
    alarms: Iterable[Alarm],
    channels: Iterable[ChannelNow],
    states: Mapping[str, ChannelState],
    now_ms: int,
) -> list[Course]:
    """Return the course of each alarm of the water that people are told of, the most urgent first."""
    believed = {its.channel.name: its for its in channels if not its.lack and its.flag != Flag.FAIL}
    told = [
        alarm
        for alarm in alarms
        if alarm.channel in believed
        and alarm.condition not in _OF_A_PROBE
        and not alarm.holds
        and alarm.state is not State.RETURNED
    ]
    told.sort(key=lambda alarm: (-alarm.priority, alarm.since_ms))
    found = [_course(alarm, believed[alarm.channel], now_ms) for alarm in told[:TOLD_AT_MOST]]
    for place, alarm in enumerate(told[:TRAILS_AT_MOST]):
        trail = _trail(believed[alarm.channel].tolerance, states[alarm.channel], now_ms)
        found[place] = replace(found[place], trail=trail)
    return found


def _trail(tolerance: Tolerance | None, state: ChannelState, now_ms: int) -> Trail | None:
    """Return what is known of a channel's last hours: a reading an hour, then those of its trend's window."""
    fine = list(zip(state.trend.time_ms.tolist(), state.trend.value.tolist(), strict=True))
    if tolerance is None or not fine:
        return None
    coarse = zip(state.sample.hour, state.sample.value, strict=True)
    hours = ((round(hour * MS_PER_HOUR), value) for hour, value in coarse)
    every = -(-len(fine) // (TRAIL_POINTS - TRAIL_S // 3600))
    points = [it for it in hours if it[0] < fine[0][0]] + fine[::-every][::-1]
    aged = ((max(now_ms - at_ms, 0) // 1000, round(value, 3)) for at_ms, value in points)
    critical, advisory = tolerance.critical, tolerance.advisory
    limits = critical.low, advisory.low, advisory.high, critical.high
    return Trail(tuple(it for it in aged if it[0] <= TRAIL_S), limits)


def _course(alarm: Alarm, channel: ChannelNow, now_ms: int) -> Course:
    rate = None if math.isnan(channel.rate_per_hour) else channel.rate_per_hour
    value = rate if alarm.condition in (Condition.RISING, Condition.FALLING) else channel.value
    return Course(alarm.name, value, rate, max(now_ms - channel.time_ms, 0), _left_ms(channel))


def _left_ms(channel: ChannelNow) -> int | None:
    rate = channel.rate_per_hour
    if channel.tolerance is None or math.isnan(rate) or rate == 0:
        return None
    critical = channel.tolerance.critical
    limit = critical.high if rate > 0 else critical.low
    left_ms = math.inf if limit is None else (limit - channel.value) / rate * MS_PER_HOUR
    return round(left_ms) if 0 < left_ms <= FORESEEN_MS else None
