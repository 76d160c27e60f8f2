"""The ledger: from the water or a fault to the person who has seen it, each step with its time.

Read afterwards out of a rack's journal and the on-call process's file, those of a test or of a real rack.
"""

import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from daemon.errors import OnCallError
from daemon.journal.inputs import CONFIGURE
from daemon.journal.journal import reading
from daemon.transaction import connect
from daemon.words import condition_word
from rules.alarms.life_cycle import State
from rules.calling.records import CallKind

_CALLS = """
SELECT text, person, at_ms, CASE fate WHEN 'sent' THEN done_ms END, (SELECT min(r.answered_ms) FROM request r
WHERE r.problem = p.problem AND r.refusal = '' AND r.answered_ms >= p.at_ms) FROM page p
WHERE kind = ? ORDER BY at_ms
"""


@dataclass(frozen=True, slots=True)
class Step:
    """A call about an alarm, or an alarm without one; UTC milliseconds, None where it did not come to that.

    The condition began at `since_ms`, was announced at `alarm_ms`, and confirmed by the broker at
    `broker_ms`; the call was owed to `person` at `call_ms` and taken by a route at `taken_ms`; somebody
    said that it is seen at `seen_ms`. A call to another person than the one before is a hand-over.
    """

    alarm: str
    since_ms: int
    alarm_ms: int
    broker_ms: int | None
    person: str = ""
    call_ms: int | None = None
    taken_ms: int | None = None
    seen_ms: int | None = None


def ledger(journal: Path, oncall: Path) -> list[Step]:
    """Return a step for each call about each announcement of the journal's rack, oldest first.

    A call is known by its words: rack, vessel, alarm. JournalError or OnCallError where a file is damaged.
    """
    calls, found = _calls_about_alarms(oncall), []
    with reading(journal) as read:
        dating, plan = read.state.dating(), read.inputs.newest_action(CONFIGURE)
        rack = str(plan.body["rack"]) if plan else ""
        announced = [body for body in read.history.event_bodies() if body["state"] == State.UNACKNOWLEDGED]
        for number, body in enumerate(announced):
            alarm = f"{body['channel']}/{body['condition']}"
            since_ms, at_ms = dating.utc_ms(body["since_ms"]), dating.utc_ms(body["at_ms"])
            begun = Step(alarm, since_ms, at_ms, read.outbox.confirmed_ms(body["number"]))
            again = (later for later in announced[number + 1 :] if _alarm(later) == _alarm(body))
            until_ms = next((dating.utc_ms(later["at_ms"]) for later in again), 2**62)
            about = [call for call in calls if at_ms <= call[2] < until_ms and _is_about(call[0], rack, body)]
            found += [
                replace(begun, person=to, call_ms=owed, taken_ms=taken, seen_ms=seen)
                for _, to, owed, taken, seen in about
            ] or [begun]
    return found


def _alarm(body: dict[str, Any]) -> tuple[str, str]:
    return body["channel"], body["condition"]


def _is_about(text: str, rack: str, body: dict[str, Any]) -> bool:
    where, _, what = text.partition(": ")
    quantity = body["channel"].rpartition("/")[2].replace("_", " ")
    alarm = re.escape(f"{quantity} {condition_word(body['condition'])}")
    named = re.match(rf"{alarm}(?![\w-])", what) is not None  # high is not high-high
    return named and f" {rack} " in f"{where} " and body["vessel"] in where.replace(",", " ").split()


def _calls_about_alarms(path: Path) -> list[tuple[str, str, int, int | None, int | None]]:
    """Return text, person, and when each was owed, taken by a route and seen (UTC ms), oldest first."""
    try:
        with closing(connect(f"file:{path}?mode=ro", uri=True)) as db:
            return db.execute(_CALLS, (CallKind.ALARM,)).fetchall()
    except sqlite3.Error as error:
        raise OnCallError(f"on-call state {path}: {error}; it is damaged, or none") from error
