"""`bellwatch why`, beside the watch of a rack with an invented night: all is out of a real journal."""

import os
import subprocess
import sys

import pytest

from daemon.broker.noted import ONCALL, OnCallHeard
from daemon.commands.cli import main
from daemon.commands.rack.status import EXIT_STATUS
from daemon.journal.dating import Stretch
from daemon.journal.inputs import CONFIGURE, RULES
from daemon.journal.sole_writer import SoleWriter
from daemon.view.rack_now import Overall
from rules import RULES_VERSION
from rules.care.rationale import record_of
from rules.readings import Action
from tests.rigs.minute_rack import rack_in
from tests.rigs.places import ROOT

KEYS = """
[stages.juvenile.temperature]
# what our medusae bear
advisory_high_c = 17.5
[records."temperature/high"]
check = "Breaker 4"
"""


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    """A ramp in k1, then a thermometer that sends °F; k2 over a limit of the file, then well; k3 silent."""
    with rack_in(tmp_path_factory.mktemp("rack"), KEYS) as made:
        made.minutes(30)
        made.ask("move_stage", vessel="k1", stage="polyp", over_s=7200)
        made.minutes(30, k2=18.0)
        made.ask("acknowledge", alarm="k2/temperature/high")
        made.ask("acknowledge", alarm="k2/temperature/high")
        made.minutes(40, k1=22.0, k2=16.0, k3=None)
        made.minutes(15, k1=65.16)
        made.ask("log", vessel="k2", what="note", note="chiller at 5 °below")
        yield made


@pytest.fixture
def said(rack, capsys):
    def why(about, status=0):
        before = rack.journal.place()
        assert (
            main(["why", about, "--settings", str(rack.settings.journal.path.parent / "bellwatch.toml")])
            == status
        )
        assert rack.journal.place() == before
        return "".join(capsys.readouterr())

    return why


def test_an_alarm_by_a_key_of_the_file_that_is_over(rack, said):
    text = said("k2/temperature/high")
    file = rack.settings.journal.path.parent / "bellwatch.toml"
    line = file.read_text().splitlines().index("advisory_high_c = 17.5") + 1
    assert (
        f"high 17.50 °C, after 2 min; stages.juvenile.temperature.advisory_high_c in {file}, line {line}"
        in text
    )
    assert "raised: k2 temperature high 18.00 °C, limit 17.50 °C" in text
    assert "began 2026-08-15 02:31:00, raised 2 min later; cause: k2/temperature/up" in text
    assert (
        "  2026-08-15 02:31:00  sent 18.00  18.00 °C  suspect: a spike, changes faster than water does\n"
        in text
    )
    assert "  2026-08-15 02:32:00  sent 18.00  18.00 °C  pass\n" in text
    assert "  2026-08-15 03:00:00  acknowledge by ada, done\n" in text
    assert "by ada, refused: k2/temperature/high: an alarm that is acknowledged by ada cannot be" in text
    assert "What ends it: it ended at 2026-08-15 03:0" in text
    usual = record_of("juvenile", "temperature", "high", {})
    assert f"What it is there for: act within {usual.respond_min:g} min\n" in text
    assert f"\n  if nobody acts: {usual.consequence}." in text
    assert "\n  first: Breaker 4\n" in text
    assert f". May be shelved by {usual.may_shelve}.\n" in text
    assert "on call now: no process is heard" in text
    assert f"Judged by rules {RULES_VERSION} ({RULES_VERSION} since 2026-08-15 02:00:00;" in text


def test_a_built_in_limit_that_a_ramp_had_moved(said):
    """33 of 120 minutes from the ephyra's built-in 18 °C to the polyp's 21: 18.825, worked by hand."""
    text = said("k1/temperature/high")
    raised = next(line for line in text.splitlines() if " raised: " in line or " suppressed: " in line)
    assert "limit" in raised
    assert "stage polyp since 2026-08-15 02:30:00 by ada; limits on their way from ephyra, 28 % done" in text
    assert "until 2026-08-15 04:30:00" in text
    assert "high 18.82 °C, after 2 min; built-in for polyp\n" in text
    assert "k1/temperature/high  at 2026-08-15 03:03:00" in text


PLAN = """
[[vessels.k1.plan]]
start = 2026-08-15T02:20:00+02:00
stage = "juvenile"
over_h = 1
"""


def test_a_limit_that_a_plan_has_moved_names_the_plan(tmp_path, capsys):
    """16 of 60 minutes from the ephyra's built-in 18 °C to the juvenile's 19: 18.27, worked by hand."""
    with rack_in(tmp_path, PLAN) as rack:
        rack.minutes(33)
        rack.minutes(10, k1=19.6)
        assert main(["why", "k1/temperature/high", "--settings", str(tmp_path / "bellwatch.toml")]) == 0
    text = capsys.readouterr().out
    assert (
        "stage juvenile since 2026-08-15 02:20:00 by the plan, vessels.k1.plan; limits on their way" in text
    )
    assert "from ephyra, 27 % done, until 2026-08-15 03:20:00" in text
    assert "high 18.27 °C, after 2 min; built-in for juvenile" in text


def test_a_probe_fault_says_what_it_would_be_read_otherwise(said):
    text = said("k1/temperature/probe_fault")
    assert "sent 65.16  65.16 °C  fail: no water can be so" in text
    assert "probe fault, after 60 s; built-in for polyp" in text
    assert "the newest that failed would be 18.42 °C if sent in °F" in text
    assert "What ends it: sound readings for 5 min" in text


def test_what_nobody_watched_shows_each_danger_that_was_hidden(said):
    text = said("probe/k3-multi/unwatched")
    assert "k3/salinity, from conductivity by k3-multi: k3-multi is silent\n" in text
    assert "it explains k3/temperature/silent, k3/conductivity/silent, k3/oxygen/silent" in text
    assert "sent 40.00  31.54  pass" in text


def test_a_value_that_is_not_believed_and_one_that_is_made_of_it(said):
    text = said("k1/temperature")
    assert "k1/temperature, from temperature by k1-multi: no water can be so" in text
    assert "would be 18.42 °C if sent in °F" in text
    assert "missing: k1/conductivity is not believed: does not move" in said("k1/salinity")


def test_a_name_that_is_none_gets_one_line(said):
    assert said("k2/temprature", 2).startswith(
        "about: there is no k2/temprature; did you mean k2/temperature?"
    )
    assert said("k9/temperature", 2).count("\n") == 1


def test_the_rules_that_judged_then_are_named_and_where_they_changed(tmp_path, capsys):
    with rack_in(tmp_path) as rack:
        rack.minutes(3)
        plan = rack.journal.inputs.newest_action(CONFIGURE)
        with rack.journal.transaction():
            older = Action(rack.now_ms, CONFIGURE, "settings", plan.body | {RULES: 5})
            rack.journal.inputs.append_action(older)
        rack.minutes(2)
        assert main(["why", "k1/temperature", "--settings", str(tmp_path / "bellwatch.toml")]) == 0
    now = RULES_VERSION
    by = f"({now} since 2026-08-15 02:00:00, 5 since 2026-08-15 02:03:00; today's are {now})"
    assert f"Judged by rules 5 {by}" in capsys.readouterr().out


@pytest.mark.parametrize("set_by_h", [-1, 1])
def test_a_clock_that_was_set_changes_neither_how_long_it_waited_nor_who_judged(tmp_path, capsys, set_by_h):
    with rack_in(tmp_path) as rack:
        rack.minutes(10)
        rack.minutes(10, k2=19.5)
        event = rack.journal.history.events_of("k2/temperature/high")[0]
        with rack.journal.transaction():
            rack.journal.state.keep_stretch(Stretch(event.at_ms, set_by_h * 3_600_000, synchronised=True))
        assert main(["why", "k2/temperature/high", "--settings", str(tmp_path / "bellwatch.toml")]) == 0
    text = capsys.readouterr().out
    assert ", raised 2 min later;" in text
    assert f"Judged by rules {RULES_VERSION} (" in text


def test_who_was_told_as_far_as_the_journal_knows(tmp_path, capsys):
    alarm = "k2/temperature/high_high"
    with rack_in(tmp_path) as rack:
        rack.minutes(3)
        rack.minutes(4, k2=30.0)
        (event,) = rack.journal.history.events_of(alarm)
        heard = OnCallHeard("night on pi2", alive=True, untaken={alarm: event.since_ms})
        with rack.journal.transaction():
            for waiting in rack.journal.outbox.waiting(0, 1000):
                rack.journal.outbox.mark_delivered(waiting.id, event.at_ms + 2000)
            rack.journal.state.keep_record(ONCALL, heard)
        assert main(["why", alarm, "--settings", str(tmp_path / "bellwatch.toml")]) == 0
    text = capsys.readouterr().out
    assert "(critical) (the broker took it at 2026-08-15 02:05:02)" in text
    assert "no on-call process has taken it, since 2026-08-15 02:04:00" in text
    assert "on call now: night on pi2" in text
    assert "nobody has answered it at the rack" in text
    assert "What ends it: at or below 23.80 °C for 2 min" in text
    assert "it explains k2/temperature/high" in text


@pytest.mark.parametrize("ascii_only", [{"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}, {"LC_ALL": "C"}])
@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["why", "k2/temperature/high"], "18.00 deg C"),
        (["status", "k2"], "16.00 deg C"),
        (["log", "k2"], "at 5 deg below"),
        (["handover", "--night", "2026-08-14"], "18.00 deg C"),
    ],
)
def test_a_terminal_without_utf_8_gets_signs_that_it_can_show(rack, words, says, ascii_only):
    file = str(rack.settings.journal.path.parent / "bellwatch.toml")
    command = [sys.executable, "-m", "daemon", *words, "--settings", file]
    run = subprocess.run(command, cwd=ROOT, env=os.environ | ascii_only, capture_output=True, check=False)
    assert run.returncode in (0, EXIT_STATUS[Overall.ALARM], EXIT_STATUS[Overall.NOT_WATCHED])
    said = " ".join(run.stdout.decode("ascii").split())
    assert says in said
    assert ("at 5 deg below" in said) == (words[0] != "why"), "what people wrote too"
    assert run.stderr == b""


def test_an_alarm_whose_probe_fell_silent_has_no_value_now(tmp_path, capsys):
    with rack_in(tmp_path) as rack:
        rack.minutes(30)
        rack.minutes(40, k1=26.0)
        rack.minutes(5, k1=None)
        main(["status", "k1", "--settings", str(tmp_path / "bellwatch.toml")])
        said = " ".join(capsys.readouterr().out.split())
        rack.minutes(9, k1=26.5)
        rack.sole_writer.release()
        main(["status", "k1", "--settings", str(tmp_path / "bellwatch.toml")])
        dead = " ".join(capsys.readouterr().out.split())
        rack.sole_writer = SoleWriter(rack.settings.journal.path)
    assert "no value now; 26.00 °C when last judged; limit 23.00 °C; nobody has it yet" in said
    assert "moving" not in said
    assert "26.50 °C now" not in dead
    assert "no value now; 26.00 °C when last judged" in dead, "of then, since nobody watches"
