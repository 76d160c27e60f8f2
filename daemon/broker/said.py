"""What people answer over the broker, checked at the door.

ROOT/_oncall/said/NAME/PERSON     answers to the on-call process NAME, one JSON object each
ROOT/_oncall/reply/NAME/PERSON    what came of each, in one line

    {"id": "7c1d20e4-9a", "reply": "seen", "problems": [41], "issued_at": "2026-11-02T03:12:00Z"}

Who may speak as PERSON, the broker's own users and permissions say. What is kept or old answers for nothing,
and a repeat under the same id is only replied to again.
"""

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from daemon.broker.command_message import Id, Moment, checked, json_body, refuse_untimely
from daemon.broker.connection import Arrival
from daemon.errors import CommandError
from daemon.journal.outbox import Message
from daemon.tables.types import Name, Table, Whole
from daemon.words import iso_time
from rules.calling.records import Answer, Reply

PROBLEMS_AT_MOST = 200
_REPLIES = {"seen": Reply.SEEN, "on_my_way": Reply.ON_MY_WAY, "next": Reply.NEXT, "quiet": Reply.QUIET}


class Said(Table):
    """An answer for the problems of a message, or for all that calls of a rack."""

    id: Id = Field(description="Tells a repeat")
    reply: Literal["seen", "on_my_way", "next", "quiet"] = Field(description="The answer")
    problems: Annotated[tuple[Whole, ...], Field(max_length=PROBLEMS_AT_MOST)] = Field(
        (), description="Their numbers: 41 of #41.2"
    )
    all_of: Name | None = Field(None, description="The rack, in place of numbers")
    minutes: Annotated[Whole, Field(ge=1, le=120)] | None = Field(
        None, description="On my way: there in so many minutes"
    )
    issued_at: Moment = Field(description="When it was sent (ISO 8601 with its offset from UTC)")

    def answer(self, who: str) -> Answer:
        """Return it as the answer of a person."""
        there = self.minutes if self.reply == "on_my_way" else None
        return Answer(_REPLIES[self.reply], who, there and 60_000 * there)


def said_of(arrival: Arrival, who: str, people: Collection[str], now_ms: int) -> Said:
    """Return what is said in somebody's name; CommandError, in one line, where it answers for nothing."""
    if who not in people:
        raise CommandError(f"{who[:60]}: not in the rota; it has {', '.join(people)}")
    if arrival.kept:
        raise CommandError("kept by the broker (retain); an answer is for now, send it without")
    said = checked(Said, json_body(arrival.payload))
    refuse_untimely(said.issued_at, now_ms, "the on-call machine")
    if bool(said.problems) == bool(said.all_of):
        raise CommandError("problems: give the numbers that it is for, or all_of a rack")
    return said


@dataclass(frozen=True, slots=True)
class Replied:
    """What is replied to an answer; an empty `refusal` says that it was taken."""

    to: Arrival
    id: str
    refusal: str

    def message(self, root: str, now_ms: int) -> Message:
        """Return the message with it."""
        name, person = self.to.topic.split("/")[-2:]
        said = {"id": self.id, "done": not self.refusal, "refusal": self.refusal, "at": iso_time(now_ms)}
        return Message(f"{root}/_oncall/reply/{name}/{person}", json.dumps(said, ensure_ascii=False), False)
