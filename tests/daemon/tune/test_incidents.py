"""Marks beside the data: by hand, from a file, proposed from alarms and logbook; and bad files told."""

import pytest

from daemon.commands.cli import main
from daemon.errors import SourceError
from daemon.tune.excursions import Excursions
from daemon.tune.incidents import accepted_incidents, beside, read_marks, write_marks
from daemon.tune.proposed import from_actions, from_alarms
from rules.alarms.episodes import episodes_of
from rules.alarms.life_cycle import Priority
from rules.readings import Action
from tests.rigs.alarm_events import MINUTE_MS, START_MS, Story
from tests.rigs.nights.recorded_nights import live, simulated, write_settings


def row(**cells):
    usual = {
        "from": "2026-08-15T00:40+02:00",
        "to": "2026-08-15T03:10+02:00",
        "vessel": "kreisel-4",
        "what": "chiller failed",
        "call_wanted": "yes",
    }
    return usual | cells


def write(path, *rows):
    path.write_text("".join(",".join(cells) + "\n" for cells in [rows[0], *(each.values() for each in rows)]))
    return path


def test_a_file_written_by_hand_is_read_and_written_back_the_same(tmp_path):
    path = write(tmp_path / "marks.csv", row(), row(vessel="kreisel-5", call_wanted="no"))
    marks = read_marks(path)
    assert [mark.incident.call_wanted for mark in marks] == [True, False]
    assert len(accepted_incidents(marks)) == 2
    write_marks(path, marks)
    assert read_marks(path) == marks


@pytest.mark.parametrize(
    ("cells", "complaint"),
    [
        ({"from": "2026-08-15T00:40"}, "line 2, from: '2026-08-15T00:40'; expected ISO 8601 with its offset"),
        ({"to": "2026-08-14T00:40+02:00"}, "not after its beginning"),
        ({"call_wanted": "maybe"}, "call_wanted: 'maybe'; expected yes, no or ask"),
        ({"vessel": " "}, "must both be given"),
        ({"state": "guessed"}, "expected accepted or proposed"),
    ],
)
def test_a_bad_row_is_told_by_its_line(tmp_path, cells, complaint):
    path = write(tmp_path / "marks.csv", row(**cells))
    with pytest.raises(SourceError, match=r"marks\.csv line 2") as told:
        read_marks(path)
    assert complaint in str(told.value)


def test_columns_that_are_missing_are_named(tmp_path):
    (tmp_path / "marks.csv").write_text("from,to,vessel\n")
    with pytest.raises(SourceError, match="no column what, call_wanted"):
        read_marks(tmp_path / "marks.csv")


def test_alarms_of_a_vessel_close_in_time_are_one_proposal():
    story = Story()
    story.stands(0, 30, "kreisel-1/temperature", "rising").stands(20, 90, "kreisel-1/temperature")
    story.stands(110, 120, "kreisel-1/oxygen", "low", Priority.MEDIUM)  # twenty minutes later: the same
    story.stands(10, 40, "kreisel-2/salinity", "low", Priority.MEDIUM)  # nobody would be woken
    story.stands(300, 310, "kreisel-1/temperature")
    marks = from_alarms(episodes_of(story.events), START_MS + 400 * MINUTE_MS)
    spans = [(m.incident.vessel, m.incident.start_ms - START_MS, m.incident.end_ms - START_MS) for m in marks]
    assert spans == [
        ("kreisel-1", 0, 120 * MINUTE_MS),
        ("kreisel-1", 300 * MINUTE_MS, 310 * MINUTE_MS),
    ]
    assert marks[0].incident.what == "temperature/rising, temperature/high, oxygen/low"
    assert {mark.state for mark in marks} == {"proposed"}


def test_maintenance_and_water_changes_of_the_logbook_want_no_page():
    actions = [
        Action(1000, "begin_maintenance", "kim", {"target": "vessel/tray-2", "for_s": 3600, "why": "scrub"}),
        Action(2000, "begin_maintenance", "kim", {"target": "bus/wire", "for_s": 3600, "why": "cable"}),
        Action(61_000, "end_maintenance", "kim", {"target": "vessel/tray-2"}),
        Action(90_000, "log", "ana", {"vessel": "kreisel-5", "what": "water_change", "value": 30}),
        Action(95_000, "log", "ana", {"vessel": "kreisel-5", "what": "feed"}),
    ]
    found = [
        (m.incident.vessel, m.incident.start_ms, m.incident.end_ms, m.incident.what, m.incident.call_wanted)
        for m in from_actions(actions, Excursions())
    ]
    assert found == [
        ("tray-2", 1000, 61_000, "maintenance: scrub", False),
        ("kreisel-5", 90_000, 3_690_000, "water change", False),
    ]


def test_marking_proposing_accepting_and_dropping_at_the_command_line(tmp_path, capsys):
    settings = write_settings(tmp_path / "nursery.toml")
    journal = live(tmp_path / "night.sqlite", simulated("chiller_night", hours=5), settings, turn_ms=300_000)
    source = ["incidents", str(journal)]
    mark = ["2026-08-14T22:00+02:00", "2026-08-14T23:00+02:00", "tray-2", "lid left open", "no"]
    assert main([*source, "--mark", *mark]) == 0
    assert main([*source, "--propose"]) == 0
    marks = read_marks(beside(str(journal)))
    assert [(m.incident.vessel, m.state) for m in marks] == [
        ("tray-2", "accepted"),
        ("kreisel-4", "proposed"),
    ]
    failed_at = 1_786_747_200_000  # 00:40 on 15 August 2026 in Copenhagen, as the scenario says
    assert 0 <= marks[1].incident.start_ms - failed_at <= 30 * MINUTE_MS
    assert len(accepted_incidents(marks)) == 1
    assert main([*source, "--propose"]) == 0  # twice proposes nothing twice
    assert main([*source, "--accept", "2"]) == 2  # nobody has said whether a call was wanted
    assert "was a call wanted for it?" in capsys.readouterr().err
    assert main([*source, "--accept", "2", "--wanted", "yes"]) == 0
    assert len(accepted_incidents(read_marks(beside(str(journal))))) == 2
    assert main([*source, "--drop", "1"]) == 0
    assert [m.incident.vessel for m in read_marks(beside(str(journal)))] == ["kreisel-4"]
    capsys.readouterr()
    assert main([*source, "--accept", "7"]) == 2
    assert capsys.readouterr().err == "number 7: expected 1 to 1 of the list, or all\n"
