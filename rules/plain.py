"""Records as plain JSON values and back: the one way in which anything of the rules is kept or sent.

A record is a dataclass and becomes an object with a key for each field. Words are written as they are,
ranks by their names in lower case (a number is understood too), tuples, sets and arrays as lists.
Numbers come back bit for bit, NaN as JSON's extension NaN. Reading goes by the type hints: a key that is
missing takes the field's default, one that no field has is refused. What a record works out by itself
(`init=False`) is not written.
"""

from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum, IntEnum
from functools import cache, partial
from operator import methodcaller
from types import NoneType, UnionType
from typing import Any, NamedTuple, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from rules.errors import InputError

_Record = TypeVar("_Record")
_Hint = Any


def to_plain(record: object) -> Any:  # noqa: ANN401  (JSON has no type)
    """Return a record as plain JSON values; `from_plain` is the exact inverse."""
    kind: _Hint = type(record)
    return _steps(kind).write(record)


def from_plain(kind: type[_Record], data: object) -> _Record:
    """Return the record of `kind` that `to_plain` wrote; InputError where keys are unknown or missing."""
    hint: _Hint = kind
    record: _Record = _steps(hint).read(data)
    return record


def taken_over(kind: type[_Record], source: object, **own: object) -> _Record:
    """Return a record of `kind`: its `own` values, and what else the source has under a field's name."""
    hint: _Hint = kind
    names = [field.name for field in fields(hint) if field.name not in own]
    return kind(**own, **{name: getattr(source, name) for name in names if hasattr(source, name)})


class _Steps(NamedTuple):
    """How a value of some type is written and read."""

    write: Callable[[Any], Any]
    read: Callable[[Any], Any]


def _same(value: Any) -> Any:  # noqa: ANN401  (whatever is plain already)
    return value


_AS_IT_IS = _Steps(_same, _same)


@cache
def _steps(kind: _Hint) -> _Steps:
    origin: _Hint = get_origin(kind) or kind
    inner = get_args(kind)
    if origin in (Union, UnionType):
        (one,) = (each for each in inner if each is not NoneType)
        return _Steps(*map(_unless_none, _steps(one)))
    if is_dataclass(kind):
        return _Steps(partial(_write_record, kind), partial(_read_record, kind))
    if not isinstance(origin, type):
        return _AS_IT_IS
    if issubclass(origin, IntEnum):
        ranks = {key: rank for rank in origin for key in (rank.name.lower(), rank.value)}
        return _Steps(lambda rank: rank.name.lower(), ranks.__getitem__)
    if issubclass(origin, Enum):
        return _Steps(str, origin)
    return _collection_steps(origin, inner)


def _unless_none(step: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return step if step is _same else lambda value: None if value is None else step(value)


def _collection_steps(kind: type, inner: tuple[_Hint, ...]) -> _Steps:
    if issubclass(kind, np.ndarray):
        return _Steps(methodcaller("tolist"), partial(np.array, dtype=get_args(inner[1])[0]))
    if issubclass(kind, Mapping):
        key_of, (write, read) = inner[0], _steps(inner[1])
        return _Steps(
            lambda table: {str(key): write(value) for key, value in table.items()},
            lambda table: {key_of(key): read(value) for key, value in table.items()},
        )
    if issubclass(kind, set | list | tuple):
        made, (write, read) = sorted if issubclass(kind, set) else list, _steps(inner[0])
        if read is _same:
            return _Steps(made, kind)
        return _Steps(lambda values: made(map(write, values)), lambda values: kind(map(read, values)))
    return _AS_IT_IS


@cache
def _fields(kind: _Hint) -> tuple[dict[str, _Steps], frozenset[str]]:
    """Return the steps of each field, and the fields that must be there."""
    hints, own = get_type_hints(kind), [field for field in fields(kind) if field.init]
    needed = (field.name for field in own if field.default is MISSING and field.default_factory is MISSING)
    return {field.name: _steps(hints[field.name]) for field in own}, frozenset(needed)


def _write_record(kind: _Hint, record: object) -> dict[str, Any]:
    return {name: steps.write(getattr(record, name)) for name, steps in _fields(kind)[0].items()}


def _read_record(kind: _Hint, data: Mapping[str, Any]) -> object:
    steps, needed = _fields(kind)
    if not needed <= data.keys() <= steps.keys():
        wrong = [f"{key} is missing" for key in sorted(needed - data.keys())]
        wrong += [f"no key is called {key}" for key in sorted(data.keys() - steps.keys())]
        raise InputError(f"{kind.__name__}: {', '.join(wrong)}")
    return kind(**{name: steps[name].read(value) for name, value in data.items()})
