"""`rack_now`: one answer to what is now, put together from one look at the journal."""

from collections.abc import Iterable
from dataclasses import replace

from daemon.beat import beats_at
from daemon.errors import JournalError
from daemon.view.alarms import alarms_now
from daemon.view.channels import channels_now, unwatched
from daemon.view.probes import probes_now
from daemon.view.rack_now import (
    AlarmNow,
    BrokerNow,
    ChannelNow,
    ClockNow,
    JournalNow,
    MaintenanceNow,
    Overall,
    RackNow,
    StageNow,
    Unwatched,
    VesselNow,
    WatchNow,
    WatchState,
)
from daemon.view.reader import JournalView, Sight
from rules.alarms.life_cycle import Priority
from rules.rack.plan import RACK_WIDE

ENTRIES_SHOWN = 5
HUNG_AFTER_S = 10.0
"""A turn takes a second; after ten without one nothing new is told (project judgement)."""


def rack_now(view: JournalView, now_ms: int) -> RackNow:
    """Return what is now, at `now_ms` (UTC); JournalError where the journal cannot be read."""
    sight = view.look(now_ms)
    watch = watch_now(sight)
    channels = channels_now(sight, watch.state)
    alarms = alarms_now(sight, {channel.name: channel for channel in channels})
    vessels = _vessels(sight, channels, alarms, watch.state)
    utc_ms, guess_ms = sight.dating.utc_ms, sight.dating.unsynchronised_from_ms()
    return RackNow(
        sight.engine.plan.rack,
        now_ms,
        sight.settings.rack.time_zone,
        overall(watch, vessels, alarms, other=_calls(sight.broker, sight.journal)),
        watch,
        vessels,
        tuple(channel for channel in channels if channel.vessel == RACK_WIDE),
        tuple(alarms),
        tuple(MaintenanceNow(target, utc_ms(until)) for target, until in sight.engine.maintenance().items()),
        probes_now(sight, {channel.name: channel for channel in channels}),
        sight.troubles,
        sight.said,
        ClockNow(guess_ms is None, None if guess_ms is None else utc_ms(guess_ms)),
        sight.journal,
        sight.broker,
        sight.oncall,
        sight.mirror,
        sight.machine,
    )


def watch_now(sight: Sight) -> WatchNow:
    """Return whether the watch lives: by its lock, and by its beat, never by what it writes to the card."""
    holder, now_ms = sight.holder, sight.now_ms
    if holder is None:
        return WatchNow(WatchState.NEVER, None, None)
    beats = beats_at(holder.beat)
    lifeless = WatchState.HUNG if holder.holds else WatchState.DEAD
    if beats is None:  # dead since it wrote down the last, or one that nobody can tell from a hung one
        return WatchNow(lifeless, sight.journal.newest_ms, sight.journal.age_s)
    if not holder.holds or beats.last_s > HUNG_AFTER_S:
        return WatchNow(lifeless, now_ms - round(beats.last_s * 1000), beats.last_s)
    return WatchNow(WatchState.ALIVE, now_ms - round(beats.began_s * 1000), beats.last_s)


def only(rack: RackNow, vessel: str) -> RackNow:
    """Return what is now of one vessel alone; JournalError where the rack has none of that name."""
    here = tuple(its for its in rack.vessels if its.name == vessel)
    if not here:
        known = ", ".join(sorted(its.name for its in rack.vessels))
        raise JournalError(f"vessel: {vessel} is none of this rack; known are: {known}")
    alarms = tuple(its for its in rack.alarms if vessel in its.vessels)
    probes = {channel.probe for channel in here[0].channels}
    return replace(
        rack,
        overall=overall(rack.watch, here, alarms, other=_calls(rack.broker, rack.journal)),
        vessels=here,
        rack_wide=(),
        alarms=alarms,
        maintenance=tuple(work for work in rack.maintenance if work.target == f"vessel/{vessel}"),
        probes=tuple(probe for probe in rack.probes if probe.name in probes),
        troubles=tuple(trouble for trouble in rack.troubles if trouble.probe in probes),
    )


def overall(
    watch: WatchNow, vessels: Iterable[VesselNow], alarms: Iterable[AlarmNow], *, other: bool = False
) -> Overall:
    """Return how it is in a word; `other` says that something calls people that is no alarm of the water."""
    alarms = list(alarms)
    if watch.state is not WatchState.ALIVE:
        return Overall.NOT_WATCHED
    if other or any(alarm.held_by is None for alarm in alarms):
        return Overall.ALARM
    if any(vessel.unwatched for vessel in vessels):
        return Overall.PARTLY_UNWATCHED
    return Overall.ALARMS_HELD if alarms else Overall.WELL


def _calls(broker: BrokerNow, journal: JournalNow) -> bool:
    """Return whether the rack itself calls people: it holds for each of its vessels."""
    return bool(broker.rival) or journal.disk_full


def _vessels(
    sight: Sight, channels: list[ChannelNow], alarms: list[AlarmNow], watch: WatchState
) -> tuple[VesselNow, ...]:
    """Return the vessels, the one that most needs somebody first, otherwise in the order of the plan."""
    lost = unwatched(sight, watch, channels)
    found = [
        _vessel(sight, vessel, channels, alarms, lost.get(vessel, ())) for vessel in sight.engine.stages()
    ]
    open_alarms = {alarm.name: alarm for alarm in alarms if alarm.held_by is None}

    def urgency(vessel: VesselNow) -> tuple[int, bool, int]:
        here = [Priority[open_alarms[name].priority.upper()] for name in vessel.alarms if name in open_alarms]
        return max(here, default=0), bool(vessel.unwatched), len(vessel.alarms)

    return tuple(sorted(found, key=urgency, reverse=True))


def _vessel(
    sight: Sight,
    name: str,
    channels: list[ChannelNow],
    alarms: list[AlarmNow],
    lost: tuple[Unwatched, ...],
) -> VesselNow:
    known, stage = sight.settings.vessels.get(name), _stage(sight, name)
    here = tuple(channel for channel in channels if channel.vessel == name)
    until_ms = sight.engine.maintenance().get(f"vessel/{name}")
    return VesselNow(
        name,
        known.label if known else None,
        known.kind if known else None,
        stage,
        None if until_ms is None else sight.dating.utc_ms(until_ms),
        here,
        tuple(alarm.name for alarm in alarms if name in alarm.vessels),
        lost,
        sight.entries.get(name, ())[-ENTRIES_SHOWN:],
    )


def _stage(sight: Sight, vessel: str) -> StageNow:
    utc_ms, clock_ms = sight.dating.utc_ms, sight.engine.clock_ms
    now = sight.engine.stages()[vessel]
    ramp = now.before is not None and clock_ms < now.settled_ms
    ahead = [step for step in sight.engine.plan.steps.get(vessel, ()) if step.at_ms > clock_ms]
    step = min(ahead, key=lambda step: step.at_ms, default=None)
    return StageNow(
        now.stage,
        utc_ms(now.since_ms) if now.since_ms else None,
        now.before.stage if now.before is not None and ramp else None,
        utc_ms(now.settled_ms) if ramp else None,
        step.stage if step else None,
        utc_ms(step.at_ms) if step else None,
    )
