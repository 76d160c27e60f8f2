"""A night and a month of an invented rack: what is told of them, and what a correction does to it."""

import re
import time
from datetime import date
from zoneinfo import ZoneInfo

import pytest

from daemon.broker.notices import NOT_TAKEN
from daemon.commands.cli import main
from daemon.commands.rack.handover import text_lines
from daemon.handover.facts import facts_of
from daemon.handover.period import month_of, night_of
from daemon.handover.sections import handover_of
from daemon.journal.sole_writer import SoleWriter
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from rules.rack.plan import RACK_WIDE
from rules.readings import Notice
from tests.rigs.minute_rack import MINUTE_MS, rack_in

ZONE = ZoneInfo("Europe/Copenhagen")
MORNING_MS = 1_786_773_600_000  # 2026-08-15 08:00 in Copenhagen
SILENT_H = 2


def handed_over(rack, now_ms=None, month=None):
    now_ms = now_ms or rack.now_ms
    period = month_of(month, now_ms, ZONE) if month else night_of(date(2026, 8, 14), now_ms, ZONE)
    return handover_of(facts_of(rack.settings, period), rack_now(JournalView(rack.settings), now_ms), "v")


def rows(made, title):
    return next(it.rows for it in made.sections if it.title == title)


@pytest.fixture
def rack(tmp_path):
    """From 02:00: k1 far too hot for an hour and seen by ada, k3 silent; entries; the end of the night."""
    with rack_in(tmp_path) as made:
        made.minutes(30)
        made.minutes(60, k1=26.0)
        made.ask("acknowledge", alarm="k1/temperature/high_high")
        made.ask("log", vessel="k1", what="feed", value=6, note="nauplii")
        made.ask("log", vessel="k1", what="feed", value=8)
        made.ask("log", vessel="k2", what="deaths", value=3)
        made.minutes(60)
        made.minutes(60 * SILENT_H, k3=None)
        made.ask("begin_maintenance", target="vessel/k2", for_s=1800, why="water change")
        made.minutes(95)
        assert made.now_ms > MORNING_MS
        yield made


def test_a_night_says_who_was_called_what_the_water_did_and_what_nobody_saw(rack):
    made = handed_over(rack)
    assert made.title == "north, night of 2026-08-14"
    assert made.head[0] == "2026-08-14 18:00 to 2026-08-15 08:00 (Europe/Copenhagen)."
    assert made.superseded == ()
    high = next(row for row in rows(made, "Called for") if "temperature high-high 26" in row[-1])
    assert high[1] == "■ critical"
    assert "(" not in high[-1], "its priority stands once, that of the whole alarm"
    assert high[3] == "not known here"  # no broker has confirmed anything
    assert high[4].startswith("ada after ")
    unseen = [row for row in rows(made, "Called for") if "k3" in row[-1]]
    assert {row[4] for row in unseen} == {"nobody"}
    water = {row[:2]: row[2:] for row in rows(made, "The water")}
    least, middle, greatest, outside, _, known = water["k1", "temperature °C"]
    assert (least, middle, greatest) == ("15.00", "15.00", "26.00")
    assert outside == "1 h 0 min"  # hot from 02:31 to 03:31
    assert known == "43 %"  # six of the fourteen hours
    assert water["k2", "temperature °C"][3:5] == ("", "")
    assert water["k3", "temperature °C"][5] == "32 %"  # half an hour of its silence is still known
    begun, end, what, why = rows(made, "Unwatched")[-1]
    assert (begun[:2], end[:2], why) == ("04", "06", "probe k3-multi: silent")
    assert what == "k3 temperature, salinity, oxygen saturation"
    assert [row[1:] for row in rows(made, "Done")] == [
        ("ada", "acknowledge k1/temperature/high_high"),
        ("ada", "begin maintenance vessel/k2 for 30 min: water change"),
    ]
    assert ("k1", "feed", "2", "in all", "14 mL") in rows(made, "Sums of the logbook")


def test_all_who_answered_are_told_and_what_the_rack_cannot_know(tmp_path):
    alarm = "k1/temperature/high_high"
    with rack_in(tmp_path) as rack:
        rack.minutes(30)
        rack.minutes(30, k1=26.0)
        rack.ask("acknowledge", who="bo", alarm=alarm)
        rack.minutes(5, k1=26.0)
        rack.ask("shelve", who="cy", alarm=alarm, for_s=600, why="a test", yes_critical=True)
        with rack.journal.transaction():
            rack.journal.history.keep_notices([Notice(NOT_TAKEN, rack.now_ms, RACK_WIDE, {"alarms": alarm})])
        rack.minutes(2, k1=26.0)
        made = handed_over(rack)
    called = next(it for it in made.sections if it.title == "Called for")
    answers = next(row[-2] for row in called.rows if "temperature high-high" in row[-1])
    assert re.fullmatch(r"bo after \d+ min; cy, shelved, after \d+ min", answers), answers
    untaken = f"rack: no on-call process has taken {alarm}; call somebody yourself"
    assert untaken in [row[-1] for row in rows(made, "Said by the watch")]
    assert "it alone knows: `bellwatch oncall status`" in called.notes[-1]


def test_two_nights_of_which_nothing_is_known_have_marks_of_their_own(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(5)
        now = rack_now(JournalView(rack.settings), rack.now_ms)
        nights = [night_of(date(2026, 8, day), rack.now_ms, ZONE) for day in (10, 11)]
        marks = [handover_of(facts_of(rack.settings, night), now, "v").record for night in nights]
        assert marks[0] != marks[1]


def test_the_same_night_has_the_same_mark_whenever_it_is_printed(rack):
    made = handed_over(rack)
    rack.ask("log", vessel="k1", what="feed", value=5)  # after the end: of the next day
    rack.minutes(10)
    later = handed_over(rack)
    assert made.record == later.record
    assert made.head[1] != later.head[1]  # but not the same moment of printing


def test_a_correction_refolds_the_sums_and_says_that_older_prints_are_superseded(rack):
    before = handed_over(rack)
    first, _ = rack.journal.history.entries("feed")
    rack.ask("log", vessel="k1", what="feed", value=16, corrects=first.seq)
    (_, _, right) = rack.journal.history.entries("feed")
    after = handed_over(rack)
    assert ("k1", "feed", "2", "in all", "24 mL") in rows(after, "Sums of the logbook")
    assert after.superseded[0].startswith(
        f"Entry {first.seq} was corrected by {right.seq} (ada, 2026-08-15 08:"
    )
    assert after.superseded[0].endswith("what was printed of this time before then is superseded.")
    assert after.record != before.record
    row = next(row for row in rows(after, "Written down") if row[0] == str(first.seq))
    assert row[-1] == f"16 mL  (put right by {right.seq}; was 6 mL  nauplii by ada)"
    rack.ask("log", vessel="k1", what="feed", value=17, corrects=right.seq)  # a correction of a correction
    again = handed_over(rack)
    assert ("k1", "feed", "2", "in all", "25 mL") in rows(again, "Sums of the logbook")


def test_a_night_that_lasts_says_so_and_what_is_to_do_today(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(30)
        rack.minutes(40, k1=26.0)
        made = handed_over(rack)
        assert made.head[0].endswith("SO FAR: it lasts still.")
        today = [row[0] for row in rows(made, "To look at today")]
        assert any(it.startswith("■ Kreisel 1, top left: Temperature high-high, 26.00 °C") for it in today)
        rack.sole_writer.release()
        dead = handed_over(rack)
        rack.sole_writer = SoleWriter(rack.settings.journal.path)
        assert rows(dead, "To look at today")[0][0].startswith("■ NOT WATCHED: `bellwatch run` is dead")


def test_what_a_silent_probe_hides_is_told_by_what_people_call_the_vessel(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(30)
        rack.minutes(40, k1=None)
        today = [row[0] for row in rows(handed_over(rack), "To look at today")]
        lost = "Temperature, salinity, oxygen saturation unwatched (probe k1-multi: silent)"
        assert today[0].startswith(f"■ Kreisel 1, top left: {lost}, since 02:30; "), today


def test_a_month_has_calibrations_and_measures_and_nothing_that_passes(rack):
    point = [{"read": 15.2, "true": 15.0}]
    body = {"probe": "k1-multi", "quantity": "temperature", "points": point, "standard": "ice"}
    rack.ask("calibrate", **body)
    rack.minutes(1)
    made = handed_over(rack, month=date(2026, 8, 1))
    titles = [it.title for it in made.sections]
    assert "To look at today" not in titles
    ((when, probe, quantity, points, line, who),) = rows(made, "Calibrations")
    assert (probe, quantity, points, line, who) == (
        "k1-multi", "temperature", "15.2 in 15", "1.0000 x -0.200", "ada"
    )  # fmt: skip
    assert when.startswith("2026-08-15 08:")
    measures = {row[0]: row[1:] for row in rows(made, "Alarm measures")}
    assert measures["per day"][0] == "~144, at most ~288"
    shares = [float(measures[f"{word} priority %"][-1]) for word in ("low", "medium", "high", "critical")]
    assert sum(shares) == pytest.approx(100, abs=2)
    assert len(next(it for it in made.sections if it.title == "Called for").columns) == 5


def test_a_vessel_that_outgrew_its_stage_and_a_hand_check_are_to_do(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(5)
        rack.ask("log", vessel="k1", what="bell_diameter", value=12)
        made = handed_over(rack)
        assert ("k1: ephyra with a bell of 12 mm (over 10); next stage?",) in rows(made, "To look at today")
        rack.minutes(1)
        rack.ask("move_stage", vessel="k1", stage="juvenile")
        assert not any("next stage?" in row[0] for row in rows(handed_over(rack), "To look at today"))


def test_the_time_without_a_watch_is_unwatched(rack):
    from tests.rigs.nights.recorded_nights import watch_of

    rack.watch.stop()
    rack.now_ms += 40 * MINUTE_MS
    rack.watch = watch_of(rack.journal, rack.settings, rack.now_ms)
    rack.minutes(5)
    made = handed_over(rack, month=date(2026, 8, 1))
    assert ("the watch did not run", "the whole rack") in [
        (row[3], row[2]) for row in rows(made, "Unwatched")
    ]


def test_a_night_in_which_no_watch_ran_at_its_end_or_at_all_was_not_watched(rack):
    from tests.rigs.nights.recorded_nights import watch_of

    first = ("18:00", "02:00", "the whole rack", "the watch did not run")
    assert rows(handed_over(rack), "Unwatched")[0] == first, "the rack was set up at 02:00"
    rack.watch.stop()
    rack.now_ms += 30 * 3_600_000
    rack.sole_writer.release()
    night = night_of(date(2026, 8, 15), rack.now_ms, ZONE)

    def unwatched():
        now = rack_now(JournalView(rack.settings), rack.now_ms)
        return rows(handover_of(facts_of(rack.settings, night), now, "v"), "Unwatched")

    whole = ("18:00", "08:00", "the whole rack", "the watch did not run")
    assert whole in unwatched(), "it is gone, and nobody has started it again"
    rack.sole_writer = SoleWriter(rack.settings.journal.path)
    rack.sole_writer.beat()
    rack.watch = watch_of(rack.journal, rack.settings, rack.now_ms)
    rack.minutes(5)
    assert whole in unwatched(), "it was started again in the morning only"


def test_text_is_never_wider_than_the_terminal(rack):
    made = handed_over(rack)
    for width in (60, 80, 200):
        assert max(map(len, text_lines(made, width))) <= width
    assert "THE WATER" in list(text_lines(made, 80))


def test_the_command_prints_writes_and_refuses(rack, tmp_path, capsys):
    settings = ["--settings", str(tmp_path / "bellwatch.toml"), "--night", "2026-08-14"]
    assert main(["handover", *settings]) == 0
    assert capsys.readouterr().out.startswith("north, night of 2026-08-14\n")
    files = [str(tmp_path / "night.html"), str(tmp_path / "night.csv")]
    assert main(["handover", *files, *settings]) == 0
    assert "<h1>north, night of 2026-08-14</h1>" in (tmp_path / "night.html").read_text()
    table = (tmp_path / "night.csv").read_text().splitlines()
    assert "Sums of the logbook,k1,feed,2,in all,14 mL" in table
    assert "Unwatched,from,to,what,why" in table
    assert main(["handover", "night.pdf", *settings]) == 2
    assert capsys.readouterr().err == "night.pdf: expected a file that ends in .html or .csv\n"
    with pytest.raises(SystemExit):
        main(["handover", "--month", "August", *settings[:2]])
    assert "found 'August'; expected a month such as 2026-08" in capsys.readouterr().err
    rack.ask("log", vessel="k1", what="feed", note="<b>=1+1</b>", value=1)
    assert main(["handover", *files, "--month", "2026-08", *settings[:2]]) == 0
    assert "&lt;b&gt;" in (tmp_path / "night.html").read_text()


def test_what_the_animals_do_next_stands_in_the_newest_night(rack, tmp_path, capsys, monkeypatch):
    rack.ask("culture", what="begin", cohort="e1", vessel="k1", stage="ephyra", value=200)
    monkeypatch.setattr(time, "time", lambda: (rack.now_ms + MINUTE_MS) / 1000)
    settings = ["--settings", str(tmp_path / "bellwatch.toml")]
    assert main(["handover", *settings]) == 0
    due = "e1: count stomachs, 2026-08-15 (common practice, no source: four, others show early)"
    assert due in " ".join(capsys.readouterr().out.split())
    assert main(["handover", "--night", "2026-08-13", *settings]) == 0
    assert "count stomachs" not in capsys.readouterr().out


def test_the_animals_stand_in_it_and_a_late_or_corrected_act_supersedes_older_prints(rack):
    assert "Animals" not in [it.title for it in handed_over(rack).sections], (
        "where none are kept there is none"
    )
    night_ms = rack.now_ms - 3 * 3_600_000
    rack.ask("culture", what="begin", cohort="e1", vessel="k1", stage="ephyra", value=200, when_ms=night_ms)
    rack.ask("culture", what="count", cohort="e1", vessel="k1", value=190, when_ms=night_ms + 1)
    before = handed_over(rack)
    ((batch, counted),) = rows(before, "Animals")
    assert batch == "e1: ephyra, unknown, k1 190, died 0, unexplained -10"
    assert counted == "-10 at count in k1 (190 found, 200 expected)"
    begun, count = (it.seq for it in rack.journal.history.entries("culture"))
    assert before.superseded[1].startswith(f"Entry {count} came late (ada, 2026-08-15 08:")
    rack.ask("culture", what="count", cohort="e1", vessel="k1", value=195, corrects=count)
    after = handed_over(rack)
    assert rows(after, "Animals")[0][1] == "-5 at count in k1 (195 found, 200 expected)"
    assert f"Entry {count} was corrected by" in after.superseded[2]
    assert after.record != before.record
    second = rack.journal.history.entries("culture")[-1].seq
    rack.ask("culture", what="count", cohort="e1", vessel="k1", value=196, corrects=second)
    after = handed_over(rack)
    assert f"Entry {second} was corrected by" in after.superseded[3], "a correction of a correction too"
    rack.ask("culture", what="died", cohort="e1", vessel="k1", value=1)
    assert rows(handed_over(rack), "Animals") == rows(after, "Animals"), (
        "what came after is of the next night"
    )
    assert begun < count
