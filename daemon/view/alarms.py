"""Alarms as they stand: since when, kept from people by whom, explained by which, seen by whom."""

from collections.abc import Mapping
from dataclasses import replace

from daemon.response_notes import note_for
from daemon.view.rack_now import OF_THE_WATCH, AlarmNow, ChannelNow
from daemon.view.reader import Sight
from daemon.words import quantity_if_any, unwatched_text
from rules.alarms.alarm import Alarm, HoldKind
from rules.alarms.event import Evidence
from rules.alarms.life_cycle import MILDER, Condition, State
from rules.care.rationale import own_record_of, record_of
from rules.judging.unwatched import NOT_BORNE_OUT
from rules.judging.watched import SILENT
from rules.quantities import unit_of


def alarms_now(sight: Sight, channels: Mapping[str, ChannelNow]) -> list[AlarmNow]:
    """Return the alarms that are not normal, the most urgent first, those kept from people last."""
    utc_ms = sight.dating.utc_ms
    alarms = sorted(
        (replace(it, evidence=_evidence(it, channels, utc_ms(it.since_ms))) for it in sight.engine.alarms()),
        key=lambda alarm: (alarm.held_by is not None, -alarm.priority, alarm.since_ms),
    )
    followers: dict[str, list[str]] = {}
    for alarm in alarms:
        if leader := _leader(alarm):
            followers.setdefault(leader, []).append(alarm.name)
    return [_alarm_now(alarm, sight, channels, tuple(followers.get(alarm.name, ()))) for alarm in alarms]


def _leader(alarm: Alarm) -> str | None:
    return alarm.holds[HoldKind.EXPLAINED].why if alarm.held_by is HoldKind.EXPLAINED else None


def _limit(alarm: Alarm, channel: ChannelNow | None) -> float | None:
    """Return the limit of the most urgent level that is crossed; the evidence has that of the newest."""
    level = max(alarm.active, key=lambda level: alarm.active[level], default="")
    of_band = f"{level}_{MILDER.get(alarm.condition, alarm.condition)}"
    if channel is not None and hasattr(channel.limits, of_band):
        return float(getattr(channel.limits, of_band))
    return alarm.evidence.limit


def _evidence(alarm: Alarm, channels: Mapping[str, ChannelNow], since_ms: int) -> Evidence:
    """Return what is told of an alarm now: nothing that is seen again; what is read again is not silent (but
    once more)."""
    its = alarm.evidence
    if alarm.condition is not Condition.UNWATCHED or not alarm.active:
        return its
    hidden = tuple(danger for danger in its.hidden if danger in alarm.active)
    here = [it for it in channels.values() if "/".join(it.name.split("/")[:2]) in hidden]
    again, reason = all(it.lack != SILENT and (it.time_ms or 0) > since_ms for it in here), its.reason
    if here and again and reason.startswith(Condition.SILENT):
        reason = NOT_BORNE_OUT + reason.removeprefix(Condition.SILENT)
    return replace(its, hidden=hidden, reason=reason)


def _first_check(alarm: Alarm, sight: Sight) -> str:
    """Return what the record of the alarm says; of a probe fault what its reason asks for."""
    quantity, stages = quantity_if_any(alarm), sight.engine.stages()
    stage = stages[alarm.vessel].stage if alarm.vessel in stages else ""
    own = own_record_of(stage, quantity or "", alarm.condition, sight.settings.own_records())
    record = own or record_of(stage, quantity or "", alarm.condition, {})
    if record is None or (alarm.evidence.reason and not own):
        return note_for(quantity or "", alarm.condition, alarm.evidence.reason, {})
    return record.check


def _alarm_now(
    alarm: Alarm, sight: Sight, channels: Mapping[str, ChannelNow], followers: tuple[str, ...]
) -> AlarmNow:
    utc_ms, evidence = sight.dating.utc_ms, alarm.evidence
    channel, quantity = channels.get(alarm.channel), quantity_if_any(alarm)
    live = channel is not None and not channel.watched.why.startswith(OF_THE_WATCH)
    hold = alarm.holds[alarm.held_by] if alarm.held_by else None
    hidden, seen = (evidence.hidden, evidence.reason), alarm.state is State.ACKNOWLEDGED
    return AlarmNow(
        name=alarm.name,
        vessel=alarm.vessel,
        vessels=tuple(dict.fromkeys((alarm.vessel, *alarm.reach))),
        channel=alarm.channel,
        quantity=quantity.value if quantity else "",
        unit=unit_of(quantity) if quantity else "",
        condition=alarm.condition.value,
        priority=alarm.priority.word,
        state=alarm.state.value,
        stands=bool(alarm.active),
        since_ms=utc_ms(alarm.since_ms),
        cause=alarm.cause,
        leader=_leader(alarm),
        followers=followers,
        held_by=alarm.held_by.value if alarm.held_by else None,
        held_who=hold.who if hold else "",
        held_why=hold.why if hold else "",
        held_until_ms=utc_ms(hold.until_ms) if hold and hold.until_ms is not None else None,
        acknowledged_by=sight.seen_by.get(alarm.acknowledged_ms) if seen else None,
        acknowledged_ms=utc_ms(alarm.acknowledged_ms) if seen else None,
        value=evidence.value,
        value_now=channel.value if live and channel else None,
        doubt_now=channel.why if live and channel and channel.flag == "fail" else "",
        limit=_limit(alarm, channel),
        limit_from=evidence.limit_from,
        rate_per_hour=evidence.rate_per_hour,
        reached_ms=None if evidence.reached_ms is None else utc_ms(evidence.reached_ms),
        reason=evidence.reason if quantity else unwatched_text(alarm.channel, *hidden),
        who_has_it=None,
        first_check=_first_check(alarm, sight) or None,
    )
