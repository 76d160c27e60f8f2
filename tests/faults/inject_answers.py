"""Faults of the on-call process's own past, and of what is said to it over the broker."""

import json
import re
import shutil
import sqlite3
import subprocess
import sys
import time
import uuid
from contextlib import closing
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.faults.chain import Came
from tests.faults.inject_team import ALARM
from tests.faults.whole_rack import Team, WholeRack
from tests.rigs.parts.subscriber import Subscriber
from tests.rigs.places import ROOT

FILES = ("", "-wal", "-shm")
HOUR_MS = 3_600_000
HOT = 30.0


def copied(run, folder):
    """Stop the process, copy its file as a backup does, and start it again."""
    run.stop()
    shutil.copy(folder / "oncall.sqlite", folder / "copy.sqlite")
    run.start()


def put_back(run, folder):
    run.stop()
    for end in FILES:
        (folder / f"oncall.sqlite{end}").unlink(missing_ok=True)
    shutil.copy(folder / "copy.sqlite", folder / "oncall.sqlite")


def begins_anew(desk, before):
    """Start it, let another vessel call, and say whether one number means two things now."""
    desk.mark()
    desk.team.start()
    desk.team.wait_for(lambda: "broker_connected" in desk.team.log, "the broker")
    desk.voice.alarm(vessel="k3")
    came = desk.called("north k3: ", patience_s=60.0)
    means = {
        (call, vessel)
        for text in [*before, *desk.texts()]
        for call, vessel in zip(
            re.findall(r"#(\d+)\.", text), re.findall(r"north (k\d): ", text), strict=False
        )
    }
    numbers = [number for number, _ in means]
    twice = sorted({number for number in numbers if numbers.count(number) > 1})
    return came._replace(wrong=f"given out twice: {twice}" if twice else "")


def two_alarms(desk, folder):
    """Two vessels call; the file is copied between them. Return what people have in their messages."""
    desk.voice.alarm()
    desk.called(ALARM)
    copied(desk.team, folder)
    desk.voice.alarm(vessel="k2")
    desk.called("north k2: ")
    return desk.texts()


def oncall_restored_forgotten(folder):
    with Team(folder) as desk:
        before = two_alarms(desk, folder)
        put_back(desk.team, folder)
        desk.voice.die()
        desk.broker.kill()
        desk.broker.start()
        desk.voice.connect()
        return begins_anew(desk, before)


def oncall_restored_both(folder):
    """The broker's word is as old as the file: both say the same, and nothing tells but the time."""
    with Team(folder) as desk:
        before = two_alarms(desk, folder)
        put_back(desk.team, folder)
        with closing(sqlite3.connect(folder / "oncall.sqlite", isolation_level=None)) as file:
            file.execute(
                "UPDATE state SET body = json_set(body, '$.clock_ms', json_extract(body, '$.clock_ms') - ?)",
                (HOUR_MS,),
            )
            kept = [
                json.loads(file.execute("SELECT body FROM state").fetchone()[0])["calls"][name]
                for name in ("last_number", "summaries", "written")
            ]
            (name,) = file.execute("SELECT value FROM meta WHERE key = 'id'").fetchone()
        said = f"state {name[:6]} on here, numbers {' '.join(map(str, kept))} 0a1b2c"
        desk.voice.publish("bellwatch/_oncall/name/desk", said, retain=True)
        return begins_anew(desk, before)


def oncall_restored_under(folder):
    """The copy takes the file's place under the running process, whose log stays beside it."""
    with Team(folder) as desk:
        before = two_alarms(desk, folder)
        shutil.copy(folder / "copy.sqlite", folder / "moved.sqlite")
        (folder / "moved.sqlite").rename(folder / "oncall.sqlite")
        desk.voice.alarm(vessel="k4")
        desk.called("north k4: ")
        before = [*before, *desk.texts()]
        desk.team.kill_after(0.0)
        return begins_anew(desk, before)


def oncall_end_missed(folder):
    """A real rack, since it is the rack that says again what is over."""
    with WholeRack(folder, broker="oncall = true") as rack:
        rack.mark()
        rack.line.celsius[1] = HOT
        rack.called(r"CRITICAL north k1: .*temperature")
        copied(rack.team, folder)
        rack.line.celsius[2] = HOT
        rack.called(r"CRITICAL north k2: .*temperature")
        acknowledge(rack, "k1/temperature/high_high")
        rack.line.celsius[1] = 15.0
        rack.watch.wait_for(lambda: not heat_of_k1(rack), "the end")
        put_back(rack.team, folder)
        rack.team.start()
        rack.team.wait_for(lambda: "file_went_back" in rack.team.log, "the on-call process")
        return rack.mark().called("OVER north k1", patience_s=60.0)


def heat_of_k1(rack):
    return [alarm.name for alarm in rack.view().alarms if alarm.name.startswith("k1/temperature/high")]


def acknowledge(rack, alarm):
    ask = [sys.executable, "-m", "daemon", "ack", alarm, "--who", "ada"]
    ask += ["--settings", str(rack.settings_file)]
    subprocess.run(ask, cwd=ROOT, timeout=60, check=True, capture_output=True)


class Answering(Team):
    """Hears answers over the broker; `says` gives one in somebody's name."""

    def __init__(self, folder, **how):
        super().__init__(folder, start=False, **how)
        file = folder / "oncall.toml"
        file.write_text(file.read_text() + "answers = true\n")
        self.team.start()
        self.team.wait_for(lambda: "broker_connected" in self.team.log, "the on-call process")
        self.replies = self._stack.enter_context(Subscriber(self.broker.port, "bellwatch/_oncall/reply/#"))
        self.mark()

    def says(self, who, problems, *, ago_s=0, retain=False):
        self.voice.publish(f"bellwatch/_oncall/said/desk/{who}", an_answer(problems, ago_s), retain=retain)

    def refused(self, why):
        """Return what came of an answer that is to be refused."""
        until = time.monotonic() + 15
        while time.monotonic() < until:
            if any(why in it.payload for it in self.replies.heard):
                return Came(self.passed_s())
            time.sleep(0.05)
        return Came(None)


def an_answer(problems, ago_s=0):
    issued = datetime.now(UTC) - timedelta(seconds=ago_s)
    said = {"id": uuid.uuid4().hex, "reply": "seen", "problems": problems, "issued_at": issued.isoformat()}
    return json.dumps(said)


def calls_on(desk, came):
    """The alarm goes on calling: nothing silenced it."""
    silenced = "calls, " not in desk.team.asks("status").stdout
    return came._replace(wrong="silenced" if silenced else "")


def oncall_answer_forged(folder):
    with Answering(folder) as desk:
        desk.voice.alarm()
        desk.called(ALARM)
        desk.mark().says("zoe", [1])
        return calls_on(desk, desk.refused("not in the rota"))


def oncall_answer_old(folder):
    with Answering(folder) as desk:
        desk.voice.alarm()
        desk.called(ALARM)
        desk.mark().says("ada", [1], ago_s=600)
        return calls_on(desk, desk.refused("600 s old"))


def oncall_answer_kept(folder):
    with Answering(folder) as desk:
        desk.team.stop()
        desk.says("ada", [1], retain=True)
        desk.voice.alarm()
        desk.mark()
        desk.team.start()
        came = desk.refused("kept by the broker")
        return calls_on(desk, came if desk.called(ALARM).after_s is not None else Came(None, "not called"))


def oncall_answer_guessed(folder):
    """Numbers that nobody was told are answered over and over while an alarm comes that will have one."""
    with Answering(folder) as desk, desk.beating():
        desk.voice.alarm()
        for _ in range(8):
            desk.says("bo", list(range(1, 21)))
            if any(re.search(ALARM, text) for text in desk.texts()):
                break
            time.sleep(0.1)
        return desk.called(ALARM)


def oncall_answers_flood(folder):
    """Five thousand answers as fast as the broker takes them, two hundred numbers in each."""
    with Answering(folder) as desk, desk.beating():
        gone_wild = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        gone_wild.max_queued_messages_set(0)
        gone_wild.max_inflight_messages_set(1000)
        gone_wild.connect("127.0.0.1", desk.broker.port)
        gone_wild.loop_start()
        for _ in range(5000):
            gone_wild.publish("bellwatch/_oncall/said/desk/bo", an_answer(list(range(1000, 1200))), qos=1)
        time.sleep(1.0)
        desk.mark()
        desk.voice.alarm()
        came = desk.called(ALARM, patience_s=60.0)
        gone_wild.disconnect()
        gone_wild.loop_stop()
        silent = [text for text in desk.texts() if "rack silent" in text]
        return came._replace(wrong=f"{silent[0]}" if silent else "")
