"""What a record holds: its tables, and of every column the name, kind, unit and meaning.

Every form (CSV, Parquet, NetCDF) holds the same tables; what describes them is made from here. A table that
is named as one of the journal's has all of its columns, which an import takes back; a column after `+` is
worked out for people and not taken back, and so are the whole tables `judged` and `calibration`.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from rules.quality.flags import QartodTest

FORMAT = 1
"""Raise it where an older import would misread what is written."""

ONCE = {"incident": 7}
"""Tables that have grown, and how many columns they have in older records."""

TESTS = tuple(test.name.lower() for test in QartodTest)
BANDS = ("critical_low", "advisory_low", "advisory_high", "critical_high")
UCUM = {"°C": "Cel", "": "1", "MB": "MBy"}
"""Units in the Unified Code for Units of Measure where they are not written as here."""

_MOMENT = """
+ time datetime? - when it was, in UTC as far as it is known
+ clock_set boolean - whether that is certain; else the clock of the machine was not set and it is a guess
"""
_SOURCE = """
+ probe word - probe that measured
+ quantity word - what is measured
+ vessel word - vessel that it was in then
+ unit word - unit of the values, in UCUM
"""
_TESTS = "".join(
    f"+ {test} flag - QARTOD's test {test.replace('_', ' ')}, numbers as in flag\n" for test in TESTS
)
_BANDS = "".join(
    f"+ {band} number? - {band.replace('_', ' ')} limit in force then, on a ramp where the stage changes\n"
    for band in BANDS
)
_SPEC = f"""
# source: a probe, what it measures and the vessel that it is in
id integer - its number
probe string - probe
quantity string - what is measured
vessel string - vessel, or the whole rack
+ unit string - unit of its values, in UCUM
# dating: what time it really was, from each moment of the journal's axis on
from_ms integer ms moment of the axis
ahead_ms integer ms UTC is so much ahead of the axis
synchronised integer - 1 where the clock of the machine was set, 0 where it was a guess
+ time datetime? - the moment in UTC
# run: under which id numbers were given out
number integer - its number
id string - id
first_seq integer - first input under it
first_event integer - first alarm event under it
reason string - why it began
# action: what people did, and changes of the plan
seq integer - number of the input, shared with readings
at_ms integer ms when, by the journal's axis
{_MOMENT}kind string - what was done
who string - by whom
body string - to what, as JSON
# taken: how requests were answered
id string - id of the request
seq integer - number of the action that it became
refusal string - why it was refused; empty where it was done
# event: every step of every alarm
number integer - its number
at_ms integer ms when, by the journal's axis
{_MOMENT}+ since datetime? - since when what it is about lasts
+ vessel string - vessel
+ channel string - channel
+ condition string - condition that alarms
+ trigger string - what the step is
+ state string - state of the alarm after it
+ priority string - priority of the alarm
+ value number? - value behind it, in the unit of its quantity (a rate is by the hour)
+ limit number? - limit behind it, likewise
+ who string - who did it, where it was somebody
+ why string - why
alarm string - name of the alarm
body string - the whole event, as JSON
# entry: the logbook: what people wrote down and measured by hand
seq integer - number of the input that it came with
kind string - kind of entry
at_ms integer ms when, by the journal's axis
{_MOMENT}who string - by whom
vessel string - about which vessel
corrects integer? - the entry that it puts right
+ note string - what was noted
body string - the whole entry, as JSON
# notice: what was worth telling and no alarm
id string - its id
at_ms integer ms when, by the journal's axis
{_MOMENT}body string - the whole notice, as JSON
# flag: flags worse than pass as they were given at the time
seq integer - number of the reading
channel string - channel that was judged
summary integer - QARTOD's flag: 3 suspect, 4 fail, 9 missing
tests integer - flags of the single tests, a hexadecimal digit each
# hourly: what is kept of readings that were too old to keep
source integer - number of the source
hour_ms integer ms beginning of the hour in UTC, since 1970
readings integer - how many there were
failed integer - how many of them failed
total number - sum of the others
lowest number? - lowest of them
highest number? - highest of them
+ hour datetime - beginning of the hour
+ mean number? - their mean
{_SOURCE}# calibration: every calibration that was not refused
+ time datetime? - from when on it is in force
+ probe string - probe
+ quantity string - what it measures
+ who string - by whom
+ standard string - in which standard
+ slope number - calibrated value = slope * raw + offset
+ offset number - see slope
+ plus_minus number - by how much its standard may put the value off, at its first point
+ note string - what was noted
# incident: stretches that somebody has marked for tuning
begin datetime - beginning, by the journal's axis
end datetime - end, likewise
vessel string - vessel
what string - what it was
call_wanted boolean - whether somebody should have been called
state string - accepted, proposed, or ask: nobody has said whether a call was wanted
origin string - how it came to be marked
quantity string? - what was wrong; missing where nobody has said, as here and below in older records
kind string? - water, unwatched, death or work
cause string? - from what it came
severity string? - what was at stake
harm_from datetime? - from when animals were harmed, likewise
evidence string? - how that is known
+ begin_time datetime? - the beginning in UTC as far as it is known
+ end_time datetime? - the end, likewise
+ harm_time datetime? - harm_from, likewise
+ clock_set boolean? - whether the beginning is certain, as in other tables
# reading: every reading as its probe gave it, in the order of arrival
seq integer - number of the input
at_ms integer ms when it was taken in, by the journal's axis
source integer - number of its source
lag_ms integer ms it was measured so long before
value number - raw value
{_MOMENT}{_SOURCE}# judged: every value as people and limits see it, by the rules of the record's version
+ seq integer - number of the reading that it comes from
{_MOMENT}{_SOURCE}+ raw number? - as the probe gave it; missing where the value is derived
+ value number? - calibrated, or derived; missing where it could not be had
+ corrected number? - the same without the drift between two calibrations; missing where no two are
+ plus_minus number? - how far the value may be off for want of an input measured now; 0: none wants
+ flag flag - QARTOD's flag: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing
+ stage word - life stage in the vessel
{_TESTS}{_BANDS}"""


@dataclass(frozen=True, slots=True)
class Column:
    """A column: `kind` is Table Schema's, or flag (an integer) or word (a string of few values)."""

    name: str
    kind: str
    unit: str
    said: str
    taken_back: bool
    may_lack: bool


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a record."""

    name: str
    said: str
    columns: tuple[Column, ...]

    @property
    def key(self) -> str:
        """Return the column that tells its rows apart; empty where no single one does."""
        first = self.columns[0]
        return (
            first.name
            if first.name in ("seq", "number", "id") and self.name not in ("flag", "judged")
            else ""
        )

    @property
    def taken_back(self) -> tuple[str, ...]:
        """Return the columns that an import takes back."""
        return tuple(column.name for column in self.columns if column.taken_back)


def _tables() -> Iterator[Table]:
    for part in _SPEC.split("# ")[1:]:
        (name, said), *lines = part.split("\n", 1)[0].split(": ", 1), *part.split("\n")[1:]
        yield Table(name, said, tuple(_column(line) for line in lines if line))


def _column(line: str) -> Column:
    worked_out = line.startswith("+ ")
    name, kind, unit, said = line.removeprefix("+ ").split(" ", 3)
    return Column(name, kind.rstrip("?"), unit.strip("-"), said, not worked_out, kind.endswith("?"))


TABLES = {table.name: table for table in _tables()}
"""In the order in which they are written and taken back."""
