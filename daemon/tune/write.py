"""Writing chosen settings into the file that people keep: in place, with comments, as a reviewed change."""

import difflib
import shutil
import tomllib
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable, Table

from daemon.check.check import findings_in
from daemon.errors import TuneError
from daemon.files import replacing
from daemon.tune.space import Choice, with_choice


def changed_text(text: str, choice: Choice) -> str:
    """Return a settings file's text with a choice in it; comments, order and spacing stay.

    Raises TuneError where the result would not be what was chosen, or not pass `bellwatch check`.
    """
    try:
        document = tomlkit.parse(text)
        for path, value in choice:
            *levels, key = path.split(".")
            _table_at(document, levels)[key] = int(value) if value == int(value) else value
        changed = document.as_string()
    except (TOMLKitError, TypeError, AttributeError) as error:
        raise TuneError(f"the settings file cannot be changed in place: {error}; write it by hand") from error
    wanted = with_choice(tomllib.loads(text), choice)
    if tomllib.loads(changed) != wanted:
        raise TuneError("the settings file cannot be changed in place without harm; write it by hand")
    errors = [finding for finding in findings_in(wanted) if not finding.is_warning]
    if errors:
        raise TuneError(f"the chosen settings would not pass: {errors[0]}")
    return changed


def difference(before: str, after: str, name: str) -> str:
    """Return what changes, as a unified diff."""
    lines = difflib.unified_diff(
        before.splitlines(keepends=True), after.splitlines(keepends=True), name, f"{name} (tuned)", n=2
    )
    return "".join(lines)


def write_settings(path: Path, before: str, after: str) -> None:
    """Put the new text in the place of the old; refuse where somebody has changed the file meanwhile."""
    try:
        if path.read_text(encoding="utf-8") != before:
            raise TuneError(f"{path}: changed by somebody else meanwhile; tune again")
        with replacing(path, ".tuned") as file:
            shutil.copymode(path, file.name)
            file.write(after)
    except OSError as error:
        raise TuneError(f"{path}: {error.strerror}; its folder must be writable") from error


def _table_at(document: tomlkit.TOMLDocument, levels: list[str]) -> Any:  # noqa: ANN401  (tomlkit's own tables)
    table: Any = document
    for depth, level in enumerate(levels):
        if level not in table:
            table.add(level, tomlkit.table(is_super_table=depth < len(levels) - 1))
        table = table[level]
        if not isinstance(table, Table | InlineTable | dict):
            raise TypeError(f"{'.'.join(levels[: depth + 1])} is no table")
    return table
