"""What a rack says each morning of what nobody watches: a real journal, an invented rack in UTC."""

import json
import math
import re
from contextlib import closing
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from daemon.broker.daily_word import DAILY_WORD, DailyWord
from daemon.broker.notices import Notices
from daemon.journal.journal import Journal
from daemon.journal.state import KeptTrouble
from daemon.oncall.messages import heard
from daemon.words import notice_text
from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE
from rules.readings import Outcome
from tests.rigs.watched_rack import HOUR, MINUTE, PROMPT, START_MS, WatchedRack, plan_of, thermometers

MIDNIGHT_MS = 1_759_968_000_000  # 2025-10-09T00:00:00Z


class Morning:
    """A rack of one thermometer, and the daemon's turns of some days."""

    def __init__(self, journal, faults=(), asks=(Quantity.TEMPERATURE,)):
        both = dict.fromkeys(asks, PROMPT)
        self.rack = WatchedRack(plan_of(thermometers(1, silent_after_ms=5 * MINUTE), {"polyp": both}))
        self.journal, self.faults = journal, faults
        self.start()

    def start(self):
        notices = Notices(self.journal, lambda _said: [])
        zone = ZoneInfo("UTC")
        self.word = DailyWord(notices, lambda: self.rack.engine, self.faults, lambda at_ms: at_ms, zone)

    def at(self, hours):
        """Let the turns of the daemon reach so many hours after midnight of 9 October."""
        now_ms = MIDNIGHT_MS + round(hours * HOUR)
        if now_ms > self.rack.engine.clock_ms:
            self.rack.wait(now_ms - START_MS)
        self.word.step(now_ms)
        return self.journal.history.newest_notice(DAILY_WORD, RACK_WIDE)


@pytest.fixture
def journal(tmp_path):
    with closing(Journal(tmp_path / "journal.sqlite", writable=True)) as opened:
        yield opened


def test_what_nobody_watches_is_said_once_each_morning(journal):
    morning = Morning(journal, asks=(Quantity.TEMPERATURE, Quantity.SALINITY))
    morning.rack.read(0, 1, 15.0)  # 2025-10-09T08:53:20Z
    assert morning.at(9) is None, "a new journal has nothing to say on its first day"
    assert morning.at(31.9) is None
    said = morning.at(32.1)
    text = notice_text(said)
    assert "k1 temperature unwatched since 08:53: t1 is silent" in text
    assert "k1 salinity unwatched: by settings, no probe for it" in text
    morning.start()
    assert morning.at(40) == said, "a restart says nothing again"
    assert morning.at(57) != said


def test_where_all_is_watched_nothing_is_said(journal):
    morning = Morning(journal)
    morning.at(8.5)
    minutes = range(0, 23 * 60 + 36, 3)
    morning.rack.read_all([(it * MINUTE, 1, 15.0 + 0.3 * math.sin(it / 60)) for it in minutes])
    assert morning.at(32.5) is None


def test_a_probe_that_drops_out_again_and_again_and_a_fault_of_the_rack_are_said(journal):
    morning = Morning(journal, ["k1 oxygen of o1: frozen"])
    morning.at(8.5)
    gaps = [(it * 20 * MINUTE, 1, 15.0) for it in range(5)]
    with journal.transaction():
        journal.history.record(Outcome(events=morning.rack.read_all(gaps)))
    text = notice_text(morning.at(32.5))
    assert "k1 oxygen of o1: frozen" in text
    assert "k1/temperature silent at least 3 times in a day" in text


def test_how_many_answers_of_a_probe_are_missing_is_said(journal):
    morning = Morning(journal)
    plan = morning.rack.engine.plan
    sources = tuple(replace(it, every_ms=MINUTE) for it in plan.sources)
    morning.rack.engine.configure(replace(plan, sources=sources), morning.rack.engine.clock_ms)
    morning.at(8.9)
    polled = [it for it in range(1, 23 * 60) if it % 7]
    morning.rack.read_all([(it * MINUTE, 1, 15.0 + 0.3 * math.sin(it / 60)) for it in polled])
    assert re.search(r"t1: 1[345] of 100 answers missing", notice_text(morning.at(32.1)))


def test_answers_near_the_time_out_are_said_for_a_day(journal):
    morning = Morning(journal)
    morning.at(8.5)
    with journal.transaction():
        last_ms = MIDNIGHT_MS + round(20.3 * HOUR)
        slow = KeptTrouble("line", "t1", "slow", "an answer after 0.19 s of 0.2", 37, last_ms - HOUR, last_ms)
        journal.state.keep_troubles([slow, replace(slow, kind="garbled", times=3)])
    said = notice_text(morning.at(32.1))
    assert "t1: an answer near the time-out 37 times" in said
    assert "garbled" not in said
    assert "time-out" not in notice_text(morning.at(56.1))


def test_the_digest_on_call_has_the_words_of_it():
    body = {"id": "run:7", "kind": DAILY_WORD, "about": RACK_WIDE, "at": "2025-10-10T08:00:00.000Z"}
    body |= {"text": "", "details": {"said": "k1 oxygen unwatched"}, "journal": "j", "run": "run"}
    word = heard("bellwatch", "bellwatch/hall/notice", json.dumps(body).encode(), kept=False)
    assert (word.mention, word.event.evidence.reason) == (True, "k1 oxygen unwatched")
