"""The logbook: what is written down is checked, and can be read back."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from daemon.commands.cli import main
from daemon.journal.asking import RequestBox
from daemon.journal.inputs import CONFIGURE, RULES
from daemon.replay.replay import replay
from daemon.sources.journal import journal_recording
from rules import ENTRIES_CHECKED
from rules.readings import Action
from tests.rigs.minute_rack import rack_in
from tests.rules.test_deeds import rack as watched_rack


def number(rack, kind):
    return rack.journal.history.entries(kind)[-1].seq


def refusal(rack, who, **body):
    """Ask as somebody and return the answer."""
    box = RequestBox(rack.journal.path)
    asked = box.ask("log", who, {"vessel": "k1"} | body)
    rack.watch.take([], rack.now_ms)
    return box.answer_to(asked)


def test_the_same_by_another_person_is_asked_about_once(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(2)
        assert refusal(rack, "ada", what="feed", value=5) == ""
        rack.minutes(4)
        said = "ada wrote the same feed 4 min ago; if yours is another, add --another"
        assert refusal(rack, "kim", what="feed", value=5) == said
        assert refusal(rack, "kim", what="feed", value=6) == ""
        assert refusal(rack, "ada", what="feed", value=5) == "", "her own second one she knows of"
        assert refusal(rack, "kim", what="feed", value=5, another=True) == ""
        rack.minutes(11)
        assert refusal(rack, "kim", what="feed", value=5) == ""
        replayed = replay(journal_recording(rack.settings.journal.path), [None])[0]
        assert replayed.refused == [], "what was asked back was never written down"


def test_a_correction_names_an_entry_of_its_kind_and_moves_no_feeding_time(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(2)
        rack.ask("log", vessel="k1", what="feed", value=5)
        fed_ms, feed = rack.now_ms, number(rack, "feed")
        rack.minutes(3)
        none = "corrects: k1 has no {}; `bellwatch log k1` shows numbers"
        assert refusal(rack, "ada", what="count", value=5, corrects=feed) == none.format(f"count {feed}")
        assert refusal(rack, "ada", what="feed", value=5, corrects=True) == none.format("feed True")
        assert refusal(rack, "kim", what="feed", value=5, corrects=feed) == ""
        assert rack.watch.engine._rack.fed_ms == {"k1": fed_ms}
        assert [it.corrects for it in rack.journal.history.entries("feed")] == [None, feed]


WIDE = "value: found 41; bell_diameter in ephyra is a number from 0 to 40 mm"


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"value": 9.5, "n": 20, "low": 8, "high": 11}, ""),
        ({"value": 9.5, "n": 0}, "n: found 0; expected how many were measured, a whole number from 1"),
        ({"value": 9.5, "n": 3, "low": 9.6}, "value: found 9.5; a mean lies within its range, 9.6 to 9.5"),
        ({"value": 9.5, "n": 3, "high": 41}, WIDE),
    ],
)
def test_a_sample_is_a_mean_within_its_range(body, says):
    rack = watched_rack()
    rack.do(1, "move_stage", vessel="k1", stage="ephyra")
    rack.do(2, "log", vessel="k1", what="bell_diameter", **body)
    assert rack.refusal == says


def test_who_writes_is_one_of_the_people_and_never_the_services_user(tmp_path, capsys):
    with rack_in(tmp_path) as rack:
        rack.minutes(2)
        file = tmp_path / "bellwatch.toml"
        command = ["log", "k1", "bell_diameter", "9", "10", "11", "--settings", str(file)]
        assert main(command) == 2
        missing = 'who: --who is missing; people = ["Ada", "Kim"] under [rack] says who may write\n'
        assert capsys.readouterr().err == missing
        file.write_text(file.read_text().replace("[rack]\n", '[rack]\npeople = ["Ada", "Kim"]\n'))
        for given in ([], ["--who", "root"]):
            assert main([*command, *given]) == 2
            assert capsys.readouterr().err.endswith("--who is one of Ada, Kim\n")
        with ThreadPoolExecutor(1) as pool:
            asking = pool.submit(main, [*command, "--who", "Kim"])
            while not asking.done():
                rack.watch.take([], rack.now_ms)
            assert asking.result() == 0
        (entry,) = rack.journal.history.entries("bell_diameter")
        assert (entry.who, entry.body["value"], entry.body["n"]) == ("Kim", 10.0, 3)
        capsys.readouterr()
        main(["log", "k1", "--settings", str(file)])
        assert "bell_diameter  10 mm (mean of 3), 9 to 11  by Kim\n" in capsys.readouterr().out


def test_what_was_written_is_read_back(tmp_path, capsys):
    with rack_in(tmp_path) as rack:
        rack.minutes(5)
        rack.ask("log", vessel="k1", what="count", value=42, note="by eye")
        rack.ask("log", vessel="k2", what="feed", note="rotifers")
        rack.ask(
            "hand_measurement",
            vessel="k1",
            quantity="temperature",
            value=15.1,
            method="glass",
            instrument="g1",
        )
        rack.ask("log", vessel="k1", what="count", value=-5)
        rack.ask("log", vessel="k1", what="count", value=24, corrects=number(rack, "count"))
        rack.ask("begin_maintenance", target="vessel/k1", for_s=1800, why="new pump")
        rack.ask("begin_maintenance", target="vessel/k1", for_s=-1, why="refused")
        settings = str(tmp_path / "bellwatch.toml")
        first, right = [it.seq for it in rack.journal.history.entries("count")]
        (hand,) = [it.seq for it in rack.journal.history.entries("hand_measurement")]
        assert main(["log", "k1", "--settings", settings]) == 0
        assert capsys.readouterr().out.splitlines() == [
            f"{first}  2026-08-15 02:05  count  42 animals  by eye  by ada, corrected by {right}",
            f"{hand}  2026-08-15 02:05  hand_measurement  temperature 15.10 °C  by ada",
            f"{right}  2026-08-15 02:05  count  24 animals  by ada, corrects {first}",
            "-  2026-08-15 02:05  maintenance  for 30 min  new pump  by ada",
        ]
        assert main(["log", "k1", "--kind", "maintenance", "--settings", settings]) == 0
        assert capsys.readouterr().out.count("\n") == 1
        assert main(["log", "k1", "--from", "2026-08-15T01:00", "--settings", settings]) == 0
        assert capsys.readouterr().out == "k1: nothing is written down yet\n"
        assert main(["log", "k1", "--to", "2026-08-15T02:06+02:00", "--settings", settings]) == 0
        assert capsys.readouterr().out.count("\n") == 4
        main(["status", "k1", "--settings", settings])
        assert "  logbook -  2026-08-15 02:05  maintenance  for 30 min  new pump" in capsys.readouterr().out
        target = tmp_path / "logbook.csv"
        assert main(["export", str(target), "--logbook", "--vessel", "k1", "--settings", settings]) == 0
        assert capsys.readouterr().out == f"{target}: 3 entries\n"
        assert target.read_text().splitlines()[1:] == [
            f"{first},2026-08-15T00:05:00.000Z,k1,count,,42,animals,,,,by eye,ada,",
            f"{hand},2026-08-15T00:05:00.000Z,k1,hand_measurement,temperature,15.1,°C,,,,,ada,",
            f"{right},2026-08-15T00:05:00.000Z,k1,count,,24,animals,,,,,ada,{first}",
        ]
        assert main(["log", "k3", "--settings", settings]) == 0
        assert capsys.readouterr().out == "k3: nothing is written down yet\n"
        assert main(["log", "k9", "--settings", settings]) == 2
        assert capsys.readouterr().err.endswith("vessel: k9 is none of this rack; known are: k1, k2, k3\n")


@pytest.mark.parametrize(
    ("what", "value", "says"),
    [
        ("count", -5, "value: found -5; count in ephyra is a whole number from 0 to 1e+07 animals"),
        ("count", 2.5, "value: found 2.5; count in ephyra is a whole number from 0 to 1e+07 animals"),
        ("bell_diameter", 95, "value: found 95; bell_diameter in ephyra is a number from 0 to 40 mm"),
        ("bell_diameter", 9.5, ""),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(what, value, says):
    rack = watched_rack()
    rack.do(1, "move_stage", vessel="k1", stage="ephyra")
    rack.do(2, "log", vessel="k1", what=what, value=value)
    assert rack.refusal == says


@pytest.mark.parametrize(("rules", "refusals"), [(ENTRIES_CHECKED - 1, 0), (ENTRIES_CHECKED, 2)])
def test_a_journal_is_replayed_by_what_was_taken_at_its_time(tmp_path, rules, refusals):
    with rack_in(tmp_path) as rack:
        rack.minutes(5)
        plan = rack.journal.inputs.newest_action(CONFIGURE)
        written = [{"what": "feed", "value": -5}, {"what": "bell_diameter", "value": 95}]
        with rack.journal.transaction():
            older = Action(rack.now_ms, CONFIGURE, "settings", plan.body | {RULES: rules})
            for action in (
                older,
                *(Action(rack.now_ms, "log", "ada", {"vessel": "k1"} | it) for it in written),
            ):
                rack.journal.inputs.append_action(action)
        rack.minutes(5)
        again = replay(journal_recording(rack.settings.journal.path), [None])[0]
    assert len(again.refused) == refusals, again.refused
