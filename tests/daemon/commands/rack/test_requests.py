"""What people ask of the watch by command: what it is told, what they are told, against the real watch."""

import json
from contextlib import contextmanager

import pytest

from daemon.commands.cli import main
from drivers.readings import Reading
from tests.rigs.journal_file import asked
from tests.rigs.kept_watch import answering

START_MS = 1_786_700_000_000  # an invented summer day of 2026
HIGH = "k1/temperature/high"
SETTINGS = """
[rack]
name = "rack-1"
time_zone = "Europe/Lisbon"
[journal]
path = "{folder}/journal.sqlite"
[buses.line]
kind = "modbus-rtu"
port = "/dev/ttyEXAMPLE0"
[vessels.k1]
kind = "kreisel"
stage = "ephyra"
[probes.k1-t]
bus = "line"
vessel = "k1"
unit_id = 1
registers = [{{ quantity = "temperature", address = 0, type = "float32" }}]
"""


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    """The settings file of a rack whose one vessel is too warm, and whose watch answers."""
    with warm_rack(tmp_path_factory.mktemp("rack")) as file:
        yield file


@pytest.fixture
def acked_by_vessel(tmp_path):
    """Another such rack."""
    with warm_rack(tmp_path) as file:
        yield file


@contextmanager
def warm_rack(folder):
    file = folder / "bellwatch.toml"
    file.write_text(SETTINGS.format(folder=folder))
    warm = [
        Reading("k1-t", "temperature", 20.0 + 0.001 * (step % 3), START_MS + 30_000 * step)
        for step in range(120)
    ]
    with answering(file, warm):
        yield file


@pytest.mark.parametrize(
    ("words", "kind", "body", "said"),
    [
        (["ack", HIGH], "acknowledge", {"alarm": HIGH}, f"{HIGH}: acknowledged by kim"),
        (
            ["shelve", HIGH, "--for", "1.5h", "--why", "new chiller", "--yes-critical"], "shelve",
            {"alarm": HIGH, "why": "new chiller", "for_s": 5400.0, "yes_critical": True},
            f"{HIGH}: shelved by kim",
        ),
        (["unshelve", HIGH], "unshelve", {"alarm": HIGH}, f"{HIGH}: off the shelf by kim"),
        (
            ["out-of-service", HIGH, "--why", "probe lent"], "take_out_of_service",
            {"alarm": HIGH, "why": "probe lent"}, f"{HIGH}: out of service by kim",
        ),
        (
            ["back-in-service", HIGH], "put_back_into_service",
            {"alarm": HIGH}, f"{HIGH}: back in service by kim",
        ),
        (
            ["stage", "k1", "juvenile", "--over", "8d"], "move_stage",
            {"vessel": "k1", "stage": "juvenile", "over_s": 691_200.0}, "k1: now juvenile",
        ),
        (
            ["maintain", "vessel/k1", "--for", "45m", "--why", "cleaning"], "begin_maintenance",
            {"target": "vessel/k1", "for_s": 2700.0, "why": "cleaning"}, "vessel/k1: under maintenance",
        ),
        (
            ["maintain", "vessel/k1", "--end"], "end_maintenance",
            {"target": "vessel/k1"}, "vessel/k1: maintenance over",
        ),
        (
            ["log", "k1", "bell_diameter", "4.5", "--note", "ten of them"], "log",
            {"vessel": "k1", "what": "bell_diameter", "note": "ten of them", "value": 4.5},
            "k1: bell_diameter written down",
        ),
        (["log", "k1", "feed"], "log", {"vessel": "k1", "what": "feed", "note": ""}, "k1: feed written down"),
    ],
)  # fmt: skip
def test_the_watch_is_told_what_was_asked(rack, capsys, words, kind, body, said):
    """In this order: what one does, its opposite takes back."""
    assert main([*words, "--who", "kim", "--settings", str(rack)]) == 0, capsys.readouterr().err
    assert capsys.readouterr().out == f"{said}\n"
    newest = "SELECT kind, who, body FROM action ORDER BY seq DESC LIMIT 1"
    ((told, who, text),) = asked(rack.parent / "journal.sqlite", newest)
    assert (told, who, json.loads(text)) == (kind, "kim", body)


def test_a_vessel_alone_acknowledges_what_nobody_has_seen_there(acked_by_vessel, capsys):
    assert main(["ack", "k1", "--who", "kim", "--settings", str(acked_by_vessel)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert f"{HIGH}: acknowledged by kim" in said
    assert main(["ack", "k1", "--settings", str(acked_by_vessel)]) == 2
    assert one_line(capsys.readouterr().err).startswith("k1: no alarm that nobody has seen")
    assert main(["ack", "k9", "--settings", str(acked_by_vessel)]) == 2
    assert "known are: k1" in one_line(capsys.readouterr().err)


def one_line(text):
    (line,) = [line for line in text.splitlines() if '"event": ' not in line]
    return line


def test_one_that_is_refused_keeps_none_of_the_others_from_being_done(rack, capsys):
    """Seen: of `ack a b` the refusal of a kept b calling."""
    words = ["--for", "1h", "--why", "x", "--who", "kim", "--settings", str(rack)]
    assert main(["shelve", "k1/temprature/high", HIGH, "k1/oxygen/low_low", *words]) == 2
    said = capsys.readouterr()
    assert said.out == f"{HIGH}: shelved by kim\n"
    refused = [line for line in said.err.splitlines() if '"event": ' not in line]
    assert len(refused) == 2
    assert "k1/temprature/high" in refused[0]
    assert "k1/oxygen/low_low" in refused[1]
    assert main(["unshelve", HIGH, "--settings", str(rack)]) == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["reset", HIGH], "that is"),
        (["stage", "k9", "adult"], "k9"),
        (["maintain", "k1", "--for", "1h", "--why", "x"], "known are: bus/line, vessel/k1"),
    ],
)
def test_what_cannot_be_done_is_told_in_one_line(rack, capsys, words, says):
    assert main([*words, "--settings", str(rack)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    *logged, line = said.err.splitlines()
    assert says in line
    assert all('"event": ' in other for other in logged), "but for the log of the watch, which runs here too"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["shelve", HIGH, "--why", "x"], "--for"),
        (
            ["shelve", HIGH, "--for", "90", "--why", "x"],
            "found 90; expected its unit: 90h are hours, 90m minutes",
        ),
        (["out-of-service", HIGH], "--why"),
        (["maintain", "vessel/k1"], "one of the arguments --for --end is required"),
        (["log", "k1", "song"], "invalid choice: 'song'"),
    ],
)
def test_wrong_use_is_told_before_anybody_is_asked(capsys, words, says):
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    assert says in capsys.readouterr().err.splitlines()[-1]
