"""What a journal may hold at its worst, in each form: it goes over as it is, or one line says why not.

What would refute it: a value that comes back otherwise, a reading that is missing, an error of another kind
than the one line, half a record, or a record or journal that stands after what made it was killed.
"""

import resource
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.journal.journal import Journal
from daemon.record.tables import TABLES
from tests.rigs.bench import START_MS, Bench, swinging

pytestmark = [pytest.mark.usefixtures("quiet_logs"), pytest.mark.timeout(600)]

FORMS = {"csv": "record", "parquet": "columns", "nc": "record.nc"}
OF_THE_JOURNAL = [
    name for name, table in TABLES.items() if table.taken_back and name not in ("incident", "run")
]
STRETCH = "INSERT INTO dating VALUES (1760000005000, {}, 1)"
ENTRY = f"INSERT INTO entry VALUES (99, 'note', {START_MS}, {{}}, {{}}, NULL, {{}})"
CONTROLS = "'a' || char(1, 7, 8, 9, 10, 11, 12, 13, 27, 31, 127, 133, 8232, 8238, 65279, 10, 13)"
BODY = '{"since_ms": 1e999, "evidence": {"value": true, "limit": 1' + "0" * 400 + "}}"

KEPT = {
    "a clock in the year 11532": STRETCH.format(300_000_000_000_000),
    "a clock before the year 1": STRETCH.format(-70_000_000_000_000),
    "a clock before 1970": STRETCH.format(-1_760_100_000_000),
    "a clock that no calendar has": STRETCH.format(2**62),
    "control characters": ENTRY.format(CONTROLS, "char(13)", "char(10, 13)"),
    "no UTF-8": ENTRY.format("CAST(x'ff' AS TEXT)", "''", "'{'"),
    "text of 10 kB": ENTRY.format(f"'{'ü' * 5_000}'", f"'{'w' * 10_000}'", "'{}'"),
    "a vessel's name of 10 kB": f"UPDATE source SET vessel = '{'v' * 10_000}'",
    "a vessel that was renamed": "INSERT INTO source VALUES (99, 'k1-ct', 'temperature', 'renamed')",
    "formulas": ENTRY.format("'＝1'", "'''＋1'", "char(10) || '=1'"),
    "negative zero": "UPDATE reading SET value = -0.0 WHERE seq = 10",
    "the smallest number": "UPDATE reading SET value = 5e-324 WHERE seq = 10",
    "an event whose numbers are none": f"INSERT INTO event VALUES (999, {START_MS}, 'k1/x', '{BODY}')",
    "no reading": "DELETE FROM reading",
    "one reading": "DELETE FROM reading WHERE seq <> 10",
    "nothing": "".join(f"DELETE FROM {name};" for name in ("reading", "action", "event", "flag", "source")),
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    bench = Bench(tmp_path_factory.mktemp("bench"))
    bench.take(swinging(60))
    yield bench
    bench.power_cut()


def changed(bench, folder, statements):
    """A copy of the journal, changed by hand."""
    path = folder / "a.sqlite"
    bench.journal.copy_to(path)
    with closing(sqlite3.connect(path)) as db:
        db.executescript(statements)
    return path


def rows_of(path):
    with closing(Journal(path, writable=False)) as journal:
        return {
            name: [repr(row) for row in journal.rows_of(name, TABLES[name].taken_back)]
            for name in OF_THE_JOURNAL
        }


def exported(path, folder, form):
    kind = "csv" if form == "nc" else form
    return main(["export", str(folder / FORMS[form]), "--form", kind, "--journal", str(path)])


@pytest.mark.parametrize("case", KEPT)
def test_it_goes_over_as_it_is(bench, tmp_path, case, capsys):
    path = changed(bench, tmp_path, KEPT[case])
    for form, name in FORMS.items():
        assert exported(path, tmp_path, form) == 0, capsys.readouterr().err
        again = tmp_path / f"{form}.sqlite"
        assert main(["import", str(tmp_path / name), str(again)]) == 0, capsys.readouterr().err
        assert rows_of(again) == rows_of(path)


def refused(capsys, code):
    (line,) = capsys.readouterr().err.splitlines()
    assert code == 2
    return line


def test_a_nul_goes_over_but_for_netcdf_which_says_so(bench, tmp_path, capsys):
    path = changed(bench, tmp_path, ENTRY.format("'a' || char(0) || 'b'", "''", "'{}'"))
    for form in ("csv", "parquet"):
        assert exported(path, tmp_path, form) == 0
        assert main(["import", str(tmp_path / FORMS[form]), str(tmp_path / f"{form}.sqlite")]) == 0
        assert rows_of(tmp_path / f"{form}.sqlite") == rows_of(path)
    line = refused(capsys, exported(path, tmp_path, "nc"))
    assert "entry, column who: text with a NUL" in line
    assert not list(tmp_path.glob("record.nc*"))


@pytest.mark.parametrize("form", FORMS)
def test_what_is_no_number_is_refused_by_its_row(bench, tmp_path, capsys, form):
    path = changed(bench, tmp_path, "UPDATE reading SET value = 9e999 WHERE seq = 10")
    assert exported(path, tmp_path, form) == 0
    line = refused(capsys, main(["import", str(tmp_path / FORMS[form]), str(tmp_path / "b.sqlite")]))
    assert line.endswith("reading, row with seq 10, column value: inf; expected a number")


def with_room_for(size, command):
    """Run a command that cannot make a file larger than `size` bytes, as on a disk that is full by then."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        return main(command)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("form", FORMS)
def test_a_full_disk_is_one_line_and_leaves_nothing(bench, tmp_path, capsys, form):
    path, record, again = changed(bench, tmp_path, ""), tmp_path / FORMS[form], tmp_path / "again.sqlite"
    kind = "csv" if form == "nc" else form
    export = ["export", str(record), "--form", kind, "--journal", str(path)]
    for command, target in ((export, record), (["import", str(record), str(again)], again)):
        rooms = [2_000 * 2**times for times in range(12)]
        found = [(with_room_for(room, command), capsys.readouterr().err.splitlines()) for room in rooms[:1]]
        while found[-1][0]:
            code, lines = found[-1]
            assert code == 2
            assert len(lines) == 1
            assert lines[0].endswith("have room"), lines
            assert not list(tmp_path.glob(f"{target.name}*"))
            found.append((with_room_for(rooms[len(found)], command), capsys.readouterr().err.splitlines()))
        assert len(found) > 2, "else the disk was never full"
    assert rows_of(again) == rows_of(path)


KILLED = """
import os, signal, sys
from daemon.commands.cli import main
from daemon.record import from_journal, into_journal
def end(*_): os.kill(os.getpid(), signal.SIGKILL)
from_journal.JournalTables._reading = end
into_journal.Journal.seal_rest = end
main(sys.argv[1:])
"""


@pytest.mark.parametrize("form", FORMS)
def test_who_is_killed_leaves_nothing_half_and_the_next_one_makes_it(bench, tmp_path, form):
    path, record, again = changed(bench, tmp_path, ""), tmp_path / FORMS[form], tmp_path / "again.sqlite"
    kind = "csv" if form == "nc" else form
    export = ["export", str(record), "--form", kind, "--journal", str(path)]
    for command, target in ((export, record), (["import", str(record), str(again)], again)):
        done = subprocess.run([sys.executable, "-c", KILLED, *command], check=False)
        assert done.returncode == -signal.SIGKILL
        assert not target.exists()
        assert main(command) == 0
        assert not list(tmp_path.glob("*.part"))
    assert rows_of(again) == rows_of(path)
