"""Tables added to the text of a settings file, with a comment for each key; what stands there stays."""

import json
import tomllib
from collections.abc import Mapping
from typing import Any

from daemon.errors import SettingsError

Added = Mapping[tuple[str, ...], Mapping[str, tuple[Any, str]]]
"""By the keys that lead to a table: each new key of it, its value and what it means."""

_HEAD = """#:schema ./bellwatch.schema.json
#
# Settings of bellwatch, written by `bellwatch init`. Edit what you like, then: bellwatch check
# Every other key, with an example of each: deploy/bellwatch.example.toml and deploy/reference.md.
# CAUTION. The built-in limits are starting points: the person who answers for the animals goes through them.
"""


def extended(before: str, added: Added, wanted: Mapping[str, Any]) -> str:
    """Return the text with the tables in it, which then holds `wanted`; SettingsError where it cannot be."""
    lines = (before or _HEAD).splitlines()
    for keys, table in added.items():
        heading = f"[{'.'.join(keys)}]"
        new = [_line(key, *value) for key, value in table.items()]
        place = next((n for n, line in enumerate(lines, 1) if line.split("#")[0].strip() == heading), None)
        if place is None:
            lines += ["", heading, *new]
        else:
            lines[place:place] = new
    text = "\n".join(lines) + "\n"
    try:
        if _full(tomllib.loads(text)) == _full(wanted):
            return text
    except ValueError:
        pass
    expected = f"[tables] in lines of their own; else add by hand: {'; '.join(map('.'.join, added))}"
    raise SettingsError.of("the settings file", "tables that cannot be added to in place", expected)


def _line(key: str, value: object, comment: str) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "\n".join((f"{key} = [", *(f"    {_written(each)}," for each in value), "]"))
    return (f"# {comment}\n" if comment else "") + f"{key} = {_written(value)}"


def _written(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_written(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_written, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def _full(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return tables without the empty ones: of those nothing was answered yet."""
    full = {key: _full(value) if isinstance(value, dict) else value for key, value in tables.items()}
    return {key: value for key, value in full.items() if value != {}}
