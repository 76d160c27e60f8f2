"""What is now in words, the same on every screen: alarms, values, trust, and that nobody watches."""

from collections.abc import Iterator
from datetime import datetime, tzinfo
from itertools import groupby

from daemon.view import rack_now as now
from daemon.words import amount, clock_time, label, length_of_time, level, number, rate
from rules.alarms.alarm import HoldKind
from rules.alarms.life_cycle import Condition, Priority
from rules.judging.watched import WatchedState
from rules.quantities import Quantity

_OF_THE_PROBE = (Condition.UNWATCHED, Condition.SILENT, Condition.PROBE_FAULT)
_BELIEVED = ("pass", "not evaluated")
_FAR_MS = 86_400_000
"""A limit that a trend would reach later than in a day needs no sentence (project judgement)."""


def moment(at_ms: int, now_ms: int, zone: tzinfo) -> str:
    """Write a moment as a time of the day where the rack stands, with its date where that is another day."""
    then, today = (datetime.fromtimestamp(it / 1000, zone) for it in (at_ms, now_ms))
    twice = then.replace(fold=0).utcoffset() != then.replace(fold=1).utcoffset()  # as the clocks go back
    named = f" {then:%Z}" if twice else ""
    return f"{'' if then.date() == today.date() else f'{then:%Y-%m-%d} '}{clock_time(at_ms, zone)}{named}"


def on_call_text(oncall: now.OnCallNow, now_ms: int, zone: tzinfo) -> str:
    """Write who is on call, until when, and who then, as the on-call process said last; empty: it did not."""
    if not oncall.on_call or oncall.until_ms is None:
        return oncall.on_call
    then = f", then {oncall.then}" if oncall.then else ""
    return f"{oncall.on_call} until {moment(oncall.until_ms, now_ms, zone)}{then}"


def lifeless(watch: now.WatchNow, zone: tzinfo) -> str:
    """Say of a watch that does not live since when, and what to do."""
    if watch.since_ms is None:
        return "`bellwatch run` never wrote this journal; start it"
    since = f"since {datetime.fromtimestamp(watch.since_ms / 1000, zone):%Y-%m-%d %H:%M:%S}"
    age = "(ahead of this machine's clock)" if watch.age_s is None else f"({length_of_time(watch.age_s)} ago)"
    if watch.state is now.WatchState.HUNG:
        return f"`bellwatch run` hangs, no turn was finished {since} {age}; start it again"
    return f"`bellwatch run` is dead {since} {age}; start it"


def other_calls(rack: now.RackNow, zone: tzinfo) -> Iterator[str]:
    """Give what is critical although it is no alarm of the water."""
    if rack.journal.disk_full:
        yield "THE DISK IS FULL: nothing new can be written down; make room."
    if rack.broker.rival:
        yield f"TWO RACKS are called {rack.rack}: this one, and {rack.broker.rival}. Rename one."
    for missed in rack.oncall.untaken if rack.oncall else ():
        since = moment(missed.since_ms, rack.made_ms, zone)
        yield f"NOBODY HAS TAKEN {missed.alarm}, since {since}; call somebody."


def kept_by_people(alarm: now.AlarmNow) -> bool:
    """Return whether somebody keeps an alarm from people whose condition lasts: never as if nothing stood."""
    return alarm.stands and alarm.held_by in (HoldKind.SHELF, HoldKind.SERVICE)


def numbers(alarm: now.AlarmNow, now_ms: int, zone: tzinfo) -> Iterator[str]:
    """Give the numbers of an alarm: value, limit, how fast, and when the limit is reached."""
    if not alarm.quantity:
        return
    quantity = Quantity(alarm.quantity)
    if alarm.value_now is not None:
        doubt = f", not believed: {alarm.doubt_now}" if alarm.doubt_now else ""
        yield f"{amount(alarm.value_now, quantity)} now{doubt}"
    elif alarm.condition not in _OF_THE_PROBE:
        yield "no value now"
        if alarm.value is not None:
            yield f"{level(alarm.value, quantity, alarm.condition)} when last judged"
    if alarm.limit is not None:
        yield f"limit {level(alarm.limit, quantity, alarm.condition)}"
    if alarm.rate_per_hour is not None and alarm.value_now is not None:
        yield f"moving {rate(alarm.rate_per_hour, quantity)}"
    if alarm.reached_ms is not None and alarm.value_now is not None:
        yield f"there at {moment(alarm.reached_ms, now_ms, zone)}"


def held(alarm: now.AlarmNow, now_ms: int, zone: tzinfo) -> str:
    """Say what keeps an alarm from people, and until when."""
    if alarm.leader:
        return f"part of {alarm.leader}"
    until = f" until {moment(alarm.held_until_ms, now_ms, zone)}" if alarm.held_until_ms is not None else ""
    over = "" if alarm.stands or alarm.held_by == HoldKind.SERVICE else "; over meanwhile"
    return f"{alarm.state}{until}{f' by {alarm.held_who}' if alarm.held_who else ''}: {alarm.held_why}{over}"


def unwatched(vessel: now.VesselNow, now_ms: int, zone: tzinfo) -> Iterator[tuple[str, str, str]]:
    """Give what nobody watches in a vessel: for each reason of its own what, why, since when, the worst."""
    own = (it for it in vessel.unwatched if not it.why.startswith(now.OF_THE_WATCH))
    for (why, since_ms), group in groupby(own, lambda it: (it.why, it.since_ms)):
        lost = list(group)
        since = f", since {moment(since_ms, now_ms, zone)}" if since_ms is not None else ""
        worst = max(Priority[it.priority.upper()] for it in lost).word
        yield ", ".join(label(Quantity(it.quantity)) for it in lost), f"{why}{since}", worst


def is_calm(its: now.ChannelNow, now_ms: int) -> bool:
    """Return whether a channel needs no sentence: believed, watched, within, no limit within a day."""
    believed = its.value is not None and its.flag in _BELIEVED
    seen = its.watched.state is not WatchedState.UNWATCHED
    far = its.reaching is None or its.reaching.at_ms > now_ms + _FAR_MS
    return believed and seen and its.priority is None and far


def trend(its: now.ChannelNow, now_ms: int) -> str:
    """Write a trend that is worth a look, and until when it would take to a limit: +0.13/h, 25.00 in 3 d."""
    if not its.trend_tells or its.trend_per_hour is None:
        return ""
    said = f" {rate(its.trend_per_hour, its.quantity)}"
    if its.reaching is None:
        return said
    left = length_of_time((its.reaching.at_ms - now_ms) / 1000)
    return f"{said}, {number(its.reaching.value, Quantity(its.quantity))} in {left}"


def name(its: now.ChannelNow) -> str:
    """Write a quantity, with its probe where the vessel has several for it."""
    return " ".join([label(Quantity(its.quantity)), *its.name.split("/")[2:]])


def value(its: now.ChannelNow) -> str:
    """Write a value with ± and unit; in a word why there is none."""
    if its.value is None:
        return its.lack
    return amount(its.value, Quantity(its.quantity), its.uncertainty)


def spoken(its: now.ChannelNow, now_ms: int, zone: tzinfo, stands: str, *, aged: bool = True) -> str:
    """Write a quantity out: value, where it stands, trend, time left, why it is not believed, age, trust."""
    parts = [f"{name(its)} {believed(its)} {stands}".rstrip()]
    if its.value is not None and its.trend_per_hour is not None and its.trend_tells:
        parts.append(f"moving {rate(its.trend_per_hour, its.quantity)}")
    if its.reaching is not None:
        limit = number(its.reaching.value, Quantity(its.quantity))
        said = f"{its.reaching.limit.replace('_', ' ')} limit {limit}"
        left_ms = its.reaching.at_ms - now_ms
        left = f"in {length_of_time(left_ms / 1000)}" if left_ms > 0 else "by now"
        parts.append(f"{said} {left}" if aged else said)
    if its.time_ms is not None and aged:
        parts.append("age unknown" if its.age_s is None else f"{length_of_time(its.age_s)} old")
    state, why = its.watched.state.replace("_", " "), its.watched.why
    if why.startswith(now.OF_THE_WATCH):
        return ", ".join((*parts, state))
    since_ms = its.watched.since_ms
    since = f" since {moment(since_ms, now_ms, zone)}" if since_ms is not None else ""
    parts.append(f"{state}{since}{f' ({why})' if why and why != its.why else ''}")
    return ", ".join(parts)


def believed(its: now.ChannelNow) -> str:
    """Write a value; where it is not believed, why, and what the probe sends."""
    why = f": {its.why}" if its.why else ""
    if its.value is None:
        said = f"{its.lack}{why}"
    elif its.flag in _BELIEVED:
        return value(its)
    else:
        said = f"{value(its)} {'not believed' if its.flag == 'fail' else its.flag}{why}"
    return said + sent(its)


def sent(its: now.ChannelNow) -> str:
    """Say what the probe sends, where that is known, and what it would be in another unit."""
    if its.raw is None:
        return ""
    quantity = Quantity(its.raw.quantity)
    others = (f", {amount(it.value, quantity)} if sent {it.as_what}" for it in its.raw.otherwise)
    return f"; the probe sends {number(its.raw.value, quantity)} for {label(quantity)}{''.join(others)}"
