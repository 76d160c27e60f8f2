"""Faults at joints between parts that are in order each: files and processes, an upgrade, another user."""

import fcntl
import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from datetime import UTC, date
from datetime import time as clock

import pytest

from rules.calling.records import Answer, CallKind, Reply
from rules.calling.rota import Rota
from tests.faults.chain import DUTY, MINUTE, Came
from tests.faults.inject_calling import NIGHT_MS, alive, called_s, in_alarm
from tests.faults.inject_rack import HOT, and_watches_on, hot_is_called
from tests.faults.whole_rack import Team, WholeRack
from tests.rigs.oncall_run import write_oncall
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.small_disk import small_disk
from tests.rigs.places import ROOT

NOBODY = 65_534
"""A user without rights, by number."""

# Files that one has and the other does not go by


def file_cut_short(folder):
    """The file lacks all after the first probe but the rig's own stage; what is left reads well."""
    with WholeRack(folder) as rack:
        rack.watch.stop()
        whole = rack.settings_file.read_text()
        kept, stage = whole.partition("[probes.k2-multi]")[0], whole.partition("[stages.bench]")
        rack.settings_file.write_text(kept + stage[1] + stage[2])
        rack.mark()
        rack.watch.start()
        came = rack.shown(lambda view: any(it.kind == "not watched any more" for it in view.said))
        said = [it.text for it in rack.view().said if it.kind == "not watched any more"]
        named = any("k2/oxygen" in text for text in said)
        digest = rack.wait_until(lambda: rack.mentioned("not watched any more"), 10.0)
        return came._replace(wrong="" if named and digest else f"said {said}, in the digest: {digest}")


def file_not_in_force(folder):
    with WholeRack(folder) as rack:
        before = "other settings" in rack.status()
        text = rack.settings_file.read_text()
        rack.mark()
        rack.settings_file.write_text(text.replace("advisory_high_c = 20", "advisory_high_c = 19"))
        said = rack.status()
        wrong = "said before it was so" if before else ""
        return Came(rack.passed_s() if "goes by other settings than the file" in said else None, wrong)


def file_box_of_root(folder):
    """What root asks first makes the box; the watch's own user must be able to open it."""
    if os.geteuid() != 0:
        pytest.skip("only root can be root")
    home = folder / "home"
    home.mkdir()
    with WholeRack(folder, watch=False, journal_in=home) as rack:
        for path in (folder, *folder.parents[:2], *folder.iterdir()):
            path.chmod(path.stat().st_mode | (0o755 if path.is_dir() else 0o644))
        os.chown(home, NOBODY, NOBODY)
        user = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
        rack.watch._command = [*user, *rack.watch._command]
        rack.watch.start()  # the probes are not this user's; the journal is
        rack.watch.wait_for(lambda: '"watching"' in rack.watch.log, "the watch")
        rack.watch.stop()
        ask = [sys.executable, "-m", "daemon", "ack", "k1/temperature/high", "--who", "ada"]
        ask += ["--settings", str(rack.settings_file)]
        root = subprocess.Popen(ask, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        until = time.monotonic() + 15
        while not (home / "north.sqlite.requests").exists() and time.monotonic() < until:
            time.sleep(0.02)
        began_s = time.monotonic()
        rack.watch.start()
        said, _ = root.communicate(timeout=60)
        after_s = time.monotonic() - began_s
        answered = "no such alarm stands now" in said
        return Came(after_s if answered else None, "" if answered else said[-200:])


def oncall_not_in_force(folder):
    """New addresses are in the file, and the process calls by the old ones: a greeting must not deceive."""
    with Team(folder) as desk:
        sound = desk.team.asks("greet", "ada").stderr
        routes = folder / "routes.toml"
        routes.write_text(routes.read_text().replace("/ada-1", "/ada-9"))
        desk.mark()
        said = [desk.team.asks(*what).stderr for what in (("greet", "ada"), ("status",))]
        wrong = f"said before it was so: {sound}" if sound else ""
        return Came(desk.passed_s() if all("start that again" in it for it in said) else None, wrong)


def route_page_expired(folder):
    own_authority(folder, "ca")
    path = write_oncall(folder, 1883, 9)
    text = path.read_text() + '\n[page]\nurl = "https://bell.example"\nport = 8780\n'
    said = []
    for days in (2, -1):
        file = signed_by(folder, "ca", "127.0.0.1", days=days)
        path.write_text(text + f'certificate = "{file}"\nkey = "{file.with_suffix(".key")}"\n')
        command = [sys.executable, "-m", "daemon", "oncall", "--check", str(path)]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
        said.append("expired" in done.stdout)
    return Came(0.0 if said == [False, True] else None)


# An older access list, a rack that is given up, a person who leaves

OLD_LIST = """\
topic readwrite water/#
topic readwrite bellwatch/+/mark/#
topic read bellwatch/#
topic write bellwatch/+/taken/#
topic readwrite bellwatch/_oncall/#
user rack
topic write bellwatch/+/event
topic write bellwatch/+/alarm/#
topic write bellwatch/+/notice
topic write bellwatch/+/watch
topic write bellwatch/+/heartbeat
topic read bellwatch/+/command
"""
"""The rack may not read its own heartbeats, alarms and receipts, as before it asked for them."""


def broker_old_access(folder):
    password = folder / "password"
    password.write_text("right")
    password.chmod(0o600)
    named = f'username = "rack"\npassword_file = "{password}"\n'
    how = {"users": {"rack": "right"}, "broker_config": "allow_anonymous true"}
    with WholeRack(folder, acl=OLD_LIST, broker=named, **how) as rack:
        rack.mark()
        came = rack.shown(lambda view: view.broker.alive is False, 15.0, 90.0 - 1.5)  # three heartbeats
        wrong = "" if "access list is an old one" in rack.status() else "the access list is not named"
        rack.line.celsius[1] = HOT
        called = rack.called("north k1: temperature", "alarm", 30.0).after_s is not None
        return came._replace(wrong=wrong if called else "the alarm waits for it")


def racks_taken_away(folder):
    """A rack that was stopped for good: what the broker kept of it is cleared by the broker's own tool."""
    with Team(folder, oncall="racks = []") as desk:
        desk.voice.stop_on_purpose()
        stopped = desk.called("CRITICAL north: rack stopped", patience_s=20.0).after_s
        desk.mark()
        clear = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(desk.broker.port), "-r", "-n"]
        subprocess.run([*clear, "-t", "bellwatch/north/watch"], check=True, timeout=60)
        came = desk.called("OVER north", gathers=False)
        time.sleep(3.0)
        later = [text for text in desk.texts() if "OVER" not in text]
        status = desk.team.asks("status").stdout
        wrong = f"called: {later[0]}" if later else "" if "north" not in status else status
        return came._replace(wrong=wrong or ("" if stopped else "it was never called as stopped"))


def person_left(_folder):
    """The promise of somebody who is in the rota no more runs out like any other."""
    desk = in_alarm()
    desk._take(desk.team.answer(1, Answer(Reply.ON_MY_WAY, "ada", NIGHT_MS + 21 * MINUTE), NIGHT_MS + MINUTE))
    rota = Rota(("bo", "cy"), date(2025, 10, 13), clock(9), UTC)
    desk.team = desk.team.restore(desk.team.snapshot(), replace(DUTY, rota=rota))
    alive(desk, "north", NIGHT_MS + MINUTE, NIGHT_MS + 40 * MINUTE)
    to = {person for at, person, _ in desk.said(CallKind.ALARM) if at > NIGHT_MS + MINUTE}
    after_s = min(
        (it for who in ("bo", "cy") if (it := called_s(desk, NIGHT_MS + MINUTE, person=who)) is not None),
        default=None,
    )
    return Came(after_s, "" if "ada" not in to else "who has left is called on")


def person_works_beside_latched(folder):
    """Somebody works on the bus for three seconds, by the command, while a latched critical alarm stands."""
    with WholeRack(folder, more='\n[alarms]\nlatching = ["high"]\n') as rack:
        assert hot_is_called(rack).after_s is not None
        rack.line.celsius[1] = 15.0
        before = rack.wait_until(lambda: any("latched" in state for state in _states(rack)), 15.0)
        before = before and _states(rack)
        rack.mark()
        maintain = ["maintain", "bus/line", "--for", "3s", "--why", "a plug", "--who", "ada"]
        ask = [sys.executable, "-m", "daemon", *maintain, "--settings", str(rack.settings_file)]
        done = subprocess.run(ask, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
        held = rack.wait_until(lambda: not any("latched" in state for state in _states(rack)), 3.0)
        time.sleep(3.0)
        back = rack.wait_until(lambda: _states(rack) == before, 10.0)
        wrong = "" if done.returncode == 0 and held else f"no maintenance: {done.stderr[-150:]}"
        return Came(
            rack.passed_s() if before and back else None,
            wrong or f"{before} became {_states(rack)}" * (not back),
        )


def _states(rack):
    """Return name and state of each alarm of k1's water."""
    return {
        f"{alarm.name} {alarm.state}" for alarm in rack.view().alarms if "k1/temperature/high" in alarm.name
    }


# The machine


def machine_log_stuck(folder):
    """Whoever reads what the watch logs hangs: the pipe fills up."""
    with WholeRack(folder, watch=False) as rack:
        ours, theirs = os.pipe()
        fcntl.fcntl(theirs, fcntl.F_SETPIPE_SZ, 65_536)
        reading = threading.Event()
        reading.set()

        def drain():
            while reading.is_set() and os.read(ours, 4096):
                pass

        thread = threading.Thread(target=drain)
        thread.start()
        rack.watch._process = subprocess.Popen(rack.watch._command, stdout=theirs, stderr=theirs, cwd=ROOT)
        rack.watch.wait_for(lambda: rack.sources_read() >= 8, "readings of every probe")
        reading.clear()
        os.write(theirs, b"x")
        thread.join(10)
        fcntl.fcntl(theirs, fcntl.F_SETFL, os.O_NONBLOCK)
        try:
            while True:
                os.write(theirs, b"x" * 512)
        except BlockingIOError:
            fcntl.fcntl(theirs, fcntl.F_SETFL, 0)
        rack.mark()
        rack.line.celsius[1] = HOT
        came = rack.called("north: rack silent|north k1: temperature", "rack silent", 20.0)
        rack.watch.end_by_force()
        os.close(theirs)
        os.close(ours)
        return came


def machine_tmp_full(folder):
    if os.geteuid() != 0:
        pytest.skip("only root may mount a small disk of its own")
    with small_disk(folder / "tmp", 1) as disk, WholeRack(folder, watch=False) as rack:
        places = ("TMPDIR", "SQLITE_TMPDIR", "TMP", "TEMP")
        rack.watch.environment = {name: str(disk.path) for name in places}
        disk.fill()
        rack.begin()
        return and_watches_on(rack.mark() and rack, Came(1.0))


def machine_run_full(folder):
    """The folder in memory has no room for the beat when the watch starts."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount a small disk of its own")
    with small_disk(folder / "run", 1) as disk, WholeRack(folder) as rack:
        rack.watch.stop()
        rack.mark()
        disk.fill()
        rack.watch.environment = {"RUNTIME_DIRECTORY": str(disk.path)}
        rack.watch.start()
        code = rack.watch.wait_for_end()
        said = rack.watch.log.splitlines()[-1]
        came = rack.called("(HIGH|CRITICAL) north: ", "stopped", 15.0)
        return came._replace(wrong="" if code and "beat" in said else f"it says: {said[:150]}")
