"""An hour at real speed: real processes, faults at random; nothing grows or is lost, and each fault is told.

    BELLWATCH_SOAK_MINUTES=60 BELLWATCH_SOAK_SEED=1 python -m pytest -s -m long tests/soak/test_an_hour.py

Whatever ends a process is drawn in the first sixth only, so that the others have an hour to grow in. The rack
was watched for hours before: what is carried of each channel is bounded, and until then it fills up. A probe
has the shipped time to answer: delays of a busy machine are no loss, and what came within it is written down.
"""

import os
import random
import statistics
import struct
import time
from itertools import pairwise

import numpy as np
import pytest

from daemon.check.load import load_settings
from daemon.journal.journal import Journal
from daemon.settings.plan import rack_plan
from daemon.watch.watch import Watch
from drivers.readings import Reading
from tests.faults.whole_rack import AGAIN, WholeRack
from tests.rigs.daemon_run import DaemonRun
from tests.rigs.journal_file import asked
from tests.rigs.nights.recorded_nights import quiet
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.process_use import use_of
from tests.rigs.parts.pty_pair import answer_frame
from tests.rigs.parts.simulator_process import wait_for

MINUTES = float(os.environ.get("BELLWATCH_SOAK_MINUTES", "60"))
SEED = int(os.environ.get("BELLWATCH_SOAK_SEED", "1"))
CALM_S = 15.0, 45.0
TIMEOUT_MS, SILENT_S = 1_000, 6.0
"""As shipped; and so long that a silent probe, asked twice, makes no other on its line silent."""
WATCHED_H, TURN_MS, EVERY_MS = 4, 2_000, 200
"""So long the rack was watched, in turns of so long, and how often its probes are read: an engine fed so took
23 MB after four minutes, 41 after an hour, 49.4 after four hours and 49.5 after eight."""
MOST_MORE_MB = 10.0
"""So much more at the end than after the first sixth, and something grows (project judgement)."""
SOUND = {"temperature": 15.0, "conductivity": 40.0, "oxygen": 8.0}
WRITTEN_WITHIN_S, WELL_WITHIN_S = 20.0, 120.0

pytestmark = [pytest.mark.long, pytest.mark.timeout(MINUTES * 60 + 900)]


class Page(DaemonRun):
    def __init__(self, settings):
        super().__init__(settings)
        self._command[self._command.index("run")] = "page"
        self._log = settings.with_suffix(".page.log")


def silent(rack, unit):
    rack.line.faults[unit] = lambda _line, _request: None
    return f"north .*k{unit}"


def garbled(rack, unit):
    rack.line.faults[unit] = lambda _line, _request: b"\x13\x37\xfe\x00\xff\x81\x02"
    return f"north .*k{unit}"


def refusing(rack, unit):
    rack.line.faults[unit] = lambda _line, request: answer_frame(unit, request[1] | 0x80)
    return f"north .*k{unit}"


def hot(rack, unit):
    rack.line.celsius[unit] = 30.0
    return f"north k{unit}: temperature"


def cold(rack, unit):
    rack.line.celsius[unit] = 3.0
    return f"north k{unit}: temperature"


def quiet_air(rack, _unit):
    rack.wireless.says = lambda: None
    return "north .*k3"


def rubbish_air(rack, _unit):
    rack.wireless.says = lambda: "{" * 200
    return "north .*k3"


def unplugged(rack, _unit):
    rack.line.faults[0] = lambda _line, _request: None
    return "north .*k[12]"


def broker_restarts(rack, unit):
    rack.broker.stop()
    time.sleep(3)
    rack.broker.start()
    return hot(rack, unit)


def watch_hangs(rack, unit):
    rack.watch.pause()
    time.sleep(4)
    rack.watch._process.send_signal(18)  # SIGCONT
    return hot(rack, unit)


def watch_killed(rack, unit):
    rack.watch.kill_after(0.01)
    rack.begin_anew()
    return hot(rack, unit)


def team_killed(rack, unit):
    rack.team.kill_after(0.01)
    rack.team.start()
    return hot(rack, unit)


def page_killed(rack, unit):
    rack.page.kill_after(0.01)
    rack.page.start()
    return hot(rack, unit)


FAULTS = (
    silent, garbled, refusing, hot, cold, quiet_air, rubbish_air, unplugged, broker_restarts, watch_hangs
)  # fmt: skip
ENDING = (watch_killed, team_killed, page_killed)


def told(rack, about):
    """Return the seconds to the call; where a probe has come and gone for long, that call stands for it."""
    came = rack.called(about, patience_s=20.0 + SILENT_S).after_s
    if came is None and any(goes_on(alarm) for alarm in rack.standing()):
        return rack.shown(lambda view: view.alarms, 1.0).after_s
    return came


def goes_on(alarm):
    """Return whether an alarm stands because it came and went too often: it is over after a long quiet."""
    return AGAIN in alarm.reason or "over after" in alarm.reason


def healed(rack):
    """Take the fault away, and wait until nothing louder stands that does not go on by rule."""
    rack.line.faults, rack.wireless.says = {}, rack.wireless.sound
    rack.line.celsius = {1: 15.0, 2: 16.0}
    wait_for(lambda: all(it.priority == "low" or goes_on(it) for it in rack.standing()), WELL_WITHIN_S)
    wait_for(lambda: not rack.owed(), WELL_WITHIN_S)


class Held:
    """What the processes hold, looked at again and again; a process that was ended begins anew."""

    def __init__(self, rack):
        self._rack, self.seen = rack, {}

    def look(self):
        rack = self._rack
        for name, run in (("watch", rack.watch), ("page", rack.page), ("on call", rack.team)):
            self.seen.setdefault((name, run._process.pid), []).append(use_of(run._process.pid))
        self.seen.setdefault(("broker", 0), []).append(use_of(rack.broker._process.pid))

    def grown(self):
        """Return what has grown between the first and the last looks, and print them."""
        found = []
        for (name, _), uses in self.seen.items():
            if len(uses) < 12:
                continue
            # What is open for a moment, or for a moment not, is not seen in every look.
            first, last = (
                (
                    round(statistics.median(use.own_mb for use in part), 1),
                    of_them(use.threads for use in part),
                    of_them(use.handles for use in part),
                )
                for part, of_them in ((uses[len(uses) // 6 :][:5], max), (uses[-5:], min))
            )
            print(f"{name}: {len(uses)} looks; memory MB, threads, handles: {first} then {last}")
            if last[0] > first[0] + MOST_MORE_MB or last[1] > first[1] or last[2] > first[2]:
                found.append(f"{name}: {first} then {last}")
        return found


def watched_before(rack):
    """Let the rack's journal be that of a watch which has seen sound water for hours."""
    quiet()
    journal = Journal(rack.journal, writable=True)
    plan = rack_plan(load_settings(rack.settings_file), journal.inputs.source_id)
    end_ms = round(time.time() * 1000) - 5_000
    begin_ms = end_ms - WATCHED_H * 3_600_000
    watch, noise = Watch(journal, plan, begin_ms, lambda _said: [], TURN_MS), np.random.default_rng(SEED)
    for at_ms in range(begin_ms, end_ms, TURN_MS):
        times = range(at_ms, at_ms + TURN_MS, EVERY_MS)
        read = [(source, time_ms, noise.standard_normal()) for time_ms in times for source in plan.sources]
        watch.take(
            [Reading(of.probe, of.quantity, SOUND[of.quantity] + 0.01 * it, ms) for of, ms, it in read],
            at_ms + TURN_MS,
        )
    assert journal.history.last_event_number() == 0
    assert journal.inputs.last_seq() > WATCHED_H * 3_600_000 // EVERY_MS
    watch.stop()
    journal.close()


class Told:
    """What the wired probes answered, each time something else."""

    def __init__(self, line):
        self._sound, self.answers = line.sound, []
        line.sound = self.sound

    def sound(self, request):
        """Answer as the line does, and a hair more each time."""
        unit, function, words = request[0], request[1], self._sound(request)[3:-2]
        value = struct.unpack(">f", words)[0] + len(self.answers) % 4096 * 1e-5
        packed = struct.pack(">f", value)
        self.answers.append((f"k{unit}-multi", struct.unpack(">f", packed)[0]))
        return answer_frame(unit, function, *struct.unpack(">2H", packed))

    def lost_in_a_calm(self, rack, seconds):
        """Return the answers of so many seconds in which nothing happened that were not written down."""
        time.sleep(2)
        seq, begun = rack.newest_reading(), len(self.answers)
        time.sleep(seconds)
        given, until = self.answers[begun:], time.monotonic() + WRITTEN_WITHIN_S
        while lost := set(given) - written(rack, max(seq - 200, 0)):
            if time.monotonic() > until:
                break
            time.sleep(0.5)
        return lost


def written(rack, seq):
    question = "SELECT s.probe, r.value FROM reading r JOIN source s ON s.id = r.source WHERE r.seq > ?"
    return set(asked(rack.journal, question, seq))


def test_an_hour_of_faults(tmp_path):
    chance = random.Random(SEED)
    port = free_port()
    page = f"\n[page]\nport = {port}\n"
    untold, lost, after = [], set(), {}
    with WholeRack(tmp_path, watch=False, more=page, timeout_ms=TIMEOUT_MS, silent_s=SILENT_S) as rack:
        watched_before(rack)
        rack.begin_anew()
        rack.page = Page(rack.settings_file)
        try:
            rack.page.start()
            held, said, began_s = Held(rack), Told(rack.line), time.monotonic()
            while (passed := time.monotonic() - began_s) < MINUTES * 60:
                fault = chance.choice(FAULTS + (ENDING if passed < MINUTES * 10 else ()))
                rack.mark()
                came = told(rack, fault(rack, chance.choice((1, 2))))
                after.setdefault(fault.__name__, []).append(came)
                if came is None:
                    untold.append((round(passed), fault.__name__, rack.texts()))
                healed(rack)
                held.look()
                lost |= said.lost_in_a_calm(rack, chance.uniform(*CALM_S))
            grown = held.grown()
        finally:
            rack.page.end_by_force()
        print({name: len(all_of) for name, all_of in after.items()})
        numbers = [number for (number,) in asked(rack.journal, "SELECT number FROM event ORDER BY number")]
        waiting = asked(rack.journal, "SELECT count(*) FROM outbox WHERE delivered_ms IS NULL")[0][0]
    assert untold == []
    assert lost == set()
    assert [b - a for a, b in pairwise(numbers) if b - a != 1] == []
    assert waiting == 0
    assert grown == []
