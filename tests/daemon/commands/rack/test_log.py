"""The logbook: what is written down is checked, and can be read back."""

import pytest

from daemon.commands.cli import main
from daemon.journal.inputs import CONFIGURE, RULES
from daemon.replay.replay import replay
from daemon.sources.journal import journal_recording
from rules import ENTRIES_CHECKED
from rules.readings import Action
from tests.rigs.minute_rack import rack_in
from tests.rules.test_deeds import rack as watched_rack


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
        settings = str(tmp_path / "bellwatch.toml")
        assert main(["log", "k1", "--settings", settings]) == 0
        assert capsys.readouterr().out.splitlines() == [
            "2026-08-15 02:05  count  42 animals  by eye  by ada",
            "2026-08-15 02:05  hand_measurement  temperature 15.10 °C  by ada",
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
