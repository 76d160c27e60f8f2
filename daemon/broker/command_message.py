"""Commands through the broker, checked at the door: their schema, their size, their age.

    {"id": "4f1c...", "kind": "acknowledge", "who": "ada", "issued_at": "2026-11-02T03:12:00Z",
     "body": {"alarm": "k1/temperature/high"}}

What passes is still only a request: whether it can be done as things stand, the rules decide, as for
a command of the command line.
"""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from pydantic import AwareDatetime, BeforeValidator, Field, StringConstraints, ValidationError

from daemon.errors import CommandError
from daemon.settings.commands import CommandKind
from daemon.settings.faults import EXPECTED
from daemon.settings.types import LABEL_PATTERN, PATTERNS_IN_WORDS, Number, Table
from daemon.settings.words import quoted, shown

BYTES_AT_MOST = 4096
AGE_AT_MOST_MS = 120_000
ID_PATTERN = r"^[A-Za-z0-9-]{8,64}$"
WORDS_PATTERN = r"^[^\x00-\x1f\x7f]{1,200}$"

_IN_WORDS = {
    **PATTERNS_IN_WORDS,
    ID_PATTERN: "8 to 64 letters, digits and hyphens, new for each command",
    WORDS_PATTERN: "1 to 200 characters on one line",
}


def _read_moment(value: object) -> object:
    try:
        if isinstance(value, str) and (moment := datetime.fromisoformat(value)).tzinfo is not None:
            return moment
    except ValueError:
        pass
    raise ValueError('a moment with its offset from UTC, such as "2026-11-02T03:12:00Z"')


_Words = Annotated[str, StringConstraints(pattern=WORDS_PATTERN)]
_Positive = Annotated[Number, Field(gt=0)]


class _AlarmBody(Table):
    alarm: _Words = Field(description="The alarm's name, such as k1/temperature/high")


class _AlarmBodyWithReason(_AlarmBody):
    why: _Words = Field(description="The reason, for those who come after")


class _ShelveBody(_AlarmBodyWithReason):
    for_s: _Positive = Field(description="For how long [s]")


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


class _Envelope(Table):
    id: Annotated[str, StringConstraints(pattern=ID_PATTERN)] = Field(description="Tells a repeat")
    kind: CommandKind = Field(description="What to do")
    who: Annotated[str, StringConstraints(pattern=LABEL_PATTERN)] = Field(description="Who asks for it")
    issued_at: Annotated[AwareDatetime, BeforeValidator(_read_moment)] = Field(
        description="When it was sent (ISO 8601 with its offset from UTC)"
    )
    body: dict[str, Any] = Field(description="What the kind needs to know")


@dataclass(frozen=True, slots=True)
class Command:
    """A command that may be done, as far as the door can tell."""

    id: str
    kind: str
    who: str
    body: dict[str, Any]


def command_of(payload: bytes, now_ms: int, allowed: Collection[str]) -> Command:
    """Return the command in a payload; CommandError, in one line, where it is refused."""
    if len(payload) > BYTES_AT_MOST:
        raise CommandError(f"{len(payload)} bytes; a command has at most {BYTES_AT_MOST}")
    try:
        envelope = _Envelope.model_validate(_json_object(payload))
        if envelope.kind not in allowed:
            raise CommandError(
                f"kind: {envelope.kind} is not allowed here; the rack's settings allow "
                f"{', '.join(sorted(allowed)) or 'nothing'}"
            )
        body = BODIES[envelope.kind].model_validate(envelope.body)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        inside = ("body",) if error.title != _Envelope.__name__ else ()
        raise CommandError(_in_words(first, (*inside, *first["loc"]))) from None
    age_ms = now_ms - round(envelope.issued_at.timestamp() * 1000)
    if abs(age_ms) > AGE_AT_MOST_MS:
        raise CommandError(
            f"issued_at: {abs(age_ms) / 1000:.0f} s {'old' if age_ms > 0 else 'ahead of this rack'}; "
            f"at most {AGE_AT_MOST_MS // 1000} s are accepted; are both clocks right?"
        )
    return Command(envelope.id, envelope.kind, envelope.who, body.model_dump())


def id_in(payload: bytes) -> str:
    """Return the id of a refused command, as far as it has a readable one; else nothing."""
    try:
        found = _json_object(payload).get("id") if len(payload) <= BYTES_AT_MOST else ""
    except CommandError:
        return ""
    return found[:64] if isinstance(found, str) and found.isprintable() else ""


def _json_object(payload: bytes) -> dict[str, Any]:
    try:
        value = json.loads(payload.decode(), parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        raise CommandError("not JSON; a command is one JSON object in UTF-8") from None
    if not isinstance(value, dict):
        raise CommandError("not an object; a command is one JSON object in UTF-8")
    return value


def _refuse_constant(name: str) -> float:
    raise ValueError(name)


def _in_words(detail: Any, place: tuple[str | int, ...]) -> str:  # noqa: ANN401  (pydantic's detail)
    where, kind, context = ".".join(map(str, place)), detail["type"], detail.get("ctx", {})
    if kind == "missing":
        return f"{where}: missing; it is needed"
    if kind == "extra_forbidden":
        return f"{quoted(where)}: not a key of this kind of command"
    if kind == "string_pattern_mismatch":
        expected = _IN_WORDS[context["pattern"]]
    else:
        expected = EXPECTED[kind](context) if kind in EXPECTED else detail["msg"]
    return f"{where}: found {shown(detail['input'])}; expected {expected}"
