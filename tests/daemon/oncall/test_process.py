"""`bellwatch oncall` as a real process: a real broker, real messages over HTTP, everything killed at will.

A rack's voice is the daemon's own payloads; one test has the whole daemon and a probe on a pseudo-terminal.
"""

import gc
import json
import os
import re
import sqlite3
import threading
import time
from datetime import UTC, datetime

import pytest

from daemon.broker.connection import RECEIVED_AT_MOST, Connection
from daemon.clock import SteadyClock
from daemon.oncall.assembly import build
from daemon.oncall.check import load_oncall
from daemon.oncall.duty import duty_of
from daemon.oncall.messages import heard
from daemon.oncall.text_message import fits
from rules.alarms.event import Course
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.records import Voice
from tests.rigs.daemon_run import DaemonRun, chance, write_settings
from tests.rigs.oncall_run import SECRET, OnCallRun, write_oncall
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.rack_voice import RackVoice

KILLS = int(os.environ.get("BELLWATCH_TEST_ONCALL_KILLS", "5"))
SEED = 20261125


@pytest.fixture
def broker(tmp_path):
    with Mosquitto(tmp_path) as broker:
        yield broker


@pytest.fixture
def phones():
    with PageReceiver() as phones:
        yield phones


def fates(folder):
    """How many calls there are of each fate."""
    with sqlite3.connect(f"file:{folder}/oncall.sqlite?mode=ro", uri=True) as db:
        counted = dict(db.execute("SELECT fate, count(*) FROM page GROUP BY fate").fetchall())
    db.close()
    return counted


def kept_id(folder):
    """What tells the file of one process from that of another."""
    with sqlite3.connect(f"file:{folder}/oncall.sqlite?mode=ro", uri=True) as db:
        (found,) = db.execute("SELECT value FROM meta WHERE key = 'id'").fetchone()
    db.close()
    return found


def knows_the_rack(folder):
    """Whether the process has kept what it heard of the rack: then it listens."""
    with sqlite3.connect(f"file:{folder}/oncall.sqlite?mode=ro", uri=True) as db:
        bodies = [body for (body,) in db.execute("SELECT body FROM state")]
    db.close()
    return any('"north"' in body for body in bodies)


def connected(team):
    team.wait_for(lambda: "broker_connected" in team.log, "the connection")


def test_an_alarm_is_one_text_message_and_stops_once_somebody_has_seen_it(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port, repeat_s=0.5)
    with RackVoice(broker.port) as rack, OnCallRun(settings) as team:
        connected(team)
        rack.alarm()
        phones.wait_for(lambda: len(phones.texts("ada-1")) >= 2, "the call and its repeat")
        first, second = phones.texts("ada-1")[:2]
        at = re.match(
            r"CRITICAL north k1: temperature high 19.24 C \(limit 19.00\), as of (\d\d:\d\d), ", first
        )
        assert f"as of {at[1]}, +0.6/h, since {at[1]}. Chiller" in first
        assert "Mains off before wet work" in first
        assert (first[-4:-1], second[-4:-1]) == ("#1.", "#1.")
        assert first[-4:] < second[-4:]
        assert fits(first)
        answer = team.asks("ack", "#1.2", "--who", "ada")
        assert (answer.returncode, answer.stdout) == (0, "1: seen, says ada\n"), answer.stderr
        assert "no problem of this number" in team.asks("ack", "2").stderr
        sent = len(phones.texts())
        rack.alarm(Trigger.RETURNED, State.NORMAL)
        phones.wait_for(lambda: any(text.startswith("OVER") for text in phones.texts()), "word of the end")
        assert len(phones.texts()) == sent + 1
        assert "temperature high is over" in phones.texts()[-1]
        status = team.asks("status").stdout
        assert "On call: ada, then bo" in status
        assert team.stop() == 0
    assert SECRET not in team.log
    assert "/ada-1" not in team.log, "an address was logged"


def test_each_message_carries_the_numbers_of_the_time_at_which_it_is_sent(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port, repeat_s=0.5)
    with RackVoice(broker.port) as rack, OnCallRun(settings) as team:
        connected(team)
        alarm = rack.alarm().alarm
        phones.wait_for(lambda: phones.texts("ada-1"), "the call")
        left_ms = 3 * 3_600_000 + 60_000
        rack.beat(Course(alarm, 20.5, 1.2, 0, left_ms), Course("k9/temperature/high", 1, None, 0, None))
        now = "temperature high 20.50 C (was 19.24), as of "
        phones.wait_for(lambda: any(now in text for text in phones.texts("ada-1")), "the newer numbers")
        team.kill_after(0.0)
        team.start()
        phones.wait_for(lambda: any("20.50 C, as of" in text for text in phones.texts("ada-1")), "the next")
        told = next(text for text in phones.texts("ada-1") if now in text)
        assert ", critical in 3 h, for " in told
        assert all(fits(text) for text in phones.texts())
        assert team.stop() == 0
    assert "message_refused" not in team.log


def test_a_flood_is_answered_at_once_by_its_rack(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port, repeat_s=60)
    with (
        RackVoice(broker.port) as rack,
        RackVoice(broker.port, "south") as other,
        OnCallRun(settings) as team,
    ):
        connected(team)
        for number in range(12):
            rack.alarm(vessel=f"k{number}")
        other.alarm()
        phones.wait_for(lambda: any("south k1" in text for text in phones.texts()), "the last of them")
        team.wait_for(lambda: team.asks("status").stdout.count("calls, ") == 13, "all of them")
        answer = team.asks("ack", "--all-of", "north", "--who", "ada")
        assert (answer.returncode, answer.stdout.count("seen, says ada")) == (0, 12), answer.stderr
        status = team.asks("status").stdout
        assert (status.count("calls, "), status.count("seen or silenced")) == (1, 12)
        assert "nothing to answer" in team.asks("ack").stderr
        assert team.stop() == 0


def poison(rack):
    """What each ended the process before, at every start anew, by a client that is no rack of ours."""
    event = {
        "id": "j:1", "alarm": "k9/temperature/high", "vessel": "k9", "condition": "high", "event": "raised",
        "state": "unacknowledged", "priority": "critical", "at": "2026-11-02T03:12:00Z",
        "since": "2026-11-02T03:12:00Z",
    }  # fmt: skip
    heartbeat = '{"at": "2026-11-02T03:12:00Z", "alarms": %s}'
    said = [("heartbeat", heartbeat % "1e999"), ("heartbeat", heartbeat % ("9" * 401))]
    said += [
        (f"alarm/k9/temperature/odd-{number}", json.dumps(event | other))
        for number, other in enumerate(
            [
                {"at": "9999-12-31T23:59:59Z"},
                {"since": "0001-01-01T00:00:00Z"},
                {"value": 10**401},
                {"reason": "\ud800"},
                {"vessels": {"k": 1}},
            ]
        )
    ]
    said += [("event", "[" * 10_000), ("event", "x" * 100_000), ("event", b"\xff\xfe")]
    for kind, payload in said:
        rack.publish(f"bellwatch/north/{kind}", payload, retain=True)


def test_no_message_ends_the_process_and_people_are_told_that_a_rack_sends_what_cannot_be_read(
    tmp_path, broker, phones
):
    settings = write_oncall(tmp_path, broker.port, phones.port)
    with RackVoice(broker.port) as rack, OnCallRun(settings) as team:
        connected(team)
        rack.beat()
        poison(rack)
        phones.wait_for(lambda: any("cannot be read" in text for text in phones.texts()), "word of it")
        rack.alarm(vessel="k2")
        phones.wait_for(lambda: any("north k2: temp" in text for text in phones.texts()), "the real alarm")
        team.kill_after(0.0)
        team.start()
        rack.alarm(vessel="k3")
        phones.wait_for(lambda: any("north k3: temp" in text for text in phones.texts()), "the next one")
        assert team.stop() == 0
    assert "thread_died" not in team.log
    told = next(text for text in phones.texts() if "cannot be read" in text)
    assert told.startswith("CRITICAL north: sends what cannot be read, an alarm may be in it, since ")
    assert "message_refused" in team.log


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
def test_a_message_that_breaks_what_nobody_thought_of_is_set_aside_and_the_others_are_taken(
    tmp_path, broker, phones, monkeypatch
):
    def breaks(root, topic, payload, kept):
        if topic.endswith("/odd"):
            raise ZeroDivisionError("a fault that nobody thought of")
        return heard(root, topic, payload, kept)

    monkeypatch.setattr("daemon.oncall.process.heard", breaks)
    settings, routes = load_oncall(write_oncall(tmp_path, broker.port, phones.port))
    stop = threading.Event()
    with RackVoice(broker.port) as rack:
        rack.alarm(vessel="k1")
        rack.publish("bellwatch/north/alarm/odd", "anything", retain=True)
        thread = threading.Thread(target=lambda: build(settings, routes).run(stop))
        thread.start()
        try:
            phones.wait_for(lambda: len(phones.texts()) == 2, "the alarm, and word of what cannot be read")
        finally:
            stop.set()
            thread.join()
    assert sorted(text.split(":")[1][:6] for text in phones.texts()) == [" sends", " tempe"]


def test_who_does_not_answer_is_followed_by_the_next_person(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port, repeat_s=0.4, hand_over_s=0.8)
    with RackVoice(broker.port) as rack, OnCallRun(settings) as team:
        connected(team)
        rack.alarm()
        phones.wait_for(lambda: phones.texts("bo-1"), "the hand-over")
        assert phones.taken[0][0] == "ada-1"
        assert " #1." in phones.texts("bo-1")[0]


def test_what_comes_and_goes_alone_reaches_the_next_person_at_once_also_over_a_restart(
    tmp_path, broker, phones
):
    settings = write_oncall(tmp_path, broker.port, phones.port)
    team = OnCallRun(settings)
    with RackVoice(broker.port) as rack:
        with team:
            connected(team)
            rack.alarm()
            phones.wait_for(lambda: phones.texts("ada-1"), "the first call")
            rack.alarm(Trigger.RETURNED, State.NORMAL)
            phones.wait_for(lambda: len(phones.texts("ada-1")) == 2, "word of the end")
            team.wait_for(lambda: fates(tmp_path) == {"sent": 2}, "the marks")
            assert not phones.texts("bo-1")
            team.kill_after(0)
        with team:
            connected(team)
            rack.alarm()
            phones.wait_for(lambda: len(phones.texts()) == 4, "the calls about its return")
            assert phones.texts("ada-1")[2].startswith("BACK CRITICAL north k1: temperature high")
            assert phones.texts("bo-1")[0].startswith("BACK CRITICAL north k1: temperature high")
            rack.alarm(Trigger.RETURNED, State.NORMAL)
            phones.wait_for(lambda: len(phones.texts()) == 6, "word of the end to both")
            number = phones.texts("bo-1")[0].split(" #")[1].split(".")[0]
            late = team.asks("ack", number, "--who", "bo")
            assert (late.returncode, late.stdout) == (0, f"{number}: seen, says bo\n"), late.stderr
            rack.alarm()
            phones.wait_for(lambda: len(phones.texts()) == 7, "the call to who is on call")
            assert phones.texts("ada-1")[-1].startswith("CRITICAL ")
            assert team.stop() == 0
    assert len(phones.texts()) == 7


def test_a_route_that_fails_is_followed_by_the_next_then_by_the_next_person(tmp_path, broker, phones):
    """Nothing counts as sent before the receiving end has taken it."""
    settings = write_oncall(tmp_path, broker.port, phones.port, routes=2)
    phones.refuse("ada-1")
    with RackVoice(broker.port) as rack, OnCallRun(settings) as team:
        connected(team)
        rack.alarm(vessel="k1")
        phones.wait_for(lambda: phones.texts("ada-2"), "the second route")
        assert phones.refusals["ada-1"] == 2
        phones.refuse("ada-2", "bo-1", "bo-2")
        rack.alarm(vessel="k2")
        phones.wait_for(lambda: phones.refusals.get("bo-2", 0) >= 2, "every route of everybody")
        assert fates(tmp_path) == {"sent": 1, "waiting": 2}
        phones.accept("ada-1", "ada-2", "bo-1", "bo-2")
        phones.wait_for(lambda: len(phones.texts()) == 3, "what was owed")
        team.wait_for(lambda: fates(tmp_path) == {"sent": 3}, "the marks")
        assert all("k2" in text for text in phones.texts()[1:])


def test_what_happens_while_the_process_is_down_is_told_when_it_is_back(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port)
    team = OnCallRun(settings)
    with RackVoice(broker.port) as rack:
        with team:
            connected(team)
            team.wait_for(lambda: knows_the_rack(tmp_path), "the rack's first word")
            team.kill_after(0.1)
        rack.alarm(vessel="k1")
        rack.alarm(vessel="k2", priority=Priority.HIGH)
        rack.alarm(Trigger.ACKNOWLEDGED, State.ACKNOWLEDGED, vessel="k2", priority=Priority.HIGH, who="bo")
        rack.alarm(vessel="k4", priority=Priority.HIGH)
        rack.alarm(Trigger.RETURNED, State.NORMAL, vessel="k4", priority=Priority.HIGH)
        with team:
            phones.wait_for(phones.texts, "the call")
            for _ in range(RECEIVED_AT_MOST + 1):  # more than the broker sends before the first is confirmed
                rack.beat()
            rack.alarm(vessel="k3")
            phones.wait_for(lambda: len(phones.texts()) == 2, "the next call")
    assert [text.split(":")[0] for text in phones.texts()] == ["CRITICAL north k1", "CRITICAL north k3"]
    told_of_k4 = [line for line in team.log.splitlines() if '"heard"' in line and "k4/" in line]
    assert any('"step": "returned"' in line for line in told_of_k4), "the broker kept what came and went"


def test_a_broker_that_was_killed_and_forgot_everything_leaves_nobody_uncalled(tmp_path, broker, phones):
    """The broker keeps nothing on disk: its sessions and retained messages are gone with it."""
    settings = write_oncall(tmp_path, broker.port, phones.port)
    rack, team = RackVoice(broker.port), OnCallRun(settings)
    with team:
        connected(team)
        team.kill_after(0.1)
    with rack:
        rack.alarm(vessel="k1")
        broker.kill()
    broker.start()
    with rack, team:
        rack.say_again()
        phones.wait_for(phones.texts, "the call")
        broker.kill()
        rack.die()
        broker.start()
        rack.connect()
        rack.say_again()
        rack.alarm(vessel="k2")
        phones.wait_for(lambda: len(phones.texts()) == 2, "the call after the second loss")
    assert [text.split(":")[0] for text in phones.texts()] == ["CRITICAL north k1", "CRITICAL north k2"]


def test_a_rack_that_dies_is_called_and_its_return_is_told(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port)
    with RackVoice(broker.port) as rack, OnCallRun(settings) as team:
        connected(team)
        rack.beat()
        rack.die()
        silent = "north: rack silent, its water is not watched"
        phones.wait_for(lambda: said(phones, f"CRITICAL {silent}, since "), "the call")
        rack.connect()
        rack.beat()
        phones.wait_for(lambda: said(phones, f"OVER {silent}"), "word of the return")


def said(phones, start):
    """Whether a message that starts so has come."""
    return any(text.startswith(start) for text in phones.texts())


def test_a_rack_that_falls_silent_without_a_word_is_called(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port, heartbeats_missed=2)
    with RackVoice(broker.port) as rack, OnCallRun(settings) as team:
        connected(team)
        rack.beat()
        phones.wait_for(lambda: said(phones, "CRITICAL north: rack silent"), "the call")


def test_a_rack_that_was_stopped_on_purpose_is_told_less_loud_than_one_that_was_never_heard(
    tmp_path, broker, phones
):
    """The time without a heartbeat is longer for the one that was stopped."""
    both = 'racks = ["north", "south"]'
    settings = write_oncall(tmp_path, broker.port, phones.port, heartbeats_missed=10, oncall=both)
    with RackVoice(broker.port) as rack:
        rack.stop_on_purpose()
        with OnCallRun(settings) as team:
            connected(team)
            phones.wait_for(lambda: len(phones.texts()) > 1, "the calls")
            assert {text.split(":")[0] for text in phones.texts()} == {"CRITICAL south", "MEDIUM north"}


def test_a_broker_that_cannot_be_reached_is_called_and_its_return_is_told(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port, broker_after_s=1)
    with OnCallRun(settings) as team:
        connected(team)
        broker.kill()
        phones.wait_for(lambda: said(phones, "CRITICAL broker: broker not reached, no rack can"), "the call")
        broker.start()
        phones.wait_for(lambda: said(phones, "OVER broker"), "word of the return")


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
@pytest.mark.filterwarnings("ignore:Exception ignored in. <socket.socket")  # paho leaves them to the GC
def test_a_connection_whose_thread_dies_ends_the_process(tmp_path, broker, phones, monkeypatch):
    """paho would say "connected" for ever, and nobody would be called."""

    def breaks(*_):
        raise ZeroDivisionError("a fault that nobody thought of")

    monkeypatch.setattr(Connection, "_on_message", breaks)
    team = build(*load_oncall(write_oncall(tmp_path, broker.port, phones.port)))
    broker.publish("bellwatch/north/watch", "anything", "-r")
    with pytest.raises(ZeroDivisionError, match="nobody thought of"):
        team.run(threading.Event())
    broker.wait_for_log("Client bellwatch-oncall-desk disconnected")
    del team
    gc.collect()


def test_killed_at_random_it_calls_for_every_alarm_and_repeats_carry_the_same_id(tmp_path, broker, phones):
    settings = write_oncall(tmp_path, broker.port, phones.port, routes=2)
    luck, team, raised = chance(SEED), OnCallRun(settings), 0
    with RackVoice(broker.port) as rack, team:
        connected(team)
        for _ in range(KILLS):
            for _ in range(luck.randint(1, 3)):
                raised += 1
                rack.alarm(vessel=f"v{raised}")
                time.sleep(luck.random() * 0.1)  # part of the chance, nothing is waited for
            refusing = luck.random() < 0.4
            if refusing:
                phones.refuse("ada-1")
            team.kill_after(luck.random() * 1.2)
            phones.accept("ada-1")
            team.start()
        everybody = {f"v{number}" for number in range(1, raised + 1)}
        phones.wait_for(lambda: everybody <= vessels_in(phones.texts()), "a call each")
        team.wait_for(lambda: set(fates(tmp_path)) == {"sent"}, "every mark")
        assert team.stop() == 0
    by_id = {}
    for text in phones.texts():
        by_id.setdefault(text.split("#")[1], set()).add(text)
    assert all(len(texts) == 1 for texts in by_id.values()), "one id, one text"
    assert len(by_id) == raised, "no alarm was called under two ids"


def test_broker_rack_and_process_killed_at_random_leave_no_standing_alarm_uncalled(tmp_path, broker, phones):
    """The broker forgets everything each time; the rack says again what stands, as the daemon does."""
    settings = write_oncall(tmp_path, broker.port, phones.port)
    luck, team, rack, raised = chance(SEED + 1), OnCallRun(settings), RackVoice(broker.port), 0
    with team:
        connected(team)
        for _ in range(KILLS):
            victim = luck.choice(["broker", "rack", "team", "broker and team"])
            with rack:
                rack.say_again()
                for _ in range(luck.randint(1, 3)):
                    raised += 1
                    rack.alarm(vessel=f"v{raised}")
                if "broker" in victim:
                    broker.kill()
            if "team" in victim:
                team.kill_after(luck.random() * 0.5)
            if "broker" in victim:
                broker.start()
            if "team" in victim:
                team.start()
        with rack:
            rack.say_again()
            everybody = {f"v{number}" for number in range(1, raised + 1)}
            phones.wait_for(lambda: everybody <= vessels_in(phones.texts()), "a call each")
    by_id = {}
    for text in phones.texts():
        by_id.setdefault(text.split("#")[1], set()).add(text)
    assert all(len(texts) == 1 for texts in by_id.values()), "one id, one text"


def vessels_in(texts):
    return {text.split()[2].strip(":") for text in texts}


class Water:
    """What the probe measures; the test lets it warm up."""

    celsius = 15.0

    def __call__(self, request):
        return answer_frame(request[0], request[1], round(self.celsius * 100))


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
def test_a_medium_alarm_of_the_night_on_which_summer_time_begins_is_told_at_seven_by_the_clock(
    tmp_path, broker, phones
):
    """Copenhagen, 29 March 2026 (Directive 2000/84/EC): seven o'clock is 05:00 UTC, not 06:00.

    The process runs under a clock of the test's own, sixty times as fast; the same night in October
    and in New York are tested without wires (test_escalation).
    """
    quiet = '\n[quiet_hours]\nfrom = "22:00"\nuntil = "07:00"\n'
    path = write_oncall(tmp_path, broker.port, phones.port)
    path.write_text(path.read_text() + quiet)
    settings, routes = load_oncall(path)
    seven_ms = round(datetime(2026, 3, 29, 5, tzinfo=UTC).timestamp() * 1000)
    clock, stop = SteadyClock(seven_ms - 120_000, scale=60), threading.Event()
    thread = threading.Thread(target=lambda: build(settings, routes, clock).run(stop))
    thread.start()
    try:
        with RackVoice(broker.port) as rack:
            rack.alarm(priority=Priority.MEDIUM)
            phones.wait_for(phones.texts, "the call")
    finally:
        stop.set()
        thread.join()
    with sqlite3.connect(f"file:{tmp_path}/oncall.sqlite?mode=ro", uri=True) as state:
        (first,) = state.execute("SELECT min(at_ms) FROM page").fetchone()
    state.close()
    assert first == seven_ms


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
def test_the_daily_word_comes_at_its_time_to_whoever_is_on_call_with_every_rack_and_no_alarm(
    tmp_path, broker, phones
):
    """Seven o'clock in Copenhagen, under a clock of the test's own, sixty times as fast."""
    path = write_oncall(tmp_path, broker.port, phones.port)
    path.write_text(path.read_text() + '\n[daily_word]\nada = "07:00"\nbo = "07:00"\n')
    settings, routes = load_oncall(path)
    seven_ms = round(datetime(2026, 3, 27, 6, tzinfo=UTC).timestamp() * 1000)
    on_call = duty_of(settings).rota.on_call(seven_ms)
    clock, stop = SteadyClock(seven_ms - 180_000, scale=60), threading.Event()
    thread = threading.Thread(target=lambda: build(settings, routes, clock).run(stop))
    thread.start()
    try:
        with RackVoice(broker.port):
            phones.wait_for(phones.texts, "the word")
    finally:
        stop.set()
        thread.join()
    (text,) = phones.texts(f"{on_call}-1")
    assert text.startswith("07:00 north watched")
    assert "last drill" in text
    assert fits(text)
    assert phones.texts() == [text], "nobody else"


OWN_RECORDS = """
[records."temperature/high_high"]
check = "Bath pump on?"
[records."temperature/rising"]
check = "Bath pump on?"
[records."heading_out"]
check = "Bath pump on?"
"""


def test_from_the_probe_to_the_phone_and_the_acknowledgement_back_to_the_rack(tmp_path, broker, phones):
    """Probe, daemon, broker, on-call, phone; and back through the broker into the journal."""
    water, line = Water(), PtyLine(tmp_path / "serial")
    with Peer(line, water):
        more = "[commands]\nenabled = true\n" + OWN_RECORDS
        rack_settings = write_settings(tmp_path, line.path, broker.port, more=more)
        rack = DaemonRun(rack_settings)
        rack.start()
        try:
            with OnCallRun(write_oncall(tmp_path, broker.port, phones.port, commands=True)) as team:
                connected(team)
                rack.wait_for(lambda: "broker_connected" in rack.log, "the desk")
                water.celsius = 27.0
                phones.wait_for(phones.texts, "the call")
                assert phones.texts()[0].startswith("CRITICAL bench k1: temperature ")
                assert "Bath pump on?" in phones.texts()[0], "the rack's own record"
                number = phones.texts()[0].split("#")[1]
                assert team.asks("ack", number, "--who", "ada").returncode == 0
                team.wait_for(lambda: "rack_answered" in team.log, "the rack's answer")
                with sqlite3.connect(f"file:{tmp_path}/journal.sqlite?mode=ro", uri=True) as journal:
                    said = journal.execute("SELECT who FROM action WHERE kind = 'acknowledge'").fetchall()
                journal.close()
                assert said
                assert set(said) == {("ada",)}
                rack.kill_after(0.1)
                phones.wait_for(
                    lambda: any("rack silent" in text for text in phones.texts()), "its last will"
                )
        finally:
            rack.end_by_force()
    line.unplug()


def test_two_processes_of_one_name_are_a_critical_problem_that_names_both(tmp_path, broker, phones):
    """Each takes the other's session at the broker again and again: both hear half, neither would know."""
    folders = [tmp_path / name for name in ("one", "two")]
    for folder in folders:
        folder.mkdir()
    with (
        OnCallRun(write_oncall(folders[0], broker.port, phones.port)) as one,
        OnCallRun(write_oncall(folders[1], broker.port, phones.port)) as two,
    ):
        told = "two of one name"
        for team in (one, two):
            team.wait_for(lambda: any(told in text for text in phones.texts()), "the call")
        states = [kept_id(folder)[:6] for folder in folders]
        texts = [text for text in phones.texts() if told in text]
        assert all(text.startswith("CRITICAL broker: throws us out again and again") for text in texts)
        assert any(all(state in text for state in states) for text in texts), texts


def test_two_racks_of_one_name_are_called_and_neither_silences_the_other(tmp_path, broker, phones):
    voices = [Voice(f"{letter * 8}", "r", f"boot-{letter}", f"{letter}-pi") for letter in "ab"]
    with (
        OnCallRun(write_oncall(tmp_path, broker.port, phones.port, repeat_s=0.5)) as team,
        RackVoice(broker.port, "north", voices[0]) as one,
        RackVoice(broker.port, "north", voices[1]) as other,
    ):
        connected(team)
        one.alarm()
        for _ in range(4):
            one.beat()
            other.beat()
        phones.wait_for(lambda: any("two racks" in text for text in phones.texts()), "the call")
        text = next(text for text in phones.texts() if "two racks" in text)
        assert "journal aaaaaa on a-pi" in text
        assert "journal bbbbbb on b-pi" in text
        before = len([text for text in phones.texts() if "temperature high" in text])
        other.beat()
        phones.wait_for(
            lambda: len([text for text in phones.texts() if "temperature high" in text]) > before,
            "its repeat",
        )
        assert not [text for text in phones.texts() if text.startswith("OVER")]
