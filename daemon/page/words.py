"""What the page says: alarms, ages and places in words, for people at the rack."""

from collections.abc import Sequence
from datetime import datetime, tzinfo

from daemon.view.rack_now import AlarmNow, ChannelNow, Overall, RackNow, VesselNow, WatchState
from daemon.words import amount, clock_time, condition_word, label, number, plus_minus
from rules.alarms.life_cycle import State
from rules.judging.watched import WatchedState
from rules.quantities import Quantity

_RATES = ("rising", "falling")


def length(seconds: float) -> str:
    """Write a length of time as people say it: < 1 min, 12 min, 3 h, 5 days."""
    for unit_s, word, upto in ((60, "min", 120), (3600, "h", 48), (86_400, "days", 10**9)):
        if seconds / unit_s < upto:
            return f"{seconds / unit_s:.0f} {word}" if seconds >= unit_s else f"< 1 {word}"
    return ""


def moment(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """Write a moment where the rack stands; the day only where it is another one than now."""
    then, now = (datetime.fromtimestamp(at / 1000, zone) for at in (time_ms, now_ms))
    return f"{then:%H:%M}" if then.date() == now.date() else f"{then:%Y-%m-%d %H:%M}"


def not_watched(rack: RackNow, zone: tzinfo) -> str:
    """Say that the watch does not live; empty where it does."""
    watch = rack.watch
    if watch.state is WatchState.ALIVE:
        return ""
    if watch.since_ms is None:
        return "Nobody watches: the watch never wrote this journal. Start it."
    what = "hangs" if watch.state is WatchState.HUNG else "is dead"
    since = moment(watch.since_ms, rack.made_ms, zone)
    return f"Nobody watches: the watch {what} since {since} ({length(watch.age_s or 0)}). Start it again."


def standing(rack: RackNow) -> str:
    """Say in a sentence how the rack is; no alarm only where all that the stages ask for is watched."""
    said = {
        Overall.NOT_WATCHED: "What follows is how it was then.",
        Overall.WELL: "No alarm. All that the stages ask for is watched.",
        Overall.ALARMS_HELD: "No alarm but those that are held. All that the stages ask for is watched.",
    }
    if rack.overall in said:
        return said[rack.overall]
    blind = [named(vessel) for vessel in rack.vessels if vessel.unwatched]
    return f"Not all is watched in {', '.join(blind)}." if blind else "All that is asked for is watched."


def named(vessel: VesselNow) -> str:
    """Write a vessel as people call it."""
    return vessel.label or vessel.name


def alarm_words(alarm: AlarmNow, now_ms: int, zone: tzinfo) -> str:
    """Say what an alarm is about: what, how far, how fast, until when, since when."""
    since = f"since {moment(alarm.since_ms, now_ms, zone)}"
    if not alarm.quantity:
        return f"{alarm.reason or alarm.name}, {since}."
    quantity, per = Quantity(alarm.quantity), "/h" if alarm.condition in _RATES else ""
    text = f"{label(quantity).capitalize()} {condition_word(alarm.condition)}"
    if alarm.value is not None:
        text += f": {amount(alarm.value, quantity, per)}"
    if alarm.limit is not None:
        text += f", limit {amount(alarm.limit, quantity, per)}"
    if alarm.value_now is not None and not per and alarm.value_now != alarm.value:
        text += f"; now {amount(alarm.value_now, quantity)}"
    if alarm.rate_per_hour is not None and not per:
        text += f", moving {alarm.rate_per_hour:+.2f}/h"
    if alarm.reached_ms is not None:
        text += f", there about {clock_time(alarm.reached_ms, zone)}"
    return f"{text}, {since}{f' ({alarm.reason})' if alarm.reason else ''}."


def who_has(alarm: AlarmNow, now_ms: int, zone: tzinfo) -> str:
    """Say who has an alarm, or what keeps it from people and until when."""
    if alarm.held_by is not None:
        until = f" until {moment(alarm.held_until_ms, now_ms, zone)}" if alarm.held_until_ms else ""
        by = f" by {alarm.held_who}" if alarm.held_who else ""
        return f"part of {alarm.leader}" if alarm.leader else f"{alarm.state}{until}{by}: {alarm.held_why}"
    if alarm.acknowledged_by and alarm.acknowledged_ms is not None:
        return f"seen by {alarm.acknowledged_by}, {moment(alarm.acknowledged_ms, now_ms, zone)}"
    return "nobody has seen it yet" if alarm.state == State.UNACKNOWLEDGED else alarm.state


def value_words(channel: ChannelNow) -> str:
    """Write a value with its unit; in a word why there is none."""
    if channel.value is None:
        return channel.lack
    unit = f" {channel.unit}" if channel.unit else ""
    return f"{number(channel.value, channel.quantity)}{unit}"


def strip_words(channel: ChannelNow) -> str:
    """Say what a strip shows: value, ±, where it stands, trend, trust."""
    said = [f"{label(Quantity(channel.quantity))} {value_words(channel)}{plus_minus(channel.uncertainty)}"]
    limits, place = channel.limits, channel.place
    if place is not None and limits is not None:
        low, high = limits.advisory_low_place, limits.advisory_high_place
        inside = (low is None or place >= low) and (high is None or place <= high)
        side = "high" if place > 0 else "low"
        outer = limits.critical_high if place > 0 else limits.critical_low
        critical = abs(place) >= 1 and outer is not None
        said.append("in its band" if inside else f"{'critically' if critical else 'too'} {side}")
    if channel.trend_tells and channel.trend_per_hour is not None:
        said.append(f"{channel.trend_per_hour:+.2f} an hour")
    if channel.watched.state is not WatchedState.WATCHED:
        said.append(f"{channel.watched.state.replace('_', ' ')}: {channel.watched.why}")
    elif channel.why:
        said.append(channel.why)
    return ", ".join(said)


def band_words(low: float | None, high: float | None, quantity: Quantity) -> str:
    """Write a band: 12.00 to 18.00, above 60.0, below 107.0, none."""
    if low is None or high is None:
        ends: Sequence[str] = [f"{word} {number(end, quantity)}" for word, end in
                               (("above", low), ("below", high)) if end is not None]  # fmt: skip
        return ends[0] if ends else "none"
    return f"{number(low, quantity)} to {number(high, quantity)}"
