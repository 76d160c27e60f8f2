"""Reads the catalogue (table.md) and what came of it last (last_result.md)."""

import re
from dataclasses import dataclass

from tests.rigs.places import ROOT

FOLDER = ROOT / "tests" / "faults"
TABLE, RESULT = FOLDER / "table.md", FOLDER / "last_result.md"
COLUMNS = ("name", "fault", "told", "to", "within", "never", "by")
RECEIVERS = ("called", "shown", "daily", "refused")
MEANS = ("rules", "door", "parts", "machine", "people", "open")
UNITS_S = {"s": 1, "min": 60, "h": 3600, "d": 86_400}
MACHINE, PEOPLE, NEITHER, NOT_TRIED = "machine", "people", "neither", "not tried"

DUTIES = {
    "hand check": "once a week: each vessel with another instrument, and `bellwatch measure`",
    "check after cleaning": "the same after each cleaning, calibration or change of a probe",
    "daily look": "in the morning: vessels, stages, labels and who is on call, in `bellwatch status` and"
    " `bellwatch oncall status`",
    "daily sign": "in the morning: `bellwatch oncall status` says that no message waits",
    "weekly greeting": "once a week: `bellwatch oncall greet NAME` comes through to each person",
    "monthly look": "once a month: supply and temperature of the machine, age of the newest backup",
    "power drill": "before use and once a year: the plug is pulled, and everything stands where it stood",
    "drill": "once a month: `bellwatch drill`, answered by the link in its message",
    "second look": "a second person reads each change of the settings, and replays it",
}
"""What people do so that a fault is found which no machine can find."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A row: what must be told `to` whom `within_s`, and what must `never` happen meanwhile."""

    kind: str
    name: str
    fault: str
    told: str
    to: str
    within: str
    never: str
    by: str

    @property
    def key(self) -> str:
        return f"{self.kind}_{self.name}"

    @property
    def within_s(self) -> float:
        number, unit = self.within.split()
        return float(number) * UNITS_S[unit]

    @property
    def duty(self) -> str:
        """Return the duty of people that covers it; empty where a machine tells."""
        return self.to.removeprefix("people: ") if self.to.startswith("people: ") else ""


def faults():
    """Return every row of the catalogue, in its order."""
    return [Fault(kind, *cells) for kind, cells in _rows(TABLE.read_text(), len(COLUMNS))]


def results():
    """Return what came of each row last: key to (state, time in words, remark, commit)."""
    if not RESULT.exists():
        return {}
    return {f"{kind}_{cells[0]}": _state(*cells[1:]) for kind, cells in _rows(RESULT.read_text(), 6)}


def _state(machine, duty, neither, remark, commit):
    if neither == NOT_TRIED:
        return NOT_TRIED, "", remark, commit
    state = MACHINE if machine else PEOPLE if duty else NEITHER
    return state, machine or duty or neither, remark, commit


def _rows(text, width):
    kind = ""
    for number, line in enumerate(text.splitlines(), 1):
        if head := re.fullmatch(r"## (\w+)", line):
            kind = head[1]
        elif kind and line.startswith("| ") and not line.startswith(("| name ", "| --- ")):
            cells = [cell.strip() for cell in line[1:-1].split("|")]
            assert len(cells) == width, f"line {number}: {len(cells)} cells instead of {width}: {line}"
            yield kind, cells
