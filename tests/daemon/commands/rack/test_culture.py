"""`bellwatch culture`: a keeper's line of clauses, wrong entries, corrections, and what is read back."""

import math
import time
from concurrent.futures import ThreadPoolExecutor, wait
from copy import copy

import numpy as np
import pytest
from scipy import stats

from daemon.commands.cli import main
from daemon.culture.csv import TERMS
from daemon.culture.record import record_of
from daemon.journal.asking import RequestBox
from daemon.journal.logbook import acts_in
from daemon.tables.values import utc_ms
from rules.culture import acts
from rules.culture.cohorts import culture_of
from rules.rack.logbook import ENTRY_KINDS
from rules.water.ammonia import unionised
from tests.rigs.minute_rack import rack_in
from tests.rigs.parts.simulator_process import wait_for

BEFORE = (
    "bellwatch log k1 note --note '40 of e1 moved to k2' --who Ada",
    "bellwatch log k2 bell_diameter 8.1 9.2 7.7 8.8 8.4 9.0 8.6 7.9 8.3 9.1 --who Ada",
    "bellwatch log k1 feed 200 --who Ada",
    "bellwatch log k2 feed 50 --who Ada",
    "bellwatch log k2 deaths 1 --note bubble --who Ada",
)
"""The same day in the logbook as it was, which knew no batches and no balance."""


LOOKS_EVERY_S = 0.005


class Desk:
    """The command beside a watch that answers."""

    def __init__(self, rack, capsys, monkeypatch):
        self.rack, self.capsys = rack, capsys
        monkeypatch.setattr(time, "time", lambda: rack.now_ms / 1000)

    def beside(self, rack):
        """The same desk before another watch."""
        self.rack.now_ms = rack.now_ms = max(self.rack.now_ms, rack.now_ms)
        other = copy(self)
        other.rack = rack
        return other

    def __call__(self, line, cohort="e1", who="Ada", quoted=False):
        """Type a line; return the exit status and what was said."""
        self.rack.minutes(1)
        return self._run([cohort, *([line] if quoted else line.split()), "--who", who])

    def both(self, first, ada, second, kim):
        """Two people type at once; the watch looks only when both lines were read."""
        commands = [
            ["culture", "e1", *line.split(), "--who", who, "--settings", str(self.rack.settings_path)]
            for line, who in ((first, ada), (second, kim))
        ]
        box = RequestBox(self.rack.journal.path)
        with ThreadPoolExecutor(2) as pool:
            done = [pool.submit(main, command) for command in commands]
            wait_for(lambda: len(box.waiting()) == 2, 30)
            while wait(done, LOOKS_EVERY_S).not_done:
                self.rack.watch.take([], self.rack.now_ms)
        return [it.result() for it in done]

    def read(self, file):
        """Take a file in."""
        return self._run(["--read", str(file)])

    def _run(self, arguments):
        command = ["culture", *arguments, "--settings", str(self.rack.settings_path)]
        with ThreadPoolExecutor(1) as pool:
            done = pool.submit(main, command)
            while wait([done], LOOKS_EVERY_S).not_done:
                self.rack.watch.take([], self.rack.now_ms)
        out = self.capsys.readouterr()
        return done.result(), out.out + out.err

    def now(self, cohort="e1"):
        return culture_of(acts_in(self.rack.journal)).cohorts[cohort]


@pytest.fixture
def desk(tmp_path, capsys, monkeypatch):
    with rack_in(tmp_path) as rack:
        rack.settings_path = tmp_path / "bellwatch.toml"
        yield Desk(rack, capsys, monkeypatch)


def test_a_keepers_day_is_one_line(desk):
    assert desk("begin ephyra 200 k1 lineage=aurita")[0] == 0
    day = "move 40 k2, bells 8.1 9.2 7.7 8.8 8.4 9.0 8.6 7.9 8.3 9.1 k2, "
    day += "feed 200 k1, feed 50 k2, died 1 k2 bubble"
    status, said = desk(day)
    assert (status, said.count("written down")) == (0, 5)
    keystrokes = len(f"bellwatch culture e1 {day} --who Ada\n")
    assert (keystrokes, sum(len(line) + 1 for line in BEFORE)) == (135, 264)
    of = desk.now()
    assert desk("feed 20 k1, count 160 k1", quoted=True)[0] == 0, "quotes around a line are around no text"
    assert {name: it.number for name, it in of.stocks.items()} == {"k1": 160, "k2": 39}
    assert of.causes == {"bubble": 1}
    bells = desk.rack.journal.history.entries("bell_diameter")[-1].body
    assert (bells["n"], bells["cohort"], len(bells["values"])) == (10, "e1", 10)
    assert bells["sd"] == pytest.approx(0.5174, abs=1e-4)  # the standard library


def test_wrong_entries_get_a_line_each_and_nothing_is_written(desk):
    desk("begin ephyra 200 k1 lineage=aurita")
    status, said = desk("move 400 k1 k2, bells 95, move 3 k1 k1, feed 20 k3, sing, died 1 k3, count -5")
    assert status == 2
    lines = said.splitlines()
    assert [line.partition(":")[0] for line in lines[:-1]] == [
        "move",
        "bells",
        "move",
        "feed",
        "sing",
        "died",
        "count",
    ]
    assert lines[6] == "count: value: found -5; expected a number of animals, 0 or more"
    assert lines[1] == "bells: value: found 95; bell_diameter in ephyra is a number from 0 to 40 mm"
    assert lines[-1] == "nothing was written down"
    assert desk.now().now.number == 200


WRONG = {
    "move 201 k2": "value: found 201; of e1 there are 200 at most in k1, or count them",
    "move 40 k9": "vessel: there is no k9; known are: k1, k2, k3",
    "move 40": "to: move needs one",
    "move 40 k3 k2": "vessel: no e1 in k3; it lives in: k1",
    "move 5 k1 k2 k3": "found k1, k2, k3; too many vessels",
    "move 110% k2": "share: found 110 %; expected more than 0 and up to 100",
    "move 0% k2": "share: found 0 %; expected more than 0 and up to 100",
    "split 10 into=e1": "into: e1 itself; expected another batch",
    "young 30 k1 into=e9": "stage: e9 is new; say its stage",
    "begin ephyra 5 k1": "cohort: e1 there is already; a new batch needs a new code",
    "died -5": "value: found -5; expected a number of animals, 1 or more",
    "died 5.5": "value: found 5.5; expected a number of animals, 1 or more",
    "died 3 when=2026-08-01": "cohort: there was no e1 yet at that time",
    "died 3 when=2098-01-01": "when: expected a moment that is not still to come",
    "died 3 when=yesterday": "when=yesterday:",
    "died 3 corrects=9999": "corrects:",
    "count 5 how=certain": "how: found 'certain'; expected one of counted, sampled, guessed",
    "count 10 11 k1 of=0.7": "sample: expected counts of 0 or more",
    "discs 99": "discs: expected the discs of each polyp that you looked at, 0 to 50",
    "stage medusa": "stage: stage needs one",
    "stage polyp 900%": "share: stage has no such thing",
    "bells 0": "value: a bell diameter needs one, in millimetres, above 0",
    "bells 8,1": "8,1:",
    "pulse 900": "value: found 900; pulse_rate in ephyra is a number from 0 to 150 per min",
    "stomachs 4.5": "value: found 4.5; stomachs in ephyra is a whole number from 0 to 12",
    "deformed 120": "value: found 120; deformed in ephyra is a number from 0 to 100 %",
    "feed lots": "value:",
    "feed 200 50": "value: found 2 numbers; of feed, which adds up, write each by itself",
    "feed 20%": "feed: found 20 %; expected mL",
    "feed 20 how=guessed": "how: feed has no such thing",
    "bells 8.1,9.2": "8.1,9.2:",
    "died 5 k9": "vessel: there is no k9; known are",
    "died 5,cleaning k1,sing": "sing: there is no sing",
    "died 3 how=guessed how=counted": "how=counted: is said twice",
    "begin ephyra adult 5 k1": "adult: is said twice",
    "withdrawn": "corrects: withdrawn needs the number of the act that never was",
    "withdrawn corrects=77": "corrects: k1 has no culture 77",
    "split 10": "into: split needs one",
    "stage podocyst limits": "stage: there is no podocyst",
    "bells 8.2 n=0.5": "n: found 0.5",
    "bells 8.2 sd=wide": "sd=wide:",
    "left 20% to them in 3 jars": "value: found 3 and 20 %; expected one of them",
    "discs 3 4": "discs: e1 is ephyra; expected polyps",
    "note k1": "note: found nothing; expected words",
    "s 3": "s: there is no s; known are: split, stage, stomachs",
    "died 1 when=tomorrow": "when=tomorrow: Invalid isoformat string: 'tomorrow'; expected such",
    "ammonia 0.3 ph=81": "ph: found 81.0; expected 5 to 10",
    "ammonia 0.3 scale=free": "scale: found 'free'",
    "left k1": "value: left needs how many, a share or all",
    "merge into=e9": "into: there is no e9; known are: none",
    "split 5 k1 k2 into=E1": "into: there is no E1; did you mean e1?",
    "deformed 30 of 20": "deformed: found 30 of 20; expected some of all, such as 3 of 20",
    "stage ephyra": "stage: e1 is ephyra already",
    "stage juvenile k2": "vessel: e1 is of one stage, in k1; split those in k2 off, or name none",
    "died 1 K1": "vessel: there is no K1; known are: k1, k2, k3",
    "count 10 12 of=0.2 how=guessed": "how: found guessed; numbers of parts are a sample",
    "bells withdrawn": "value: bell_diameter needs a number in mm",
    "bells 0.8 cm": "bell_diameter: found cm; expected mm",
    "weights 0.012 g mm=4.1": "wet_weight: found g; expected mg",
    "ammonia 0.3 mg/L": "ammonia: found mg/L; expected mg N/L",
    "ph 8.1 mm": "ph: found mm; expected no unit",
    "feed 20 ph=8.1": "ph: feed has no such thing",
    "bells 8.1 mm=8": "diameters_mm: bell_diameter has no such thing",
    "weights 12 15 mm=4.1": "diameters_mm: expected one above 0 for each weight, in their order",
    "weights 12 n=3 mm=4.1": "diameters_mm: expected one above 0 for each weight, in their order",
    "weights 12 mm=4.1+wide": "mm=4.1+wide:",
    "weights 12 mm=0": "diameters_mm: expected one above 0 for each weight, in their order",
    "weights 0.012 mm=4.1": "diameters_mm: found 0.012 mg at 4.1 mm; expected 0.55 to 37 mg there",
    "weights 6 mm=41": "value: found 41; bell_diameter in ephyra is a number from 0 to 40 mm",
    "weights 12 corrects=1.5": "corrects=1.5: '1.5'; expected the number of an entry",
    "weights 6000": "value: found 6000; wet_weight in ephyra is a number from 0.01 to 5000 mg",
}


def test_more_wrong_entries_get_a_line_each_and_the_good_clause_before_them_is_not_written_either(desk):
    desk("begin ephyra 200 k1 lineage=aurita")
    before = desk.now()
    for line, said in WRONG.items():
        status, lines = desk(f"feed 7, {line}")
        assert status == 2, line
        first, *rest = [it for it in lines.splitlines() if not it.startswith("{")]  # the watch's own log
        assert said in first, (line, first)
        assert rest == ["nothing was written down"], (line, first, rest)
    assert desk.now() == before
    assert len(desk.rack.journal.history.logbook((), ("culture", *ENTRY_KINDS))) == 1


def test_a_share_may_be_parted_from_its_sign_and_animals_in_two_vessels_are_moved_from_one(desk):
    desk("begin ephyra 200 k1 lineage=aurita")
    assert desk("move 25 % k2, deformed 10 % k1, pulse 30 k2")[0] == 0
    assert {name: it.number for name, it in desk.now().stocks.items()} == {"k1": 150, "k2": 50}
    for line in ("move 5 k2", "move all k3", "move 5 k2 corrects=1"):
        assert "move: e1 lives in k1, k2; say from which to which\n" in desk(line)[1], line
    assert "%: ''; expected a number" in desk("died % k1")[1]


def test_which_act_somebody_else_wrote_is_named(desk):
    desk("begin ephyra 200 k1")
    desk("count 190")
    assert "count: Ada wrote the same count 1 min ago; if yours is another" in desk("count 190", who="Kim")[1]


def test_which_batch_a_sample_is_of_is_read_back(desk):
    desk("begin ephyra 200 k1")
    desk("begin ephyra 50 k1", cohort="e2")
    desk("pulse 30, note look calm", cohort="e2")
    settings = str(desk.rack.settings_path)
    assert main(["log", "k1", "--kind", "pulse_rate", "--settings", settings]) == 0
    assert main(["log", "k1", "--kind", "note", "--settings", settings]) == 0
    rows = [it.split("  ", 2)[2] for it in desk.capsys.readouterr().out.splitlines() if it[:1].isdigit()]
    assert rows == ["pulse_rate  30 per min  of e2  by Ada", "note  of e2  look calm  by Ada"]


def test_the_watch_refuses_too_whoever_asks(desk):
    desk("begin ephyra 200 k1")
    box = RequestBox(desk.rack.journal.path)

    def refusal(kind, **body):
        asked = box.ask(kind, "kim", {"vessel": "k1", "cohort": "e1"} | body)
        desk.rack.watch.take([], desk.rack.now_ms)
        return box.answer_to(asked)

    assert refusal("culture", what="move", to="k2", value=201).startswith("value: found 201")
    assert refusal("culture", what="move", to="k9", value=1).startswith("vessel: there is no k9")
    assert refusal("culture", what="died", value=1, when_ms=desk.rack.now_ms + 1).startswith("when:")
    assert refusal("culture", what="died", value=[1]) == "value: found [1]; expected a number"
    assert refusal("culture", what="stage", stage="juvenile", limits_too=[["k1"]]).startswith("vessel:")
    assert refusal("culture", what="died", value=1, corrects=99).startswith("corrects:")
    assert refusal("log", what="ammonia", value=1, ph=81).startswith("ph: found 81; expected 5 to 10")
    assert refusal("log", what="ammonia", value=1, scale="free").startswith("scale: found 'free'")
    assert refusal("log", what="gut_full", value=1, sd="wide") == "sd: found wide; expected a number"
    assert refusal("log", what="ammonia", value=1, scale=["nbs"]).startswith("scale: found")
    assert refusal("log", what="bell_diameter", value=5, low="x").startswith("low: found x")
    assert refusal("log", what="feed", value=5, n=[2]).startswith("value: found [2] numbers")
    assert refusal("log", what=["feed"], value=5).startswith("what: ")
    assert refusal("culture", what=["died"], value=5).startswith("what: ")
    assert refusal("culture", what="died", value=1, corrects=[1]).startswith("corrects:")
    assert refusal("culture", what="died", value=1, cohort=["e1"]).startswith("cohort: there is no")
    assert refusal("culture", what="died", value=200) == ""
    assert refusal("log", what="feed", value=5) == "vessel: no e1 in k1; it lives in: nowhere any more"
    assert len(acts_in(desk.rack.journal)) == 2


def test_a_correction_refolds_what_came_after_and_both_stay(desk):
    desk("begin ephyra 200 k1")
    desk("move 40 k2")
    number = acts_in(desk.rack.journal)[-1].number
    desk("count 35 k2")
    assert desk.now().rests[-1].number == -5
    assert desk(f"move 35 k1 k2 corrects={number}")[0] == 0
    assert (desk.now().rests[-1].number, desk.now().stocks["k1"].number) == (0, 165)
    second = desk.rack.journal.history.entries("culture")[-1].seq
    assert desk(f"move 36 k1 k2 corrects={second}")[0] == 0, "a correction of a correction"
    first = acts_in(desk.rack.journal)[0].number
    assert desk(f"begin ephyra 210 k1 corrects={first}")[0] == 0
    again = desk.rack.journal.history.entries("culture")[-1].seq
    assert desk(f"begin ephyra 200 k1 corrects={again}")[0] == 0
    assert [it.number for it in desk.now().rests] == [-1]
    assert desk(f"withdrawn corrects={number} it was another tank")[0] == 0
    assert desk.now().stocks["k1"].number == 200
    assert len(desk.rack.journal.history.entries("culture")) == 8


def test_a_sample_is_put_right_after_its_batch_moved_on_and_keeps_its_time(desk):
    desk("begin ephyra 200 k1 when=2026-08-10T09:00")
    assert desk("bells 8.1 9.2 when=2026-08-11T09:00")[0] == 0
    number = desk.rack.journal.history.entries("bell_diameter")[0].seq
    desk("move 200 k2")
    assert desk(f"bells 8.1 8.2 k1 corrects={number}")[0] == 0
    second = desk.rack.journal.history.entries("bell_diameter")[-1].seq
    assert desk(f"bells 8.1 8.4 k1 corrects={second}")[0] == 0
    (entry,) = record_of(desk.rack.settings).entries
    assert entry.body["values"] == [8.1, 8.4]
    assert entry.at_ms == utc_ms("2026-08-11T09:00+02:00")


def test_a_sample_that_is_put_right_in_the_logbook_stays_of_its_batch_with_its_water(desk):
    desk("begin ephyra 200 k1")
    desk("begin ephyra 50 k1", cohort="e2")
    desk("ammonia 0.3 ph=8.1 scale=total t=15 s=32", cohort="e2")
    number = desk.rack.journal.history.entries("ammonia")[0].seq
    desk.rack.ask("log", vessel="k1", what="ammonia", value=0.2, corrects=number)
    desk.rack.ask("log", vessel="k1", what="ammonia", value=0.1, ph=8.0, corrects=number)
    (body,) = (it.body for it in record_of(desk.rack.settings).entries)
    assert (body["cohort"], body["value"], body["ph"], body["scale"]) == ("e2", 0.1, 8.0, "total")


def test_a_sample_that_never_was_is_withdrawn_and_both_entries_stay(desk):
    desk("begin ephyra 200 k1")
    desk("bells 8.1 9.2, feed 20, note it was fed")
    kinds = ("bell_diameter", "feed", "note")
    numbers = [desk.rack.journal.history.entries(kind)[0].seq for kind in kinds]
    assert "of a sample its kind is said too: bells withdrawn" in desk(f"withdrawn corrects={numbers[0]}")[1]
    said = desk(f"bells 8.1 withdrawn corrects={numbers[0]}")[1]
    assert said.startswith("bells: value: found one; an entry that never was has none")
    line = "bells withdrawn corrects={}, feed withdrawn corrects={} other tank, note withdrawn corrects={}"
    assert desk(line.format(*numbers))[0] == 0
    assert record_of(desk.rack.settings).entries == []
    settings = ["--settings", str(desk.rack.settings_path)]
    main(["log", "k1", *settings])
    said = desk.capsys.readouterr().out
    assert f"withdrawn  of e1  other tank  by Ada, corrects {numbers[1]}" in said
    assert said.count("superseded by") == 3
    assert main(["log", "k1", "feed", "--withdrawn", "--who", "Ada", *settings]) == 2
    assert "expected --corrects NUMBER" in desk.capsys.readouterr().err
    file = desk.rack.settings.journal.path.with_name("logbook.csv")
    assert main(["export", "--logbook", str(file), *settings]) == 0
    assert ",withdrawn: other tank,Ada," in file.read_text(encoding="utf-8")


def test_all_of_them_is_a_word_and_how_many_that_was_is_said(desk):
    desk("begin ephyra 200 k1")
    assert desk("move 40 k2")[0] == 0
    assert desk("died all k2 pump stood")[1].startswith("e1: died written down, all 40 in k2\n")
    line = "note all well k1, left 20 k1 sold all to them, left all k1 the rest"
    assert desk(line)[0] == 0, "beside a number it is a word"
    of = desk.now()
    assert (of.now.number, of.died.number, of.left.number) == (0, 40, 160)
    assert of.causes == {"pump stood": 40}


def test_words_of_a_note_keep_their_numbers_and_a_share_may_be_counted(desk):
    desk("begin ephyra 200 k1")
    assert desk("treatment k1 formalin 3 drops of 40 %, deformed 3 of 20, count 30 31 29 of=10%")[0] == 0
    (treated,) = desk.rack.journal.history.entries("treatment")
    assert (treated.body["note"], "value" in treated.body) == ("formalin 3 drops of 40 %", False)
    (deformed,) = desk.rack.journal.history.entries("deformed")
    assert (deformed.body["value"], deformed.body["n"], "note" in deformed.body) == (15, 20, False)
    assert desk.now().now.number == 300
    desk("left all k1")
    assert "vessel: e1 lives nowhere any more" in desk("died 1")[1]
    assert desk("stage juvenile k1")[1].startswith("stage: vessel: e1 is of one stage, in nowhere any more")


def test_what_begins_a_batch_is_not_taken_back_from_under_what_is_about_it(desk):
    desk("begin ephyra 200 k1")
    desk("move 40 k2, split 10 k2 k3 into=e2")
    desk("died 1", cohort="e2")
    begun, _, split, died = (it.number for it in acts_in(desk.rack.journal))
    said = desk(f"withdrawn corrects={begun}")[1]
    assert said.startswith("withdrawn: corrects: e1 begins with it, and ")
    said = f"corrects: e2 begins with it, and {died} are about e2; put those right first"
    for line in (f"withdrawn corrects={split}", f"split 10 k2 k3 into=e3 corrects={split}"):
        assert said in desk(line)[1], line
    assert desk(f"split 11 k2 k3 into=e2 corrects={split}")[0] == 0
    assert desk(f"withdrawn corrects={died}", cohort="e2")[0] == 0
    assert desk(f"withdrawn corrects={split}")[0] == 0
    assert desk(",")[1].startswith("found no clause")
    assert desk.now().now.number == 200


def test_animals_join_a_batch_of_another_stage_only_where_that_is_said(desk):
    desk("begin ephyra 200 k1")
    desk("begin juvenile 50 k2", cohort="j1")
    said = "into: j1 is juvenile, what joins it ephyra; say juvenile where that is so"
    for line in ("split 12 k1 k2 into=j1", "merge k1 into=j1"):
        assert said in desk(line)[1], line
    assert desk("split 12 k1 k2 juvenile into=j1, split 5 k1 k3 into=e2")[1].startswith(
        "e1: split written down\ne1: split written down; e2 is a new batch\n"
    )
    assert (desk.now("j1").now.number, desk.now("e2").stage, desk.now().stage) == (62, "ephyra", "ephyra")
    assert desk("begin ephyra 0 k1", cohort="e3")[1].startswith("begin: value: found 0; expected a number")


def test_a_correction_of_the_time_stays_when_the_number_is_put_right_too(desk):
    desk("begin ephyra 200 k1 when=2026-08-10T09:00")
    desk("move 40 k2 when=2026-08-13T09:00")
    number = acts_in(desk.rack.journal)[-1].number
    desk(f"move 40 k1 k2 corrects={number} when=2026-08-11T09:00")
    desk(f"move 45 k1 k2 corrects={number}")
    assert [stay.from_ms for stay in desk.now().stays] == [
        utc_ms("2026-08-10T09:00+02:00"),
        utc_ms("2026-08-11T09:00+02:00"),
    ]
    assert desk.now().stocks["k2"].number == 45


def test_what_a_late_entry_leaves_below_nought_is_shown(desk):
    desk("begin ephyra 200 k1 when=2026-08-10T09:00")
    desk("move 200 k2 when=2026-08-12T09:00")
    moved = acts_in(desk.rack.journal)[-1].number
    asked_back = f"died: value: then move {moved} leaves -3 of e1 in k1; put that right first, or where it"
    assert desk("died 3 k1 when=2026-08-11T09:00")[1].startswith(asked_back)
    assert desk("died 3 k1 when=2026-08-11T09:00 --another")[0] == 0
    assert desk("died 3 k1 when=2026-08-10T10:00")[1].startswith("died: value: then move"), "and of each more"
    assert desk_text(desk)[0].startswith("e1: ephyra, unknown, k2 200, k1 -3, died 3, since 2026-08-10")


def test_a_correction_that_leaves_a_later_act_without_animals_is_asked_back_once(desk):
    desk("begin ephyra 200 k1 when=2026-08-10T09:00")
    desk("split 100 k1 k2 into=e2 when=2026-08-11T09:00")
    desk("died 60 when=2026-08-12T09:00", cohort="e2")
    begun, split, died = (it.number for it in acts_in(desk.rack.journal))
    for line in (f"split 50 k1 k2 into=e2 corrects={split}", f"begin ephyra 40 k1 corrects={begun}"):
        status, said = desk(line)
        assert (status, "put that right first, or where it is so, add --another" in said) == (2, True), line
    assert f"then died {died} leaves -10 of e2 in k2" in desk(f"split 50 k1 k2 into=e2 corrects={split}")[1]
    assert desk(f"split 60 k1 k2 into=e2 corrects={split}")[0] == 0, "none are left, and none too few"
    assert desk(f"split 50 k1 k2 into=e2 corrects={split} --another")[0] == 0
    assert desk_text(desk)[0].startswith("e1: ephyra, unknown, k1 150")
    assert "e2: ephyra, unknown, k2 -10" in desk_text(desk)[1]
    assert desk(f"split 45 k1 k2 into=e2 how=guessed corrects={split}")[0] == 0, (
        "a guess tells of no such thing"
    )


def test_merged_and_split_again_it_is_what_came_back(desk):
    desk("begin ephyra 200 k1")
    desk("begin ephyra 50 k2", cohort="e2")
    desk("merge into=e1", cohort="e2")
    desk("stage juvenile, split 30 k2 k3 into=e2")
    of = desk.now("e2")
    assert (of.stage, of.stocks["k3"].number, of.changes[-1][1]) == ("juvenile", 30, "juvenile")
    assert (of.came.number, of.left.number, desk.now().now.number) == (80, 50, 220)
    assert desk("stage adult, count 29 k3", cohort="e2")[0] == 0
    assert desk.now("e2").rests[-1].number == -1


def test_of_two_people_at_once_one_is_told_that_the_animals_are_gone(desk):
    """Both lines fit when they are read; the watch takes one after the other, and says what was left out."""
    desk("begin ephyra 200 k1")
    said = desk.both("move 150 k1 k2, feed 5 k2", "Ada", "move 160 k1 k3, feed 6 k3", "Kim")
    assert sorted(said) == [0, 2]
    assert sorted(it.number for it in desk.now().stocks.values()) in ([50, 150], [40, 160])
    out = desk.capsys.readouterr()
    assert "of e1 there are" in out.err
    assert "the 1 after it were not asked for" in out.err
    assert len(desk.rack.journal.history.entries("feed")) == 1


def test_on_the_night_when_clocks_go_back_the_hour_is_told_apart_by_its_offset(desk):
    desk.rack.now_ms = utc_ms("2026-10-25T03:00+01:00")
    desk("begin ephyra 200 k1 when=2026-10-24T12:00")
    desk(
        "died 1 when=2026-10-25T02:30+01:00, died 2 when=2026-10-25T02:30+02:00, died 4 when=2026-10-25T02:45"
    )
    deaths = [it for it in acts_in(desk.rack.journal) if it.what == "died"]
    hours = [(it.at_ms - utc_ms("2026-10-25T00:00Z")) / 3_600_000 for it in deaths]
    assert hours == [1.5, 0.5, 0.75], "without an offset it is the first of the two"
    assert "still to come" in desk("died 1 when=2026-10-25T03:30")[1]


def test_a_batch_that_there_is_not_is_said_first(desk):
    desk("begin ephyra 200 k1")
    for line in ("died 3", "count 5 k1", "left 2", "stage juvenile", "feed 2 k1", "discs 3"):
        assert "cohort: there is no E1; known are: e1" in desk(line, cohort="E1")[1], line


SIZES_MM = [3.0 + each / 2 for each in range(16)]
WEIGHED = [(mm, round(0.07 * mm**2.7 * (0.9 + 0.2 * (mm % 1)), 2)) for mm in SIZES_MM]
"""Invented: no source has weights."""


def weigh(desk, pairs, *more):
    some = " ".join(f"{mg}" for _, mg in pairs)
    return desk(" ".join((f"weights {some} mm={'+'.join(f'{mm}' for mm, _ in pairs)}", *more)))


def test_what_has_no_bell_is_not_weighed_as_one(desk):
    """A polyp's width beside its weight was taken for a bell's, and told the exponent of all."""
    assert desk("begin polyp 200 k1 lineage=aurita")[0] == 0
    assert "weights: diameters_mm: polyp has no bell" in desk("weights 2 3 mm=2+2.5")[1]
    assert desk("weights 2 3")[0] == 0
    assert record_of(desk.rack.settings).weight().pairs == 0


def test_bells_that_are_weighed_take_the_place_of_the_placeholder_once_they_are_enough(desk):
    desk("begin ephyra 200 k1 when=2026-08-01T09:00")
    for day, mm in ((2, 4.0), (5, 4.6), (9, 5.5)):
        sizes = f"bells {mm - 0.1:.1f} {mm} {mm} {mm + 0.1:.1f}"
        assert desk(f"{sizes} when=2026-08-0{day}T09:00")[0] == 0
    assert weigh(desk, WEIGHED[:12])[0] == 0
    first, weighed = desk_text(desk)
    assert "by a placeholder exponent of 2.8)" in first
    assert weighed.startswith("weighed: 12 bells, 0.0")
    assert "; 15 that tell the power within 0.5, of 1.5 to 4, take the place of a placeholder" in weighed
    wrong = [(mm, mg * 2) for mm, mg in WEIGHED[12:14]] + WEIGHED[14:]
    assert weigh(desk, wrong)[0] == 0
    number = desk.rack.journal.history.entries("wet_weight")[-1].seq
    assert weigh(desk, WEIGHED[12:], f"k1 corrects={number}")[0] == 0
    mm, mg = np.log(np.array(WEIGHED)).T
    fit = stats.linregress(mm, mg)
    assert record_of(desk.rack.settings).weight().exponent == pytest.approx(fit.slope, rel=1e-9)
    first, weighed = desk_text(desk)
    half = stats.t.ppf(0.975, 14) * fit.stderr
    said = f"exponent {fit.slope:.2f} ({fit.slope - half:.2f} to {fit.slope + half:.2f}) of 16 bells weighed)"
    assert said in first
    assert "placeholder" not in f"{first}{weighed}"
    main(["log", "k1", "--settings", str(desk.rack.settings_path)])
    shown = desk.capsys.readouterr().out
    assert "superseded by" in shown, "both stay"
    assert "of bells of 9, 9.5, 10, 10.5 mm" in shown
    assert desk(f"weights withdrawn corrects={number}")[0] == 0
    assert record_of(desk.rack.settings).weight().pairs == 12


ONE_OF_EACH = (
    "note fed well, bells 8.1 9.2, weights 12, feed 20 nauplii, water 3, pulse 41, stomachs 4, "
    "deformed 3 of 20, gut_full 80 %, with_bubbles 2, food_density 5, uneaten 10 %, ph 8.1 scale=total, "
    "nitrite 0.01, nitrate 4, ammonia 0.3 ph=8.1 scale=total t=15 s=32, cleaning walls, treatment formalin, "
    "acceptance seen"
)


def test_one_of_each_kind_is_written_down_and_read_back_in_its_unit(desk):
    desk("begin ephyra 200 k1")
    assert desk(f"{ONE_OF_EACH}, ammonia 0.4 ph=8.1 t=15 s=32")[0] == 0
    kinds = {it.kind for it in record_of(desk.rack.settings).entries}
    assert kinds == set(ENTRY_KINDS) - {"count", "deaths"}, "these two are acts, of which a balance knows"
    main(["log", "k1", "--settings", str(desk.rack.settings_path)])
    said = [
        line.split("  ", 2)[2] for line in desk.capsys.readouterr().out.splitlines() if line[:1].isdigit()
    ]
    assert "feed  20 mL  of e1  nauplii  by Ada" in said
    assert "deformed  15 % (mean of 20)  of e1  by Ada" in said
    of_both = [line for line in said if line.startswith("ammonia")]
    share = unionised(1, {"ph": 8.1, "temperature_c": 15, "salinity": 32})
    total, nbs = (f"{0.4 * share[scale]:.2g} ({scale} scale)" for scale in ("total", "nbs"))
    assert of_both == [
        f"ammonia  0.3 mg N/L, of it un-ionised {0.3 * share['total']:.2g} (total scale)  of e1  by Ada",
        f"ammonia  0.4 mg N/L, of it un-ionised {total} or {nbs}  of e1  by Ada",
    ]


def test_stages_need_not_follow_one_another(desk):
    """Planulae become ephyrae without a polyp, a strobila and a medusa turn back, podocysts wait."""
    for code, stages in {
        "a1": "planula ephyra",
        "b1": "strobila polyp podocyst",
        "c1": "adult polyp",
    }.items():
        first, *later = stages.split()
        assert desk(f"begin {first} 20 k1", cohort=code)[0] == 0
        for stage in later:
            assert desk(f"stage {stage}", cohort=code)[0] == 0
        assert [stage for _, stage in desk.now(code).changes] == stages.split()
    likely = [it.cohort for it in record_of(desk.rack.settings).ahead()]
    assert "b1" not in likely, "a podocyst waits, nobody knows for how long"
    assert "a1" in likely


WITHOUT_UNIT = {
    *(
        "value",
        "values",
        "n",
        "sd",
        "low",
        "high",
    ),  # in the unit of the kind, or animals, or discs
    *("share", "fraction", "ph", "salinity"),  # ratios, as practical salinity is one, and pH
    *(
        "what",
        "cohort",
        "vessel",
        "to",
        "into",
        "stage",
        "lineage",
        "parents",
        "origin",
        "cause",
        "note",
        "how",
    ),
    *("scale", "corrects", "limits_too", "another", "withdrawn"),
}


def test_the_unit_of_each_number_stands_in_its_key_or_in_the_row_of_its_kind(desk):
    """As the International System writes them; mg N/L as chemists do, prey/L and per min as keepers."""
    keys = [key for needs, may in acts._EACH.values() for key in needs | may]
    keys += [*acts._ALWAYS, *(key for its in ENTRY_KINDS.values() for key in its.beside), *TERMS.values()]
    odd = {"measured", "deviation", "unit"}  # of a file: an entry's value and sd, and their unit beside them
    ends = ("_ms", "_c", "_mm")
    assert {it for it in keys if not it.endswith(ends)} - WITHOUT_UNIT == odd
    units = {its.unit for its in ENTRY_KINDS.values() if not its.in_words}
    assert units == {
        *("animals", "mm", "mg", "mL", "L", "per min", "stomachs", "%", "prey/L", "mg N/L", ""),
    }
    assert [kind for kind, its in ENTRY_KINDS.items() if not (its.unit or its.in_words)] == ["ph"]
    desk("begin ephyra 200 k1")
    assert desk("bells 8.1 mm 9.2 mm k1, feed 20 mL nauplii, ammonia 0.3 mg N/L, pulse 30 per min k1")[0] == 0
    notes = [it.body.get("note", "") for it in record_of(desk.rack.settings).entries]
    assert notes == ["", "nauplii", "", ""]
    file = desk.rack.settings.journal.path.with_name("acts.csv")
    assert main(["culture", "--acts", str(file), "--settings", str(desk.rack.settings_path)]) == 0
    file.write_text(file.read_text(encoding="utf-8").replace(",mm,", ",cm,"), encoding="utf-8")
    assert "measurementUnit: found cm; bell_diameter is in mm" in desk.read(file)[1]


def test_what_is_no_pair_is_refused_whoever_sends_it_and_the_watch_lives(desk):
    desk("begin ephyra 200 k1")
    weight = {"what": "wet_weight", "value": 12.0, "vessel": "k1"}
    for wrong in (
        *(
            {"diameters_mm": it}
            for it in (4, "4", None, [], [None], ["4"], [[4]], [math.inf], [4, 4], {"4": 4})
        ),
        *({"diameters_mm": [4], "value": it} for it in (None, "12", [12], True)),
        {"diameters_mm": [4, 5], "values": "45"},
        {"diameters_mm": [4, 5], "values": [4, "5"]},
        {"diameters_mm": [4], "n": [1]},
        {"diameters_mm": [4], "what": "feed"},
        {"diameters_mm": [4], "what": "weighing"},
        {"diameters_mm": [4], "what": ["wet_weight"]},
    ):
        box = RequestBox(desk.rack.journal.path)
        asked = box.ask("log", "Ada", weight | wrong)
        desk.rack.watch.take([], desk.rack.now_ms)
        assert box.answer_to(asked), wrong
        assert "\n" not in box.answer_to(asked)
    assert desk.rack.journal.history.entries("wet_weight") == []


def test_what_is_written_late_counts_when_it_was_done(desk):
    desk("begin ephyra 200 k1 when=2026-08-10T09:00")
    desk("count 190 k1 when=2026-08-12T09:00")
    assert desk("died 10 k1 when=2026-08-11T09:00 found late")[0] == 0
    assert [it.number for it in desk.now().rests] == [0]
    assert desk("died 1 k1 when=2026-08-09T09:00")[1].startswith("died: cohort: there was no e1 yet")
    assert "still to come" in desk("died 1 k1 when=2026-09-09T09:00")[1]
    status, said = desk("begin ephyra 5 k1 born=2026-09-01", cohort="e2")
    assert (status, said.splitlines()[0]) == (
        2,
        "begin: born: found a moment after the act itself; expected one before it",
    )


def test_the_vessels_follow_the_animals_only_when_the_keeper_says_so(desk):
    desk("begin ephyra 200 k1")
    desk("stage juvenile")
    assert desk.rack.watch.engine.stages()["k1"].stage == "ephyra"
    assert desk("stage juvenile limits")[0] == 0
    assert desk.rack.watch.engine.stages()["k1"].stage == "juvenile"


def test_batches_are_read_back(desk):
    assert "No batch is written down yet" in str(desk_text(desk))
    desk("begin planula 500 k1 how=guessed lineage=aurita wild collected at the pier")
    desk("stage polyp 310 k1")
    desk("young 40 k1 k2 ephyra into=e2")
    assert (
        desk_text(desk)[0]
        == "e1: polyp, aurita, k1 310, died 0, unexplained -190, since 2026-08-15, survival 62 %"
    )
    said = desk_text(desk, "e1")
    assert said[4].startswith("unexplained: 2026-08-15 -190"), "when it settled"
    assert said[1] == "from: wild collected at the pier; born not said; began 2026-08-15"
    assert said[4].endswith("-190, 62 % at planula to polyp in k1 (310 found, 500 (guessed) expected)")
    assert desk_text(desk, "e2")[1].startswith("from: e1; born 2026-08-15")
    desk.capsys.readouterr()
    main(["log", "k1", "--settings", str(desk.rack.settings_path)])
    assert "culture  e1: stage 310 polyp in k1  by Ada" in desk.capsys.readouterr().out


def desk_text(desk, *cohort):
    main(["culture", *cohort, "--settings", str(desk.rack.settings_path)])
    return desk.capsys.readouterr().out.splitlines()


def test_an_alarm_never_depends_on_what_is_known_of_the_animals(tmp_path):
    """The same water with and without the culture's record: every event equal in every field."""
    events = []
    for kept in (True, False):
        (tmp_path / f"{kept}").mkdir()
        with rack_in(tmp_path / f"{kept}") as rack:
            for step, celsius in enumerate((15.0, 26.0, 15.0, 4.0, 15.0)):
                rack.minutes(40, k1=celsius, k3=None if step == 3 else 16.0)
                if not kept:
                    continue
                about = {"cohort": "e1", "vessel": "k1"}
                if step == 0:
                    rack.ask("culture", what="begin", stage="ephyra", value=200, **about)
                rack.ask("culture", what="died", value=20, cause="heat", **about)
                rack.ask("culture", what="count", value=20, how="guessed", **about)
                rack.ask("culture", what="stage", cohort="e1", stage=("polyp", "ephyra")[step % 2])
                rack.ask("log", what="gut_full", value=10, **about)
                rack.ask("log", what="ammonia", value=3, ph=8.1, **about)
            assert len(acts_in(rack.journal)) == (16 if kept else 0)
            events.append(rack.journal.history.event_lines())
    assert events[0] == events[1]
    assert len(events[0]) > 8


def test_acts_go_into_a_file_and_come_out_of_it_by_another_watch(desk, tmp_path_factory):
    desk("begin ephyra 200 k1 lineage=aurita wild")
    desk("move 25% k2, count 12 14 10 k2 of=0.2, weights 6.1 7.4 k1 mm=5+5.5, bells 5.2 n=10 sd=0.4 k1")
    file = tmp_path_factory.mktemp("out") / "acts.csv"
    settings = ["--settings", str(desk.rack.settings_path)]
    assert main(["culture", "--acts", str(file), *settings]) == 0
    text = file.read_text(encoding="utf-8")
    with rack_in(tmp_path_factory.mktemp("other")) as rack:
        rack.settings_path = rack.settings.journal.path.with_name("bellwatch.toml")
        other = desk.beside(rack)
        for table in ("--acts", "--days"):
            assert main(["culture", table, str(file / "x.csv"), *settings]) == 2, "no traceback"
        header, *rows = text.splitlines()
        turned = file.with_name("turned.csv")
        turned.write_text("\n".join([header, *reversed(rows)]), encoding="utf-8")
        assert other.read(turned)[0] == 0, "in whatever order they stand"
        assert other.now() == desk.now()
        samples = [[it.body for it in record_of(its.rack.settings).entries] for its in (desk, other)]
        kept = ("what", "cohort", "value", "n", "sd", "low", "high", "values", "diameters_mm")
        ours, theirs = ([[body.get(key) for key in kept] for body in its] for its in samples)
        assert ours == theirs
        assert ours[1][3:5] == [10, 0.4]
        assert other.read(file) == (0, ""), "what is there is not written twice"
        turned.write_text("\n".join([header, rows[0] + ",5"]), encoding="utf-8")
        assert "line 2: found 32 cells under 31 columns" in other.read(turned)[1]
        file.write_text(text.replace(",200.0,", ",-5,"), encoding="utf-8")
        status, said = other.read(file)
        assert (status, said.splitlines()[-1]) == (2, "nothing was written down")
        assert "value: found -5; expected a number of animals, 0 or more" in said
