"""What pydantic finds wrong with a table from outside, in the words of whoever wrote it."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from daemon.errors import Finding
from daemon.tables.types import PATTERNS_IN_WORDS, Table, own_key
from daemon.tables.words import one_of, quoted, shown, where

Keys = tuple[str | int, ...]

NO_KIND = "no_kind"
"""The error of a table that fits none of several kinds; its context holds `expected`, and what was `found`
or the `key` that would tell the kind."""


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
    keys = tuple(key for key in _walk(detail["loc"], table)[0] if key != "[key]")
    if detail["type"] == NO_KIND and isinstance(detail["input"], dict):
        told = detail["ctx"]
        found = told["found"] or shown(detail["input"].get(told["key"]))
        return Fault(keys, Finding(written(*keys, *filter(None, [told["key"]])), found, told["expected"]))
    if detail["type"] == "extra_forbidden" and (own := own_key(str(keys[-1]))) in _fields_at(
        keys[:-1], table
    ):
        return Fault(keys, Finding(written(*keys), f"{own} beside it", "one of the two"))
    return Fault(keys, Finding(written(*keys), _found(detail, keys), _expected(detail, table)))


def tag_of(kind: type) -> str:
    """Return the mark in pydantic's path that tells which of several kinds a table was taken for."""
    return f"<{kind.__name__}>"


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
    is_float = detail["type"] == "int_type" and isinstance(detail["input"], float)
    return repr(detail["input"]) if is_float else shown(detail["input"])


def _expected(detail: ErrorDetails, table: type[Table]) -> str:
    kind, context, (*outer, last) = detail["type"], detail.get("ctx", {}), detail["loc"]
    if kind == "missing":
        description = _fields_at(tuple(outer), table)[str(last)].description
        return f"a value ({description})" if description else f"a [{last}] table"
    if kind == "extra_forbidden":
        fields = _fields_at(tuple(outer), table)
        lists = (name for name in fields if get_origin(fields[name].annotation) is tuple)
        if entries := [name for name in lists if str(last) in _fields_at((*outer, name, 0), table)]:
            return f"it in each entry of {entries[0]}, not beside them"
        return one_of("a key of this table", fields, str(last))
    if kind == "string_pattern_mismatch":
        return PATTERNS_IN_WORDS[context["pattern"]]
    if kind == "too_short":
        entries = context.get("min_length", 1)
        return "at least one entry" if entries == 1 else f"at least {entries} entries"
    expected = _EXPECTED[kind].format(**context) if kind in _EXPECTED else detail["msg"]
    if kind in ("enum", "literal_error"):
        expected = expected.replace("'", '"')
    may_be_off = last in ("<number>", "<limits>")
    return f'{expected}, or "none" to switch it off' if may_be_off else expected


_A_MOMENT = "a moment with its offset from UTC, such as 2026-09-01T08:00:00+02:00"
_EXPECTED = {
    **dict.fromkeys(("dict_type", "model_type", NO_KIND), "a table"),
    **dict.fromkeys(("datetime_from_date_parsing", "datetime_parsing", "datetime_type"), _A_MOMENT),
    **dict.fromkeys(("enum", "literal_error"), "{expected}"),
    **dict.fromkeys(("finite_number", "float_type"), "a number"),
    **dict.fromkeys(("int_from_float", "int_type"), "a whole number"),
    "bool_type": "true or false",
    "greater_than": "more than {gt:g}",
    "greater_than_equal": "{ge:g} or more",
    "less_than_equal": "{le:g} or less",
    "path_type": "the path of a file, in quotes",
    "string_type": "text in quotes",
    "timezone_aware": _A_MOMENT,
    "tuple_type": "a list of tables",
    "value_error": "{error}",
}
"""What would be right, by pydantic's name of the error and with the values of its context."""


def _walk(loc: Keys, table: type[Table]) -> tuple[Keys, Any]:
    """Return the keys of the file in a path of pydantic's, and the table or other type that they lead to."""
    keys: list[str | int] = []
    at: Any = table
    for key in loc:
        inside = get_origin(at)  # of the tables under names, or of those in a list
        if inside is None and re.fullmatch("(?s)<.*>", str(key)):  # a mark, which the file does not have
            at = next((kind for kind in at.__subclasses__() if tag_of(kind) == key), at)
            continue
        keys.append(key)
        field = _fields(at).get(str(key))
        at = get_args(at)[inside is dict] if inside else field and field.annotation
        while get_origin(at) in (Annotated, Union, UnionType):
            at = get_args(at)[0]  # ahead of "none" and of nothing, in each of ours
    return tuple(keys), at


def _fields(table: Any) -> dict[str, FieldInfo]:  # noqa: ANN401  (what is no table has no keys)
    return {field.alias or name: field for name, field in getattr(table, "model_fields", {}).items()}


def _fields_at(loc: Keys, table: type[Table]) -> dict[str, FieldInfo]:
    return _fields(_walk(loc, table)[1])
