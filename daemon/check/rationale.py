"""Whether each alarm is as urgent as its record says, and comes in time; the records for the wall."""

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.errors import Finding
from daemon.response_notes import known_alarms
from daemon.settings.draft import Draft
from daemon.settings.rack import Settings
from daemon.tables.words import one_of, shown, where
from daemon.words import condition_word, label, level
from rules.alarms.life_cycle import Condition, Priority
from rules.care.rationale import Record, priority_by, record_of
from rules.quantities import Quantity
from rules.rack.limits import LIKELY, Limit, limits_of

TOLD_BY = 0.5
"""Share of the time to act after which an alarm must be raised (project judgement): calling takes time."""


@dataclass(frozen=True, slots=True)
class Alarming:
    """An alarm that a stage in use can raise by a limit, and why it exists."""

    stage: str
    quantity: Quantity
    limit: Limit
    record: Record


def alarming(settings: Settings) -> Iterator[Alarming]:
    """Go through what the stages in the vessels call for, of each condition the most urgent limit."""
    own = settings.own_records()
    for stage in dict.fromkeys(vessel.stage for vessel in settings.vessels.values()):
        for quantity in Quantity:
            tolerance = settings.tolerance_of(stage, quantity)
            sure = [it for it in limits_of(tolerance) if it.level not in LIKELY] if tolerance else []
            for condition in dict.fromkeys(limit.condition for limit in sure):
                worst = max((it for it in sure if it.condition is condition), key=lambda it: it.priority)
                if record := record_of(stage, quantity, condition, own):
                    yield Alarming(stage, quantity, worst, record)


def record_findings(draft: Draft) -> Iterator[Finding]:
    """Yield records of no alarm, and alarms whose priority or delay does not go with their record."""
    settings, known = draft.settings, known_alarms()
    stages = settings.stage_names()
    for key in settings.records:
        stage, _, alarm = key.partition("/")
        if key not in known and (stage not in stages or alarm not in known):
            yield Finding(
                where("records", key), "an alarm that does not exist", one_of("an alarm", known, key)
            )
    if all(draft.knows_stage(vessel.stage) for vessel in settings.vessels.values()):
        for its in alarming(settings):
            yield from _findings(its)


def _findings(its: Alarming) -> Iterator[Finding]:
    limit, record = its.limit, its.record
    path = where("records", f"{its.stage}/{its.quantity}/{limit.condition}")
    due, minutes = priority_by(record), shown(record.respond_min)
    if due != limit.priority and not (limit.priority is Priority.LOW and due is Priority.MEDIUM):
        found = (
            f"{limit.priority.word} by its limit, {due.word} by its record ({record.severity}, {minutes} min)"
        )
        yield Finding(path, found, "both the same: critical is harm within the time to respond", True)
    if limit.delays_ms[0] > TOLD_BY * record.respond_min * 60_000:
        found = f"raised after {shown(limit.delays_ms[0] / 1000)} s, of {minutes} min to act"
        yield Finding(path, found, "an on-delay of at most half of that", True)


def wall_lines(settings: Settings) -> Iterator[str]:
    """Yield the records of what the stages in the vessels call for, as a page for the wall."""
    for its in sorted(alarming(settings), key=lambda its: (its.stage, -its.limit.priority)):
        record, condition = its.record, its.limit.condition
        edge = level(its.limit.value, its.quantity, condition)
        at = f" {'above' if its.limit.above else 'below'} {edge}"
        ahead = " within the lead time" if condition is Condition.HEADING_OUT else ""
        what = f"{its.stage}, {label(its.quantity)} {condition_word(condition)}{at}{ahead}"
        yield f"{its.limit.priority.word.upper()}  {what}: act within {shown(record.respond_min)} min"
        yield from (f"  {line}" for line in record_lines(record))


def record_lines(record: Record) -> Iterator[str]:
    """Yield what happens without people, what they check first, what they do then, and who may shelve it."""
    yield f"  if nobody acts: {record.consequence}. Usual cause: {record.cause}."
    yield f"  first: {record.check}"
    yield f"  then: {record.action}. May be shelved by {record.may_shelve}."
