"""`bellwatch export`: whole or not at all, and one line where it cannot be."""

import sqlite3
from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.commands.engineer.export import export
from daemon.commands.engineer.making import made_whole
from daemon.errors import SourceError
from daemon.journal.journal import Journal
from daemon.record.arrow import SCHEMAS
from daemon.record.package import folder_tables
from tests.rigs.bench import START_MS, Bench, swinging

pytestmark = pytest.mark.usefixtures("quiet_logs")


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(100))
    yield bench
    bench.power_cut()


BESIDE = (["--from", "2025-10-09T08:55"], ["--to", "2025-10-09T08:53:20"])
BEYOND = (
    "--from, --to: nothing in that time; the journal's readings are from 2025-10-09T08:53:20.000Z to "
    "2025-10-09T08:54:59.000Z"
)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["out", "--vessel", "k9"], "no readings of vessel k9; the journal has: k1"),
        (["out", "--logbook", "--vessel", "k9"], "no readings of vessel k9; the journal has: k1"),
        *((["out", *more, *time], BEYOND) for more in ([], ["--logbook"]) for time in BESIDE),
        (
            ["out", "--from", "2026-08-02", "--to", "2026-08-01"],
            "--from 2026-08-02: must be before --to",
        ),
        (["out", "--from", "yesterday"], "'yesterday' is no time; expected ISO 8601"),
        (["journal.sqlite"], "journal.sqlite: is there already; an export makes a new one"),
        (["journal.sqlite", "--logbook"], "journal.sqlite: is there already; an export makes a new one"),
        (["none/out", "--logbook"], "none/out: No such file or directory; its folder must be writable"),
        (["none/out"], "none/out: No such file or directory; its folder must be writable and have room"),
        *(
            ([f"out{ending}"], f"a record is a folder, without {ending}, or a file that ends in .nc")
            for ending in (".NC", ".csv", ".parquet")
        ),
        (
            ["none/out.nc"],
            "none/out.nc: No such file or directory; its folder must be writable",
        ),
    ],
)
def test_what_cannot_be_exported_is_said_in_one_line(bench, tmp_path, capsys, arguments, words, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["export", *arguments, "--journal", str(bench.path)]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
    assert not list(tmp_path.glob("out*"))


@pytest.mark.parametrize("arguments", [["out"], ["out.nc"], ["out.csv", "--logbook"]])
@pytest.mark.parametrize("damage", ["a page", "a table"])
def test_a_journal_that_cannot_be_read_is_named_and_not_the_record(
    bench, tmp_path, arguments, damage, capsys, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    bench.journal.copy_to(tmp_path / "bad.sqlite")
    with closing(sqlite3.connect("bad.sqlite")) as db:
        (page, size) = (
            db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'action'").fetchone()
            + db.execute("PRAGMA page_size").fetchone()
        )
        if damage == "a table":
            db.execute("DROP TABLE action")
    if damage == "a page":
        with (tmp_path / "bad.sqlite").open("r+b") as file:
            file.seek((page - 1) * size)
            file.write(b"\xff" * size)
    assert main(["export", *arguments, "--journal", "bad.sqlite"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("journal bad.sqlite: ")
    assert "`bellwatch import FILE NEW` saves what can be read" in said
    assert said.count("\n") == 1
    assert not list(tmp_path.glob("out*"))


@pytest.mark.parametrize("target", ["out", "out.nc"])
def test_what_breaks_off_leaves_nothing(bench, tmp_path, target, monkeypatch):
    monkeypatch.setattr("daemon.record.from_journal.JournalTables._reading", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        export(bench.journal, tmp_path / target)
    assert not list(tmp_path.glob("out*"))


@pytest.mark.parametrize("target", ["out", "out.nc"])
def test_two_at_once_are_not_mixed_and_what_was_killed_is_no_hindrance(bench, tmp_path, target):
    left = tmp_path / f"{target}.part"
    (left / target).mkdir(parents=True)
    (left / "more").write_text("of a process that was killed")
    with made_whole(tmp_path / target) as part:
        part.write_text("the first one's")
        with pytest.raises(SourceError, match=f"{target}: another process is making it; wait for that one"):
            export(bench.journal, tmp_path / target)
    assert (tmp_path / target).read_text() == "the first one's"
    assert not left.exists()


def test_a_damaged_event_goes_over_as_it_is(bench, tmp_path):
    said = {1: '{"evid', 2: '{"evidence": 5}', 3: '{"evidence": {"value": "x"}, "since_ms": "q"}'}
    with bench.journal.transaction():
        for number, body in said.items():
            bench.journal._db.execute("UPDATE event SET body = ? WHERE number = ?", (body, number))
    export(bench.journal, tmp_path / "out")
    rows = [
        row
        for _, part in folder_tables(tmp_path / "out", {"event": SCHEMAS["event"]})
        for row in part.to_pylist()
    ]
    assert {row["number"]: row["body"] for row in rows[:3]} == said
    assert {(row["value"], row["since"]) for row in rows[:3]} == {(None, None)}


def test_an_export_goes_on_while_the_daemon_writes(bench, tmp_path):
    with closing(Journal(bench.path, writable=False)) as reader:
        reader._db.execute("BEGIN")
        reader._db.execute("SELECT count(*) FROM reading").fetchone()
        bench.take(swinging(50, START_MS + 100_000))
        reader._db.execute("ROLLBACK")
        assert export(reader, tmp_path / "out")[0] == 150


def test_a_journal_without_a_plan_says_what_is_missing(tmp_path, capsys):
    with closing(Journal(tmp_path / "bare.sqlite", writable=True)) as journal, journal.transaction():
        source = journal.inputs.source_id("p", "temperature", "v")
        journal.inputs.append_readings([(START_MS, source, START_MS, 15.0)])
    assert main(["export", str(tmp_path / "out"), "--journal", str(tmp_path / "bare.sqlite")]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said == [
        f"{tmp_path}/out: 1 readings",
        "not every reading has calibrated or derived values: the journal does not begin with a plan, so its "
        "readings cannot be judged",
    ]
    assert [name for name, part in folder_tables(tmp_path / "out") if part.num_rows] == [
        "source", "run", "reading",
    ]  # fmt: skip
