"""Receipts from end to end: the real daemon and the real on-call process at a real broker."""

import json
import sqlite3
import time
from contextlib import closing

import pytest

from daemon.broker.connection import BEATS_MISSED
from daemon.broker.noted import oncall_heard
from daemon.broker.notices import Notices
from daemon.broker.receipts import TAKEN_WITHIN_MS, Receipts
from daemon.broker.standing_alarms import StandingAlarms
from daemon.check.load import load_settings
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.plain import to_plain
from rules.readings import Outcome
from tests.rigs.daemon_run import DaemonRun, write_settings
from tests.rigs.oncall_run import OnCallRun, write_oncall
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

MIN = 60_000


class Link:
    """What a connection gives and takes, without a broker: what is put arrives."""

    def __init__(self):
        self.arrived = []

    def hear(self, _topics, _room, _qos=1):
        return self

    def take(self, _at_most):
        taken, self.arrived = self.arrived, []
        return taken

    def receipt(self, journal, *numbers, **said):
        body = {"by": "desk", "host": "desk-pi", "journal": journal.id, "run": journal.run_id, "newest": 0}
        payload = json.dumps(body | {"numbers": numbers} | said).encode()
        self.arrived.append(type("Arrival", (), {"payload": payload, "kept": False}))


@pytest.fixture
def journal(tmp_path):
    with closing(Journal(tmp_path / "journal.sqlite", writable=True)) as journal:
        yield journal


def chore(journal, *, expected=False):
    link, words = Link(), lambda said: [Message("event", str(getattr(said, "number", said)), False)]
    notices = Notices(journal, words)
    standing = StandingAlarms(journal, link, words)
    return link, Receipts(link, "b/north", notices, 30.0, standing, expected=expected)


def raised(journal, number, priority=Priority.CRITICAL, state=State.UNACKNOWLEDGED, at_ms=0):
    event = AlarmEvent(
        number, at_ms, "k1", "k1/temperature", Condition.HIGH, Trigger.RAISED, state, priority, at_ms
    )
    with journal.transaction():
        journal.history.record(Outcome(events=[event]))
    assert to_plain(event)


def said(journal):
    return [
        waiting.message.payload
        for waiting in journal.outbox.waiting(0, 100)
        if waiting.message.payload.isdigit()
    ]


def test_an_alarm_that_nobody_takes_is_announced_again_under_its_number_until_somebody_does(journal):
    link, chores = chore(journal, expected=True)
    chores.step(0)
    raised(journal, 1)
    chores.step(1)
    chores.step(2 * MIN)
    assert said(journal) == [], "not yet"
    chores.step(2 * MIN + 1)
    assert said(journal) == ["1"]
    assert oncall_heard(journal).untaken == {"k1/temperature/high": 0}
    assert journal.history.newest_notice("alarms not taken", "rack") is not None
    chores.step(4 * MIN + 1)
    assert said(journal) == ["1", "1"], "again, but one notice"
    link.receipt(journal, 1)
    chores.step(4 * MIN + 2)
    assert oncall_heard(journal).untaken == {}
    chores.step(9 * MIN)
    assert said(journal) == ["1", "1"]


@pytest.mark.parametrize("priority", list(Priority))
def test_the_more_urgent_the_sooner(journal, priority):
    _, chores = chore(journal, expected=True)
    chores.step(0)
    raised(journal, 1, priority)
    chores.step(0)
    chores.step(TAKEN_WITHIN_MS[priority] - 1)
    assert said(journal) == []
    chores.step(TAKEN_WITHIN_MS[priority])
    assert said(journal) == ["1"]


def test_an_alarm_that_could_not_be_read_at_one_look_is_followed_from_the_next(journal):
    """Events are read where something was written since, which a look that failed has not done."""
    _, chores = chore(journal, expected=True)
    chores.step(0)
    raised(journal, 1)
    journal._db.set_progress_handler(lambda: True, 1)
    with pytest.raises(sqlite3.OperationalError, match="interrupted"):
        chores.step(1)
    journal._db.set_progress_handler(None, 1)
    chores.step(2)
    chores.step(2 * MIN + 2)
    assert said(journal) == ["1"]


def test_where_no_oncall_process_was_ever_heard_nor_is_expected_nothing_is_missed(journal):
    _, chores = chore(journal)
    raised(journal, 1)
    chores.step(0)
    chores.step(60 * MIN)
    assert said(journal) == []


def test_what_calls_no_more_need_not_be_taken(journal):
    _, chores = chore(journal, expected=True)
    raised(journal, 1)
    chores.step(0)
    raised(journal, 2, state=State.ACKNOWLEDGED)
    chores.step(60 * MIN)
    assert said(journal) == []


def test_a_receipt_for_another_run_takes_nothing_and_one_for_what_we_never_said_tells_that_we_went_back(
    journal,
):
    link, chores = chore(journal, expected=True)
    raised(journal, 1)
    chores.step(0)
    link.receipt(journal, 1, run="another")
    chores.step(2 * MIN)
    assert said(journal) == ["1"]
    before = journal.run_id
    link.receipt(journal, newest=7)
    chores.step(3 * MIN)
    assert journal.run_id != before
    assert "has heard event 7" in journal.state.runs()[-1].reason


def test_a_receipt_whose_newest_is_no_number_begins_no_run(journal):
    link, chores = chore(journal)
    before = journal.run_id
    link.receipt(journal, newest=True)
    chores.step(0)
    assert journal.run_id == before
    assert not oncall_heard(journal).alive


def test_an_oncall_process_that_falls_silent_is_told(journal):
    link, chores = chore(journal)
    link.receipt(journal)
    chores.step(0)
    assert oncall_heard(journal).alive
    chores.step(BEATS_MISSED * 30_000)
    assert not oncall_heard(journal).alive
    notice = journal.history.newest_notice("no on-call process", "rack")
    assert notice is not None
    assert notice.details == {"by": "desk on desk-pi"}


@pytest.mark.parametrize(
    ("says", "noted"),
    [
        (
            {"on_call": "ada", "until": "2026-12-07T09:00:00+01:00", "then": "bo"},
            ("ada", 1_796_630_400_000, "bo"),
        ),
        ({"on_call": "ada"}, ("ada", None, "")),
        ({}, ("", None, "")),
        ({"on_call": "ada", "until": "soon", "then": "bo"}, ("", None, "")),
        ({"on_call": "ada", "until": "9999-12-31T23:59:59+00:00"}, ("", None, "")),
        ({"on_call": "a\u202e\x1b[31m\n" + "x" * 999, "then": ["bo"]}, ("a[31m " + "x" * 54, None, "")),
        ({"on_call": {"ada": 1}, "then": "bo"}, ("", None, "bo")),
        ({"on_call": " \t", "then": " bo "}, ("", None, "bo")),
        ({"on_call": 7, "until": {"at": 1}}, ("", None, "")),
    ],
)
def test_who_is_on_call_is_noted_as_it_was_said_and_an_older_process_says_nobody(journal, says, noted):
    """2026-12-07 08:00 UTC is 1 796 630 400 s after 1970: `date -d`, GNU coreutils."""
    link, chores = chore(journal)
    link.receipt(journal, on_call="cy")
    link.receipt(journal, **says)
    chores.step(0)
    its = oncall_heard(journal)
    assert (its.on_call, its.until_ms, its.then) == noted
    assert its.alive


class Water:
    celsius = 15.0

    def __call__(self, request):
        return answer_frame(request[0], request[1], round(self.celsius * 100))


def test_the_oncall_process_takes_on_what_the_rack_says_and_the_rack_knows_it(tmp_path):
    """Over a real broker; killed on-call means that it is missed, and heard again that all is taken."""
    water, line = Water(), PtyLine(tmp_path / "serial")
    with Mosquitto(tmp_path) as broker, PageReceiver() as phones, Peer(line, water):
        desk = OnCallRun(write_oncall(tmp_path, broker.port, phones.port))
        rack = DaemonRun(write_settings(tmp_path, line.path, broker.port))
        view = JournalView(load_settings(tmp_path / "bellwatch.toml"))

        def oncall():
            return rack_now(view, int(time.time() * 1000)).oncall

        try:
            desk.start()
            desk.wait_for(lambda: "broker_connected" in desk.log, "the connection")
            rack.start()
            rack.wait_for(lambda: '"oncall_heard"' in rack.log, "its sign of life")
            rack.wait_for(lambda: oncall() is not None and oncall().alive, "the same in the view")
            assert (oncall().on_call, oncall().then) == ("ada", "bo")
            until = oncall().until_ms - time.time() * 1000
            assert 0 < until <= 169 * 60 * MIN, "a week, and an hour in autumn"
            water.celsius = 30.0
            phones.wait_for(lambda: phones.texts("ada-1"), "the call")
            desk.end_by_force()
            rack.wait_for(lambda: not oncall().alive, "its silence")
            assert oncall().by.startswith("desk on ")
            desk.start()
            rack.wait_for(lambda: oncall().alive, "its return")
        finally:
            desk.end_by_force()
            rack.end_by_force()
    line.unplug()
