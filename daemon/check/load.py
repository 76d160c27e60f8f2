"""The door to the settings: one TOML file, with overrides from the environment.

A variable `BELLWATCH_BROKER__HOST` goes over `host` of `[broker]`, `BELLWATCH_PROBES__K1__EVERY_S`
over `every_s` of `[probes.k1]`. Its value is written as in the file, but text may go without quotes.
Passwords are in files of their own and are never shown.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daemon.check.check import findings_in
from daemon.errors import SettingsError
from daemon.settings.file import read_values
from daemon.settings.rack import Settings


def load_settings(path: Path) -> Settings:
    """Read the settings file at `path`, with overrides from the environment.

    Temperatures are written as they say from now on. SettingsError with all that `bellwatch check` reports.
    """
    return settings_of(read_values(path))


def settings_of(values: Mapping[str, Any]) -> Settings:
    """Return the settings that a file with these values holds; SettingsError as for a file."""
    errors = [finding for finding in findings_in(values) if not finding.is_warning]
    if errors:
        raise SettingsError(errors)
    return Settings.model_validate(values)
