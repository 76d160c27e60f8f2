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
