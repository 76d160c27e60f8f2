"""Words of racks on their alarms, for tests of what on-call makes of them."""

from dataclasses import fields

from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.records import Word

_OF_EVIDENCE = {field.name for field in fields(Evidence)}
_OF_WORD = {"unit", "mention", "run", "boot"}


def word_of(alarm, at_ms, *, rack="north", journal="j", number=1, **said):
    """The word that an alarm (VESSEL/QUANTITY/CONDITION) was raised at a moment, but for what is `said`."""
    channel, _, condition = alarm.rpartition("/")
    evidence = Evidence(**{name: said.pop(name) for name in _OF_EVIDENCE & said.keys()})
    more = {name: said.pop(name) for name in _OF_WORD & said.keys()}
    said["trigger"] = Trigger(said.get("trigger", Trigger.RAISED))
    said["state"] = State(said.get("state", State.UNACKNOWLEDGED))
    usual = {"priority": Priority.CRITICAL, "since_ms": at_ms, "vessel": channel.partition("/")[0]}
    event = AlarmEvent(
        number=number, at_ms=at_ms, channel=channel, condition=condition, evidence=evidence, **(usual | said)
    )
    return Word(rack, event, journal, **more)
