"""Readings from elsewhere become a journal that can be replayed, or one clear line says why not."""

import gzip
from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.commands.engineer.export import export
from daemon.export.rows import Selection
from daemon.journal.journal import Journal
from rules.rack.plan import FRESH
from rules.readings import Action, Readings
from tests.rigs.bench import START_MS, Bench, events_in, refolded_events, swinging

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


def test_what_another_bellwatch_exported_is_judged_here_as_it_was_there(bench, tmp_path):
    out, copy = tmp_path / "out.csv", tmp_path / "copy.sqlite"
    export(bench.journal, Selection(), out, flags=True)
    assert main(["import", str(out), str(copy), "--settings", settings_of(bench)]) == 0
    assert refolded_events(copy) == events_in(bench.path)


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_the_count_that_shows_that_answers_are_new_goes_over_too(bench, tmp_path, suffix):
    out, copy = tmp_path / f"out.{suffix}", tmp_path / "copy.sqlite"
    inputs = bench.journal.inputs
    with bench.journal.transaction():
        probe, _, vessel = inputs.sources()[1]
        number = inputs.source_id(probe, FRESH, vessel)
        at_ms = bench.journal.state.clock_ms()
        inputs.append_readings((at_ms + step, number, at_ms + step, 41.0 + step) for step in (1, 1001, 2001))
    export(bench.journal, Selection(), out, flags=True)
    assert main(["import", str(out), str(copy), "--settings", settings_of(bench)]) == 0
    with closing(Journal(copy, writable=False)) as journal:
        assert (probe, FRESH, vessel) in journal.inputs.sources().values()
        readings = [block for block in journal.inputs.after(0) if isinstance(block, Readings)]
    values = [value for block in readings for value in block.value.tolist()]
    assert values[-3:] == [42.0, 1042.0, 2042.0]


def test_another_loggers_csv_is_described_by_a_few_options(bench, tmp_path, capsys):
    source, target = tmp_path / "logger.csv.gz", tmp_path / "other.sqlite"
    with gzip.open(source, "wt", encoding="utf-8") as file:
        file.write(LOGGER)
    described = ["--time-column", "when", "--column", "bath=k1-ct/temperature", "--zone", "Europe/Copenhagen"]
    command = ["import", str(source), str(target), "--settings", settings_of(bench), "--delimiter", ";"]
    assert main([*command, "--decimal", ",", *described]) == 0
    assert capsys.readouterr().out == f"{target}: 3 readings\n"
    plan, readings = inputs_of(target)
    assert isinstance(plan, Action)
    assert isinstance(readings, Readings)
    assert readings.value.tolist() == [15.25, 15.5, 22.125]
    assert readings.time_ms.tolist() == [1_786_701_600_000 + ms for ms in (0, 30_000, 90_000)]


def test_a_journal_that_is_there_is_never_touched(bench, tmp_path, capsys):
    out = tmp_path / "out.csv"
    export(bench.journal, Selection(), out, flags=False)
    before = bench.path.read_bytes()
    assert main(["import", str(out), str(bench.path)]) == 2
    assert "is there already; an import makes a new journal" in capsys.readouterr().err
    assert bench.path.read_bytes() == before


@pytest.mark.parametrize(
    ("line", "change", "words"),
    [
        (
            4,
            ("15.0", "fifteen"),
            "line 5: 'fifteen'; expected a number",
        ),
        (4, ("2025-10-09T08:53:20.000Z", "soon"), "line 5: Invalid isoformat string: 'soon'"),
        (4, (",set,", ",maybe,"), "line 5: 'maybe'"),
        (4, (",15.0", ",15.0,9,9"), "line 5: 8 cells; the header has 6"),
        (3, ("temperature (°C)", "temperature (F)"), "an export begins with time, taken in, clock"),
    ],
)
def test_a_damaged_export_is_refused_by_line_and_leaves_nothing(bench, tmp_path, capsys, line, change, words):
    out, target = tmp_path / "out.csv", tmp_path / "new.sqlite"
    export(bench.journal, Selection(), out, flags=False)
    lines = out.read_text().splitlines()
    assert change[0] in lines[line]
    lines[line] = lines[line].replace(*change)
    out.write_text("\n".join(lines) + "\n")
    assert main(["import", str(out), str(target)]) == 2
    assert words in capsys.readouterr().err
    assert not list(tmp_path.glob("new.sqlite*"))


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.csv", "time,t\n1,2\n", "for another logger's CSV name --settings and --column"),
        ("a.parquet", "no parquet", "a.parquet: "),
        (None, "", "No such file"),
    ],
)
def test_a_file_that_is_no_export_is_refused(tmp_path, capsys, name, content, words):
    path = tmp_path / (name or "none.csv")
    if name:
        path.write_text(content)
    assert main(["import", str(path), str(tmp_path / "new.sqlite")]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert not list(tmp_path.glob("new.sqlite*"))
    assert START_MS
