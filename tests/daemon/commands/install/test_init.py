"""`bellwatch init`: an interview from standard input: it makes a file that passes `check`."""

import re
import tomllib

import pytest

from daemon.commands.cli import main
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.places import EXAMPLE

SOUND = """\
north-rack
Europe/Lisbon
aurita
F
Ada, Kim
{journal}

true
bellwatch
{password}
k1
kreisel
ephyra
dish-1
dish
planula

wet-side
modbus-rtu
/dev/ttyEXAMPLE0
9600
even
air
mqtt


k1-multi
wet-side
k1
11
temperature
holding
0
float32
oxygen
input
2
float32

barometer
air
-
pressure
json
air_pressure
/hpa


"""


@pytest.fixture
def interviewed(tmp_path, monkeypatch, capsys):
    def run(answers, name="rack.toml"):
        script = tmp_path / "answers"
        script.write_text(answers.format(journal=tmp_path / "j.sqlite", password=tmp_path / "pw"))
        with script.open() as file:
            monkeypatch.setattr("sys.stdin", file)
            status = main(["init", str(tmp_path / name)])
        return status, capsys.readouterr().out, tmp_path / name

    return run


def test_the_answers_become_a_commented_file_that_passes_check(interviewed):
    status, said, file = interviewed(SOUND)
    assert status == 0
    assert "OK: 2 vessels, 2 probes on 2 buses" in said
    values = tomllib.loads(file.read_text())
    assert values["rack"]["people"] == ["Ada", "Kim"]
    assert values["probes"]["k1-multi"]["registers"][1] == {
        "quantity": "oxygen",
        "function": "input",
        "address": 2,
        "type": "float32",
    }
    assert "vessel" not in values["probes"]["barometer"]
    assert values["probes"]["barometer"]["fields"] == [{"quantity": "air_pressure", "pointer": "/hpa"}]
    assert "# Name of the rack; part of every topic\nname =" in file.read_text()


@pytest.mark.parametrize("lines", [0, 5, 6, 10, 13, 16])
def test_an_interview_cut_short_goes_on_where_it_ended(interviewed, lines):
    answers = SOUND.splitlines(keepends=True)
    status, said, _ = interviewed("".join(answers[:lines]))
    assert status == 2
    assert "still to be asked" in said
    status, _, file = interviewed("".join(answers[lines:]))
    whole = interviewed(SOUND, "whole.toml")[2]
    assert status == 0
    assert tomllib.loads(file.read_text()) == tomllib.loads(whole.read_text())


@pytest.mark.parametrize(
    ("right", "wrong", "line"),
    [
        ("north-rack\n", "North Rack\nnorth-rack\n", 'rack.name: found "North Rack"; expected small letters'),
        ("Europe/Lisbon\n", "Lisbon\nEurope/Lisbon\n", 'such as "Europe/Lisbon"'),
        ("kreisel\nephyra", "kreisel\nephira\nephyra", 'perhaps "ephyra"'),
        ("\n11\n", "\n300\n11\n", "unit_id: found 300; expected 255 or less"),
        ("0\nfloat32", "40001x\n0\nfloat33\nfloat32", 'found "float33"; expected "int16"'),
        ("dish-1\ndish", "k1\ndish-1\ndish", 'vessels: found "k1"; expected another name'),
        ("oxygen\n", "oxigen\noxygen\n", 'found "oxigen"; expected "temperature"'),
    ],
)
def test_a_wrong_answer_gets_its_line_and_is_asked_again(interviewed, right, wrong, line):
    assert right in SOUND
    status, said, _ = interviewed(SOUND.replace(right, wrong, 1))
    assert line in said
    assert status == 0


MORE = """\

k3
tray
polyp


k3-multi
wet-side
k3

temperature
holding
0
float32


"""


def test_to_what_there_is_more_is_added(interviewed):
    _, _, file = interviewed(SOUND)
    status, _, file = interviewed(MORE[1:].replace("k3\n\ntemp", "k3\n12\ntemp"))
    assert status == 0
    values = tomllib.loads(file.read_text())
    assert list(values["vessels"]) == ["k1", "dish-1", "k3"]
    assert values["probes"]["k3-multi"]["unit_id"] == 12
    assert values["probes"]["k1-multi"]["unit_id"] == 11


def test_who_answers_on_a_port_is_offered_and_nobody_twice(interviewed, tmp_path, monkeypatch):
    monkeypatch.setattr("daemon.commands.install.interview.SCANNED_AT_FIRST", 8)  # silence takes its time
    line = PtyLine(tmp_path / "serial")
    answers = SOUND.replace("/dev/ttyEXAMPLE0", str(line.path)).replace("even", "none")
    answers = answers.replace("\nk1\n11\n", "\nk1\n\n")
    try:
        with Peer(line, lambda it: answer_frame(it[0], it[1], 7) if it[0] in (2, 5) else None):
            status, said, file = interviewed(answers)
            assert status == 0, said
            assert re.findall("([0-9]+): answers", said) == ["2", "5"]
            _, said, file = interviewed(MORE[1:])
    finally:
        line.unplug()
    values = tomllib.loads(file.read_text())["probes"]
    assert (values["k1-multi"]["unit_id"], values["k3-multi"]["unit_id"]) == (2, 5)


def test_a_port_that_cannot_be_read_is_said_and_the_interview_goes_on(interviewed, tmp_path):
    (tmp_path / "serial").write_text("")
    status, said, _ = interviewed(SOUND.replace("/dev/ttyEXAMPLE0", str(tmp_path / "serial")))
    assert status == 0
    assert f"{tmp_path}/serial: " in said


def test_a_whole_file_is_left_as_it_is(interviewed, tmp_path):
    text = EXAMPLE.read_text().replace("/var/lib/bellwatch", str(tmp_path))
    (tmp_path / "rack.toml").write_text(text)
    before = (tmp_path / "rack.toml").read_text()
    _, said, file = interviewed("")
    assert "nothing is missing" in said
    assert file.read_text() == before


def test_only_what_is_missing_is_asked_and_comments_stay(interviewed, tmp_path):
    _, _, file = interviewed(SOUND)
    file.write_text("# ours\n" + file.read_text().replace('stage = "planula"\n', "# to be told\n"))
    status, said, _ = interviewed("polyp\n")
    assert status == 0
    assert said.count("[kreisel]") == 0
    text = file.read_text()
    assert text.startswith("# ours\n")
    assert "# to be told" in text
    assert tomllib.loads(text)["vessels"]["dish-1"]["stage"] == "polyp"


def test_a_file_that_is_no_toml_or_no_file_gets_one_line(tmp_path, capsys):
    (tmp_path / "rack.toml").write_text("[rack\n")
    assert main(["init", str(tmp_path / "rack.toml")]) == 2
    assert "not TOML" in capsys.readouterr().err
    assert main(["init", str(tmp_path)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
