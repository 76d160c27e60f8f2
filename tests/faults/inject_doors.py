"""Faults that one part meets at its own door: settings, journal, clock, copies; without a whole rack."""

import re
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing

import structlog

from daemon.check.load import load_settings
from daemon.errors import BellwatchError, JournalError
from daemon.journal import integrity
from daemon.journal.asking import RequestBox
from daemon.journal.integrity import IntegrityCheck
from daemon.journal.journal import Journal
from daemon.oncall.check import examine
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from daemon.watch import wall_clock
from daemon.wiring import build
from drivers.readings import Reading
from tests.faults.chain import Came
from tests.faults.whole_rack import REGISTERS, SETTINGS
from tests.rigs.bench import START_MS, Bench, contents, steady, swinging
from tests.rigs.daemon_run import PATIENCE_S, write_settings
from tests.rigs.oncall_run import write_oncall
from tests.rigs.places import ROOT

HOUR_MS = 3_600_000


def quiet():
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())


def bellwatch(*arguments):
    began_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "daemon", *map(str, arguments)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return done, time.monotonic() - began_s


def refused_line(done, after_s, words):
    """Return what came of something that must be refused in one clear line."""
    said = done.stdout + done.stderr
    if "Traceback" in said:
        return Came(None, f"a traceback: {said[-100:]}")
    return Came(after_s if done.returncode != 0 and re.search(words, said) else None, "")


# Files


def checked(folder, change):
    path = folder / "bellwatch.toml"
    text = SETTINGS.format(
        name="north", journal=folder / "j.sqlite", port=1883, serial="/dev/none", broker="", silent_s=120,
        registers=REGISTERS, more="", timeout_ms=100,
    )  # fmt: skip
    path.write_text(change(text))
    return bellwatch("check", path)


def file_settings_monster(folder):
    path = folder / "monster.toml"
    path.write_text("".join(f"[a{'.a' * 50}.t{number}]\n" for number in range(20_000)))
    return refused_line(*bellwatch("check", path), "at most|too large|bytes|expected|nested")


def file_limits_crossed(folder):
    done = checked(folder, lambda text: text.replace("advisory_low_c = 10", "advisory_low_c = 21"))
    return refused_line(*done, "advisory_low_c")


def file_stage_unknown(folder):
    done = checked(folder, lambda text: text.replace('stage = "bench"', 'stage = "ephira"', 1))
    return refused_line(*done, "ephira")


def file_limits_off(folder):
    done, after_s = checked(
        folder, lambda text: text.replace("critical_low_c = 5", 'critical_low_c = "none"').replace(
            "critical_high_c = 25", 'critical_high_c = "none"'
        )
    )  # fmt: skip
    said = done.stdout
    return Came(after_s if "critical" in said and "temperature" in said else None)


def file_probe_forgotten(folder):
    bare = '[vessels.k4]\nkind = "tray"\nstage = "bench"\n\n'
    done, after_s = checked(folder, lambda text: text.replace("[vessels.k3]", bare + "[vessels.k3]"))
    return Came(after_s if re.search(r"k4.*(no probe|unwatched)", done.stdout) else None)


def _oncall_checked(folder, change):
    path = write_oncall(folder, 1883, 9)
    path.write_text(change(path.read_text()))
    began_s = time.monotonic()
    _, _, found = examine(path)
    return found, time.monotonic() - began_s


def oncall_nobody_on_duty(folder):
    swap = '\n[[rota.swaps]]\nfrom = "2026-12-24 12:00"\nuntil = "2026-12-25 12:00"\nperson = "cy"\n'
    found, after_s = _oncall_checked(
        folder, lambda text: text.replace("\n[priorities.critical]", swap + "\n[priorities.critical]")
    )
    errors = [finding for finding in found if not finding.is_warning and "cy" in str(finding)]
    return Came(after_s if errors else None)


def oncall_one_person(folder):
    found, after_s = _oncall_checked(folder, lambda text: text.replace('["ada", "bo"]', '["ada"]'))
    return Came(after_s if any("one person" in str(finding) for finding in found) else None)


def oncall_quiet_critical(folder):
    found, after_s = _oncall_checked(
        folder, lambda text: text.replace("[priorities.critical]", '[priorities.critical]\nwhen = "awake"')
    )
    errors = [finding for finding in found if not finding.is_warning and "critical" in str(finding)]
    return Came(after_s if errors else None)


def oncall_no_routes(folder):
    path = write_oncall(folder, 1883, 9)
    routes = folder / "routes.toml"
    routes.write_text(re.sub(r"bo = .*\n", "", routes.read_text()))
    _, _, found = examine(path)
    return Came(0.0 if any("bo" in str(finding) and not finding.is_warning for finding in found) else None)


# Clock: the daemon as it is built, on a clock that the test sets


class Wall:
    """A system clock that a test sets."""

    def __init__(self, utc_ms, synchronised):
        self._zero_ms = utc_ms - time.monotonic() * 1000
        self.synchronised = synchronised
        self.ahead_ms = 0

    def utc_ms(self):
        return round(self._zero_ms + time.monotonic() * 1000) + self.ahead_ms

    def is_synchronised(self):
        return self.synchronised

    def boot_id(self):
        return "boot-1"


class ClockedRack:
    """A daemon in this process on a clock of ours, its probe 15 °C on a real line; port 9 is no broker."""

    def __init__(self, folder, wall, port=9, more=""):
        from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

        quiet()
        self.wall = wall
        self.line = PtyLine(folder / "serial")
        self.path = folder / "journal.sqlite"
        self.centi_c, asked = 1500, [0]

        def answer(request):
            asked[0] += 1
            return answer_frame(request[0], request[1], self.centi_c + asked[0] % 5)

        self.peer = Peer(self.line, answer)
        path = write_settings(folder, self.line.path, port, silent_after_s=2.0, more=more)
        self.settings = load_settings(path)

    def __enter__(self):
        self.peer.__enter__()
        self._ended = threading.Event()
        self._crash = []
        self._thread = threading.Thread(target=self._run)
        self._thread.start()
        self.wait_for(lambda: self.count() > 10)
        return self

    def _run(self):
        try:
            build(self.settings, wall=self.wall).run(self._ended)
        except BaseException as error:
            self._crash.append(error)

    def __exit__(self, *_):
        self._ended.set()
        self._thread.join(PATIENCE_S)
        self.peer.__exit__()
        self.line.unplug()
        structlog.reset_defaults()

    def count(self, probe="%"):
        try:
            with closing(sqlite3.connect(f"file:{self.path}?mode=ro", uri=True, timeout=5)) as db:
                asked = "SELECT count(*) FROM reading JOIN source ON id = source WHERE probe LIKE ?"
                return db.execute(asked, (probe,)).fetchone()[0]
        except sqlite3.Error:
            return 0

    def events(self):
        with closing(sqlite3.connect(f"file:{self.path}?mode=ro", uri=True, timeout=5)) as db:
            # A busy machine loses answers by itself: that is no word on the clock.
            return [
                row[0]
                for row in db.execute("SELECT alarm FROM event WHERE body NOT LIKE '%answers missing%'")
            ]

    def wait_for(self, holds, patience_s=10.0):
        until = time.monotonic() + patience_s
        while not holds():
            if self._crash:
                raise AssertionError(f"it ended: {self._crash[0]!r}")
            if time.monotonic() > until:
                return False
            time.sleep(0.02)
        return True

    def view(self):
        return rack_now(JournalView(self.settings), self.wall.utc_ms())

    def reads_on(self):
        before = self.count()
        return "" if self.wait_for(lambda: self.count() > before + 10) else "it reads no more"


NOW_MS = 1_786_752_000_000


def _clock_set(folder, ahead_ms):
    """The clock is set while it runs: nothing is called for it, readings go on, and the dating says so."""
    with ClockedRack(folder, Wall(NOW_MS, synchronised=True)) as rack:
        rack.wall.ahead_ms = ahead_ms
        began_s = time.monotonic()

        def dated_anew():
            with closing(sqlite3.connect(f"file:{rack.path}?mode=ro", uri=True)) as db:
                return db.execute("SELECT count(*) FROM action WHERE kind = 'redate'").fetchone()[0] > 0

        rack.wait_for(dated_anew)
        wrong = rack.reads_on()
        time.sleep(2.5)
        false = rack.events()
        rack.wait_for(lambda: any(it.kind == "clock set" for it in rack.view().said), 15.0)
        view = rack.view()
        shown = abs(view.journal.newest_ms - rack.wall.utc_ms()) < 60_000
        shown = shown and any(it.kind == "clock set" for it in view.said)
        after_s = time.monotonic() - began_s
        return Came(after_s if shown else None, wrong or (f"called: {false[0]}" if false else ""))


def clock_set_forward(folder):
    return _clock_set(folder, 2 * HOUR_MS)


def clock_set_back(folder):
    return _clock_set(folder, -2 * HOUR_MS)


def clock_far_future(folder):
    return _clock_set(folder, 73 * 365 * 24 * HOUR_MS)


def clock_starts_in_the_past(folder):
    with ClockedRack(folder, Wall(1_000_000, synchronised=False)) as rack:
        view = rack.view()
        return Came(0.0 if not view.clock.synchronised else None, rack.reads_on())


def clock_never_set(folder):
    return clock_starts_in_the_past(folder)


KERNEL_SAYS_SO_AFTER_S = 16.0 / 500e-6
"""The kernel takes a clock for set until its error may be 16 s, at 500 ppm (linux/timex.h, from memory)."""


def clock_service_lost(folder):
    """The kernel says no longer that a time service looks after the clock, which was right before."""
    with ClockedRack(folder, Wall(NOW_MS, synchronised=True)) as rack:
        early = [said.kind for said in rack.view().said]
        rack.wall.synchronised = False
        began_s = time.monotonic()
        told = rack.wait_for(lambda: any(it.kind == "clock left alone" for it in rack.view().said), 20.0)
        after_s = KERNEL_SAYS_SO_AFTER_S + time.monotonic() - began_s
        return Came(after_s if told else None, f"said before: {early}" if early else rack.reads_on())


def clock_may_not_ask(folder):
    class NoKernel:
        def __init__(self, _name):
            pass

        def adjtimex(self, _timex):
            return -1

    sound = wall_clock.ctypes.CDLL
    wall_clock.ctypes.CDLL = NoKernel
    try:
        return Came(0.0 if not wall_clock.SystemWallClock(trusted=False).is_synchronised() else None)
    finally:
        wall_clock.ctypes.CDLL = sound


# Journal


def benched(folder, count=200):
    quiet()
    bench = Bench(folder)
    bench.take(swinging(count))
    return bench


def _goes_on(folder, spoil):
    """Spoil the journal's text between two runs: the next one starts, and the alarms stand."""
    bench = benched(folder)
    before = {alarm.name for alarm in bench.watch.engine.alarms()}
    last_ms = bench.watch.engine.clock_ms
    bench.watch.stop()
    bench.power_cut()
    with closing(sqlite3.connect(folder / "journal.sqlite")) as db:
        spoil(db)
        db.commit()
    began_s = time.monotonic()
    try:
        again = Bench(folder, now_ms=last_ms)
    except Exception as error:
        return Came(None, f"it does not start: {error!r:.80}")
    now = {alarm.name for alarm in again.watch.engine.alarms()}
    again.power_cut()
    return Came(time.monotonic() - began_s, "" if now == before else f"{before ^ now} differ")


def disk_bit_rots_snapshot(folder):
    return _goes_on(
        folder,
        lambda db: db.execute(
            "UPDATE snapshot SET state = replace(state, '{', '\x01')"
            " WHERE seq = (SELECT max(seq) FROM snapshot)"
        ),
    )


def disk_snapshots_gone(folder):
    return _goes_on(folder, lambda db: db.execute("UPDATE snapshot SET state = 'x' || substr(state, 2)"))


def disk_bit_rots_row(folder):
    bench = benched(folder)
    bench.watch.stop()
    with closing(sqlite3.connect(bench.path)) as db:
        db.execute("UPDATE reading SET value = value + 0.001 WHERE seq = 100")
        db.commit()
    sound, integrity.BREATHES_S = integrity.BREATHES_S, 0.001
    check, ended = IntegrityCheck(bench.path), threading.Event()
    thread = threading.Thread(target=check.run, args=(ended,))
    thread.start()
    until = time.monotonic() + PATIENCE_S
    while check._findings.empty() and time.monotonic() < until:
        time.sleep(0.01)
    ended.set()
    thread.join()
    integrity.BREATHES_S = sound
    found = not check._findings.empty()
    bench.power_cut()
    return Came(24 * 3600.0 if found else None)


def disk_wal_torn(folder):
    """The log's end is rubbish, as after a power cut within a commit; what was committed before is there."""
    import shutil

    bench = benched(folder)
    events = contents(bench.path)["event"]
    other = folder / "after"
    other.mkdir()
    for path in folder.glob("journal.sqlite*"):
        shutil.copy(path, other / path.name)
    bench.take(steady(40, 15.0, START_MS + 300_000))
    wal = (folder / "journal.sqlite-wal").read_bytes()
    bench.power_cut()
    done = (other / "journal.sqlite-wal").stat().st_size
    (other / "journal.sqlite-wal").write_bytes(wal[:done] + wal[done : done + 2000] + b"\x13" * 3000)
    again = Bench(other, now_ms=START_MS + 400_000)
    kept = contents(other / "journal.sqlite")["event"][: len(events)] == events
    again.power_cut()
    return Came(1.0, "" if kept else "an event that was committed is gone")


def disk_backup_broken(folder):
    bench = benched(folder)
    bench.power_cut()
    raw = bytearray(bench.path.read_bytes())
    raw[4096 * 3 : 4096 * 6] = b"\x13" * (4096 * 3)
    bench.path.write_bytes(raw)
    settings = folder / "bench.toml"
    done, after_s = bellwatch("backup", folder / "copy.sqlite", "--settings", settings)
    return refused_line(done, after_s, "journal|sound|malformed|damage")


def process_downgrade(folder):
    bench = benched(folder, 20)
    bench.power_cut()
    with closing(sqlite3.connect(bench.path)) as db:
        db.execute("PRAGMA user_version = 99")
        db.commit()
    before = bench.path.read_bytes()
    try:
        Journal(bench.path, writable=True).close()
    except (JournalError, BellwatchError) as error:
        same = bench.path.read_bytes() == before
        return Came(0.0 if "99" in str(error) else None, "" if same else "it wrote into it")
    return Came(None, "it is opened")


def process_rules_changed(folder):
    from daemon.watch import watch

    bench = benched(folder)
    bench.power_cut()
    sound, watch.RULES_VERSION = watch.RULES_VERSION, watch.RULES_VERSION + 1
    try:
        again = Bench(folder, now_ms=START_MS + 300_000)
    finally:
        watch.RULES_VERSION = sound
    plans = len(list(again.journal.inputs.actions("configure")))
    again.power_cut()
    return Came(0.0 if plans == 2 else None)


def process_same_request(folder):
    bench = benched(folder, 30)
    body = {"vessel": "k1", "what": "note", "text": "once"}
    RequestBox(bench.path).ask("log", "ada", body, "asked-once")
    bench.watch.take([], START_MS + 100_000)
    RequestBox(bench.path).ask("log", "ada", body, "asked-once")
    bench.watch.take([], START_MS + 101_000)
    entries = len(bench.journal.history.entries("note"))
    bench.power_cut()
    return Came(0.0, "" if entries == 1 else f"done {entries} times")


def process_downtime(folder):
    """It is stopped for ten minutes; the probes were well before and are well after."""
    quiet()
    bench = Bench(folder)
    bench.take(steady(60, 15.0))
    bench.watch.stop()
    bench.power_cut()
    back_ms = START_MS + 60_000 + 600_000
    again = Bench(folder, now_ms=back_ms)
    again.watch.take([], back_ms + 500)
    again.watch.take([Reading("k1-ct", "temperature", 15.0, back_ms + 1_000)], back_ms + 1_000)
    false = [event["channel"] for event in again.journal.history.event_bodies()]
    with closing(sqlite3.connect(again.path)) as db:
        notices = [row[0] for row in db.execute("SELECT id FROM notice")]
    again.power_cut()
    away = [notice for notice in notices if "away" in notice]
    return Came(1.0 if away else None, f"called: {false[0]} silent" if false else "")
