"""Commands through the broker, checked at the door: their schema, their size, their age.

    {"id": "4f1c...", "kind": "acknowledge", "who": "ada", "issued_at": "2026-11-02T03:12:00Z",
     "body": {"alarm": "k1/temperature/high"}}

What passes is still only a request: whether it can be done as things stand, the rules decide, as for
a command of the command line.
"""

import json
from collections.abc import Collection, Mapping
from datetime import datetime
from functools import partial
from typing import Annotated, Any, TypeVar

from pydantic import AwareDatetime, BeforeValidator, Field, StringConstraints, ValidationError

from daemon.errors import CommandError
from daemon.settings.commands import CommandKind
from daemon.tables.faults import faults_of
from daemon.tables.types import COMMAND_ID_PATTERN, REASON_PATTERN, Label, Number, Switch, Table, read_as
from daemon.tables.words import path_of

BYTES_AT_MOST = 4096
AGE_AT_MOST_MS = 120_000

_T = TypeVar("_T", bound=Table)
_SENT = 'a moment with its offset from UTC, such as "2026-11-02T03:12:00Z"'
Moment = Annotated[AwareDatetime, BeforeValidator(read_as(datetime.fromisoformat, datetime, _SENT))]
Id = Annotated[str, StringConstraints(pattern=COMMAND_ID_PATTERN)]
_Words = Annotated[str, StringConstraints(pattern=REASON_PATTERN)]
_Positive = Annotated[Number, Field(gt=0)]


class _AlarmBody(Table):
    alarm: _Words = Field(description="The alarm's name, such as k1/temperature/high")


class _AlarmBodyWithReason(_AlarmBody):
    why: _Words = Field(description="The reason, for those who come after")


class _ShelveBody(_AlarmBodyWithReason):
    for_s: _Positive = Field(description="For how long [s]")
    yes_critical: Switch = Field(False, description="It is known to be critical, and shelved all the same")


class _StageBody(Table):
    vessel: _Words = Field(description="The vessel")
    stage: _Words = Field(description="The life stage that moves in")
    over_s: Annotated[Number, Field(ge=0)] = Field(default=0.0, description="Time the limits take [s]")


class _TargetBody(Table):
    target: _Words = Field(description="vessel/NAME or bus/NAME")


class _MaintenanceBody(_TargetBody):
    for_s: _Positive = Field(description="For how long [s]")
    why: _Words = Field(description="What is being done")


BODIES: Mapping[str, type[Table]] = {
    "acknowledge": _AlarmBody,
    "reset": _AlarmBody,
    "shelve": _ShelveBody,
    "unshelve": _AlarmBody,
    "take_out_of_service": _AlarmBodyWithReason,
    "put_back_into_service": _AlarmBody,
    "move_stage": _StageBody,
    "begin_maintenance": _MaintenanceBody,
    "end_maintenance": _TargetBody,
}
"""Every kind of command, and what its body holds."""


class Command(Table):
    """A command that may be done, as far as the door can tell."""

    id: Id = Field(description="Tells a repeat")
    kind: CommandKind = Field(description="What to do")
    who: Label = Field(description="Who asks for it")
    issued_at: Moment = Field(description="When it was sent (ISO 8601 with its offset from UTC)")
    body: dict[str, Any] = Field(description="What the kind needs to know")


def command_of(payload: bytes, now_ms: int, allowed: Collection[str]) -> Command:
    """Return the command in a payload; CommandError, in one line, where it is refused."""
    command = checked(Command, json_body(payload))
    if command.kind not in allowed:
        raise CommandError(
            f"kind: {command.kind} is not allowed here; the rack's settings allow "
            f"{', '.join(sorted(allowed)) or 'nothing'}"
        )
    body = checked(BODIES[command.kind], command.body, "body")
    refuse_untimely(command.issued_at, now_ms, "this rack")
    return command.model_copy(update={"body": body.model_dump()})


def refuse_untimely(issued_at: datetime, now_ms: int, here: str) -> None:
    """Raise CommandError where something was sent too long ago, or by a clock that is ahead of ours."""
    age_ms = now_ms - round(issued_at.timestamp() * 1000)
    if abs(age_ms) > AGE_AT_MOST_MS:
        raise CommandError(
            f"issued_at: {abs(age_ms) / 1000:.0f} s {'old' if age_ms > 0 else f'ahead of {here}'}; "
            f"at most {AGE_AT_MOST_MS // 1000} s are accepted; are both clocks right?"
        )


def checked(table: type[_T], values: dict[str, Any], *path: str) -> _T:
    """Return the values as a table; CommandError names the first that is wrong."""
    try:
        return table.model_validate(values)
    except ValidationError as error:
        first = faults_of(error, table, partial(path_of, *path))[0]
        raise CommandError(str(first.finding)) from None


def id_in(payload: bytes) -> str:
    """Return the id of a refused command, as far as it has a readable one; else nothing."""
    try:
        found = json_body(payload).get("id")
    except CommandError:
        return ""
    return found[:64] if isinstance(found, str) and found.isprintable() else ""


def json_body(payload: bytes) -> dict[str, Any]:
    """Return the JSON object in a payload; CommandError where it is too long or none."""
    if len(payload) > BYTES_AT_MOST:
        raise CommandError(f"{len(payload)} bytes; a command has at most {BYTES_AT_MOST}")
    try:
        value = json.loads(payload.decode(), parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        raise CommandError("not JSON; a command is one JSON object in UTF-8") from None
    if not isinstance(value, dict):
        raise CommandError("not an object; a command is one JSON object in UTF-8")
    return value


def _refuse_constant(name: str) -> float:
    raise ValueError(name)
