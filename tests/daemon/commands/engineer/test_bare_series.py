"""`bellwatch replay FILE.csv --stage STAGE`: a logger's table, no settings file. The series is invented."""

import json

import pytest

from daemon.commands.cli import main
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES

LIMIT = DEFAULT_TOLERANCES["ephyra"][Quantity.TEMPERATURE].critical.high
START_S = 1_781_000_000
COLUMN = ["--column", "t=k1/temperature", "--column", "p=rack/air_pressure"]


@pytest.fixture
def series(tmp_path):
    """Two hours of good water, then three above the critical limit, every two minutes."""
    path = tmp_path / "logger.csv"
    warmth = [LIMIT - 3 + 0.01 * (n % 3) + min(max(n - 60, 0) * 0.1, 4) for n in range(150)]
    rows = [f"{START_S + 120 * n},{celsius:.2f},1010" for n, celsius in enumerate(warmth)]
    path.write_text("\n".join(["time,t,p", *rows]))
    return path


def test_the_stage_alone_judges_it(series, tmp_path, capsys):
    events = tmp_path / "events.jsonl"
    assert main(["replay", str(series), "--stage", "ephyra", *COLUMN, "--events", str(events)]) == 0
    raised = [json.loads(line) for line in events.read_text().splitlines()]
    above = [
        each for each in raised if (each["channel"], each["condition"]) == ("k1/temperature", "high_high")
    ]
    assert above[0]["at_ms"] >= (START_S + 120 * (60 + 30)) * 1000, "not before 3 K were gone"
    out = capsys.readouterr().out
    assert "300 readings" in out
    assert "k1/temperature" in out
    assert "rack/air_pressure" in out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--stage", "ephyr", *COLUMN], 'expected a built-in stage or one of this file, perhaps "ephyra"'),
        (["--stage", "ephyra"], "no column named; say what each holds with --column"),
        (["--stage", "ephyra", *COLUMN, "--settings", "rack.toml"], "leave it out, or --settings"),
        (
            ["--stage", "ephyra", "--column", "t=K 1/temperature"],
            "expected small letters, digits and hyphens",
        ),
        (
            ["--stage", "ephyra", *COLUMN, "--report", "r.html", "--incidents", "none.csv"],
            "--incidents none.csv: there is no such file; `bellwatch incidents` makes one",
        ),
    ],
)
def test_what_cannot_be_judged_says_what_would_be_right(series, capsys, arguments, says):
    assert main(["replay", str(series), *arguments]) == 2
    assert says in capsys.readouterr().err


def test_one_time_is_no_series(tmp_path, capsys):
    path = tmp_path / "short.csv"
    path.write_text(f"time,t\n{START_S},18.2\n")
    assert main(["replay", str(path), "--stage", "ephyra", "--column", "t=k1/temperature"]) == 2
    assert "fewer than two times" in capsys.readouterr().err


def told(tmp_path, capsys, text, *more):
    """What a replay of a table says, all in one, and how it ends."""
    path = tmp_path / "logger.csv"
    path.write_text(text, encoding="utf-8")
    status = main(["replay", str(path), "--stage", "ephyra", "--column", "t=k1/temperature", *more])
    return status, "".join(capsys.readouterr())


ROWS = "".join(f"{START_S + 120 * n},15.{n % 7}\n" for n in range(30))


@pytest.mark.parametrize(
    ("text", "more", "says"),
    [
        (f"time,t\n{ROWS}", ["--delimiter", ";;"], "--delimiter ';;': expected one character, or \\t"),
        (f"time,t\n{ROWS}", ["--delimiter", ""], "--delimiter '': expected one character"),
        (f"time,t\n{ROWS}", ["--delimiter", '"'], "expected one character"),
        (f"time,t\n{ROWS}", ["--decimal", "comma"], "--decimal 'comma': expected . or ,"),
        (f"time;t\n{ROWS}".replace(",", ";"), [], "if ';' stands between cells, add --delimiter ';'"),
        (f"time,t\n{ROWS}".replace(",", "\t"), [], r"if '\t' stands between cells, add --delimiter '\t'"),
        (f"date,t\n{ROWS}", [], "column 'time' is not among date, t; --time-column names that of the times"),
        ("date" * 999 + f",t\n{ROWS}", [], "date...; --time-column names"),
        (f"time;t\n{ROWS}".replace(",", ";").replace("15.", "15,"), ["--delimiter", ";"],
         "'15,0'; if that is a decimal comma, add --decimal ,"),
        ("time,t\n2026-07-11 12:00,15.2\n", [], "has no time zone; name that of the logger with --zone"),
        (f'time,t\n{START_S},15\n{START_S + 60},"15.0\n{ROWS}', [], r"'15.0\n178"),
        (f"time,t,u\n{ROWS}".replace("\n1", ",15.1\n1"), ["--column", "u=k1/temperature"],
         "columns t, u: each is the temperature of k1; replay one, or name another vessel"),
    ],
)  # fmt: skip
def test_a_slip_of_a_new_user_is_one_short_line_that_says_what_to_do(tmp_path, capsys, text, more, says):
    status, said = told(tmp_path, capsys, text, *more)
    assert says in said
    assert (status, said.count("\n"), len(said) < 600) == (2, 1, True)


def test_a_tab_may_be_written_as_people_write_it(tmp_path, capsys):
    status, said = told(tmp_path, capsys, f"time,t\n{ROWS}".replace(",", "\t"), "--delimiter", r"\t")
    assert (status, "30 readings, " in said) == (0, True)


def test_what_is_left_out_is_counted_and_a_row_of_nothing_is_no_row(tmp_path, capsys):
    twice, empty, nothing = f"{START_S},14.0\n" * 2, f"{START_S + 9999},\n{START_S + 9998},NaN\n", ",\n , \n"
    status, said = told(tmp_path, capsys, f"time,t\n{ROWS}{twice}{nothing}{empty}")
    assert status == 0
    assert "30 readings, " in said
    assert "2 readings left out: time already taken\n" in said
    assert "2 readings left out: cell empty or NaN\n" in said
