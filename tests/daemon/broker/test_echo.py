"""What the rack hears of itself at a real broker: its echo, a second rack of its name, what was kept."""

import json
import shutil
import sqlite3
import time
from contextlib import closing

import pytest

from daemon.broker.noted import Link, link_of
from daemon.broker.notices import WENT_BACK
from daemon.check.load import load_settings
from daemon.errors import JournalError
from daemon.journal.journal import Journal
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from rules.calling.records import Voice
from tests.rigs.daemon_run import DaemonRun, write_settings
from tests.rigs.parts.event_listener import EventListener
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.rack_voice import RackVoice


class Water:
    celsius = 15.0

    def __call__(self, request):
        return answer_frame(request[0], request[1], round(self.celsius * 100))


@pytest.fixture
def rack(tmp_path):
    water, line = Water(), PtyLine(tmp_path / "serial")
    with Mosquitto(tmp_path) as broker, Peer(line, water):
        run = DaemonRun(write_settings(tmp_path, line.path, broker.port))
        run.start()
        try:
            yield run, water, broker, tmp_path
        finally:
            run.end_by_force()
    line.unplug()


def link(folder):
    try:
        with closing(Journal(folder / "journal.sqlite", writable=False)) as journal:
            return link_of(journal)
    except (JournalError, sqlite3.Error):  # it is being made
        return Link()


def now(folder):
    view = JournalView(load_settings(folder / "bellwatch.toml"))
    return rack_now(view, int(time.time() * 1000))


def test_the_link_lives_while_our_own_words_come_back_and_not_because_it_says_so(rack):
    run, _, broker, folder = rack
    run.wait_for(lambda: link(folder).alive, "its echo")
    broker.pause()
    run.wait_for(lambda: not link(folder).alive, "the loss, though no connection has ended")
    assert "broker_disconnected" not in run.log
    assert now(folder).broker.alive is False
    broker.go_on()
    run.wait_for(lambda: link(folder).alive, "its echo again")


def test_a_second_rack_of_the_name_is_told_in_status_and_by_a_notice_that_names_both(rack):
    run, _, broker, folder = rack
    run.wait_for(lambda: link(folder).alive, "its echo")
    with RackVoice(broker.port, "bench", Voice("cafe42", "r", "b", "copy-pi")) as other:
        other.beat()
        run.wait_for(lambda: link(folder).rival, "the second rack")
    seen = now(folder)
    assert (seen.broker.rival, seen.overall) == ("journal cafe42 on copy-pi", "alarm")
    with sqlite3.connect(folder / "journal.sqlite") as db:
        (body,) = db.execute("SELECT body FROM notice").fetchone()
    db.close()
    details = json.loads(body)["details"]
    assert details["other"] == "journal cafe42 on copy-pi"
    assert details["own"].startswith("journal ")


def test_a_journal_that_went_back_begins_its_numbers_anew_under_another_run(rack):
    """A backup copied back: found by the mark beside it, and without the mark by what the broker kept."""
    run, water, broker, folder = rack
    path = folder / "journal.sqlite"
    with EventListener(broker.port, "bellwatch/bench/event") as listener:
        run.wait_for(lambda: link(folder).alive, "its echo")
        assert run.stop() == 0
        shutil.copy(path, folder / "before")
        run.start()
        water.celsius = 30.0
        listener.wait_until(
            lambda: any(event["condition"] == "high" for event in listener.received), "the alarm"
        )
        assert run.stop() == 0
        runs = []
        for mark in (True, False):
            shutil.copy(folder / "before", path)
            if not mark:
                (folder / "journal.sqlite.newest").unlink()
            run.start()
            told = len(runs) + 1
            run.wait_for(lambda told=told: run.log.count("journal went back") >= told, "the word")
            assert run.stop() == 0
            seen = now(folder)
            runs.append(seen.journal.run)
            (said,) = [said.text for said in seen.said if said.kind == WENT_BACK]
            assert ("the broker kept event" if not mark else "events and at least") in said
        ids = [event["id"] for event in listener.received]
        assert len(set(runs)) == 2
        assert len(set(ids)) == len(ids)
