"""Faults between parts that both go on: a clock is set, an answer is under way, a server wants patience."""

import json
import threading
import time
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from unittest.mock import patch

from daemon import clock
from daemon.oncall.assembly import build
from daemon.oncall.check import load_oncall
from daemon.oncall.store import OnCallStore
from rules.alarms.life_cycle import Priority, Trigger
from rules.calling.records import Answer, Reply
from tests.faults.chain import Came
from tests.faults.inject_doors import HOUR_MS, NOW_MS, ClockedRack, Wall
from tests.faults.inject_rack import hot_is_called, mirror_answers
from tests.faults.inject_team import ALARM, DAY_MS, said_at
from tests.faults.whole_rack import RACK_SILENT_S, Team, WholeRack
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.rack_voice import RackVoice


class SystemTime:
    """Stands for the module `time`: the system's clock is off by so much until somebody sets it."""

    def __init__(self, off_s):
        self.off_s, self.monotonic = off_s, time.monotonic

    def time(self):
        return time.time() + self.off_s


@contextmanager
def begun(folder):
    """The process in a thread of this one; give the time at which it began by its own clock."""
    stop, (settings, routes) = threading.Event(), load_oncall(folder / "oncall.toml")
    thread = threading.Thread(target=lambda: build(settings, routes).run(stop))
    try:
        with closing(OnCallStore(folder / "oncall.sqlite")) as file:
            thread.start()
            until = time.monotonic() + 20
            while file.state() is None and time.monotonic() < until:
                time.sleep(0.05)
            yield file.state()["clock_ms"]
    finally:
        stop.set()
        thread.join(20)


def oncall_clock_behind(folder):
    """It begins by the date of a week ago, which a machine without a battery keeps over an outage."""
    system = SystemTime(-7 * DAY_MS / 1000)
    with Team(folder, start=False) as desk, patch.object(clock, "time", system):
        with begun(folder) as began_ms:
            system.off_s = 0
            desk.mark()
            desk.voice.alarm()
            came = desk.called(ALARM)
        wrong = [text for text in desk.texts() if "bo-" in text.partition(":")[0]]
        late = "" if began_ms < (time.time() * 1000) - DAY_MS else "it did not begin behind"
        return came._replace(wrong=f"called: {wrong[0]}" if wrong else late)


def oncall_clock_ahead(folder):
    """It begins two hours ahead, as where the machine keeps local time, and the clock is set back."""
    system = SystemTime(7200)
    with Team(folder, start=False) as desk, patch.object(clock, "time", system):
        path = folder / "oncall.toml"
        path.write_text(path.read_text().replace("enabled = false", "enabled = true\nanswers = true"))
        with begun(folder) as began_ms, closing(OnCallStore(folder / "oncall.sqlite")) as file:
            system.off_s = 0
            desk.mark()
            desk.voice.alarm()
            assert desk.called(ALARM).after_s is not None
            desk.mark()
            now = datetime.now(UTC).isoformat()
            said = {"id": "answer-of-ada", "reply": "seen", "all_of": "north", "issued_at": now}
            desk.voice.publish("bellwatch/_oncall/said/desk/ada", json.dumps(said))
            until = time.monotonic() + 10
            while (refusal := file.replied("ada answer-of-ada")) is None and time.monotonic() < until:
                time.sleep(0.05)
        late = "" if began_ms > time.time() * 1000 + HOUR_MS else "it did not begin ahead"
        return Came(desk.passed_s() if refusal == "" else None, late)


def clock_oncall_jumps(folder):
    """The system's clock goes on by two hours at once while a rack speaks, which is not silent for that."""
    system = SystemTime(0)
    with Team(folder, start=False) as desk, patch.object(clock, "time", system), begun(folder):
        desk.beats(RACK_SILENT_S)
        system.off_s = 7200
        desk.beats(2 * RACK_SILENT_S)
        with closing(OnCallStore(folder / "oncall.sqlite")) as file:
            late = "" if file.state()["clock_ms"] > time.time() * 1000 + HOUR_MS else "it did not jump"
        return Came(0.0, f"called: {desk.texts()[0]}" if desk.texts() else late)


def broker_end_again(folder):
    """The broker says once more that an alarm is over, as it was an hour ago, while that stands again."""
    with WholeRack(folder, oncall={"hand_over_s": 60}) as rack:
        assert hot_is_called(rack).after_s is not None
        (alarm,) = {it.name for it in rack.standing() if it.priority == "critical"}
        rack.mark()
        with RackVoice(rack.broker.port, "south") as other:
            other.publish(f"bellwatch/north/alarm/{alarm}", b"", retain=True)
            return rack.called("CRITICAL north k1: temperature", "alarm")


def clock_set_back_heard(folder):
    """The rack's clock is set back by two hours: its signs of life go on, and so do its alarms."""
    with Team(folder, speaks=False, oncall='racks = ["bench"]') as desk:
        wall = Wall(int(time.time() * 1000), synchronised=True)
        with ClockedRack(folder, wall, desk.broker.port) as rack:
            desk.mark()
            wall.ahead_ms = -2 * HOUR_MS
            time.sleep(2 * RACK_SILENT_S)
            wrong = [text for text in desk.texts() if "silent" in text]
            rack.centi_c = 3000
            desk.mark()
            came = desk.called("CRITICAL bench k1: temperature", "alarm")
    return came._replace(wrong=f"called: {wrong[0]}" if wrong else "")


DATED = """
[buses.air]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
[probes.k1-air]
bus = "air"
vessel = "k1"
every_s = 1
topic = "water/k1"
format = "senml"
fields = [{{ quantity = "temperature", senml_name = "t" }}]
"""


def clock_set_back_dated(folder):
    """The clock is set back by two hours, by which a gateway on the same machine dates what it sends."""
    wall, before = Wall(NOW_MS, synchronised=True), 0
    with (
        Mosquitto(folder) as broker,
        ClockedRack(folder, wall, broker.port, DATED.format(port=broker.port)) as rack,
    ):

        def heard():
            record = {"n": "t", "u": "Cel", "v": 15.0, "t": wall.utc_ms() / 1000}
            broker.publish("water/k1", json.dumps([record]))
            return rack.count("k1-air") > before

        assert rack.wait_for(heard), "it was never heard"
        wall.ahead_ms, began_s = -2 * HOUR_MS, time.monotonic()
        rack.wait_for(lambda: any(it.kind == "clock set" for it in rack.view().said), 15.0)
        after_s, before = time.monotonic() - began_s, rack.count("k1-air")
        return Came(after_s, "" if rack.wait_for(heard) else "what it says is dropped")


def person_seen_before_worse(folder):
    """Somebody says that it is seen while the word that it is critical is gathered."""
    with Team(folder) as desk:
        desk.voice.alarm(priority=Priority.HIGH)
        assert desk.called("HIGH north k1").after_s is not None
        desk.mark()
        with closing(OnCallStore(folder / "oncall.sqlite")) as file:
            desk.voice.alarm(Trigger.WORSENED)
            asked = file.ask(1, Answer(Reply.SEEN, "ada"))
            came = desk.called("CRITICAL north k1")
            said = file.answer_to(asked)
        return came._replace(wrong="" if said else "it was taken as seen")


def person_asleep_and_again(folder):
    """A vessel is beyond its critical limit, well by itself, and beyond it once more; nobody answers."""
    with WholeRack(folder, oncall={"hand_over_s": 600}) as rack:
        assert hot_is_called(rack).after_s is not None
        rack.line.celsius[1] = 15.0
        assert rack.called("ada-.*OVER north k1", patience_s=30.0).after_s is not None
        early = [text for text in rack.texts() if "bo-" in text.partition(":")[0]]
        came = hot_is_called(rack)
        people = {who for who in ("ada", "bo") if rack.called(f"{who}-.*CRITICAL north k1", "alarm").after_s}
        wrong = "" if people == {"ada", "bo"} else f"at its return only {people} were called"
        return came._replace(wrong=f"called before: {early[0]}" if early else wrong)


def disk_mirror_asks_for_patience(folder):
    head = b"HTTP/1.1 429 Too Many Requests\r\nRetry-After: 1e300\r\nContent-Length: 0\r\n\r\n"
    return mirror_answers(folder, head, "answers 429")


def racks_restored_behind(folder):
    """A journal is put back on a machine whose clock is right; before, that was a year ahead in an alarm."""
    with Team(folder) as desk:
        said_at(desk.voice, 365 * DAY_MS)
        assert desk.called(ALARM).after_s is not None
        desk.voice.die()
        with closing(OnCallStore(folder / "oncall.sqlite")) as file:
            file.ask(1, Answer(Reply.SEEN, "ada"))
            desk.team.wait_for(lambda: not file.asked(), "the answer")
        with RackVoice(desk.broker.port, voice=replace(desk.voice.voice, run="run-2")) as later:
            later.alarm(Trigger.WORSENED)
            desk.mark()
            later.beat()
            later.say_again()  # as a rack does whom the receipt asks for what stands
            return desk.called(ALARM)
