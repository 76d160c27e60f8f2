"""What pydantic finds wrong with a table from outside, in the words of whoever wrote it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from daemon.errors import Finding
from daemon.tables.choice import NO_KIND, Choice, tag_of
from daemon.tables.types import PATTERNS_IN_WORDS, Table
from daemon.tables.words import one_of, quoted, shown, where

Keys = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """A finding that makes part of a table unusable, and the keys that lead there."""

    keys: Keys
    finding: Finding


def faults_of(error: ValidationError, table: type[Table], written: Callable[..., str] = where) -> list[Fault]:
    """Return what is wrong, in the order of the table's keys, without what merely follows from it.

    `table` is the outermost one; `written` is how the keys that lead to a fault are written.
    """
    details = error.errors(include_url=False)
    return [_fault(detail, table, written) for detail in details if not _follows(detail, details, table)]


def _follows(detail: ErrorDetails, others: list[ErrorDetails], table: type[Table]) -> bool:
    """Whether an error is there only because of another: a default that needs a key that is wrong, a key
    that is missing because it is misspelt, a list that is empty because its entries are wrong."""
    kind, loc = detail["type"], detail["loc"]
    if kind == "too_short":
        return any(other["loc"][: len(loc)] == loc and len(other["loc"]) > len(loc) for other in others)
    if kind == "missing":
        return any(
            other["type"] == "extra_forbidden"
            and other["loc"][:-1] == loc[:-1]
            and get_close_matches(str(other["loc"][-1]), _fields_at(loc[:-1], table), 1) == [loc[-1]]
            for other in others
        )
    return kind == "default_factory_not_called"


def _fault(detail: ErrorDetails, table: type[Table], written: Callable[..., str]) -> Fault:
    keys = tuple(key for key in detail["loc"] if not _is_tag(key) and key != "[key]")
    if detail["type"] == NO_KIND and isinstance(detail["input"], dict):
        told = detail["ctx"]
        if (key := told.get("key")) is not None:
            found = shown(detail["input"].get(key))
            return Fault(keys, Finding(written(*keys, key), found, told["expected"]))
        return Fault(keys, Finding(written(*keys), told["found"], told["expected"]))
    return Fault(keys, Finding(written(*keys), _found(detail, keys), _expected(detail, table)))


def _is_tag(key: str | int) -> bool:
    """Whether part of a path is one of our marks for a choice, which the file does not have."""
    return isinstance(key, str) and key.startswith("<") and key.endswith(">")


def _found(detail: ErrorDetails, keys: Keys) -> str:
    if detail["type"] == "missing":
        return "nothing"
    if detail["type"] == "extra_forbidden":
        return "an unknown key"
    if detail["type"] == "too_short":
        entries = len(detail["input"])
        return f"a list of {entries}" if entries else "an empty list"
    if detail["loc"][-1] == "[key]":
        return f"the name {quoted(str(keys[-1]))}"
    if "password" in str(keys[-1]):
        return "a value that is not shown"
    return shown(detail["input"])


def _expected(detail: ErrorDetails, table: type[Table]) -> str:
    kind, context, (*outer, last) = detail["type"], detail.get("ctx", {}), detail["loc"]
    if kind == "missing":
        description = _fields_at(tuple(outer), table)[str(last)].description
        return f"a value ({description})" if description else f"a [{last}] table"
    if kind == "extra_forbidden":
        return one_of("a key of this table", _fields_at(tuple(outer), table), str(last))
    expected = EXPECTED[kind](context) if kind in EXPECTED else detail["msg"]
    may_be_off = last in ("<number>", "<limits>")
    return f'{expected}, or "none" to switch it off' if may_be_off else expected


A_MOMENT = "a moment with its UTC offset, such as 2026-09-01T08:00:00+02:00"

EXPECTED: dict[str, Callable[[dict[str, Any]], str]] = {
    "bool_type": lambda _: "true or false",
    "datetime_from_date_parsing": lambda _: A_MOMENT,
    "datetime_parsing": lambda _: A_MOMENT,
    "datetime_type": lambda _: A_MOMENT,
    "timezone_aware": lambda _: A_MOMENT,
    "dict_type": lambda _: "a table",
    "enum": lambda context: context["expected"].replace("'", '"'),
    "finite_number": lambda _: "a number",
    "float_type": lambda _: "a number",
    "greater_than": lambda context: f"more than {context['gt']:g}",
    "greater_than_equal": lambda context: f"{context['ge']:g} or more",
    "int_from_float": lambda _: "a whole number",
    "int_type": lambda _: "a whole number",
    "less_than_equal": lambda context: f"{context['le']:g} or less",
    "literal_error": lambda context: context["expected"].replace("'", '"'),
    "model_type": lambda _: "a table",
    NO_KIND: lambda _: "a table",
    "path_type": lambda _: "the path of a file, in quotes",
    "string_pattern_mismatch": lambda context: PATTERNS_IN_WORDS[context["pattern"]],
    "string_type": lambda _: "text in quotes",
    "too_short": lambda context: _at_least(context.get("min_length", 1)),
    "tuple_type": lambda _: "a list of tables",
    "value_error": lambda context: str(context["error"]),
}


def _at_least(entries: int) -> str:
    return "at least one entry" if entries == 1 else f"at least {entries} entries"


def _fields_at(loc: Keys, table: type[Table]) -> dict[str, FieldInfo]:
    """Return the keys of the table that a path of pydantic's leads to."""
    types: list[Any] = [table]
    for key in loc:
        if _is_tag(key):
            types = [one for one in types if tag_of(one) == key] or types
        else:
            types = [inner for one in types for inner in _inside(one, key)]
    return _fields(types[0])


def _fields(table: type[Table]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in table.model_fields.items()}


def _inside(outer: Any, key: str | int) -> Iterator[Any]:  # noqa: ANN401  (types as values)
    """Yield the types that may be under a key of a table, under a name, or in a list."""
    if isinstance(outer, type) and issubclass(outer, Table):
        yield from _alternatives(_fields(outer)[str(key)].annotation)
    elif get_origin(outer) is dict:
        yield from _alternatives(get_args(outer)[1])
    elif get_origin(outer) is tuple:
        yield from _alternatives(get_args(outer)[0])


def _alternatives(annotation: Any) -> Iterator[Any]:  # noqa: ANN401
    """Yield the types that an annotation allows, one by one."""
    inner = get_args(annotation)
    choices = [part for part in inner[1:] if isinstance(part, Choice)]
    if get_origin(annotation) is Annotated:
        yield from choices[0].tables() if choices else _alternatives(inner[0])
    elif get_origin(annotation) in (Union, UnionType):
        for part in inner:
            yield from _alternatives(part)
    else:
        yield annotation
