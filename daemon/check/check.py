"""`bellwatch check`: everything that is wrong with a settings file, one line each, in one run."""

import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TextIO

from daemon.as_read import show_temperatures_in
from daemon.check.accuracy import accuracy_findings
from daemon.check.buses import bus_findings, command_findings
from daemon.check.coverage import channels_in, coverage_findings
from daemon.check.dangers import danger_lines
from daemon.check.duties import duty_lines
from daemon.check.limits import limit_findings
from daemon.check.names import lineage_findings, name_findings
from daemon.check.probes import probe_findings
from daemon.check.quality import quality_findings
from daemon.check.rationale import record_findings, wall_lines
from daemon.check.witnesses import faults_of_the_rack, witness_lines
from daemon.errors import Finding, SettingsError
from daemon.settings.draft import draft_of
from daemon.settings.file import read_values
from daemon.settings.rack import Settings
from daemon.settings.schema import settings_schema
from daemon.tables.words import ENVIRONMENT_PREFIX, LEVEL_MARK, one_of

OK = 0
UNFIT = 2


def findings_in(values: Mapping[str, Any]) -> list[Finding]:
    """Return everything that is wrong with the tables of a settings file, warnings after errors.

    Temperatures are written as these settings say from now on.
    """
    draft, faults = draft_of(values)
    show_temperatures_in(draft.settings.rack.temperatures_in)
    found = [
        *(fault.finding for fault in faults),
        *name_findings(draft),
        *(() if any(fault.keys[0] == "rack" for fault in faults) else lineage_findings(draft)),
        *probe_findings(draft),
        *bus_findings(draft),
        *command_findings(draft),
        *limit_findings(draft),
        *record_findings(draft),
        *coverage_findings(draft),
        *accuracy_findings(draft),
        *quality_findings(draft),
        *_stray_variables(),
    ]
    return sorted(found, key=lambda finding: finding.is_warning)


def check_command(path: Path | None, schema: bool, out: TextIO, err: TextIO, *, wall: bool = False) -> int:
    """Print what is wrong with the file at `path`, or the JSON Schema of such files; return the exit status.

    0 if the daemon would start with it, 2 if not. Warnings are shown, and change nothing. A file that
    cannot be read at all goes to `err`. For the `wall` the records of a sound
    file's alarms are printed instead.
    """
    if schema:
        print(json.dumps(settings_schema(), indent=2, ensure_ascii=False), file=out)
        return OK
    if path is None:
        print("no settings file given; name one, or ask for the schema", file=err)
        return UNFIT
    try:
        values = read_values(path)
    except SettingsError as error:
        print(error, file=err)
        return UNFIT
    found = findings_in(values)
    if wall and not any(not finding.is_warning for finding in found):
        print("\n".join(wall_lines(Settings.model_validate(values))), file=out)
        return OK
    for finding in found:
        print(finding, file=out)
    errors, faults = [finding for finding in found if not finding.is_warning], list[str]()
    if not errors:
        sound = Settings.model_validate(values)
        faults = [f"fault of the rack: {fault}" for fault in faults_of_the_rack(sound)]
        for line in (*danger_lines(sound), *witness_lines(sound), *duty_lines(sound), *faults):
            print(line, file=out)
    verdict = _count(len(errors), "error") if errors else f"OK: {_summary(Settings.model_validate(values))}"
    warnings = len(found) - len(errors)
    verdict += f", {_count(len(faults), 'fault of the rack', 'faults of the rack')}" if faults else ""
    print(verdict + (f", {_count(warnings, 'warning')}" if warnings else ""), file=out)
    return UNFIT if errors else OK


def _summary(settings: Settings) -> str:
    channels = [channel for channel in channels_in(settings) if channel.vessel in settings.vessels]
    return (
        f"{_count(len(settings.vessels), 'vessel')}, {_count(len(settings.probes), 'probe')} "
        f"on {_count(len(settings.buses), 'bus', 'buses')}, {_count(len(channels), 'channel')}"
    )


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _stray_variables() -> Iterator[Finding]:
    """Warn of variables that look like overrides but name no table of the file."""
    for variable in sorted(os.environ):
        table, mark, _ = variable.removeprefix(ENVIRONMENT_PREFIX).partition(LEVEL_MARK)
        if variable.startswith(ENVIRONMENT_PREFIX) and mark and table.lower() not in Settings.model_fields:
            expected = one_of("a variable for a table of the file", Settings.model_fields, table.lower())
            yield Finding(variable, f"no table {table.lower()}", expected, is_warning=True)
