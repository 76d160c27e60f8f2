"""What the second of two watchers does while the first is not heard, and how its absence is told."""

from dataclasses import replace

from rules.alarms.life_cycle import Priority
from rules.calling.calling import Caller
from rules.calling.duty import Pair
from rules.calling.pair import OtherSays
from rules.calling.racks.signs import RackSigns, sign_word
from rules.calling.records import TWO_DUTIES, WATCHER_MISSING, CallKind, Word


def of_the_other(caller: Caller, pair: Pair, *, ended: bool) -> Word:
    """Return our word on the other watcher, that it is not heard, or is heard again."""
    since_ms = caller.calls.waiting.heard_ms
    return sign_word(pair.other, WATCHER_MISSING, Priority.MEDIUM, caller.now_ms, since_ms, ended=ended)


def goes_otherwise(caller: Caller, says: OtherSays, signs: RackSigns) -> list[Word]:
    """Return our word on the other watcher where it goes by another agreement than we do."""
    duty = caller.duty
    if duty.pair is None or says.duty in ("", duty.mark):
        return []
    return signs.is_wrong(duty.pair.other, TWO_DUTIES, Priority.MEDIUM, caller.now_ms)


def stand_in(caller: Caller, linked_ms: int | None) -> None:
    """Send what has waited long enough; miss the other watcher once it has been silent too long."""
    pair, calls, now_ms = caller.duty.pair, caller.calls, caller.now_ms
    waiting = calls.waiting
    if pair is not None and not waiting.missing and waiting.missing_ms(pair) <= now_ms:
        waiting.missing, waiting.holds = True, False
        if pair.second:
            caller.call_now()
    elif pair and not waiting.told and linked_ms and waiting.told_ms(pair, linked_ms) <= now_ms:
        waiting.told = True
        caller.take(of_the_other(caller, pair, ended=False))
    for call in waiting.release(pair, now_ms):
        problem = calls.problems.get(call.key)
        calls_still = problem and problem.urgency is not None and problem.due_ms != now_ms
        if calls_still or call.kind not in (CallKind.ALARM, CallKind.DRILL):
            caller.upshot.calls.append(replace(call, at_ms=now_ms))
