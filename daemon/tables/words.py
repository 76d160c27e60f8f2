"""How paths and values of a table from outside are written in a message: one line, short, no secret."""

import json
import os
import re
from collections.abc import Iterable
from difflib import get_close_matches

ENVIRONMENT_PREFIX = "BELLWATCH_"
LEVEL_MARK = "__"
_LONGEST = 48
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_HUGE = 10**_LONGEST


def where(*keys: str | int) -> str:
    """Write a path of the settings file; or the variable of the environment that went over it."""
    variable = ENVIRONMENT_PREFIX + LEVEL_MARK.join(str(key) for key in keys).upper()
    return variable if variable in os.environ else path_of(*keys)


def path_of(*keys: str | int) -> str:
    """Write a path as TOML does: `probes.k1.registers[0].address`."""
    path = ""
    for key in keys:
        if isinstance(key, int):
            path += f"[{key}]"
        else:
            path += ("." if path else "") + (key if _BARE_KEY.fullmatch(key) else quoted(key))
    return path


def shown(value: object) -> str:
    """Write a value as the file has it, shortened; of tables and lists only what they are."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, int):
        return str(value) if -_HUGE < value < _HUGE else "a huge number"
    if isinstance(value, float):
        return f"{value:g}" if value == float(f"{value:g}") else repr(value)
    kinds = {dict: "a table", list: "a list", tuple: "a list", type(None): "nothing"}
    return kinds.get(type(value), f"{value}")


def quoted(text: str) -> str:
    """Write text in quotes on one line, shortened, without the user and password of an address."""
    if "@" in text:
        text = "..." + text[text.rindex("@") :]
    if len(text) > _LONGEST:
        text = text[: _LONGEST - 3] + "..."
    printable = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in printable)


def one_of(what: str, names: Iterable[str], given: str) -> str:
    """Say which name would be right: the nearest to the one given, or else all there are."""
    names = list(names)
    if nearest := get_close_matches(given, names, 1):
        return f"{what}, perhaps {quoted(nearest[0])}"
    return f"{what}: " + ", ".join(quoted(name) for name in names) if names else what
