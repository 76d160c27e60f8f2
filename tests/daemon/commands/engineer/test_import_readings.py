"""Readings from elsewhere become a journal that can be replayed, or one clear line says why not."""

import gzip
import json
import shutil
import tempfile
from contextlib import closing

import netCDF4
import pytest

from daemon.commands.cli import main
from daemon.commands.engineer.export import export
from daemon.journal.journal import Journal
from rules.readings import Action, Readings
from tests.rigs.bench import Bench, events_in, refolded_events, swinging

LOGGER = """\
# an invented logger
when;bath;note
2026-08-14 12:00:00;15,25;
2026-08-14 12:00:30;15,5;door open
2026-08-14 12:01:00;;
2026-08-14 12:01:30;22,125;
"""


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(100))
    yield bench
    bench.power_cut()


def settings_of(bench):
    return str(bench.path.parent / "bench.toml")


def inputs_of(path):
    journal = Journal(path, writable=False)
    found = list(journal.inputs.after(0))
    journal.close()
    return found


def test_another_loggers_csv_is_described_by_a_few_options(bench, tmp_path, capsys):
    source, target = tmp_path / "logger.csv.gz", tmp_path / "other.sqlite"
    with gzip.open(source, "wt", encoding="utf-8") as file:
        file.write(LOGGER)
    described = ["--time-column", "when", "--column", "bath=k1-ct/temperature", "--zone", "Europe/Copenhagen"]
    command = ["import", str(source), str(target), "--settings", settings_of(bench), "--delimiter", ";"]
    assert main([*command, "--decimal", ",", *described]) == 0
    assert capsys.readouterr().out == f"{target}: 3 readings\n1 readings left out: cell empty or NaN\n"
    plan, readings = inputs_of(target)
    assert isinstance(plan, Action)
    assert isinstance(readings, Readings)
    assert readings.value.tolist() == [15.25, 15.5, 22.125]
    assert readings.time_ms.tolist() == [1_786_701_600_000 + ms for ms in (0, 30_000, 90_000)]


def test_readings_that_an_import_leaves_out_are_counted(bench, tmp_path, capsys):
    """In the night when clocks are set back an hour comes twice, and a logger's file does not say which."""
    rows = [f"2026-10-25 02:{minute:02}:00,{hour + 15}\n" for hour in range(2) for minute in range(0, 60, 20)]
    (tmp_path / "logger.csv").write_text("time,bath\n" + "".join(rows))
    command = [
        "import",
        str(tmp_path / "logger.csv"),
        str(tmp_path / "new.sqlite"),
        "--settings",
        settings_of(bench),
    ]
    assert main([*command, "--column", "bath=k1-ct/temperature", "--zone", "Europe/Copenhagen"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told == [f"{tmp_path / 'new.sqlite'}: 3 readings", "3 readings left out: time already taken"]


@pytest.fixture(params=["csv", "parquet", "nc"])
def record(bench, tmp_path, request):
    path = tmp_path / ("record.nc" if request.param == "nc" else request.param)
    export(bench.journal, path, request.param)
    return path


def refused(capsys, source, target, *more):
    """The one line by which an import refuses, with nothing left of it."""
    before = {path: path.read_bytes() for path in target.parent.glob(f"{target.name}*")}
    assert main(["import", str(source), str(target), *more]) == 2
    assert {path: path.read_bytes() for path in target.parent.glob(f"{target.name}*")} == before
    (line,) = capsys.readouterr().err.splitlines()
    return line


def test_a_record_is_judged_here_as_it_was_there(bench, record, tmp_path):
    copy = tmp_path / "copy.sqlite"
    assert main(["import", str(record), str(copy)]) == 0
    assert refolded_events(copy) == events_in(bench.path) == events_in(copy)
    assert main(["replay", str(copy)]) == 0


def test_what_is_there_is_never_touched(bench, record, tmp_path, capsys):
    assert "is there already; an import makes a new journal" in refused(capsys, record, bench.path)
    (tmp_path / "new.sqlite.incidents.csv").write_text("mine")
    line = refused(capsys, record, tmp_path / "new.sqlite")
    assert line.startswith(f"{tmp_path}/new.sqlite.incidents.csv: is there already")


def test_settings_beside_a_record_are_refused(bench, record, tmp_path, capsys):
    line = refused(capsys, record, tmp_path / "new.sqlite", "--settings", settings_of(bench))
    assert line == f"--settings: the record {record} has the plans of its time; leave it out"


def test_two_journals_of_one_record_are_told_apart(bench, record, tmp_path):
    for name in ("one", "two"):
        assert main(["import", str(record), str(tmp_path / name)]) == 0
    names = (tmp_path / "one", tmp_path / "two", bench.path)
    one, two, first = (Journal(path, writable=False) for path in names)
    assert len({one.id, two.id, first.id}) == len({one.run_id, two.run_id, first.run_id}) == 3
    assert [run.id for run in one.state.runs()][:-1] == [run.id for run in two.state.runs()][:-1]
    for journal in (one, two, first):
        journal.close()


def test_a_record_is_replayed_as_it_is_and_nothing_stays(bench, record, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    made = {}
    for source in (bench.path, record):
        assert main(["replay", str(source), "--events", str(tmp_path / "events")]) == 0
        assert "events are those of the time, byte for byte" in " ".join(capsys.readouterr().out.split())
        made[source] = (tmp_path / "events").read_text()
    assert made[record] == made[bench.path]
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("bellwatch")] == []


def test_marks_are_not_put_beside_a_record(record, capsys):
    assert main(["incidents", str(record), "--propose"]) == 2
    assert "`bellwatch import` makes a journal of a record" in capsys.readouterr().err


def _line(folder, name, number, old, new):
    path = folder / f"{name}.csv"
    lines = path.read_text().split("\n")
    assert old in lines[number], lines[number]
    lines[number] = lines[number].replace(old, new, 1)
    path.write_text("\n".join(lines))


def _cut(path, share):
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])


def _doubled(folder):
    path = folder / "reading.csv"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join([*lines[:-1], lines[-2]]))


def _sorted(path, column):
    header, *lines = path.read_text().splitlines(keepends=True)
    path.write_text(header + "".join(sorted(lines, key=lambda line: float(line.split(",")[column]))))


def _described(folder, change):
    path = folder / "datapackage.json"
    package = json.loads(path.read_text())
    change(package)
    path.write_text(json.dumps(package))


def _run_twice(folder):
    path = folder / "run.csv"
    header, line = path.read_text().splitlines()
    path.write_text(f"{header}\n{line}\n2{line[1:]}\n")


CSV_FAULTS = {
    "a wrong column": (
        lambda its: _line(its, "reading", 0, '"value"', '"val"'),
        "reading.csv: column val; expected seq, at_ms, source, lag_ms, value",
    ),
    "a word for a number": (
        lambda its: _line(its, "reading", 5, ",0,", ",none,"),
        "reading.csv: In CSV column #3: Row #6: CSV conversion error to int64: invalid value 'none'",
    ),
    "a number that is none": (
        lambda its: _line(its, "reading", 7, ",0,", ",0#,"),
        "reading.csv: In CSV column #3: Row #8",
    ),
    "an empty cell": (
        lambda its: _line(its, "reading", 7, ",0,", ",,"),
        "reading, row with seq 8, column lag_ms: None; expected an integer",
    ),
    "a line too many": (
        lambda its: (its / "source.csv").write_text((its / "source.csv").read_text() * 2),
        "source.csv: In CSV column #0: Row #3",
    ),
    "a number twice": (_doubled, "reading: UNIQUE constraint failed"),
    "one run id twice": (_run_twice, "run: UNIQUE constraint failed: run.id"),
    "time that runs back": (
        lambda its: _line(its, "reading", 9, "1760000008000", "1750000008000"),
        "input 10: expected numbers that rise from one to the next, and an at_ms that never falls",
    ),
    "readings in another order": (
        lambda its: _sorted(its / "reading.csv", 4),
        ": expected numbers that rise from one to the next",
    ),
    "an action under the number of a reading": (
        lambda its: _line(its, "action", 1, "1,", "50,"),
        "input 50: expected numbers that rise from one to the next",
    ),
    "an action before what came before it": (
        lambda its: _line(its, "action", 1, "1,1760000000000,", "900,1760000000000,"),
        "input 900: expected numbers that rise from one to the next",
    ),
    "an action after what came after it": (
        lambda its: _line(its, "action", 1, "1760000000000", "1760000090000"),
        "input 2: expected numbers that rise from one to the next",
    ),
    "a torn line": (lambda its: _cut(its / "reading.csv", 0.5), "reading.csv: CSV parse error: Row #"),
    "lines that are missing": (
        lambda its: _drop_last(its / "event.csv"),
        "rows; datapackage.json says",
    ),
    "a table that is missing": (
        lambda its: (its / "action.csv").unlink(),
        "action.csv: No such file or directory",
    ),
    "a newer version": (
        lambda its: _described(its, lambda package: package["bellwatch"].update(format=2)),
        "datapackage.json: a record of format 2; this bellwatch reads 1",
    ),
    "another package": (
        lambda its: _described(its, lambda package: package.pop("bellwatch")),
        "datapackage.json: KeyError('bellwatch'); expected the description of a record",
    ),
    "no description": (
        lambda its: (its / "datapackage.json").unlink(),
        "datapackage.json: No such file or directory; expected the folder of a record",
    ),
}


def _drop_last(path):
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:-1]))


@pytest.mark.parametrize("fault", CSV_FAULTS)
def test_a_damaged_folder_is_refused_by_its_place_and_leaves_nothing(bench, tmp_path, capsys, fault):
    change, words = CSV_FAULTS[fault]
    export(bench.journal, tmp_path / "record")
    change(tmp_path / "record")
    assert words in refused(capsys, tmp_path / "record", tmp_path / "new.sqlite")


def test_a_number_that_is_not_finite_is_refused(bench, tmp_path, capsys):
    export(bench.journal, tmp_path / "record")
    lines = (tmp_path / "record/reading.csv").read_text().split("\n")
    for word in ("nan", "inf", "-inf"):
        cells = lines[3].split(",")
        cells[4] = word
        changed = "\n".join([*lines[:3], ",".join(cells), *lines[4:]])
        (tmp_path / "record/reading.csv").write_text(changed)
        line = refused(capsys, tmp_path / "record", tmp_path / "new.sqlite")
        assert f"reading, row with seq 4, column value: {word}; expected a number" in line


def test_torn_and_foreign_files_are_refused(bench, tmp_path, capsys):
    export(bench.journal, tmp_path / "torn", "parquet")
    _cut(tmp_path / "torn/reading.parquet", 0.9)
    assert "torn/reading.parquet: " in refused(capsys, tmp_path / "torn", tmp_path / "new.sqlite")
    export(bench.journal, tmp_path / "torn.nc")
    _cut(tmp_path / "torn.nc", 0.5)
    assert "torn.nc: " in refused(capsys, tmp_path / "torn.nc", tmp_path / "new.sqlite")
    with netCDF4.Dataset(tmp_path / "foreign.nc", "w") as file:
        file.createDimension("time", 3)
    line = refused(capsys, tmp_path / "foreign.nc", tmp_path / "new.sqlite")
    assert line == f"{tmp_path}/foreign.nc: a NetCDF file, but no record of bellwatch's"
    with netCDF4.Dataset(tmp_path / "newer.nc", "w") as file:
        file.bellwatch_format = 2
    line = refused(capsys, tmp_path / "newer.nc", tmp_path / "new.sqlite")
    assert line == f"{tmp_path}/newer.nc: a record of format 2; this bellwatch reads 1"


def test_a_negative_zero_is_sealed_as_the_journal_keeps_it(bench, tmp_path):
    export(bench.journal, tmp_path / "record")
    _line(tmp_path / "record", "reading", 1, "15", "-0.0")
    assert main(["import", str(tmp_path / "record"), str(tmp_path / "new.sqlite")]) == 0
    with closing(Journal(tmp_path / "new.sqlite", writable=False)) as journal:
        assert next(journal.rows_of("reading", ["seq", "value"]))[1] == 0
        assert journal.finding() == ""


def _broken_inside(path):
    """Every packed part of it, behind the two bytes with which zlib begins at this level (RFC 1950)."""
    parts = path.read_bytes().split(b"\x78\x5e")
    path.write_bytes(b"\x78\x5e".join([parts[0], *(b"\xff" * len(part) for part in parts[1:])]))


def _of_another_kind(path):
    with netCDF4.Dataset(path, "a") as file:
        file["record/reading"].renameVariable("value", "before")
        file["record/reading"].createVariable("value", str, ("row",))


def _no_text(path):
    path.write_bytes(path.read_bytes().replace(b'"temperature"', b'"\xfftemperatur"'))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_broken_inside, "HDF error"),
        (_of_another_kind, ": reading, column value: Failed to parse string"),
        (_no_text, "codec can't decode byte 0xff"),
    ],
)
def test_a_netcdf_file_that_opens_and_is_broken_inside_is_refused(bench, tmp_path, capsys, change, words):
    export(bench.journal, tmp_path / "record.nc")
    change(tmp_path / "record.nc")
    line = refused(capsys, tmp_path / "record.nc", tmp_path / "new.sqlite")
    assert line.startswith(f"{tmp_path}/record.nc: ")
    assert words in line


OLD = "# bellwatch export 1\n# rack: north\ntime,taken in,clock,vessel,probe,oxygen (mg/L)\n"


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.csv", "time,t\n1,2\n", "for another logger's CSV name --settings and --column"),
        ("a.nc", "no netcdf", "expected a NetCDF file"),
        ("none.nc", None, "No such file"),
        ("none", None, "no such file or directory; expected a journal, a CSV"),
        ("b.csv", OLD, "b.csv: an export of an older bellwatch: let that one `import` it; the journal that"),
        ("b.parquet", "PAR1", "b.parquet: an export of an older bellwatch: let that one `import` it"),
        ("c.sqlite", "SQLite format 3\0", "c.sqlite: damaged: nothing of it can be read"),
    ],
)
def test_a_file_that_is_no_record_is_refused(tmp_path, capsys, name, content, words):
    if content:
        (tmp_path / name).write_text(content)
    assert words in refused(capsys, tmp_path / name, tmp_path / "new.sqlite")


def test_one_table_of_a_record_and_an_old_export_are_told_from_a_loggers_csv(bench, tmp_path, capsys):
    for form in ("parquet", "csv"):
        export(bench.journal, tmp_path / form, form)
        for part in (f"reading.{form}", "datapackage.json"):
            line = refused(capsys, tmp_path / form / part, tmp_path / "new.sqlite")
            assert line.endswith(f"one part of a record; name its folder, {tmp_path}/{form}")
    shutil.make_archive(str(tmp_path / "record"), "zip", tmp_path / "csv")
    line = refused(capsys, tmp_path / "record.zip", tmp_path / "new.sqlite")
    assert line.endswith("record.zip: packed; unpack it, and name the record's folder, or the CSV")
    (tmp_path / "old.csv").write_text(OLD)
    assert main(["replay", str(tmp_path / "old.csv")]) == 2
    assert "an export of an older bellwatch" in capsys.readouterr().err
