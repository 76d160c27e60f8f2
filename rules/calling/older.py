"""What is older than what people were told: snapshots of an older version, and an older copy of our file.

A copy that is put back would give numbers out once more that people have in a message or a link. What the
broker kept of the last ones shows it; then the numbers go on beyond those, and what stands calls again.
"""

from collections.abc import Mapping
from typing import Any

from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.calling import Caller
from rules.calling.drill import Outcome
from rules.calling.flood import FloodGate
from rules.calling.problems import Given
from rules.calling.racks.signs import EVERY_RACK, RackSigns
from rules.calling.records import WENT_BACK, Word
from rules.calling.rested import Rested

NUMBER_AT_MOST = 10**7
_EVIDENCE = ("value", "limit", "rate_per_hour", "reached_ms", "reason")
_EVENT = ("number", "at_ms", "vessel", "condition", "priority", "since_ms", "vessels")


def of_version_1(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return a snapshot of version 1 as version 2, in which a word carries the event of its alarm."""
    flood, signs = data["flood"], data["signs"]
    problems = {
        problem["key"]: {
            **{key: value for key, value in problem.items() if key not in ("pages", "members")},
            "calls": problem["pages"],
            "members": dict(_member(*member) for member in problem["members"]),
        }
        for problem in data["problems"]
    }
    held = {
        person: {"due_ms": due_ms, "problems": numbers} for person, (due_ms, numbers) in flood["held"].items()
    }
    return {
        "version": 2,
        "clock_ms": data["clock_ms"],
        "hearing": {
            "journals": {
                rack: {"id": name, "newest_ms": at_ms} for rack, (name, at_ms) in data["journals"].items()
            },
            "numbers": data["heard_numbers"],
        },
        "signs": {
            **signs,
            "racks": {
                name: {"state": state, "heard_ms": heard_ms, "silent": silent}
                for name, (state, heard_ms, silent) in signs["racks"].items()
            },
        },
        "calls": {
            "problems": problems,
            "last_number": data["last_number"],
            "summaries": data["summaries"],
            "gone": [_word(old) for old in data["gone"]],
            "flood": {"sent": flood["sent"], "held": held},
        },
    }


def given_in(data: Mapping[str, Any]) -> Given:
    """Return the last numbers that a snapshot of a later version says were given out, 0 where it does not."""
    said = data.get("calls")
    names = ("last_number", "summaries", "written")
    first, second, third = (said.get(name) if isinstance(said, dict) else 0 for name in names)
    return _number(first), _number(second), _number(third)


def _number(said: object) -> int:
    return said if isinstance(said, int) and 0 < said < NUMBER_AT_MOST else 0


def go_on_beyond(caller: Caller, known: Given, signs: RackSigns) -> list[Word]:
    """Give out no number of those that were given out under our name; return what is to be told of it."""
    calls = caller.calls
    caller.end_drill(Outcome.BROKEN_OFF)
    calls.last_number, calls.summaries, calls.written = map(max, calls.given, known)
    calls.skip()
    calls.flood, calls.waiting.held, calls.rested = FloodGate(), {}, Rested()
    for problem in calls.in_order():
        calls.last_number = caller.duty.number_after(calls.last_number)
        problem.number, problem.calls = calls.last_number, 0
        caller.call_again(problem)
        problem.answer = None  # of before the copy: to a second watcher it would be a new one
        calls.plan(problem, caller.now_ms)
    return signs.is_wrong(EVERY_RACK, WENT_BACK, Priority.MEDIUM, caller.now_ms)


def _member(old: Mapping[str, Any], stand: str, worst: int) -> tuple[str, dict[str, Any]]:
    word = _word(old)
    name = f"{word['event']['channel']}/{old['condition']}"
    return name, {"word": word, "stand": stand, "worst": worst}


def _word(old: Mapping[str, Any]) -> dict[str, Any]:
    """What is no alarm of a channel (a silent rack, something mentioned) has its old name as its cause."""
    alarm, condition, mention = old["alarm"], f"/{old['condition']}", old["trigger"] == "mentioned"
    of_channel = alarm.endswith(condition) and not mention
    event = {key: old[key] for key in _EVENT} | {
        "channel": alarm.removesuffix(condition) if of_channel else "",
        "cause": old["cause"] if of_channel else alarm,
        "trigger": old["trigger"] if old["trigger"] in set(Trigger) else Trigger.RAISED,
        "state": old["state"] if old["state"] in set(State) else State.UNACKNOWLEDGED,
        "evidence": {key: old[key] for key in _EVIDENCE},
    }
    return {
        "rack": old["rack"],
        "journal": old["journal"],
        "unit": old["unit"],
        "mention": mention,
        "event": event,
    }
