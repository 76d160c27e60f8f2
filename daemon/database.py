"""SQLite's connection, in which damage is an error of SQLite's whatever bytes it is about."""

import sqlite3
from collections.abc import Callable
from functools import partial, wraps
from typing import ParamSpec, TypeVar

_P = ParamSpec("_P")
_Found = TypeVar("_Found")


def _telling_damage(ask: Callable[_P, _Found]) -> Callable[_P, _Found]:
    """Make damage of what Python says where a damaged schema, which SQLite's message quotes, is no text."""

    @wraps(ask)
    def asked(*args: _P.args, **kwargs: _P.kwargs) -> _Found:
        try:
            return ask(*args, **kwargs)
        except UnicodeDecodeError as error:
            damage = sqlite3.DatabaseError(f"malformed database schema ({error})")
            damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise damage from error

    return asked


class _Connection(sqlite3.Connection):
    execute = _telling_damage(sqlite3.Connection.execute)
    executescript = _telling_damage(sqlite3.Connection.executescript)


connect = partial(sqlite3.connect, factory=_Connection)
"""Open a file as sqlite3.connect does."""
