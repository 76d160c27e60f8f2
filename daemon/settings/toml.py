"""The settings file as text: TOML, or one line that says where it is none. Loads nothing that checks."""

import re
import tomllib
from pathlib import Path
from typing import Any

from daemon.errors import Finding, SettingsError


def read_toml(path: Path) -> dict[str, Any]:
    """Return the tables of the file at `path`; SettingsError if it cannot be read or is not TOML."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        why = (error.strerror or "an error").lower()
        finding = Finding(str(path), f"a file that cannot be read ({why})", "a settings file")
    except UnicodeDecodeError as error:
        finding = Finding(str(path), f"a byte that is not UTF-8 at offset {error.start}", "text in UTF-8")
    except (ValueError, RecursionError) as error:  # tomllib also lets numbers and nesting overflow
        finding = _not_toml(path, str(error))
    raise SettingsError([finding])


def _not_toml(path: Path, message: str) -> Finding:
    match = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message, re.DOTALL)
    where, what = f"{path}", message
    if match is not None:
        what = match[1]
        where = f"{path}: line {match[2]}, column {match[3]}" if match[2] else f"{path}: end of file"
    return Finding(where, f"text that is not TOML ({what})", "TOML: tables in brackets, and key = value")
