"""Faults of adapter, machine, disk, files and processes, each with a whole rack of its own."""

import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import termios
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from daemon.errors import JournalError
from daemon.journal.asking import RequestBox
from daemon.journal.history import Entry
from daemon.journal.journal import Journal
from tests.faults.chain import Came
from tests.faults.whole_rack import SHIPPED_MORE, WholeRack
from tests.rigs.journal_file import asked
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.small_disk import failing_disk, small_disk
from tests.rigs.places import ROOT

K1 = "north .*k1"
RESTART_S = 5.0  # RestartSec of the unit
HOT, HOT_SAID = 30.0, "k1: temperature high"


def _problem(text):
    return text.rpartition("#")[2].partition(".")[0]


def hot_is_called(rack):
    """Heat one vessel: return the call, which shows that the rack watches on."""
    rack.mark()
    rack.line.celsius[1] = HOT
    return rack.called("north k1: temperature", "alarm")


def and_watches_on(rack, came, since_seq=None):
    """Return what came, with a word if the rack does not watch any more or a value was made up."""
    wrong = came.wrong or rack.wrong_value(rack.seq if since_seq is None else since_seq)
    if hot_is_called(rack).after_s is None:
        wrong = wrong or "it watches no more"
    return came._replace(wrong=wrong)


# What people ask

YEARS_OF_ACTS, ASKED, BEYOND_ALL = 6_000, 2_000, 10_000_000


def process_asked_in_thousands(folder):
    """Each request is held against all that was written down of its batch; the watch is full of that."""
    with WholeRack(folder) as rack:
        rack.watch.stop()
        body = {"what": "count", "cohort": "e1", "vessel": "k1", "value": 100}
        with closing(Journal(rack.journal, writable=True)) as journal, journal.transaction():
            at_ms = journal.state.clock_ms()
            for place in range(YEARS_OF_ACTS):
                what = body | ({} if place else {"what": "begin", "stage": "ephyra"})
                journal.history.keep_entry(Entry(BEYOND_ALL + place, "culture", at_ms, "ada", "k1", what))
        box = RequestBox(rack.journal)
        for value in range(ASKED):
            box.ask("culture", "ada", body | {"value": value})
        rack.watch.start()
        rack.watch.wait_for(lambda: len(box.waiting()) < ASKED, "the first answer")
        came = hot_is_called(rack)
        wrong = "" if box.waiting() else "everything was answered before: this tries nothing"
        return came._replace(wrong=came.wrong or wrong)


# Adapter


def adapter_unplugged(folder):
    with WholeRack(folder) as rack:
        rack.mark()
        rack.line.port.path.unlink()
        _hang_up(rack)
        came = rack.called(K1, "silent")
        alive = rack.watch._process.poll() is None
        calls = {_problem(text) for text in rack.texts()}
        wrong = "" if alive else "the process ended"
        return came._replace(wrong=wrong or ("" if len(calls) == 1 else f"{len(calls)} problems"))


def _hang_up(rack):
    """The far end answers no more: what was open is dead."""
    rack.line.faults[0] = lambda _line, _request: None


def adapter_plugged_again(folder):
    with WholeRack(folder) as rack:
        real = rack.line.port.path.resolve()
        rack.mark()
        rack.line.port.path.unlink()
        _hang_up(rack)
        rack.called(K1, "silent")
        rack.mark()
        rack.line.faults.clear()
        rack.line.port.path.symlink_to(real)
        came = rack.called("OVER north", patience_s=45, gathers=False)
        return and_watches_on(rack, came)


def adapter_renamed(folder):
    with WholeRack(folder) as rack:
        real = rack.line.port.path.resolve()
        rack.mark()
        rack.line.port.path.unlink()
        (folder / "serial-other").symlink_to(real)
        _hang_up(rack)
        return rack.called(K1, "silent")


def adapter_missing_at_start(folder):
    with WholeRack(folder, watch=False) as rack:
        real = rack.line.port.path.resolve()
        rack.line.port.path.unlink()
        rack.watch.start()
        rack.watch.wait_for(lambda: rack.sources_read() >= 2, "the wireless probe")
        rack.mark()
        came = rack.called(K1, "silent")
        rack.mark()
        rack.line.port.path.symlink_to(real)
        back = rack.called("OVER north", patience_s=45)
        return came._replace(wrong="" if back.after_s is not None else "it never opens it afterwards")


def adapter_forbidden(folder):
    """A folder lies where the port was: it cannot be opened, for root neither."""
    with WholeRack(folder) as rack:
        rack.mark()
        rack.line.port.path.unlink()
        rack.line.port.path.mkdir()
        _hang_up(rack)
        came = rack.called(K1, "silent")
        alive = rack.watch._process.poll() is None
        rack.line.port.path.rmdir()
        rack.line.port.path.symlink_to(os.ttyname(rack.line.port._slave))
        return came._replace(wrong="" if alive else "the process ended")


def adapter_blocked(folder):
    """The terminal takes no more bytes: what is written stays in it."""
    with WholeRack(folder) as rack:
        rack.mark()
        termios.tcflow(rack.line.port._slave, termios.TCOOFF)
        came = rack.called(K1, "silent")
        hung = "" if rack.view().watch.state == "alive" else "the watch hangs"
        termios.tcflow(rack.line.port._slave, termios.TCOON)
        return came._replace(wrong=hung)


# Wireless probes


def bus_topic_flood(folder):
    with WholeRack(folder) as rack:
        rack.mark()
        before = rack.rate_of(2)
        flood = subprocess.Popen([sys.executable, "-c", FLOOD, str(rack.broker.port)], cwd=ROOT)
        try:
            time.sleep(1.0)
            now = rack.rate_of(2, 3.0)
            came = rack.shown(lambda view: any("k3" in alarm.name for alarm in view.alarms), 5.0)
        finally:
            flood.kill()
            flood.wait()
        lag = asked(rack.journal, "SELECT max(lag_ms) FROM reading WHERE seq > ?", rack.seq)[0][0] or 0
        wrong = f"readings are {lag / 1000:.0f} s off" if lag > 5_000 else ""
        slow = f"k2 is read {now:.1f} instead of {before:.1f} times a second" if now < 0.7 * before else ""
        return came._replace(wrong=wrong or slow)


FLOOD = """
import sys, time
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
while True:
    for _ in range(50):
        client.publish("water/k3", '{"t": 15.5, "c": 40.0}', qos=0)
    time.sleep(0.05)
"""


def bus_topic_huge(folder):
    """Its readings come no more; the broker passes nothing on that is larger than we said, without a word."""
    with WholeRack(folder) as rack:
        before = _memory_kib(rack)
        rack.wireless.says = lambda: None
        rack.mark()
        (folder / "huge").write_bytes(b"9" * 150_000_000)
        where = ["-h", "127.0.0.1", "-p", str(rack.broker.port), "-V", "5", "-q", "1", "-t", "water/k3"]
        subprocess.run(["mosquitto_pub", *where, "-f", str(folder / "huge")], check=False, timeout=60)
        came = rack.called("north k3: ", "silent")
        grown = _memory_kib(rack) - before
        wrong = f"memory grew by {grown / 1024:.0f} MB" if grown > 50 * 1024 else ""
        return and_watches_on(rack, came._replace(wrong=wrong))


def _memory_kib(rack):
    status = Path(f"/proc/{rack.watch._process.pid}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0])


def bus_topic_old(folder):
    with WholeRack(folder) as rack:
        rack.watch.stop()
        rack.wireless.says = lambda: None
        rack.broker.publish("water/k3", '{"t": 15.5, "c": 40.0}', "-r")
        rack.mark()
        rack.begin_anew()
        came = rack.called("north k3: ", "silent")
        read = rack.read_since(rack.seq, "k3-air")
        return came._replace(wrong=f"{read} readings of it passed for new ones" if read else "")


def bus_topic_waited(folder):
    with WholeRack(folder) as rack:
        rack.watch.stop()
        for _ in range(7):
            rack.broker.publish("water/k3", '{"t": 30.5, "c": 40.0}')
        rack.begin_anew()
        rack.mark()
        time.sleep(2.0)
        judged = [text for text in rack.texts() if "k3: temperature high" in text]
        text = rack.status()
        told = "waited" in text
        return Came(2.0 if told else None, f"judged as of now: {judged[0]}" if judged else "")


# Machine and process


def machine_killed_once(folder):
    with WholeRack(folder) as rack:
        assert hot_is_called(rack).after_s is not None
        (problem,) = {_problem(text) for text in rack.texts() if HOT_SAID in text}
        standing = {alarm.name for alarm in rack.standing()}
        rack.mark()
        rack.watch.kill_after(0.0)
        rack.begin_anew()
        now = {alarm.name for alarm in rack.standing()}
        time.sleep(1.0)
        again = [text for text in rack.texts() if HOT_SAID in text and _problem(text) != problem]
        wrong = "" if now >= standing else f"{standing - now} stands no more"
        return Came(rack.passed_s() + RESTART_S, wrong or (f"called again: {again[0]}" if again else ""))


def process_killed_in_alarm(folder):
    with WholeRack(folder) as rack:
        rack.mark()
        rack.line.celsius[1] = HOT
        rack.watch.kill_after(0.45)
        rack.begin_anew()
        came = rack.called("north k1: temperature", "alarm")
        time.sleep(1.0)
        numbers = {_problem(text) for text in rack.texts() if HOT_SAID in text}
        return came._replace(
            after_s=came.after_s and came.after_s + RESTART_S, wrong="" if len(numbers) == 1 else f"{numbers}"
        )


def machine_starved(folder):
    return _hung(folder, shown=True)


def process_hangs(folder):
    return _hung(folder, shown=False)


def _hung(folder, *, shown):
    """The watch hangs: the screens say so after 30 s, the on-call process hears no heartbeat."""
    with WholeRack(folder) as rack:
        rack.mark()
        rack.watch.pause()
        came = rack.called("CRITICAL north: rack silent", "rack silent", 45)
        if shown:
            came = rack.shown(lambda view: view.watch.state == "hung", 45)
        calm = rack.view().overall != "not watched" if shown else False
        rack.watch._process.send_signal(signal.SIGCONT)
        return came._replace(wrong="the page is calm" if calm else "")


DIES = """
import sys
from daemon.broker.connection import Connection
from daemon.commands.cli import main
from drivers.modbus_bus import ModbusBus
from pathlib import Path

sound = {target}
def dies(self, *rest):
    if Path(sys.argv[2]).exists():
        raise ZeroDivisionError("a fault that nobody thought of")
    return sound(self, *rest)
{target} = dies
sys.exit(main(["run", "--settings", sys.argv[1]]))
"""


def _dies(folder, target):
    """A thread dies of something that nobody thought of: the process ends, and is started again sound."""
    with WholeRack(folder, watch=False, more="\n[commands]\nenabled = true\n") as rack:
        trigger = folder / "now"
        program = DIES.replace("{target}", target)
        rack.watch._command = [sys.executable, "-c", program, str(rack.settings_file), str(trigger)]
        rack.begin()
        rack.mark()
        trigger.touch()
        if target.startswith("Connection"):
            topic = "bellwatch/north/command"
            rack.broker.publish(topic, "{}")
        code = rack.watch.wait_for_end()
        ended = rack.called("CRITICAL north: rack silent", "gone")
        trigger.unlink()
        rack.begin_anew()
        return ended._replace(wrong="" if code == 1 else f"it ended with {code}")


def process_bus_thread_dies(folder):
    return _dies(folder, "ModbusBus._finishes")


def process_link_thread_dies(folder):
    return _dies(folder, "Connection._on_message")


SLOW_JUDGE = """
import sys, time
from pathlib import Path
from daemon.commands.cli import main
from rules.engine import Engine

sound, slow = Engine.feed, Path(sys.argv[2])
def feed(self, readings):
    for _ in range(len(readings) * 20):
        if slow.exists():
            time.sleep(0.01)
    return sound(self, readings)
Engine.feed = feed
sys.exit(main(["run", "--settings", sys.argv[1]]))
"""


def process_backlog(folder):
    """Each reading takes 0.2 s to judge, and forty come in a second."""
    with WholeRack(folder, watch=False) as rack:
        slow = folder / "slow"
        rack.watch._command = [sys.executable, "-c", SLOW_JUDGE, str(rack.settings_file), str(slow)]
        rack.begin()
        rack.mark()
        slow.touch()
        came = rack.shown(lambda view: view.watch.state == "hung", 60.0)
        slow.unlink()
        return and_watches_on(rack, came._replace(wrong=rack.lost_or_late()))


def _does_not_start(folder, spoil, says):
    """The watch is stopped, something is spoilt, and it is started in vain: the rest is silence."""
    with WholeRack(folder) as rack:
        rack.watch.stop()
        rack.mark()
        spoil(rack)
        rack.watch.start()
        code = rack.watch.wait_for_end()
        said = rack.watch.log.splitlines()[-1]
        came = rack.called("(HIGH|CRITICAL) north: ", "stopped", 9.0)
        sound = code != 0 and says in said
        return came._replace(wrong="" if sound else f"it says: {said[:100]}")


def process_upgrade_broken(folder):
    def spoil(rack):
        program = "import a_module_that_is_not_there"
        rack.watch._command = [sys.executable, "-c", program]

    return _does_not_start(folder, spoil, "a_module_that_is_not_there")


def file_settings_broken(folder):
    def spoil(rack):
        rack.settings_file.write_text(rack.settings_file.read_text().replace("unit_id = 1", "unit_id = one"))

    return _does_not_start(folder, spoil, "")


def file_settings_gone(folder):
    return _does_not_start(folder, lambda rack: rack.settings_file.unlink(), "no such file")


# Files


def _with_a_password(rack, folder):
    """Let the rack speak at the broker under a name with a password."""
    conf = folder / "mosquitto.conf"
    _password(folder, "right")
    conf.write_text(f"password_file {folder}/pw\n" + conf.read_text())
    rack.broker.stop()
    rack.broker.start()
    (folder / "password").write_text("right")
    (folder / "password").chmod(0o600)
    named = f'heartbeat_s = 0.5\nusername = "x"\npassword_file = "{folder}/password"\n'
    text = rack.settings_file.read_text()
    rack.settings_file.write_text(text.replace("heartbeat_s = 0.5\n", named))
    rack.begin()
    rack.watch.wait_for(lambda: "broker_connected" in rack.watch.log, "the rack at the broker")
    rack.mark()


def _password(folder, word):
    (folder / "pw").write_text(f"x:{word}\n")
    (folder / "pw").chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", str(folder / "pw")], check=True)


def file_password_wrong(folder):
    """The password is changed at the broker, and not at the rack.

    A rack that is stopped first said goodbye: that is the row `password_restart`.
    """
    with WholeRack(folder, watch=False) as rack:
        _with_a_password(rack, folder)
        _password(folder, "another")
        rack.broker.stop()
        rack.broker.start()
        return rack.called("CRITICAL north: rack silent", "rack silent")


def file_password_restart(folder):
    with WholeRack(folder, watch=False) as rack:
        _with_a_password(rack, folder)
        rack.watch.stop()
        rack.mark()
        (folder / "password").write_text("wrong")
        rack.watch.start()
        return rack.called("(HIGH|CRITICAL) north: ", "stopped", 12.0)


def file_requests_damaged(folder):
    with WholeRack(folder) as rack:
        RequestBox(rack.journal).ask("log", "ada", {"vessel": "k1", "what": "note", "text": "one"})
        rack.watch.stop()
        (box,) = folder.glob("north.sqlite.requests")
        box.write_bytes(b"\x13" * 8192)
        for rest in folder.glob("north.sqlite.requests-*"):
            rest.unlink()
        rack.begin_anew()
        rack.mark()
        came = rack.shown(lambda view: told_of(view, "requests set aside"), 5.0)
        said = "" if "requests was damaged" in rack.status() else "status does not say it"
        return and_watches_on(rack, came._replace(wrong=said))


def file_request_malformed(folder):
    with WholeRack(folder) as rack:
        box = RequestBox(rack.journal)
        number = box.ask("log", "ada", {"vessel": "k1", "what": "note", "text": "one"})
        rack.watch.wait_for(lambda: box.answer_to(number) is not None, "an answer")
        with closing(sqlite3.connect(next(folder.glob("north.sqlite.requests")))) as db:
            columns = [row[1] for row in db.execute("PRAGMA table_info(request)")]
            known = {
                "kind": "\x1b[31m",
                "who": "",
                "body": "[not json",
                "id": "odd-1",
                "asked_ms": 1,
                "at_ms": 1,
            }
            named = [name for name in columns if name in known]
            marks = ", ".join("?" * len(named))
            db.execute(
                f"INSERT INTO request ({', '.join(named)}) VALUES ({marks})", [known[name] for name in named]
            )
            db.commit()
        rack.mark()
        time.sleep(1.0)
        with closing(sqlite3.connect(next(folder.glob("north.sqlite.requests")))) as db:
            refused = db.execute("SELECT count(*) FROM request WHERE refusal <> ''").fetchone()[0]
        alive = rack.watch._process.poll() is None
        return and_watches_on(rack, Came(1.0 if refused else None, "" if alive else "the process ended"))


def file_certificate_expired(folder):
    """Rack and on-call process reach the broker by TLS; its certificate has expired when it starts again."""
    own_authority(folder, "ca")
    certificate, port = signed_by(folder, "ca", "127.0.0.1"), free_port()
    key = certificate.with_suffix(".key")
    secure = f"listener {port} 127.0.0.1\ncertfile {certificate}\nkeyfile {key}"
    by_tls = f'port = {port}\ntls = true\nca_file = "{folder}/ca.pem"\n'
    with WholeRack(folder, watch=False, team=False, broker_config=secure) as rack:
        for path in (rack.settings_file, folder / "oncall.toml"):
            plain = f"port = {rack.broker.port}\n"
            path.write_text(path.read_text().replace(plain, by_tls, 1))
        rack.team.start()
        rack.team.wait_for(lambda: "broker_connected" in rack.team.log, "the on-call process")
        rack.begin()
        rack.watch.wait_for(lambda: "broker_connected" in rack.watch.log, "the rack at the broker")
        rack.broker.stop()
        signed_by(folder, "ca", "127.0.0.1", days=-1)
        rack.mark()
        rack.broker.start()
        came = rack.called("CRITICAL .*broker not reached", "broker")
        time.sleep(3.0)
        accepted = "broker_connected" in rack.watch.log.partition("certificate")[2]
        return came._replace(wrong="it goes on without checking it" if accepted else "")


# Disk


def only_root():
    if os.geteuid() != 0:
        pytest.skip("only root may mount a small disk of its own")


def disk_full(folder):
    """Old readings go to make room: alarms get out meanwhile, and somebody is called to make more."""
    only_root()
    with small_disk(folder / "disk", 24) as disk, WholeRack(folder, journal_in=disk.path) as rack:
        rack.mark()
        disk.fill()
        came = rack.called("HIGH north: disk full", patience_s=30.0)
        shown = rack.shown(lambda view: told_of(view, "disk full"), 3.0)
        hot = hot_is_called(rack)
        disk.make_room()
        wrong = "" if hot.after_s is not None else "alarms wait for room"
        return came._replace(wrong=wrong or ("" if shown.after_s is not None else "no screen says so"))


def told_of(view, kind):
    """Return whether the screens say something of the rack itself."""
    return any(said.kind == kind for said in view.said)


def disk_fills(folder):
    """Other things fill the disk: within the time of the test as much of it as at a rack within a day.

    The daily word is what the rack mentions to the on-call process before its next digest.
    """
    only_root()
    with small_disk(folder / "disk", 64) as disk, WholeRack(folder, journal_in=disk.path) as rack:
        time.sleep(2.0)
        early = told_of(rack.view(), "disk fills")
        rack.mark()
        disk.fill(leave_bytes=20_000_000)
        told = rack.shown(lambda view: told_of(view, "disk fills"), 30.0)
        mentioned = rack.wait_until(lambda: rack.mentioned("disk fills"), 5.0)
        disk.make_room()
        wrong = "it said so before" if early else "" if mentioned else "the on-call process does not know"
        return told._replace(after_s=told.after_s and 24 * 3600.0, wrong=wrong)


def disk_wal_grows(folder):
    """Somebody reads and never ends; the log cannot be folded into the file meanwhile."""
    with WholeRack(folder) as rack, closing(sqlite3.connect(rack.journal)) as reader:
        rack.mark()
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM reading").fetchone()
        before = rack.view().journal.log_bytes
        came = rack.shown(lambda view: view.journal.log_bytes > before + 500_000, 60.0)
        wrong = "" if re.search(r"its log [0-9]+\.[0-9] MB", rack.status()) else "status does not say it"
        return and_watches_on(rack, came._replace(wrong=wrong))


SLOW_DISK = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <unistd.h>
static int slowly(const char *name, int file) {
    if (access(getenv("SLOW_DISK"), F_OK) == 0) sleep(15);
    return ((int (*)(int))dlsym(RTLD_NEXT, name))(file);
}
int fsync(int file) { return slowly("fsync", file); }
int fdatasync(int file) { return slowly("fdatasync", file); }
"""


def disk_slow(folder):
    """Every write takes 15 s for a while: by a library before the system's own."""
    if shutil.which("cc") is None:
        pytest.skip("no C compiler to make the disk slow with")
    source, library, slow = folder / "slow.c", folder / "slow.so", folder / "slow"
    source.write_text(SLOW_DISK)
    subprocess.run(["cc", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"], check=True)
    with WholeRack(folder, watch=False) as rack:
        rack.watch.environment = {"LD_PRELOAD": str(library), "SLOW_DISK": str(slow)}
        rack.begin()
        rack.mark()
        slow.touch()
        came = rack.shown(lambda view: view.watch.state == "hung", 60.0)
        slow.unlink()
        return came._replace(wrong=rack.lost_or_late() or "")


def disk_read_only(folder):
    only_root()
    with failing_disk(folder, 24) as disk, WholeRack(folder, journal_in=disk.path) as rack:
        rack.mark()
        disk.fail()
        came = rack.called("(HIGH|CRITICAL) north: ", "gone", 20.0)
        rack.watch.end_by_force()
        return came


def disk_journal_deleted(folder):
    with WholeRack(folder) as rack:
        rack.mark()
        for path in folder.glob("north.sqlite*"):
            if "requests" not in path.name and "lock" not in path.name:
                path.unlink()
        rack.watch.wait_for(rack.journal.exists, "the journal")
        came = rack.shown(lambda view: told_of(view, "journal put back"), 4.0)
        return and_watches_on(rack, came, 10**9)


def disk_journal_torn(folder):
    with WholeRack(folder) as rack:
        rack.watch.wait_for(lambda: rack.readings() > 300, "some pages")
        rack.watch.stop()
        with rack.journal.open("r+b") as file:
            file.seek(4096 * 2)
            file.write(b"\x13" * 4096 * 3)
        rack.watch.start()
        aside = rack.journal.parent.glob
        rack.watch.wait_for(lambda: [*aside("north.sqlite*damaged*")], "the damaged journal set aside")
        rack.watch.wait_for(lambda: rack.journal.exists() and rack.readings() > 20, "readings")
        rack.mark()
        came = rack.shown(lambda view: any("damaged" in said.text for said in view.said), 30.0)
        return and_watches_on(rack, came, 10**9)


def disk_journal_gone(folder):
    with WholeRack(folder) as rack:
        rack.watch.stop()
        for path in folder.glob("north.sqlite*"):
            if path.suffix in (".sqlite", ".sqlite-wal", ".sqlite-shm"):
                path.unlink()
        rack.watch.start()
        rack.watch.wait_for(lambda: rack.journal.exists() and rack.readings() > 20, "readings")
        rack.mark()
        came = rack.shown(lambda view: any("another journal" in said.text for said in view.said), 30.0)
        return and_watches_on(rack, came)


def disk_journal_replaced(folder):
    """A copy of the journal from before five alarms comes back: the next alarms have old numbers."""
    with WholeRack(folder) as rack:
        rack.watch.stop()
        kept = rack.journal.read_bytes()
        rack.begin_anew()
        for unit in (1, 2):  # each once: what comes again and again is held for half an hour
            rack.mark()
            rack.line.celsius[unit] = HOT
            assert rack.called(f"north k{unit}: temperature", "alarm").after_s is not None
            rack.heal()
        rack.watch.stop()
        for path in folder.glob("north.sqlite-*"):
            path.unlink()
        rack.journal.write_bytes(kept)
        rack.begin_anew()
        came = hot_is_called(rack)
        shown = told_of(rack.view(), "journal went back")
        return came._replace(wrong="" if shown else "no screen says that it went back")


def disk_wal_deleted(folder):
    with WholeRack(folder) as rack:
        rack.mark()
        (folder / "north.sqlite-wal").unlink()
        told = rack.shown(lambda view: told_of(view, "journal put back"), 5.0)
        rack.line.celsius[1] = HOT
        hot = rack.called("north k1: temperature", "alarm")
        rack.watch.kill_after(0.2)
        try:
            rack.begin_anew()
            kept = any("temperature/high" in alarm.name for alarm in rack.standing())
        except (sqlite3.Error, JournalError) as error:
            return Came(None, f"who reads finds: {error}")
        wrong = "" if hot.after_s is not None and kept else "what was committed since is gone"
        return told._replace(wrong=wrong)


def mirror_answers(folder, answer, words):
    """Let the mirror's server answer so: the watch says it in these words, goes on, and asks again."""
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(0.1)
    ended = threading.Event()

    def serve():
        while not ended.is_set():
            try:
                connection = server.accept()[0]
            except TimeoutError:
                continue
            connection.settimeout(1.0)
            try:
                connection.recv(65_536)
                connection.sendall(answer)
            except OSError:
                pass
            connection.close()

    thread = threading.Thread(target=serve)
    thread.start()
    (folder / "token").write_text("token")
    (folder / "token").chmod(0o600)
    more = (
        f'\n[mirror]\nurl = "http://127.0.0.1:{server.getsockname()[1]}"\norg = "o"\nbucket = "b"\n'
        f'token_file = "{folder}/token"\n'
    )
    try:
        with WholeRack(folder, watch=False, more=more) as rack:
            text = rack.settings_file.read_text()
            trusted = "commit_every_s = 0.05\ntrust_clock = true"  # else nothing is sent
            rack.settings_file.write_text(text.replace("commit_every_s = 0.05", trusted))
            rack.begin()
            rack.mark()
            came = rack.shown(
                lambda view: (
                    view.mirror is not None
                    and words in view.mirror.trouble
                    and view.mirror.readings_behind > 0
                ),
                20.0,
            )
            return and_watches_on(rack, came)
    finally:
        ended.set()
        thread.join()
        server.close()


def disk_mirror_away(folder):
    return mirror_answers(folder, b"", "RemoteDisconnected")


def disk_mirror_refuses(folder):
    body = b'{"code":"unauthorized","message":"unauthorized access"}'
    head = b"HTTP/1.1 401 Unauthorized\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n" % len(
        body
    )
    return mirror_answers(folder, head + body, "unauthorized access")


# Broker, as the rack meets it


def broker_refuses(folder):
    """The shipped access list, but for the line that lets the rack say its alarms."""
    writes = ("water/#", "bellwatch/north/watch", "bellwatch/north/mark/#", "bellwatch/north/heartbeat")
    acl = "".join(f"topic readwrite {topic}\n" for topic in writes) + "topic read bellwatch/#"
    with WholeRack(folder, acl=acl, users=None) as rack:
        rack.mark()
        rack.line.celsius[1] = HOT
        came = rack.shown(lambda view: view.broker.refused > 0, 10.0, SHIPPED_MORE["alarm"])
        topics = [refusal.topic for refusal in rack.view().broker.refusals]
        return came._replace(wrong="" if any("event" in topic for topic in topics) else f"topics: {topics}")


def _nobody_takes(folder, spoil, **how):
    """People are not reached though the broker takes everything: the rack must say so on its screens.

    It has 120 s, which no setting of the rig makes shorter, but where its on-call process is heard no more.
    """
    with WholeRack(folder, **how) as rack:
        rack.watch.wait_for(lambda: rack.view().oncall is not None, "a word of the on-call process")
        spoil(rack)
        rack.mark()
        rack.line.celsius[1] = HOT

        def says(view):
            return view.oncall is not None and (bool(view.oncall.untaken) or not view.oncall.alive)

        came = rack.shown(says, 150.0, SHIPPED_MORE["alarm"])
        drawn = rack.wait_until(
            lambda: any(words in rack.status().lower() for words in ("nobody has taken", "not heard")),
            max(150.0 - rack.passed_s(), 15.0),  # a heartbeat that comes late says "not heard" for a moment
        )
        return came if drawn else Came(None, f"status does not say so, the view {rack.view().oncall}")


def broker_deaf_ear(folder):
    reads = (
        "water/#",
        "bellwatch/+/heartbeat",
        "bellwatch/+/watch",
        "bellwatch/north/mark/#",
        "bellwatch/north/taken/#",
    )
    acl = "topic write water/#\ntopic write bellwatch/north/#\n"
    acl += "".join(f"topic read {topic}\n" for topic in reads)
    return _nobody_takes(folder, lambda _rack: None, acl=acl)


def oncall_host_dead(folder):
    return _nobody_takes(folder, lambda rack: rack.team.kill_after(0.0))


def oncall_disk_full(folder):
    only_root()
    with small_disk(folder / "disk", 8) as disk:
        return _nobody_takes(folder, lambda _rack: disk.fill(), oncall={"state_in": disk.path})


def oncall_hangs(folder):
    return _nobody_takes(folder, lambda rack: rack.team.pause())


# Clock and network, as the watch meets them


def clock_asleep(folder):
    """The process stands still for longer than anybody's patience with the probes, and goes on."""
    with WholeRack(folder) as rack:
        rack.watch.pause()
        time.sleep(61.0)  # what is shorter is not worth a word
        rack.mark()
        rack.watch._process.send_signal(signal.SIGCONT)
        came = rack.shown(lambda view: told_of(view, "away"), 5.0)
        time.sleep(3.0)
        false = [text for text in rack.texts() if "silent" in text and "rack silent" not in text]
        return came._replace(wrong=f"called: {false[0]}" if false else "")
