"""Faults between racks and people, with the real on-call process, a real broker and phones that take JSON."""

import signal
import socket
import sqlite3
import threading
import time
from contextlib import closing, contextmanager

from rules.calling.records import Voice
from tests.faults.chain import Came
from tests.faults.proxy import Network
from tests.faults.whole_rack import RACK_SILENT_S, Team, short_oncall
from tests.rigs.oncall_run import OnCallRun
from tests.rigs.rack_voice import RackVoice

DAY_MS = 86_400_000
ALARM = "north k1: temp"


def said_at(voice, shift_ms):
    """Let a rack whose clock is off say an alarm."""
    from tests.rigs import rack_voice

    sound = rack_voice._now_ms
    rack_voice._now_ms = lambda: sound() + shift_ms
    try:
        voice.beat()
        voice.alarm()
    finally:
        rack_voice._now_ms = sound


def silent(found):
    """Say that a rack was called silent; empty where none was."""
    false = [text for text in found.texts() if "rack silent" in text and "OVER" not in text]
    return f"called: {false[0]}" if false else ""


# Clock


def clock_rack_ahead(folder):
    with Team(folder) as desk:
        said_at(desk.voice, DAY_MS)
        return desk.called(ALARM)


def clock_rack_behind(folder):
    with Team(folder) as desk:
        said_at(desk.voice, -365 * DAY_MS)
        return desk.called(ALARM)


# Machine


def machine_power(folder):
    with Team(folder) as desk:
        desk.voice.die()
        return desk.called("CRITICAL north: rack silent", "gone")


def machine_hangs(folder):
    with Team(folder) as desk:
        return desk.called("CRITICAL north: rack silent", "rack silent")


def machine_killed_always(folder):
    """Each life says that it watches; each death is a last will."""
    with Team(folder) as desk:
        for _ in range(12):
            desk.voice.die()
            time.sleep(0.3)
            desk.voice.connect()
            desk.voice.beat()
            time.sleep(0.2)
        return desk.called("north", "gone", 1.0)


def machine_hangs_in_reboot(folder):
    return _stopped(folder)


def machine_forgotten_stopped(folder):
    return _stopped(folder)


def _stopped(folder, patience_s=9.0):
    with Team(folder) as desk:
        desk.voice.stop_on_purpose()
        return desk.called("(HIGH|CRITICAL) north: ", "stopped", patience_s)


# Broker


def broker_down(folder):
    with Team(folder) as desk:
        desk.broker.kill()
        came = desk.called("CRITICAL broker: broker not reached", "broker")
        wrong = silent(desk)
        desk.broker.start()
        return came._replace(wrong=wrong)


def called_once(desk):
    """Return what came of an alarm that must be called, and not again within a second."""
    came = desk.called(ALARM)
    time.sleep(1.0)
    calls = [text for text in desk.texts() if ALARM in text]
    return came._replace(wrong="" if len(calls) == 1 else f"{len(calls)} calls")


def broker_hangs(folder):
    """paho's keep-alive is 30 s; it is waited out."""
    with Team(folder) as desk:
        desk.broker.pause()
        came = desk.called("(CRITICAL broker: broker not reached|CRITICAL north: rack silent)", "broker", 70)
        desk.broker.go_on()
        return came


def broker_restarts(folder):
    with Team(folder) as desk:
        desk.voice.alarm()
        desk.broker.stop()
        desk.broker.start()
        return called_once(desk)


def broker_forgets(folder):
    with Team(folder) as desk:
        desk.team.kill_after(0.1)
        desk.mark()
        desk.voice.alarm()
        desk.broker.kill()
        desk.voice.die()
        desk.broker.start()
        desk.voice.connect()
        desk.voice.say_again()
        desk.team.start()
        return desk.called(ALARM)


def broker_poison(folder):
    with Team(folder, start=False) as desk:
        desk.voice.publish(
            "bellwatch/north/heartbeat", '{"at": "2026-11-02T03:12:00Z", "alarms": 1e999}', retain=True
        )
        desk.voice.publish("bellwatch/north/alarm/x/y/z", b"\xff\xfe" * 10, retain=True)
        desk.voice.publish("bellwatch/north/event", "[" * 10_000, retain=True)
        desk.team.start()
        desk.team.wait_for(lambda: "broker_connected" in desk.team.log, "the on-call process")
        desk.voice.beat()
        came = desk.called("cannot be read")
        desk.mark()
        desk.voice.alarm()
        real = desk.called(ALARM)
        return came if real.after_s is not None else Came(None, "the real alarm is not called")


def broker_kept_old(folder):
    """The broker keeps an alarm of a journal that is gone; the rack, in a new one, says that none stands."""
    with Team(folder, start=False) as desk:
        desk.voice.alarm()
        desk.voice.die()
        desk.voice = RackVoice(desk.broker.port, voice=Voice("a new one", "run-2", "boot-1", "north-pi"))
        desk.team.start()
        desk.team.wait_for(lambda: "broker_connected" in desk.team.log, "the on-call process")
        desk.mark()
        with desk.voice:
            desk.beats(2.0)
            time.sleep(0.5)
            desk.mark()
            desk.beats(2.0)
            goes_on = [text for text in desk.texts() if ALARM in text and "OVER" not in text]
            return Came(4.0, f"it goes on: {goes_on[0]}" if goes_on else "")


def broker_with_the_rack(folder):
    with Team(folder) as desk:
        desk.voice.die()
        desk.broker.kill()
        came = desk.called("CRITICAL broker: broker not reached", "broker")
        desk.broker.start()
        return came


def broker_will_kept(folder):
    with Team(folder, start=False) as desk:
        desk.voice.die()
        time.sleep(0.3)
        desk.voice.connect()
        desk.team.start()
        desk.team.wait_for(lambda: "broker_connected" in desk.team.log, "the on-call process")
        desk.mark()
        desk.beats(2.0)
        return Came(1.0, silent(desk))


def broker_queue_full(folder):
    """Nobody takes what the queue has no room for: the alarm must come again. No daemon, no second time."""
    with Team(folder, broker={"config": "max_queued_messages 3"}) as desk:
        desk.team.kill_after(0.1)
        desk.mark()
        for number in range(10):
            desk.voice.alarm(vessel=f"v{number}")
        desk.team.start()
        came = desk.called("north v", patience_s=30.0)
        until, told = time.monotonic() + 15.0, set()
        while len(told) < 10 and time.monotonic() < until:
            told = {f"v{n}" for n in range(10) if any(f"v{n}" in text for text in desk.texts())}
            time.sleep(0.1)
        return came._replace(wrong="" if len(told) == 10 else f"{len(told)} of 10 were called")


# Network


def network_rack_cut(folder):
    with Team(folder) as desk:
        return desk.called("CRITICAL north: rack silent", "rack silent")


def network_one_way(folder):
    return network_rack_cut(folder)


def network_oncall_cut(folder):
    with Team(folder, through=Network) as desk:
        desk.through.cut = True
        desk.through.break_off()
        came = desk.called("CRITICAL broker: broker not reached", "broker", 45)
        return came._replace(wrong=silent(desk))


def network_flaky(folder):
    with Team(folder, through=Network) as desk, desk.beating():
        ended = threading.Event()

        def breaks():
            while not ended.wait(1.5):
                desk.through.break_off()

        breaker = threading.Thread(target=breaks)
        breaker.start()
        time.sleep(2.0)
        desk.mark()
        desk.voice.alarm()
        came = desk.called(ALARM, patience_s=60)
        ended.set()
        breaker.join()
        return came


def network_slow(folder):
    with Team(folder, through=Network, heartbeats_missed=6) as desk:
        desk.through.delay_s = 1.0
        with desk.beating():
            desk.mark()
            desk.voice.alarm()
            came = desk.called(ALARM, patience_s=30)
            return came._replace(wrong=silent(desk))


def network_repeated(folder):
    with Team(folder) as desk:
        desk.voice.alarm()
        desk.voice.say_again()
        desk.voice.say_again()
        return called_once(desk)


def network_internet_out(folder):
    """No route works: status must say so, which is what the daily sign looks at."""
    with Team(folder) as desk:
        desk.phones.refuse("ada-1", "ada-2", "bo-1", "bo-2")
        desk.voice.alarm()
        desk.team.wait_for(lambda: desk.phones.refusals.get("bo-2", 0) >= 1, "every route of everybody")
        shown = "nobody has taken yet: 0" not in desk.team.asks("status").stdout
        desk.phones.accept("ada-1", "ada-2", "bo-1", "bo-2")
        kept = desk.called(ALARM).after_s is not None
        return Came(86_400.0 if shown else None, "" if kept else "the call was given up")


def route_all_dead(folder):
    return network_internet_out(folder)


# Other racks


def racks_one_name(folder):
    told = r"north (\(.+\) )?k1: temp"  # the two are told apart by journal and machine
    other = Voice("journal-of-the-twin", "run-1", "boot-9", "twin-pi")
    with (
        Team(folder, repeat_s=1.0, hand_over_s=600) as desk,
        RackVoice(desk.broker.port, voice=other) as twin,
    ):
        desk.voice.alarm()
        first = desk.called(told)
        with desk.beating(twin, desk.voice):
            named = desk.called("two|both|same name", patience_s=8.0)
            desk.mark()
            goes_on = desk.called(told, patience_s=5.0).after_s is not None
        if first.after_s is None:
            return Came(None, "the alarm is not called")
        return named._replace(wrong="" if goes_on else "one ends the other's problems")


def racks_all_well_beside(folder):
    with (
        Team(folder, repeat_s=1.0, hand_over_s=600) as desk,
        RackVoice(desk.broker.port, "south") as other,
        desk.beating(other),
    ):
        desk.voice.alarm()
        came = desk.called(ALARM)
        desk.mark()
        goes_on = desk.called(ALARM, patience_s=5.0).after_s is not None
        return came._replace(wrong="" if goes_on else "it ends the alarms of another")


def racks_nonsense(folder):
    with Team(folder) as desk, RackVoice(desk.broker.port, "south") as other:
        other.beat()
        other.publish("bellwatch/south/event", "nonsense {", retain=False)
        came = desk.called("south: sends what cannot be read")
        desk.voice.alarm()
        real = desk.called(ALARM)
        return came._replace(wrong="" if real.after_s is not None else "the alarm of the other is not called")


def racks_never_heard(folder):
    with Team(folder, speaks=False) as desk:
        return desk.called("CRITICAL north: rack silent", "rack silent")


def racks_cloned(folder):
    """The same journal speaks from two machines."""
    clone = Voice("journal-of-north", "run-1", "boot-9", "clone-pi")
    with (
        Team(folder) as desk,
        RackVoice(desk.broker.port, voice=clone) as twin,
        desk.beating(twin, desk.voice),
    ):
        return desk.called("two|both|same name", patience_s=6.0)


def broker_name_taken(folder):
    """Another program comes by the on-call process's client name, again and again."""
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    with Team(folder) as desk, desk.beating():
        name = "bellwatch-oncall-desk"
        other = mqtt.Client(CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5)
        other.reconnect_delay_set(1, 1)
        other.connect("127.0.0.1", desk.broker.port)
        other.loop_start()
        came = desk.called(
            "again and again.*two of one name: desk: state .* and an unknown one", patience_s=40.0
        )
        other.disconnect()
        other.loop_stop()
        return came


def oncall_twins(folder):
    """A second process is started with the settings of the first, and a file of its own."""
    with Team(folder) as desk, desk.beating():
        (folder / "twin").mkdir()
        twin = OnCallRun(short_oncall(folder / "twin", desk.broker.port, desk.phones.port))
        twin.start()
        came = desk.called("again and again.*two of one name: desk: state .* and state ", patience_s=40.0)
        twin.end_by_force()
        return came


# The on-call process


def oncall_away(folder):
    """It stands still, then is dead, for four times what a rack has; the racks beat on, then one dies."""
    with (
        Team(folder, oncall='racks = ["north", "south"]') as desk,
        RackVoice(desk.broker.port, "south") as other,
    ):
        with desk.beating(desk.voice, other):
            time.sleep(1.0)
            desk.team.pause()
            time.sleep(12.0)
            desk.team._process.send_signal(signal.SIGCONT)
            time.sleep(2 * RACK_SILENT_S)
            desk.team.kill_after(0.1)
            time.sleep(12.0)
            desk.team.start()
            time.sleep(2 * RACK_SILENT_S)
        wrong = silent(desk)
        desk.mark()
        after = desk.called("CRITICAL north: rack silent", "rack silent").after_s
        return Came(
            None if after is None else 0.0, wrong or ("" if after else "then a dead one is not missed")
        )


def oncall_killed(folder):
    with Team(folder) as desk:
        desk.voice.alarm()
        desk.team.kill_after(0.05)
        desk.team.start()
        came = desk.called(ALARM)
        return came._replace(after_s=came.after_s and came.after_s + 2.0)  # RestartSec of its unit


def oncall_killed_sending(folder):
    with Team(folder, hand_over_s=60) as desk:  # a start on a busy machine takes some seconds
        desk.phones.refuse("ada-1")
        desk.voice.alarm()
        desk.team.wait_for(lambda: desk.phones.refusals.get("ada-1"), "the first try")
        desk.team.kill_after(0.0)
        desk.phones.accept("ada-1")
        desk.team.start()
        came = desk.called(ALARM)
        time.sleep(0.5)
        numbers = {text.rpartition("#")[2] for text in desk.texts()}
        return came._replace(wrong="" if len(numbers) == 1 else f"numbers {numbers}")


def oncall_cannot_answer(folder):
    """Nobody at the rack answers the acknowledgement: status must say so."""
    with Team(folder, commands=True) as desk:
        desk.voice.alarm()
        desk.called(ALARM)
        desk.team.asks("ack", "1", "--who", "ada")
        time.sleep(1.0)
        said = desk.team.asks("status").stdout
        waits = "k1/temperature/high, seen by ada: the rack has not answered" in said
        with closing(sqlite3.connect(folder / "oncall.sqlite")) as db:
            open_commands = db.execute("SELECT count(*) FROM command WHERE answer IS NULL").fetchone()[0]
        return Came(900.0 if waits else None, "" if open_commands else "it counts as acknowledged there")


# Routes


def route_refuses(folder):
    with Team(folder) as desk:
        desk.phones.refuse("ada-1")
        desk.voice.alarm()
        came = desk.called(f"ada-2: .*{ALARM}")
        return came._replace(after_s=came.after_s and came.after_s + 5 - 0.1)


@contextmanager
def bad_service(answers):
    """A server that takes connections and does `answers` with each; gives its port."""
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(0.1)
    ended, held = threading.Event(), []

    def serve():
        while not ended.is_set():
            try:
                held.append(server.accept()[0])
            except TimeoutError:
                continue
            answers(held[-1])

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield server.getsockname()[1]
    finally:
        ended.set()
        thread.join()
        for connection in held:
            connection.close()
        server.close()


def _by_the_next_route(folder, answers, patience_s):
    with bad_service(answers) as port, Team(folder, start=False) as desk:
        routes = folder / "routes.toml"
        first = f"127.0.0.1:{desk.phones.port}/ada-1"
        assert first in routes.read_text()
        routes.write_text(routes.read_text().replace(first, f"127.0.0.1:{port}/ada-1"))
        desk.team.start()
        desk.team.wait_for(lambda: "broker_connected" in desk.team.log, "the on-call process")
        desk.mark()
        with desk.beating():
            desk.voice.alarm()
            return desk.called(ALARM, patience_s=patience_s)


def route_hangs(folder):
    return _by_the_next_route(folder, lambda _connection: None, 60)


def route_drops_connection(folder):
    return _by_the_next_route(folder, lambda connection: connection.close(), 20)


def route_person_unreachable(folder):
    with Team(folder) as desk:
        desk.phones.refuse("ada-1", "ada-2")
        desk.voice.alarm()
        came = desk.called(f"bo-.*{ALARM}")
        return came._replace(after_s=came.after_s and came.after_s + 2 * (5 - 0.1))


# People


def person_asleep(folder):
    with Team(folder) as desk, desk.beating():
        desk.voice.alarm()
        return desk.called(f"bo-.*{ALARM}", "hand over")


# Files


def file_routes_unreadable(folder):
    with Team(folder, start=False) as desk:
        (folder / "routes.toml").write_text("ada = [not toml")
        done = desk.team.asks("status")
        desk.team.start()
        code = desk.team.wait_for_end()
        said = desk.team.log
        refused = code != 0 and "routes" in said and "Traceback" not in said
        return Came(0.0 if refused and done.returncode else None, "" if refused else said[-200:])
