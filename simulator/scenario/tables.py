"""From TOML tables to frozen dataclasses, every fault of the file reported at once.

The limits of a number stand beside its field (`amount`), so that the dataclass is the only
description of the file there is.
"""

import dataclasses
import difflib
import types
import typing
from datetime import datetime
from typing import Any

TomlValue = Any  # whatever the TOML reader hands over
FieldType = Any  # a type as a dataclass field states it
Limits = typing.Mapping[str, Any]
_TYPES = {
    float: "a number",
    int: "a whole number",
    str: "a text",
    bool: "true or false",
    datetime: "a date and time with its offset from UTC",
}


def amount(low: float, high: float, default: object = dataclasses.MISSING) -> FieldType:
    """A number that must lie within low..high, both included."""
    return dataclasses.field(default=typing.cast(Any, default), metadata={"low": low, "high": high})


def choice(*words: str, default: object = dataclasses.MISSING) -> FieldType:
    """A word that must be one of those named."""
    return dataclasses.field(default=typing.cast(Any, default), metadata={"words": words})


def read_value(
    hint: FieldType, value: TomlValue, where: str, limits: Limits, findings: list[str]
) -> TomlValue:
    """What a TOML value says by a field's type, or None after adding a line per fault to `findings`."""
    origin: object = typing.get_origin(hint)
    if origin is types.UnionType:
        hint = next(part for part in typing.get_args(hint) if part is not type(None))
    if origin is tuple:
        return _read_list(typing.get_args(hint)[0], value, where, findings)
    if origin is dict:
        return _read_tables(typing.get_args(hint)[1], value, where, findings)
    if dataclasses.is_dataclass(hint):
        return _read_table(hint, value, where, findings)
    return _read_scalar(hint, value, where, limits, findings)


def _read_table(cls: FieldType, table: TomlValue, where: str, findings: list[str]) -> TomlValue:
    if not isinstance(table, dict):
        findings.append(f"{where}: is {_shown(table)}; expected a table of keys")
        return None
    before = len(findings)
    fields = {field.name: field for field in dataclasses.fields(cls)}
    hints = typing.get_type_hints(cls)
    for key in table.keys() - fields.keys():
        findings.append(f"{where}: unknown key '{key}'{_hint(key, fields)}")
    values = {}
    for name, field in fields.items():
        if name in table:
            values[name] = read_value(hints[name], table[name], f"{where}.{name}", field.metadata, findings)
        elif field.default is dataclasses.MISSING:
            findings.append(f"{where}: '{name}' is missing{_range_text(field.metadata)}")
    return cls(**values) if len(findings) == before else None


def _read_tables(cls: FieldType, tables: TomlValue, where: str, findings: list[str]) -> dict[str, Any]:
    if not isinstance(tables, dict):
        findings.append(f"{where}: is {_shown(tables)}; expected named tables such as [{where}.NAME]")
        return {}
    read = {name: _read_table(cls, table, f"{where}.{name}", findings) for name, table in tables.items()}
    return {name: item for name, item in read.items() if item is not None}


def _read_list(cls: FieldType, tables: TomlValue, where: str, findings: list[str]) -> tuple[Any, ...]:
    if not isinstance(tables, list):
        findings.append(f"{where}: is {_shown(tables)}; expected a list of tables")
        return ()
    read = [_read_table(cls, table, f"{where}[{i}]", findings) for i, table in enumerate(tables, start=1)]
    return tuple(item for item in read if item is not None)


def _read_scalar(
    hint: FieldType, value: TomlValue, where: str, limits: Limits, findings: list[str]
) -> TomlValue:
    fits = type(value) in ((int, float) if hint is float else (hint,))
    if fits and "low" in limits:
        fits = limits["low"] <= value <= limits["high"]
    if not fits or value not in limits.get("words", (value,)):
        findings.append(f"{where}: is {_shown(value)}; expected {_TYPES[hint]}{_range_text(limits)}")
        return None
    return float(value) if hint is float else value


def _range_text(limits: Limits) -> str:
    if "words" in limits:
        return " out of " + ", ".join(limits["words"])
    return f" from {limits['low']:g} to {limits['high']:g}" if "low" in limits else ""


def _hint(key: str, known: typing.Iterable[str]) -> str:
    close = difflib.get_close_matches(key, list(known), n=1)
    return f"; did you mean '{close[0]}'?" if close else f"; known are {', '.join(known)}"


def _shown(value: TomlValue) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
