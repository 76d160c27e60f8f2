"""Reading the settings file, and the variables of the environment that go over it."""

import tomllib
from pathlib import Path
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, EnvSettingsSource, SettingsConfigDict

from daemon.settings.rack import Settings
from daemon.settings.toml import read_toml
from daemon.tables.words import ENVIRONMENT_PREFIX, LEVEL_MARK


class _Overrides(Settings, BaseSettings):
    """The same tables, for the names that pydantic-settings looks up in the environment."""

    model_config = SettingsConfigDict(env_prefix=ENVIRONMENT_PREFIX, env_nested_delimiter=LEVEL_MARK)


def read_values(path: Path) -> dict[str, Any]:
    """Return the tables of the file at `path` with those of the environment over them, not yet checked.

    SettingsError if the file cannot be read or is not TOML.
    """
    return _laid_over(read_toml(path), typed(_Environment(_Overrides)()))


class _Environment(EnvSettingsSource):
    """Reads variables as the file would be read; what is not TOML is text."""

    def decode_complex_value(self, field_name: str, field: FieldInfo, value: object) -> object:
        return typed(value)


def typed(value: object) -> Any:  # noqa: ANN401  (whatever TOML can hold)
    """Return what a text says as a value of TOML; what is none stays text."""
    if isinstance(value, dict):
        return {key: typed(item) for key, item in value.items()}
    try:
        return tomllib.loads(f"value = {value}")["value"] if isinstance(value, str) else value
    except (ValueError, RecursionError):
        return value


def _laid_over(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    """Return the tables of `below` with each value replaced that `above` gives too."""
    result = dict(below)
    for key, value in above.items():
        both_tables = isinstance(value, dict) and isinstance(below.get(key), dict)
        result[key] = _laid_over(below[key], value) if both_tables else value
    return result
