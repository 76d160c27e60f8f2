"""The logbook: what is written down is checked, and can be read back."""

import json
from concurrent.futures import ThreadPoolExecutor, wait

import pytest

from daemon.commands.cli import main
from daemon.journal.asking import RequestBox
from daemon.journal.inputs import CONFIGURE, RULES
from daemon.journal.logbook import WRITTEN_KINDS, in_force, logbook_of
from daemon.replay.replay import replay
from daemon.sources.journal import journal_recording
from rules import ENTRIES_CHECKED
from rules.readings import Action
from tests.rigs.minute_rack import rack_in
from tests.rules.test_deeds import rack as watched_rack


def number(rack, kind):
    return rack.journal.history.entries(kind)[-1].seq


def refusal(rack, who, kind="log", **body):
    """Ask as somebody and return the answer."""
    box = RequestBox(rack.journal.path)
    asked = box.ask(kind, who, {"vessel": "k1"} | body)
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


BY_HAND = {"quantity": "temperature", "method": "glass", "instrument": "g1", "accuracy": 0.2}


def test_a_hand_measurement_is_put_right_and_its_probe_judged_anew(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(20)
        assert refusal(rack, "ada", "hand_measurement", value=51.1, **BY_HAND) != "", "another unit"
        assert refusal(rack, "ada", "hand_measurement", value=11.5, **BY_HAND) == ""
        first, made_ms = number(rack, "hand_measurement"), rack.now_ms
        chart = rack.watch.engine._care.charts["k1/temperature"]
        assert chart.off_by is not None, "it seems to walk away"
        rack.minutes(30)
        right = BY_HAND | {"value": 15.1, "corrects": first, "corrects_ms": made_ms}
        none = "corrects: k1 has no hand_measurement {}; `bellwatch log k1` shows numbers"
        for wrong in ({"corrects": 1}, {"corrects_ms": made_ms + 1}, {"quantity": "salinity", "value": 32}):
            said = none.format(wrong.get("corrects", first))
            assert refusal(rack, "ada", "hand_measurement", **right | wrong) == said
        assert refusal(rack, "ada", "hand_measurement", **right) == ""
        (check,) = rack.watch.engine._care.charts["k1/temperature"].checks
        assert (check.at_ms, check.hand, check.probe) == (made_ms, 15.1, chart.checks[0].probe)
        assert rack.watch.engine._care.charts["k1/temperature"].off_by is None
        again = right | {"value": 15.0, "corrects": number(rack, "hand_measurement")}
        assert refusal(rack, "ada", "hand_measurement", **again) == "", "a correction of a correction"
        assert refusal(rack, "kim", "hand_measurement", **BY_HAND, value=15.0) == (
            "ada wrote the same hand_measurement 0 min ago; if yours is another, add --another"
        )
        assert refusal(rack, "kim", "hand_measurement", **BY_HAND, value=15.0, another=True) == ""
        replayed = replay(journal_recording(rack.settings.journal.path), [None])[0]
        assert len(replayed.refused) == 1, "the one in another unit"


def test_of_two_corrections_of_one_entry_the_newest_counts(tmp_path, capsys):
    with rack_in(tmp_path) as rack:
        rack.minutes(2)
        rack.ask("log", vessel="k1", what="feed", value=5)
        first = number(rack, "feed")
        fed_ms = rack.now_ms
        for value in (6, 7):
            rack.minutes(1)
            rack.ask("log", vessel="k1", what="feed", value=value, corrects=first)
        rack.ask("log", vessel="k1", what="feed", value=9)
        found = in_force(logbook_of(rack.journal, kinds=WRITTEN_KINDS))
        assert [(it.at_ms, it.body["value"]) for it in found] == [(fed_ms, 7), (rack.now_ms, 9)]
        capsys.readouterr()
        main(["log", "k1", "--to", "2026-08-15T00:03", "--settings", str(tmp_path / "bellwatch.toml")])
        _, seven = (it.seq for it in rack.journal.history.entries("feed")[1:3])
        assert [line.partition("by ada")[2] for line in capsys.readouterr().out.splitlines()] == [
            f", superseded by {seven}",
            f", corrects {first}, superseded by {seven}",
        ], "also by one that is not shown"


def test_the_newest_entries_are_in_the_json_of_the_status(tmp_path, capsys):
    with rack_in(tmp_path) as rack:
        rack.minutes(2)
        for value in range(6):
            rack.ask("log", vessel="k1", what="feed", value=value)
        rack.ask("begin_maintenance", target="vessel/k1", for_s=1800, why="new pump")
        main(["status", "--json", "--settings", str(tmp_path / "bellwatch.toml")])
        found = {it["name"]: it["entries"] for it in json.loads(capsys.readouterr().out)["vessels"]}
        assert found["k2"] == []
        assert [it["text"] for it in found["k1"]] == ["2 mL", "3 mL", "4 mL", "5 mL", "for 30 min  new pump"]
        assert found["k1"][-1]["number"] is None
        assert found["k1"][0]["at_ms"] == rack.now_ms


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
            while wait([asking], 0.005).not_done:
                rack.watch.take([], rack.now_ms)
            assert asking.result() == 0
        (entry,) = rack.journal.history.entries("bell_diameter")
        assert (entry.who, entry.body["value"], entry.body["n"]) == ("Kim", 10.0, 3)
        capsys.readouterr()
        main(["log", "k1", "--settings", str(file)])
        assert "bell_diameter  10 mm (mean of 3), sd 1, 9 to 11  by Kim\n" in capsys.readouterr().out


def test_the_help_names_no_default_where_there_is_none(capsys):
    for command in ("log", "measure"):
        with pytest.raises(SystemExit):
            main([command, "--help"])
        assert "(default: )" not in capsys.readouterr().out


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
            f"{first}  2026-08-15 02:05  count  42 animals  by eye  by ada, superseded by {right}",
            f"{hand}  2026-08-15 02:05  hand_measurement  temperature 15.10 °C  by ada",
            f"{right}  2026-08-15 02:05  count  24 animals  by ada, corrects {first}",
            "-  2026-08-15 02:05  maintenance  for 30 min  new pump  by ada",
        ]
        assert main(["log", "k1", "--kind", "maintenance", "--settings", settings]) == 0
        assert capsys.readouterr().out.count("\n") == 1
        assert main(["log", "k1", "--from", "2026-08-15T01:00", "--settings", settings]) == 0
        assert capsys.readouterr().out == "k1: nothing of that kind or time is written down\n"
        for more, says in (
            (["--from", "2026-08-15T01:00", "--to", "2026-08-14"], "--from: expected a moment before --to\n"),
            (["feed", "3", "--kind", "feed"], "choose what is read back; leave them out to write\n"),
        ):
            assert main(["log", "k1", *more, "--settings", settings]) == 2
            assert capsys.readouterr().err.endswith(says)
        assert main(["log", "k1", "--to", "2026-08-15T02:06+02:00", "--settings", settings]) == 0
        assert capsys.readouterr().out.count("\n") == 4
        main(["status", "k1", "--settings", settings])
        assert "  logbook -  2026-08-15 02:05  maintenance  for 30 min  new pump" in capsys.readouterr().out
        target = tmp_path / "logbook.csv"
        assert main(["export", str(target), "--logbook", "--vessel", "k1", "--settings", settings]) == 0
        assert capsys.readouterr().out == f"{target}: 4 entries\n"
        assert target.read_text().splitlines()[1:] == [
            f"{first},2026-08-15T00:05:00.000Z,k1,count,,42,animals,,,,by eye,ada,",
            f"{hand},2026-08-15T00:05:00.000Z,k1,hand_measurement,temperature,15.1,°C,,,,,ada,",
            f"{right},2026-08-15T00:05:00.000Z,k1,count,,24,animals,,,,,ada,{first}",
            ",2026-08-15T00:05:00.000Z,k1,maintenance,,1800,s,,,,new pump,ada,",
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
