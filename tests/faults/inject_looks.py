"""Faults between a look and a use: what is deleted, moved, replaced or kept while a process goes on."""

import json
import shutil
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from itertools import pairwise
from pathlib import Path

from paho.mqtt import publish

from daemon.journal.journal import Journal
from daemon.journal.sole_writer import holder_of
from daemon.view.rack_now import WatchState
from tests.faults.chain import Came
from tests.faults.inject_answers import FILES, Answering, an_answer, begins_anew
from tests.faults.inject_rack import and_watches_on, hot_is_called, told_of
from tests.faults.inject_team import ALARM
from tests.faults.whole_rack import Team, WholeRack
from tests.rigs.journal_file import asked
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.places import ROOT

EVER = 10**9


def put_back(rack, before):
    """Return what came of a journal that was taken away: it is said, and nothing of before is gone."""
    came = rack.shown(lambda view: told_of(view, "journal put back"), 20.0)
    kept = rack.shown(lambda _: rack.journal.exists() and rack.newest_reading() > before)
    return and_watches_on(rack, came, EVER)._replace(
        wrong="" if kept.after_s is not None else "readings are gone"
    )


def disk_folder_deleted(folder):
    """Its whole folder goes, with every file that lies in it."""
    (folder / "journal").mkdir()
    with WholeRack(folder, journal_in=folder / "journal") as rack:
        before = rack.newest_reading()
        rack.mark()
        shutil.rmtree(folder / "journal")
        return put_back(rack, before)


def disk_journal_moved(folder):
    with WholeRack(folder) as rack:
        before = rack.newest_reading()
        rack.mark()
        rack.journal.rename(folder / "North.sqlite")
        return put_back(rack, before)


def disk_journal_linked(folder):
    """It is put on another disk, say, with a link in its place: its log lies where no reader looks for it."""
    with WholeRack(folder) as rack:
        before = rack.newest_reading()
        rack.mark()
        rack.journal.rename(folder / "elsewhere.sqlite")
        rack.journal.symlink_to(folder / "elsewhere.sqlite")
        return put_back(rack, before)


def disk_folder_in_the_way(folder):
    """A folder lies where the journal's log should be."""
    with WholeRack(folder) as rack:
        before, log_file = rack.newest_reading(), Path(f"{rack.journal}-wal")
        rack.mark()
        log_file.unlink()
        log_file.mkdir()
        (log_file / "something").touch()
        return put_back(rack, before)


def disk_folder_away(folder):
    """Its folder is out of reach for some turns, as a disk that is mounted anew, and comes back as it was."""
    (folder / "journal").mkdir()
    with WholeRack(folder, journal_in=folder / "journal") as rack:
        before = rack.newest_reading()
        rack.mark()
        (folder / "journal").rename(folder / "away")
        (folder / "journal").touch()
        rack.watch.wait_for(lambda: "journal_not_writable" in rack.watch.log, "that it was noticed")
        polled = rack.line.polls[1]
        rack.watch.wait_for(lambda: rack.line.polls[1] > polled + 30, "polls meanwhile")
        (folder / "journal").unlink()
        (folder / "away").rename(folder / "journal")
        came = hot_is_called(rack)
        query = (
            "SELECT at_ms - lag_ms FROM reading JOIN source ON source.id = reading.source"
            " WHERE probe = 'k1-multi' AND quantity = 'temperature' AND seq > ? ORDER BY seq"
        )
        times_ms = [time_ms for (time_ms,) in asked(rack.journal, query, before - 50)]  # from some before on
        apart_ms = max(later - sooner for sooner, later in pairwise(times_ms))
        lost = f"nothing was kept for {apart_ms} ms" if apart_ms > 1_000 else ""
        return came._replace(wrong=came.wrong or lost)


def disk_mirrored_deleted(folder):
    """The mirror, which sends what is written down, finds no journal before the watch has put it back."""
    mirror = f'[mirror]\nurl = "http://127.0.0.1:{free_port()}"\nbucket = "water"\n'
    with WholeRack(folder, watch=False, more=mirror) as rack:
        text = rack.settings_file.read_text()
        rack.settings_file.write_text(text.replace("commit_every_s = 0.05", "commit_every_s = 4.0"))
        rack.begin()
        before = rack.newest_reading()
        for _ in range(6):  # the mirror looks every two seconds, the watch at each turn
            rack.mark()
            for end in FILES:
                Path(f"{rack.journal}{end}").unlink(missing_ok=True)
            rack.watch.wait_for(rack.journal.exists, "the journal")
            newest = rack.newest_reading()
            rack.watch.wait_for(lambda newest=newest: rack.newest_reading() > newest > 0, "readings")
        return put_back(rack, before)


def disk_ballast_deleted(folder):
    """The reserve for a full disk is deleted as something that nobody knows, again and again."""
    with WholeRack(folder) as rack:
        rack.mark()
        for _ in range(10):
            Path(f"{rack.journal}.ballast").unlink(missing_ok=True)
            time.sleep(0.1)
        return hot_is_called(rack)


def process_beat_deleted(folder):
    """Somebody tidies up the folder in memory in which the watch strikes its beat."""
    with WholeRack(folder) as rack:
        rack.mark()
        holder_of(rack.journal).beat.unlink()
        came = rack.shown(lambda view: view.watch.state is WatchState.ALIVE, 10.0)
        rack.watch.kill_after(0.2)
        dead = rack.shown(lambda view: view.watch.state is WatchState.DEAD, 10.0)
        return came._replace(wrong="" if dead.after_s is not None else "a dead watch passes for a living one")


def process_lock_deleted(folder):
    """The lock's file is deleted, and a second watch is started on the journal."""
    with WholeRack(folder) as rack:
        rack.mark()
        Path(f"{rack.journal}.lock").unlink()
        rack.watch.wait_for(Path(f"{rack.journal}.lock").exists, "the lock")
        came = Came(rack.passed_s())
        with closing(Journal(rack.journal, writable=False)) as journal:
            run = journal.run_id
        second = type(rack.watch)(rack.write_settings("second"))
        second.start()
        ended = second.wait_for_end()
        said = "is writing it" in second.log
        with closing(Journal(rack.journal, writable=False)) as journal:
            both = journal.run_id != run or not said or not ended
        return came._replace(wrong="both write" if both else "")


def file_requests_deleted(folder):
    """The box of requests is deleted while people ask."""
    with WholeRack(folder) as rack:
        rack.mark()
        rack.line.celsius[1] = 30.0
        rack.called("north k1: temperature", "alarm")
        rack.mark()
        box = folder / "north.sqlite.requests"
        for _ in range(4):
            said = rack.status()
            box.unlink(missing_ok=True)
            done = asks(rack, "ack", "k1/temperature/high_high", "--who", "ada")
            if "acknowledged" in done:
                break
        came = rack.shown(lambda view: any(it.state == "acknowledged" for it in view.alarms))
        return came._replace(wrong="" if said else "no screen")


def asks(rack, *command):
    line = [sys.executable, "-m", "daemon", *command, "--settings", str(rack.settings_file)]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
    return done.stdout + done.stderr


def broker_kept_receipt(folder):
    """The broker keeps a receipt for alarms to come, and gives it at each connection; nobody is on call."""
    with WholeRack(folder, team=False, broker="oncall = true") as rack:
        with closing(Journal(rack.journal, writable=False)) as journal:
            its = {"journal": journal.id, "run": journal.run_id}
        said = its | {"by": "desk", "host": "old", "numbers": list(range(1, 200)), "newest": 0, "at": ""}
        keep(rack, "bellwatch/north/taken/desk", json.dumps(said))
        rack.watch.stop()
        rack.mark()
        rack.begin_anew()
        rack.watch.wait_for(lambda: rack.watch.log.count("link_lives") > 1, "the broker")
        its = rack.view().oncall
        return Came(rack.passed_s(), "an old receipt counts as life" if its is not None and its.alive else "")


def keep(rack, topic, payload):
    publish.single(topic, payload, qos=1, retain=True, hostname="127.0.0.1", port=rack.broker.port)


@contextmanager
def by_tls(folder):
    """A rack and an on-call process that reach the broker by TLS, whose broker was just stopped."""
    own_authority(folder, "ca")
    certificate, port = signed_by(folder, "ca", "127.0.0.1"), free_port()
    secure = f"listener {port} 127.0.0.1\ncertfile {certificate}\nkeyfile {certificate.with_suffix('.key')}"
    with WholeRack(folder, watch=False, team=False, broker_config=secure) as rack:
        encrypted = f'port = {port}\ntls = true\nca_file = "{folder}/ca.pem"\n'
        for path in (rack.settings_file, folder / "oncall.toml"):
            path.write_text(path.read_text().replace(f"port = {rack.broker.port}\n", encrypted, 1))
        rack.team.start()
        rack.team.wait_for(lambda: "broker_connected" in rack.team.log, "the on-call process")
        rack.begin()
        rack.broker.stop()
        yield rack


def broker_certificate_renewed(folder):
    """The broker comes back with a new certificate of the same authority, and under a new key."""
    with by_tls(folder) as rack:
        signed_by(folder, "ca", "127.0.0.1")
        rack.broker.start()
        return hot_is_called(rack)


def broker_other_authority(folder):
    """The broker comes back with a certificate of an authority that nobody here has."""
    with by_tls(folder) as rack:
        own_authority(folder, "other")
        signed_by(folder, "other", "127.0.0.1")
        rack.mark()
        rack.broker.start()
        return rack.called("CRITICAL .*broker not reached", "broker")


def racks_later_version(folder):
    """The broker keeps what a rack of a later version said, of shapes that nobody here knows."""
    with Team(folder) as desk:
        for topic in ("watch", "heartbeat", "alarm/k9/temperature/high", "notice", "event"):
            for payload in (
                '{"v": 9}',
                "[]",
                '"watching"',
                '{"state": {"is": "watching"}}',
                '{"alarm": {"n": 1}}',
            ):
                desk.voice.publish(f"bellwatch/later/{topic}", payload, retain=True)
        desk.team.stop()
        desk.team.start()
        desk.team.wait_for(lambda: desk.team.log.count("broker_connected") > 1, "the broker")
        desk.mark().voice.alarm()
        return desk.called(ALARM)


def racks_name_in_two_forms(folder):
    """A name comes with its letters composed and decomposed (Unicode forms C and D), and in capitals."""
    with Team(folder) as desk:
        for name in ("nörd", "no\u0308rd", "NORTH"):
            voice = type(desk.voice)(desk.broker.port, name)
            with voice:
                voice.beat()
        desk.mark().voice.alarm()
        return desk.called(ALARM)


def oncall_state_deleted(folder):
    """Its file is deleted under the running process, which is killed later."""
    with Team(folder) as desk:
        desk.voice.alarm()
        desk.called(ALARM)
        for end in FILES:
            (folder / f"oncall.sqlite{end}").unlink(missing_ok=True)
        desk.voice.alarm(vessel="k4")
        desk.called("north k4: ")
        before = desk.texts()
        desk.team.kill_after(0.0)
        return begins_anew(desk, before)


def oncall_killed_often(folder):
    """It is killed at eight moments after its start, before an alarm that waits has been handed over."""
    with Team(folder, hand_over_s=60) as desk:
        desk.team.stop()
        desk.voice.alarm()
        desk.mark()
        for moment in range(8):
            desk.team.start()
            desk.team.kill_after(0.15 * (moment + 1))
        desk.team.start()
        came = desk.called(ALARM, patience_s=30.0)
        numbers = {text.rpartition("#")[2].partition(".")[0] for text in desk.texts() if "k1" in text}
        return came._replace(wrong="" if len(numbers) == 1 else f"numbers {numbers}")


def person_two_at_once(folder):
    """One has seen it, and the other asks for the next person, within a moment."""
    with Answering(folder, hand_over_s=60) as desk:
        desk.voice.alarm()
        desk.called(ALARM)
        desk.mark()
        desk.says("bo", [1])
        asked = json.loads(an_answer([1])) | {"reply": "next"}
        desk.voice.publish("bellwatch/_oncall/said/desk/ada", json.dumps(asked))
        return desk.called(f"bo-1: .*{ALARM}")
