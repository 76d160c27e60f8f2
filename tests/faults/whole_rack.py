"""The whole chain in real processes: probes on a pseudo-terminal and at the broker, watch, on-call, phones.

Two kreisels on one line, one probe each (temperature, conductivity and oxygen in blocks apart), a third
vessel whose probe publishes. The rig's settings are short; what they save against the shipped ones is added
to what is measured, so that a time here stands for one at a real rack. All values are invented.
"""

import itertools
import json
import re
import struct
import threading
import time
from contextlib import ExitStack, closing

from daemon.check.load import load_settings
from daemon.journal.journal import Journal
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from tests.faults.chain import Came
from tests.rigs.daemon_run import PATIENCE_S, DaemonRun
from tests.rigs.journal_file import asked, readings_in
from tests.rigs.oncall_run import OnCallRun, write_oncall
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.rack_voice import RackVoice

SILENT_S, GONE_S, RACK_SILENT_S, BROKER_S, GATHER_S, STOPPED_S = 1.0, 0.5, 2.5, 1.5, 0.5, 4.0
SHIPPED_MORE = {
    "silent": 600 - SILENT_S,  # what a probe with oxygen hides is told after ten minutes
    "gone": 60 - GONE_S,
    "stopped": 1800 - STOPPED_S,
    "rack silent": 180 - RACK_SILENT_S,
    "broker": 300 - BROKER_S,
    "alarm": 60 - 0.1,
    "hand over": 900 - 3.0,
    "heartbeat": 30 - 0.5,
    "": 0.0,
}
"""What the shipped settings take longer than the rig's, by what was waited for; gathering comes on top."""

AGAIN, MISSING = "times within", "answers missing"
"""In the reason of an alarm: what it tells of comes and goes, or comes in part."""

SETTINGS = """\
[rack]
name = "{name}"
time_zone = "Europe/Copenhagen"

[journal]
path = "{journal}"
commit_every_s = 0.05

[broker]
host = "127.0.0.1"
port = {port}
heartbeat_s = 0.5
{broker}

[buses.line]
kind = "modbus-rtu"
port = "{serial}"
baud = 115200
timeout_ms = {timeout_ms}
retries = 1

[buses.air]
kind = "mqtt"
host = "127.0.0.1"
port = {port}

[vessels.k1]
kind = "kreisel"
stage = "bench"

[vessels.k2]
kind = "kreisel"
stage = "bench"

[vessels.k3]
kind = "tray"
stage = "bench"

[probes.k1-multi]
bus = "line"
vessel = "k1"
unit_id = 1
every_s = 0.2
silent_after_s = {silent_s}
registers = {registers}

[probes.k2-multi]
bus = "line"
vessel = "k2"
unit_id = 2
every_s = 0.2
silent_after_s = {silent_s}
registers = {registers}

[probes.k3-air]
bus = "air"
vessel = "k3"
every_s = 0.2
silent_after_s = {silent_s}
topic = "water/k3"
format = "json"
fields = [
    {{ quantity = "temperature", pointer = "/t" }},
    {{ quantity = "conductivity", pointer = "/c" }},
]

[stages.bench]
salinity = "none"
oxygen = "none"
oxygen_saturation = "none"

[stages.bench.temperature]
advisory_low_c = 10
advisory_high_c = 20
critical_low_c = 5
critical_high_c = 25
deadband_c = 0.5
on_delay_s = 0.2
critical_on_delay_s = 0.1
off_delay_s = 0.2
unwatched_after_s = {silent_s}
lead_time_s = 0
max_rise_c_per_hour = "none"
max_fall_c_per_hour = "none"

# The rig's water is changed at once, as no water changes.
[quality.temperature]
max_jump_c = "none"
{more}
"""
REGISTERS = """[
    { quantity = "temperature", function = "holding", address = 0, type = "float32" },
    { quantity = "conductivity", function = "holding", address = 20, type = "float32" },
    { quantity = "oxygen", function = "holding", address = 40, type = "float32" },
]"""
QUANTITIES = {0: "temperature", 20: "conductivity", 40: "oxygen"}
PLAUSIBLE = {"temperature": (14.0, 17.0), "conductivity": (39.0, 41.0), "oxygen": (7.5, 8.5)}


class Line:
    """The line's probes: what each unit says, which a fault replaces by `faults[unit]`; 0 stands for all."""

    def __init__(self, folder):
        self.port = PtyLine(folder / "serial")
        self.celsius = {1: 15.0, 2: 16.0}
        self.faults = {}
        self.polls = {}
        self.peer = Peer(self.port, self._answer)

    def sound(self, request):
        """Return the right answer to a question."""
        unit, function, address, count = struct.unpack(">BBHH", request[:6])
        self.polls[unit] = polls = self.polls.get(unit, 0) + 1
        base = {0: self.celsius.get(unit, 15.0), 20: 40.0, 40: 8.0}[address]
        words = struct.unpack(f">{count}H", struct.pack(">f", base + 0.01 * (polls % 5)))
        return answer_frame(unit, function, *words)

    def _answer(self, request):
        unit = request[0]
        fault = self.faults.get(unit, self.faults.get(0))
        if unit not in self.celsius:
            return None
        return self.sound(request) if fault is None else fault(self, request)


class Wireless(threading.Thread):
    """A probe that publishes five times a second what `says` returns, None for nothing."""

    def __init__(self, broker):
        super().__init__()
        self._broker = broker
        self._ended = threading.Event()
        self.says = self.sound
        self.count = 0

    def sound(self):
        return json.dumps({"t": 15.5 + 0.01 * (self.count % 5), "c": 40.0})

    def run(self):
        import paho.mqtt.client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion

        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.reconnect_delay_set(1, 1)
        client.connect_async(self._broker.host, self._broker.port)
        client.loop_start()
        while not self._ended.wait(0.2):
            self.count += 1
            said = self.says()
            if said is not None and client.is_connected():
                client.publish("water/k3", said, qos=0)
        client.disconnect()
        client.loop_stop()

    def end(self):
        self._ended.set()
        self.join(PATIENCE_S)


class Listener:
    """What phones were told since the mark; a time here stands for one at shipped settings."""

    def mark(self):
        """Remember what was called so far; what comes now is counted from here."""
        self._told = len(self.phones.taken)
        self._began_s = time.monotonic()
        return self

    def texts(self):
        """Return the words of every call since the mark, to whom they went before them."""
        return [f"{path}: {text}" for path, text in self.phones.taken[self._told :]]

    def passed_s(self):
        return time.monotonic() - self._began_s

    def called(self, about, waited="", patience_s=15.0, *, gathers=True):
        """Return what came of a fault that is called by words `about`, as long as shipped settings take."""
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            if any(re.search(about, text) for text in self.texts()):
                return Came(self.passed_s() + SHIPPED_MORE[waited] + (15 - GATHER_S if gathers else 0.0))
            time.sleep(0.02)
        return Came(None)


def short_oncall(folder, broker_port, phones_port, *, state_in=None, **how):
    """Write on-call settings whose patience is short; return the file."""
    usual = {
        "repeat_s": 60, "hand_over_s": 3.0, "heartbeats_missed": round(RACK_SILENT_S / 0.5),
        "broker_after_s": BROKER_S, "oncall": 'racks = ["north"]', "routes": 2,
    }  # fmt: skip
    path = write_oncall(folder, broker_port, phones_port, **(usual | how))
    text = path.read_text().replace(
        "gone_after_s = 0.3", f"gone_after_s = {GONE_S}\nstopped_after_s = {STOPPED_S}"
    )
    text = text.replace(f"{folder}/oncall.sqlite", f"{state_in or folder}/oncall.sqlite")
    path.write_text(text.replace("gather_s = 0.1", f"gather_s = {GATHER_S}"))
    return path


class Team(Listener):
    """The on-call process alone with its broker and phones; `voice` speaks for rack north."""

    def __init__(self, folder, *, broker=None, through=None, start=True, speaks=True, **how):
        self.folder = folder
        self._stack = ExitStack()
        self.broker = self._stack.enter_context(Mosquitto(folder, **(broker or {})))
        self.phones = self._stack.enter_context(PageReceiver())
        self.through = self._stack.enter_context(through(self.broker.port)) if through else None
        port = self.through.port if through else self.broker.port
        self.team = OnCallRun(short_oncall(folder, port, self.phones.port, **how))
        self._stack.callback(self.team.end_by_force)
        self.voice = RackVoice(self.broker.port)
        if start:
            self.team.start()
            self.team.wait_for(lambda: "broker_connected" in self.team.log, "the on-call process")
        if speaks:
            self._stack.enter_context(self.voice)
            self.voice.beat()
        self.mark()

    def beats(self, seconds, *voices):
        """Let racks beat for a while."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for voice in voices or (self.voice,):
                voice.beat()
            time.sleep(0.3)

    def beating(self, *voices):
        """Return a thread's handle under which racks beat until it is left."""
        return Beating(voices or (self.voice,))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._stack.close()


class Beating:
    """Racks that beat in the background."""

    def __init__(self, voices):
        self._voices, self._ended = voices, threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self):
        while not self._ended.wait(0.3):
            for voice in self._voices:
                voice.beat()

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ended.set()
        self._thread.join(PATIENCE_S)


class WholeRack(Listener):
    """The chain in `folder`, with everything that a fault may take hold of; `close` ends it."""

    def __init__(
        self,
        folder,
        *,
        watch=True,
        team=True,
        acl=None,
        users=None,
        broker_config="",
        oncall=None,
        journal_in=None,
        **more,
    ):
        self.folder = folder
        self.journal = (journal_in or folder) / "north.sqlite"
        self._stack = ExitStack()
        self.broker = self._stack.enter_context(Mosquitto(folder, users=users, acl=acl, config=broker_config))
        self.phones = self._stack.enter_context(PageReceiver())
        self.line = Line(folder)
        self._stack.callback(self.line.port.unplug)
        self._stack.enter_context(self.line.peer)
        self.wireless = Wireless(self.broker)
        self.wireless.start()
        self._stack.callback(self.wireless.end)
        self.settings_file = self.write_settings(**more)
        self.watch = DaemonRun(self.settings_file)
        self._stack.callback(self.watch.end_by_force)
        self.team = OnCallRun(short_oncall(folder, self.broker.port, self.phones.port, **(oncall or {})))
        self._stack.callback(self.team.end_by_force)
        self._view = None
        self.answered_s = time.monotonic()
        if team:
            self.team.start()
            self.team.wait_for(lambda: "broker_connected" in self.team.log, "the on-call process")
        if watch:
            self.begin()

    def write_settings(
        self, name="north", port=None, serial=None, silent_s=SILENT_S, broker="", more="", timeout_ms=100
    ):
        path = self.folder / f"{name}.toml"
        serial = serial or self.line.port.path
        found = SETTINGS.format(
            name=name, journal=self.journal, port=port or self.broker.port, serial=serial,
            broker=broker, silent_s=silent_s, registers=REGISTERS, more=more, timeout_ms=timeout_ms,
        )  # fmt: skip
        path.write_text(found)
        return path

    def begin(self):
        """Start the watch, and wait until every probe was read and the first words were heard."""
        self.watch.start()
        self.watch.wait_for(lambda: self.sources_read() >= 8, "readings of every probe")

    def begin_anew(self):
        """Start the watch again, and wait until it reads."""
        before = self.newest_reading()
        self.watch.start()
        self.watch.wait_for(lambda: self.newest_reading() > before + 5, "readings after the new start")

    def close(self):
        self._stack.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    # What can be seen

    def sources_read(self):
        return len(asked(self.journal, "SELECT DISTINCT source FROM reading"))

    def newest_reading(self):
        return asked(self.journal, "SELECT ifnull(max(seq), 0) FROM reading")[0][0]

    def wrong_value(self, since_seq, also=()):
        """Say which reading since a number no probe has measured; empty where there is none."""
        rows = asked(
            self.journal,
            "SELECT s.quantity, s.probe, r.value FROM reading r JOIN source s ON s.id = r.source"
            " WHERE r.seq > ? AND s.probe != 'machine'",
            since_seq,
        )
        for quantity, probe, value in rows:
            low, high = PLAUSIBLE[quantity]
            if not low <= value <= high and probe not in also:
                return f"{probe} {quantity} {value:g} was written down"
        return ""

    def view(self):
        """Return what is now, as every screen has it."""
        if self._view is None:
            self._view = JournalView(load_settings(self.settings_file))
        return rack_now(self._view, int(time.time() * 1000))

    def status(self, *options):
        """Return what `bellwatch status` prints, in one line."""
        import subprocess
        import sys

        from tests.rigs.places import ROOT

        command = [sys.executable, "-m", "daemon", "status", "--settings", str(self.settings_file), *options]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
        return " ".join((done.stdout + done.stderr).split())

    def mark(self):
        self.seq = self.newest_reading()
        return super().mark()

    # What came

    def shown(self, holds, patience_s=15.0, more_s=0.0):
        """Return what came of a fault that screens show: `holds` looks at the view."""
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            try:
                if holds(self.view()):
                    return Came(self.passed_s() + more_s)
            except Exception as error:
                if "daemon.errors" not in type(error).__module__:
                    raise
            time.sleep(0.05)
        return Came(None)

    def wait_until(self, holds, patience_s):
        """Return whether something comes true in time."""
        until = time.monotonic() + patience_s
        while not holds() and time.monotonic() < until:
            time.sleep(0.05)
        return bool(holds())

    def mentioned(self, kind):
        """Return whether the on-call process keeps a notice of the rack for its next digest."""
        ((state,),) = asked(self.folder / "oncall.sqlite", "SELECT body FROM state")
        return any(word["event"]["condition"] == kind for word in json.loads(state)["calls"]["gone"])

    def standing(self):
        """Return the alarms whose condition lasts, of any priority."""
        return [alarm for alarm in self.view().alarms if not alarm.state.startswith("returned")]

    def rate_of(self, unit, seconds=1.5):
        """Return how many of a unit's readings are written down in a second."""
        before = self._count(f"k{unit}-multi")
        began_s = time.monotonic()
        time.sleep(seconds)
        return (self._count(f"k{unit}-multi") - before) / (time.monotonic() - began_s)

    def _count(self, probe):
        return self.read_since(0, probe)

    def read_since(self, seq, probe):
        """Return how many readings of a probe are written down after a number."""
        joined = "reading r JOIN source s ON s.id = r.source"
        question = f"SELECT count(*) FROM {joined} WHERE r.seq > ? AND s.probe = ?"
        return asked(self.journal, question, seq, probe)[0][0]

    def lost_or_late(self):
        """Say which stretch of a wired probe's readings since the mark is missing or dated otherwise.

        The probes are read five times a second whatever the watch does; a second is a busy machine's. What
        had to wait is taken in before it is looked at.
        """
        until_s = self.passed_s()
        self.watch.wait_for(lambda: self._read_for_s() > until_s - 10.0, "the readings up to now")
        steps = [later - earlier for earlier, later in itertools.pairwise(self._read_at_ms())]
        worst = max(steps, default=0)
        return f"{worst / 1000:.0f} s between two readings" if worst > 1500 else ""

    def _read_for_s(self):
        rows = self._read_at_ms()
        return (rows[-1] - rows[0]) / 1000 if rows else 0.0

    def _read_at_ms(self):
        """Return when a wired probe was read since the mark."""
        rows = asked(
            self.journal,
            "SELECT r.at_ms - r.lag_ms FROM reading r JOIN source s ON s.id = r.source WHERE r.seq > ?"
            " AND s.probe = 'k2-multi' AND s.quantity = 'temperature' ORDER BY r.seq",
            self.seq,
        )
        return [at_ms for (at_ms,) in rows]

    def heal(self):
        """Take the fault away, and wait until no alarm stands and who was called was told."""
        self.line.faults, self.wireless.says = {}, self.wireless.sound
        self.line.celsius = {1: 15.0, 2: 16.0}
        self.watch.wait_for(
            lambda: all(it.priority == "low" or AGAIN in it.reason for it in self.standing()),
            "the end of every louder alarm",
        )
        self.team.wait_for(lambda: not self.owed(), "the end of every call")
        time.sleep(0.6)  # the last word of the end may be under way

    @property
    def is_as_new(self):
        """Whether nothing is told of what was lost again and again, or in part, which goes on for hours."""
        return not any(AGAIN in alarm.reason or MISSING in alarm.reason for alarm in self.standing())

    def owed(self):
        return asked(self.folder / "oncall.sqlite", "SELECT count(*) FROM page WHERE fate = 'waiting'")[0][0]

    def open_journal(self):
        return closing(Journal(self.journal, writable=False))

    def readings(self):
        return readings_in(self.journal)
