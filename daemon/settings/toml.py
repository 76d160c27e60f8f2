"""The settings file as text: TOML, or one line that says where it is none. Loads nothing that checks.

Before anything is made of it a file is bounded: in bytes, in keys of a table, in tables within tables.
"""

import re
import tomllib
from pathlib import Path
from typing import Any

from daemon.errors import Finding, SettingsError
from daemon.tables.words import quoted

BYTES_AT_MOST, KEYS_AT_MOST, DEEP_AT_MOST = 262_144, 500, 8
_PART = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+"""
_DEEP = f"at most {DEEP_AT_MOST} levels"
_LONG_KEY = re.compile(rf"(?<![\w-])(?:{_PART}\.[ \t]*+){{{DEEP_AT_MOST + 1}}}")

_SLIPS = {
    "[\u201c\u201d\u201e\u2018\u2019]": 'straight quotes, as in "text"',
    r"^[^#\"']*=\s*[-+]?\d+,\d": "a point in a number, as in 17.5",
    r"^[^#\"'=]*=\s*(?!true|false|inf|nan)[A-Za-z]": 'text in quotes, as in "text"',
    r"\nCannot (overwrite|declare)": "each key of a table once, and each table once",
}
"""What people write where TOML asks for something else: in a line and what its reader says of it."""


def read_toml(path: Path) -> dict[str, Any]:
    """Return the tables of the file at `path`; SettingsError if it is not readable, no TOML or too large."""
    try:
        with path.open("rb") as file:
            content = file.read(BYTES_AT_MOST + 1)
        tables = None if len(content) > BYTES_AT_MOST else _tables(path, content.decode("utf-8-sig"))
        if tables is not None:
            return tables
        finding = Finding(str(path), "a huge file", f"at most {BYTES_AT_MOST // 1024} KiB")
    except OSError as error:
        why = (error.strerror or "an error").lower()
        finding = Finding(str(path), f"a file that cannot be read ({why})", "a settings file")
    except UnicodeDecodeError as error:
        finding = Finding(str(path), f"a byte that is not UTF-8 at offset {error.start}", "text in UTF-8")
    except (ValueError, RecursionError) as error:  # tomllib also lets numbers and nesting overflow
        finding = _not_toml(path, str(error), content.decode("utf-8-sig").splitlines())
    raise SettingsError([finding])


def line_of(path: Path, table: str, key: str) -> int | None:
    """Return the line of the file at `path` on which a table sets a key; None where it does not so."""
    heading = ""
    for number, line in enumerate(path.read_text("utf-8-sig", "replace").splitlines(), 1):
        if line.startswith("["):
            heading = line.partition("]")[0].strip("[ ")
        elif heading == table and line.partition("=")[0].strip() == key:
            return number
    return None


def _tables(path: Path, text: str) -> dict[str, Any]:
    """Return the tables in a text; a key of very many parts would keep the reader of TOML for ever."""
    text = text.replace("\r\n", "\n")
    if (key := _LONG_KEY.search(text)) is not None:
        line = text.count("\n", 0, key.start()) + 1
        raise SettingsError([Finding(f"{path}: line {line}", "a key of very many parts", _DEEP)])
    tables = tomllib.loads(text)
    if (finding := _out_of_bounds(str(path), tables, DEEP_AT_MOST)) is not None:
        raise SettingsError([finding])
    return tables


def _out_of_bounds(where: str, value: object, deep: int) -> Finding | None:
    """Return what is wrong with the size of a value, if anything is; it looks no deeper than `deep`."""
    if not isinstance(value, dict | list):
        return None
    if not deep:
        return Finding(where, "tables within tables", _DEEP)
    if len(value) > KEYS_AT_MOST:
        return Finding(where, f"{len(value)} keys or values", f"at most {KEYS_AT_MOST}")
    within = value.items() if isinstance(value, dict) else enumerate(value)
    found = (_out_of_bounds(f"{where}: {quoted(str(key))}", each, deep - 1) for key, each in within)
    return next(filter(None, found), None)


def _not_toml(path: Path, message: str, lines: list[str]) -> Finding:
    match = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message, re.DOTALL)
    where, what, line = f"{path}", message, ""
    if match is not None:
        what = match[1]
        where = f"{path}: line {match[2]}, column {match[3]}" if match[2] else f"{path}: end of file"
        line = lines[int(match[2]) - 1] if match[2] else ""
    usual = "TOML: tables in brackets, and key = value"
    expected = next((right for slip, right in _SLIPS.items() if re.search(slip, f"{line}\n{what}")), usual)
    return Finding(where, f"text that is not TOML ({what})", expected)
