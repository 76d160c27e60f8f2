"""Records that went through other hands: each goes over as it is, or one line says why not.

What a spreadsheet does to a CSV is from memory: no quotes around what is empty, a byte order mark and CRLF,
dates and words of truth in its own way, long numbers in short, and in half of Europe decimal commas.
"""

import csv
import re
import shutil
from contextlib import closing
from itertools import count

import pandas as pd
import pytest
import xarray as xr

from daemon.commands.cli import main
from daemon.journal.journal import Journal
from daemon.record.tables import TABLES
from daemon.tune.incidents import Mark, beside, read_marks, write_marks
from rules.tuning.incident import Incident
from tests.rigs.eventful_rack import eventful, exported
from tests.rigs.minute_rack import START_MS

pytestmark = [
    pytest.mark.usefixtures("quiet_logs"),
    pytest.mark.timeout(600),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
]

MARKS = [Mark(Incident(START_MS, START_MS + 60_000, "k1", "warm", True), "accepted", "by hand")]
"""Without a time of harm: where a whole column of times is missing, xarray stumbles in some calendars."""
OF_THE_JOURNAL = [
    name for name, table in TABLES.items() if table.taken_back and name not in ("incident", "run")
]


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    path = eventful(tmp_path_factory.mktemp("rack"))
    write_marks(beside(str(path)), MARKS)
    return path


@pytest.fixture(scope="module")
def records(rack, tmp_path_factory):
    return exported(rack, tmp_path_factory.mktemp("records"))


def held(path):
    with closing(Journal(path, writable=False)) as journal:
        return {name: [*journal.rows_of(name, TABLES[name].taken_back)] for name in OF_THE_JOURNAL}


def goes_over(record, rack, folder, capsys):
    again = folder / "again.sqlite"
    assert main(["import", str(record), str(again)]) == 0, capsys.readouterr().err
    assert held(again) == held(rack)
    assert read_marks(beside(str(again))) == MARKS


def rewritten(folder, change, delimiter=",", **how):
    """Read each table of a record and write it again as `change` has it, by rows with the header first."""
    for path in folder.glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            rows = change(path.stem, [*csv.reader(file)])
        with path.open("w", newline="", encoding=how.pop("encoding", "utf-8")) as file:
            csv.writer(file, delimiter=delimiter, **how).writerows(rows)


def in_every_column_of(kinds, say):
    def change(name, rows):
        wanted = [column.kind in kinds and not column.taken_back for column in TABLES[name].columns]
        return [rows[0]] + [
            [say(it) if here else it for it, here in zip(row, wanted, strict=True)] for row in rows[1:]
        ]

    return change


def local(text):
    """Return a time as a spreadsheet shows it."""
    found = re.match(r"(\d+)-(\d\d)-(\d\d)T(\d\d:\d\d)", text)
    return f"{found[3]}/{found[2]}/{found[1]} {found[4]}" if found else text


EDITS = {
    "columns in another order": {"change": lambda _, rows: [row[::-1] for row in rows]},
    "line ends of other systems": {"change": lambda _, rows: rows, "lineterminator": "\r\n"},
    "every text in quotes, and a byte order mark": {"change": lambda _, rows: rows, "encoding": "utf-8-sig"},
    "times as people read them": {"change": in_every_column_of(("datetime",), local)},
    "true in capitals": {"change": in_every_column_of(("boolean",), str.upper)},
}


@pytest.mark.parametrize("edit", EDITS)
def test_what_a_spreadsheet_changes_beside_what_is_taken_back_is_no_hindrance(
    records, rack, tmp_path, capsys, edit
):
    shutil.copytree(records / "csv", tmp_path / "csv")
    rewritten(tmp_path / "csv", **EDITS[edit])
    goes_over(tmp_path / "csv", rack, tmp_path, capsys)


def test_what_pandas_read_and_wrote_again_goes_over(records, rack, tmp_path, capsys):
    shutil.copytree(records / "parquet", tmp_path / "parquet")
    for path in (tmp_path / "parquet").glob("*.parquet"):
        pd.read_parquet(path, dtype_backend="numpy_nullable").to_parquet(path)
    goes_over(tmp_path / "parquet", rack, tmp_path, capsys)


@pytest.mark.parametrize("how", [{}, {"decode_times": False}, {"decode_cf": False}])
def test_what_xarray_read_and_wrote_again_goes_over(records, rack, tmp_path, capsys, how):
    with xr.open_datatree(records / "record.nc", **how) as tree:
        tree.to_netcdf(tmp_path / "again.nc")
    goes_over(tmp_path / "again.nc", rack, tmp_path, capsys)


def refused(capsys, record, folder):
    assert main(["import", str(record), str(folder / "new.sqlite")]) == 2
    assert not list(folder.glob("new.sqlite*"))
    (line,) = capsys.readouterr().err.splitlines()
    return line


def test_series_without_the_tables_are_told_from_a_record(records, tmp_path, capsys):
    with xr.open_dataset(records / "record.nc") as series:
        series.to_netcdf(tmp_path / "series.nc")
    line = refused(capsys, tmp_path / "series.nc", tmp_path)
    assert line.endswith("no group record, which is taken back; expected all that was exported")


def cells(name, column, say):
    """Change a column of a table by its rows' cells."""

    def change(its, rows):
        place = rows[0].index(column) if its == name else -1
        return [
            [*row[:place], say(row[place]), *row[place + 1 :]] if number and its == name else row
            for number, row in enumerate(rows)
        ]

    return change


LAGS = count(0, 120_000)

REFUSED = {
    "semicolons": (
        {"change": lambda _, rows: rows, "delimiter": ";"},
        "id;probe;quantity;vessel;unit; expected id, probe, quantity, vessel, unit with commas between",
    ),
    "decimal commas": (
        {"change": cells("reading", "value", lambda it: it.replace(".", ","))},
        "reading.csv: In CSV column #4: Row #2: CSV conversion error to double: invalid value",
    ),
    "long numbers in short": (
        {"change": cells("reading", "at_ms", lambda it: f"{float(it):.2e}")},
        "reading.csv: In CSV column #1: Row #2: CSV conversion error to int64: invalid value '1.79e+12'",
    ),
    "a missing value as a word": (
        {"change": cells("reading", "value", lambda it: "#N/A")},
        "reading.csv: In CSV column #4: Row #2: CSV conversion error to double: invalid value '#N/A'",
    ),
    "no number as text": (
        {"change": cells("reading", "value", lambda it: "NaN")},
        "reading, row with seq 301, column value: nan; expected a number",
    ),
    "a number that no journal ever gives out": (
        {"change": cells("event", "number", lambda _: str(2**63 - 1))},
        "column number: 9223372036854775807; expected an integer",
    ),
    "a moment that is no time": (
        {"change": cells("action", "at_ms", lambda _: str(-(2**62)))},
        "column at_ms: -4611686018427387904; expected an integer",
    ),
    "times without an offset": (
        {"change": cells("incident", "begin", lambda it: it.removesuffix("Z"))},
        "incident.csv: In CSV column #0: Row #2: CSV conversion error to timestamp[ms, tz=UTC]: expected a",
    ),
    "times as people read them": (
        {"change": cells("incident", "end", local)},
        "incident.csv: In CSV column #1: Row #2: CSV conversion error to timestamp[ms, tz=UTC]: invalid",
    ),
    "an incident of a state that there is none of": (
        {"change": cells("incident", "state", lambda _: "acepted")},
        "row with begin 2026-08-15T00:00:00+00:00, state: 'acepted'; expected accepted or proposed",
    ),
    "an incident of a quantity that there is none of": (
        {"change": cells("incident", "quantity", lambda _: "temp")},
        ", quantity: 'temp'; expected temperature, conductivity, salinity, oxygen, oxygen_saturation, air_pr",
    ),
    "an incident that ends before it begins": (
        {"change": cells("incident", "end", lambda it: it.replace("2026", "2025"))},
        ": it ends at 2025-08-15T00:01:00+00:00, not after its beginning at 2026-08-15T00:00:00+00:00",
    ),
    "readings that were measured ever earlier": (
        {"change": cells("reading", "lag_ms", lambda _: str(next(LAGS)))},
        ": at_ms - lag_ms; expected more than at its source's last",
    ),
    "readings in another unit": (
        {"change": cells("reading", "unit", lambda it: it.replace("Cel", "[degF]"))},
        "reading, source 1: unit [degF]; expected Cel",
    ),
    "sources in another unit": (
        {"change": cells("source", "unit", lambda it: it.replace("mS/cm", "uS/cm"))},
        ": unit uS/cm; expected mS/cm",
    ),
    "hours in another unit": (
        {"change": cells("hourly", "unit", lambda it: it.replace("mg/L", "umol/L"))},
        "hourly, source 3: unit umol/L; expected mg/L",
    ),
    "a column of somebody's own": (
        {"change": lambda name, rows: [[*row, "x"] for row in rows] if name == "flag" else rows},
        "flag.csv: column x; expected seq, channel, summary, tests",
    ),
    "a column twice": (
        {"change": lambda name, rows: [[*row, row[1]] for row in rows] if name == "flag" else rows},
        "flag.csv: column channel, channel; expected seq, channel, summary, tests",
    ),
    "a column less": (
        {"change": lambda name, rows: [row[:-1] for row in rows] if name == "flag" else rows},
        "flag.csv: column tests; expected seq, channel, summary, tests",
    ),
    "a table twice in one file": (
        {"change": lambda name, rows: rows * 2 if name == "flag" else rows},
        "flag.csv: In CSV column #0: Row #",
    ),
    "a row twice": (
        {"change": lambda name, rows: [*rows, rows[-1]] if name == "flag" else rows},
        "UNIQUE constraint failed: flag.seq, flag.channel",
    ),
    "a spreadsheet's Unicode": (
        {"change": lambda _, rows: rows, "encoding": "utf-16"},
        "codec can't decode byte 0xff in position 0",
    ),
}


@pytest.mark.parametrize("edit", REFUSED)
def test_what_cannot_be_told_for_certain_is_refused_in_one_line(records, tmp_path, capsys, edit):
    how, words = REFUSED[edit]
    shutil.copytree(records / "csv", tmp_path / "csv")
    rewritten(tmp_path / "csv", **how)
    assert words in refused(capsys, tmp_path / "csv", tmp_path)


def test_an_action_that_says_nothing_of_use_goes_over_and_is_named_by_the_replay(records, tmp_path, capsys):
    shutil.copytree(records / "csv", tmp_path / "csv")
    rewritten(tmp_path / "csv", cells("action", "body", lambda it: "[1]" if '"standard"' in it else it))
    assert main(["import", str(tmp_path / "csv"), str(tmp_path / "again.sqlite")]) == 0
    main(["replay", str(tmp_path / "again.sqlite")])
    assert "4 actions of the time had nothing to act on; first: " in capsys.readouterr().out


def test_an_entry_that_is_damaged_is_left_out_of_the_logbook(records, tmp_path):
    """Its seal says that it is damaged; who reads the logbook sees the others."""
    shutil.copytree(records / "csv", tmp_path / "csv")
    rewritten(tmp_path / "csv", cells("entry", "body", lambda it: it[:-1] if "15.0" in it else it))
    path = tmp_path / "again.sqlite"
    assert main(["import", str(tmp_path / "csv"), str(path)]) == 0
    with closing(Journal(path, writable=False)) as journal:
        rows = [*journal.rows_of("entry", ("seq", "kind", "body"))]
        sound = [seq for seq, _, body in rows if body.endswith("}")]
        kinds = sorted({kind for _, kind, _ in rows})
        assert 0 < len(sound) < len(rows)
        assert [entry.seq for entry in journal.history.logbook((), kinds)] == sound
        assert sorted(entry.seq for kind in kinds for entry in journal.history.entries(kind)) == sound
