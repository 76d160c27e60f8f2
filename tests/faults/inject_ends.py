"""Faults at the joint itself: each end is right by its own settings, clock or memory, and the two differ."""

import json
import sqlite3
import threading
import time
from contextlib import closing, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from unittest.mock import patch

from daemon import clock
from daemon.broker.messages import heartbeat_message
from tests.faults.chain import Came
from tests.faults.inject_passing import SystemTime, begun
from tests.faults.inject_rack import hot_is_called
from tests.faults.inject_team import ALARM, bad_service, silent
from tests.faults.whole_rack import RACK_SILENT_S, Team, WholeRack, short_oncall
from tests.rigs.journal_file import asked
from tests.rigs.oncall_run import OnCallRun
from tests.rigs.rack_voice import RackVoice


def racks_slower_beat(folder):
    """The rack's settings let it give a sign of life less often than the on-call settings know."""
    with WholeRack(folder, watch=False) as rack:
        text = rack.settings_file.read_text()
        rack.settings_file.write_text(text.replace("heartbeat_s = 0.5", "heartbeat_s = 3.5"))
        rack.begin()
        rack.team.wait_for(lambda: _every_ms(rack) == [3500], "how often it says that it lives")
        rack.mark()
        time.sleep(4 * RACK_SILENT_S)
        wrong = silent(rack)
        came = hot_is_called(rack)
        rack.watch.pause()
        rack.mark()
        missed = rack.called("CRITICAL north: rack silent", patience_s=5 * 3.5 + 10)
        hangs = "" if missed.after_s is not None else "a rack that hangs is not missed"
        return came._replace(wrong=wrong or hangs)


def _every_ms(rack):
    rows = asked(rack.folder / "oncall.sqlite", "SELECT body FROM state")
    return [its.get("every_ms") for (body,) in rows for its in json.loads(body)["signs"]["racks"].values()]


def broker_beat_kept(folder):
    """The broker keeps a sign of life of before the machine started anew: it comes at each connection."""
    with Team(folder, start=False, speaks=False) as desk, RackVoice(desk.broker.port) as voice:
        before = replace(voice.voice, run="run-0", boot="boot-0")
        kept = heartbeat_message(voice.topic, round(time.time() * 1000), 0, 0, before)
        voice.publish(kept.topic, kept.payload, retain=True)
        with desk.beating(voice):
            for _ in range(3):
                _reached_anew(desk)
                time.sleep(0.7)
        voice.alarm()
        came = desk.called(ALARM)
        wrong = [text for text in desk.texts() if "two racks" in text]
        voice.die()
        assert wrong or desk.called("CRITICAL north: rack silent", "gone").after_s is not None
        desk.mark()
        _reached_anew(desk)
        with RackVoice(desk.broker.port, "south") as other:
            other.alarm()  # comes behind what the broker keeps
            assert desk.called("CRITICAL south k1: temp").after_s is not None
        wrong += [text for text in desk.texts() if "OVER" in text]
        return came._replace(wrong=f"called: {wrong[0]}" if wrong else "")


def _reached_anew(desk):
    """Let the on-call process start again, which hears all that the broker keeps."""
    desk.team.end_by_force()
    connected = desk.team.log.count("broker_connected")
    desk.team.start()
    desk.team.wait_for(lambda: desk.team.log.count("broker_connected") > connected, "the broker")


def _swap(desk, begins_in, person="bo"):
    """Write into the settings that somebody takes over, an hour long."""
    path, begins = desk.folder / "oncall.toml", datetime.now(UTC) + begins_in
    until = begins + timedelta(hours=1)
    swap = (
        f'swaps = [{{ from = "{begins.isoformat()}", until = "{until.isoformat()}", person = "{person}" }}]'
    )
    path.write_text(path.read_text().replace("[rota]\n", f"[rota]\n{swap}\n"))


def _to(desk, person, about=ALARM):
    """Return what a person was told of the alarm since the mark."""
    return [text for text in desk.texts() if f"{person}-" in text.partition(":")[0] and about in text]


def clock_oncall_set_back(folder):
    """The on-call machine's clock is half an hour ahead, in which the turn changes, and is set back."""
    system = SystemTime(1800)
    with Team(folder, start=False, hand_over_s=60) as desk, patch.object(clock, "time", system):
        _swap(desk, timedelta(minutes=15))
        with begun(folder) as began_ms:
            system.off_s = 0
            desk.mark()
            desk.voice.alarm()
            came = desk.called(ALARM)
        late = "" if began_ms > time.time() * 1000 + 900_000 else "it did not begin ahead"
        return came._replace(wrong=f"called: {_to(desk, 'bo')[0]}" if _to(desk, "bo") else late)


def person_turn_begins(folder):
    """The turn goes over while who was on call before has not answered."""
    with Team(folder, start=False, hand_over_s=60) as desk:
        _swap(desk, timedelta(seconds=8))
        began_s = time.monotonic()
        desk.team.start()
        desk.voice.alarm()
        early = desk.called(ALARM)
        wrong = (
            "" if early.after_s is not None and _to(desk, "ada") else "who was on call first was not called"
        )
        until = began_s + 8
        while not _to(desk, "bo") and time.monotonic() < until + 10:
            time.sleep(0.05)
        return Came(time.monotonic() - until if _to(desk, "bo") else None, wrong)


def oncall_new_rota(folder):
    """Another rota is put in force while who was on call by the old one has not answered."""
    with Team(folder, hand_over_s=60) as desk:
        desk.voice.alarm()
        assert desk.called(ALARM).after_s is not None
        path = folder / "oncall.toml"
        path.write_text(path.read_text().replace('people = ["ada", "bo"]', 'people = ["bo", "ada"]'))
        desk.mark()
        desk.team.stop()
        desk.team.start()
        until = time.monotonic() + 15
        while not _to(desk, "bo") and time.monotonic() < until:
            time.sleep(0.05)
        return Came(desk.passed_s() if _to(desk, "bo") else None)


def oncall_forgotten(folder):
    """A process of another name calls beside ours, which somebody set up once and nobody stopped."""
    with Team(folder) as desk, desk.beating():
        (folder / "old").mkdir()
        path = short_oncall(folder / "old", desk.broker.port, desk.phones.port)
        path.write_text(path.read_text().replace('name = "desk"', 'name = "old-desk"'))
        old = OnCallRun(path)
        old.start()
        came = desk.called("two on-call processes call people.*: desk on .* and old-desk on ")
        time.sleep(2.0)
        times = _to(desk, "ada", ": desk on")
        old.stop()
        return came._replace(wrong="" if len(times) == 1 else f"told {len(times)} times")


def racks_cloned_calm(folder):
    """A copy of the card is tried out on another machine, where nothing stands, while an alarm does here."""
    with Team(folder) as desk:
        desk.voice.alarm()
        assert desk.called(ALARM).after_s is not None
        desk.beats(0.6)
        desk.mark()
        copy = replace(desk.voice.voice, boot="boot-9", host="bench-pi")
        with RackVoice(desk.broker.port, voice=copy) as twin, desk.beating(twin, desk.voice):
            came = desk.called("CRITICAL north: is the name of two racks")
            still = desk.called(r"CRITICAL north \(journal .* k1: temp")
        over = [text for text in desk.texts() if "OVER" in text]
        lost = "" if still.after_s is not None else "the alarm stands no more"
        return came._replace(wrong=f"called: {over[0]}" if over else lost)


def oncall_taken_back(folder):
    """A later version of the process was tried in the middle of an alarm, and taken back: its file stays."""
    with Team(folder) as desk, desk.beating():
        desk.voice.alarm()
        assert desk.called(ALARM).after_s is not None
        desk.team.stop()
        with closing(sqlite3.connect(folder / "oncall.sqlite")) as file, file:
            ((body,),) = file.execute("SELECT body FROM state").fetchall()
            later = json.loads(body)
            later |= {"version": later["version"] + 1, "later": {}}
            file.execute("UPDATE state SET body = ?", (json.dumps(later),))
        desk.mark()
        desk.team.start()
        came = desk.called(ALARM)
        again = [text for text in _to(desk, "ada") if "#1." in text]
        return came._replace(wrong="a number means two things" if again else "")


def _trickle(connection):
    """Begin to answer, and go on with a byte a second: no time-out between two bytes ever ends that."""

    def answer():
        with suppress(OSError):
            connection.sendall(b"HTTP/1.1 200 OK\r\nX-Slow: ")
            while True:
                connection.sendall(b"a")
                time.sleep(1.0)

    threading.Thread(target=answer, daemon=True).start()


def route_trickles(folder):
    """One message service of everybody answers byte by byte while six vessels call at once."""
    with bad_service(_trickle) as port, Team(folder, start=False, hand_over_s=900, repeat_s=300) as desk:
        routes = folder / "routes.toml"
        text = routes.read_text()
        for person in ("ada", "bo"):
            text = text.replace(f"127.0.0.1:{desk.phones.port}/{person}-1", f"127.0.0.1:{port}/{person}-1")
        routes.write_text(text)
        desk.team.start()
        desk.team.wait_for(lambda: "broker_connected" in desk.team.log, "the on-call process")
        desk.mark()
        with desk.beating():
            for number in range(1, 7):
                desk.voice.alarm(vessel=f"k{number}")
            came = [desk.called(f"north k{number}: temp", patience_s=130.0) for number in range(1, 7)]
        late = [it.after_s for it in came]
        return Came(None if None in late else max(late))


def _pages_torn(path):
    raw = bytearray(path.read_bytes())
    raw[1000:9000] = b"\x13" * 8000
    path.write_bytes(raw)


def _zeros(path):
    path.write_bytes(bytes(path.stat().st_size))


def _state_torn(path):
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("UPDATE state SET body = substr(body, 1, 200)")


def file_oncall_state_damaged(folder):
    """In the middle of an alarm: in its pages, its first bytes, or the words in it."""
    latest, wrong = 0.0, ""
    for spoil in (_pages_torn, _zeros, _state_torn):
        (own := folder / spoil.__name__).mkdir()
        with Team(own) as desk, desk.beating():
            desk.voice.alarm()
            assert desk.called(ALARM).after_s is not None
            desk.team.stop()
            for path in own.glob("oncall.sqlite-*"):
                path.unlink()
            spoil(own / "oncall.sqlite")
            desk.mark()
            desk.team.start()
            came = desk.called(ALARM)
            if came.after_s is None:
                return came._replace(wrong=spoil.__name__)
            latest = max(latest, came.after_s)
            if [text for text in _to(desk, "ada") if "#1." in text] or not [
                *own.glob("oncall.sqlite.damaged-*")
            ]:
                wrong = f"{spoil.__name__}: a number means two things, or the damaged file is gone"
    return Came(latest, wrong)
