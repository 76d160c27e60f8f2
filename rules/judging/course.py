"""Where the water of each alarm is now, which way it goes, and how much time that leaves.

What people are told again is told with these numbers, not with those of the crossing hours ago.
"""

import math
from collections.abc import Iterable

from rules.alarms.alarm import Alarm
from rules.alarms.event import Course
from rules.alarms.life_cycle import Condition, State
from rules.judging.trend import MS_PER_HOUR
from rules.judging.watched import ChannelNow
from rules.quality.flags import Flag

FORESEEN_MS = 43_200_000
"""No trend is drawn out further than this (project judgement)."""
TOLD_AT_MOST = 50
"""So many fit into one sign of life; the most urgent come first."""

_OF_A_PROBE = (Condition.SILENT, Condition.PROBE_FAULT, Condition.DISAGREEMENT)


def courses(alarms: Iterable[Alarm], channels: Iterable[ChannelNow], now_ms: int) -> list[Course]:
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
    return [_course(alarm, believed[alarm.channel], now_ms) for alarm in told[:TOLD_AT_MOST]]


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
