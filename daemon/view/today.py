"""What somebody has to look at today, the worst first: what stands now, is planned, or falls due."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.journal.history import Entry
from daemon.journal.journal import Journal, reading
from daemon.journal.logbook import HAND, logbook_of
from daemon.settings.rack import Settings
from daemon.view import rack_words as words
from daemon.view.health_text import care_lines
from daemon.view.needs import named, need_of
from daemon.view.rack_now import RackNow, WatchState
from daemon.words import notice_text
from rules.alarms.life_cycle import Condition
from rules.care.probe_care import CHECK_DUE
from rules.rack.plan import RACK_WIDE
from rules.readings import Notice

DAY_MS = 86_400_000
DUE_WITHIN_MS = 7 * DAY_MS
OPEN_MS = 30 * 86_400_000
"""What nobody has followed for so long is not asked for again (project judgement)."""
_OF_STAGES = {"stage review", "stage runs long"}


def to_do(rack: RackNow, notices: Sequence[Notice]) -> Iterator[str]:
    """Give each thing in a line; `notices` are those of stages and hand checks that may still be open."""
    zone = ZoneInfo(rack.time_zone)
    if rack.watch.state is not WatchState.ALIVE:
        yield f"■ NOT WATCHED: {words.lifeless(rack.watch, zone)}"
    for said in words.other_calls(rack, zone):
        yield f"■ {said}"
    called = {vessel.name: named(vessel) for vessel in rack.vessels}
    for alarm in rack.alarms:
        need = need_of(alarm, called, rack.made_ms, zone)
        if alarm.held_by is None or (alarm.stands and not alarm.leader):
            first = f" First: {need.first}" if need.first else ""
            yield f"{need.shape} {need.where}: {need.text[:-1]}; {need.who}.{first}"
    told = {
        vessel
        for alarm in rack.alarms
        if alarm.condition == Condition.UNWATCHED and alarm.held_by is None
        for vessel in alarm.vessels
    }
    for vessel in (it for it in rack.vessels if it.name not in told):
        for what, why, worst in words.unwatched(vessel, rack.made_ms, zone):
            yield f"▨ {named(vessel)}: {what} unwatched: {why} (hides up to {worst})"
    yield from (notice_text(it, zone) for it in notices if not _moved_since(rack, it))
    yield from _planned(rack, zone)


def _moved_since(rack: RackNow, notice: Notice) -> bool:
    """Return whether the vessel of a notice has come to another stage since."""
    stages = {vessel.name: vessel.stage for vessel in rack.vessels}
    return notice.vessel in stages and (stages[notice.vessel].since_ms or 0) > notice.at_ms


def _planned(rack: RackNow, zone: ZoneInfo) -> Iterator[str]:
    """Give what is planned within a day, and the care of probes that falls due within a week."""
    for vessel in rack.vessels:
        stage = vessel.stage
        if stage.next_at_ms is not None and stage.next_at_ms < rack.made_ms + DAY_MS:
            when = words.moment(stage.next_at_ms, rack.made_ms, zone)
            yield f"{named(vessel)}: {stage.next_name} from {when}, by plan"
    for probe in rack.probes:
        yield from care_lines(probe, zone)
        for its in probe.calibrations:
            if its.due_ms is not None and not its.overdue and its.due_ms < rack.made_ms + DUE_WITHIN_MS:
                day = f"{datetime.fromtimestamp(its.due_ms / 1000, zone):%Y-%m-%d}"
                yield f"{probe.name} {its.quantity.replace('_', ' ')}: calibration due on {day}"


def open_notices(settings: Settings) -> list[Notice]:
    """Return what stages and hand checks still ask for."""
    with reading(settings.journal.path) as journal, journal.standing_still():
        utc_ms = journal.state.dating().utc_ms
        written = [replace(it, at_ms=utc_ms(it.at_ms)) for it in logbook_of(journal, kinds=(HAND,))]
        return list(open_among(journal, settings, written))


def open_among(journal: Journal, settings: Settings, written: list[Entry]) -> Iterator[Notice]:
    """Give the newest of each vessel that its stage wants a look, and the hand checks not made since."""
    dating, newest = journal.state.dating(), journal.history.newest_notices
    since_ms = journal.state.clock_ms() - OPEN_MS
    for vessel in settings.vessels:
        found = [it for it in newest(vessel, since_ms) if it.kind in _OF_STAGES]
        yield from map(dating.dated_notice, found)
    for it in map(dating.dated_notice, newest(RACK_WIDE, since_ms)):
        done = {entry.vessel for entry in written if entry.kind == HAND and entry.at_ms >= it.at_ms}
        due = [name for name in str(it.details.get("vessels")).split(", ") if name not in done]
        if it.kind == CHECK_DUE and due:
            yield replace(it, details={"vessels": ", ".join(due)})
