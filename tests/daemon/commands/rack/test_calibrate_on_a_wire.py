"""Calibrating over a real serial wire: the real `bellwatch run` reads a Modbus probe on a pseudo-terminal.

The probe is simulated: its thermometer sends truth + 0.4, its cell 1.03 * truth, and that gain falls by a
ten thousandth each second until it rests. What tank and bottle are is known: every number is held against it.
"""

import json
import re
import struct
import threading
import time
from contextlib import closing

import numpy as np
import pytest
from gsw import C_from_SP

from daemon.as_read import show_temperatures_in
from daemon.commands.cli import main
from daemon.errors import JournalError
from daemon.journal.journal import Journal
from daemon.sources.drift_correction import calibrations_at, drift_corrected
from daemon.sources.journal import journal_recording
from rules.care.drift import uncertainty_between
from rules.readings import Readings
from tests.rigs.daemon_run import PATIENCE_S, DaemonRun
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

SETTINGS = """\
[rack]
name = "bench"
time_zone = "Europe/Copenhagen"
temperatures_in = "{unit}"

[journal]
path = "{folder}/journal.sqlite"
commit_every_s = 0.05

[buses.line]
kind = "modbus-rtu"
port = "{serial}"
baud = 115200
timeout_ms = 300
retries = 1

[vessels.k1]
kind = "kreisel"
stage = "juvenile"

[probes.k1-multi]
bus = "line"
vessel = "k1"
unit_id = 1
every_s = 0.1
silent_after_s = 5
registers = [
    {{ quantity = "temperature", address = 0, type = "float32", accuracy_c = 0.1 }},
    {{ quantity = "conductivity", address = 2, type = "float32", accuracy_ms_cm = 0.3 }},
]
"""
TANK_C, BOTTLE_C, BOTTLE = 15.0, 25.0, 12.88  # the label of potassium chloride holds at 25 °C
TANK = float(C_from_SP(33.0, TANK_C, 0.0))
GAIN, WARM, FALLS_PER_S = 1.03, 0.4, 0.0001


class Probe:
    """Answers for whatever registers are asked, of the water that it is in at that moment."""

    def __init__(self):
        self.water, self._began_s, self._ended_s = (TANK_C, TANK), time.time(), None
        self._rng, self._lock = np.random.default_rng(11), threading.Lock()

    def __call__(self, request):
        unit, function, address, count = struct.unpack(">BBHH", request[:6])
        celsius, truth = self.water
        gain = GAIN * (1.0 - FALLS_PER_S * ((self._ended_s or time.time()) - self._began_s))
        noise = self._rng.normal(0.0, 0.002, 2)
        words = struct.unpack(">4H", struct.pack(">ff", celsius + WARM + noise[0], gain * truth + noise[1]))
        return answer_frame(unit, function, *words[address : address + count])

    def rest(self):
        """Drift no more: how long the machine takes for what follows is its own affair."""
        self._ended_s = time.time()
        return self._ended_s


class Bench:
    """The running daemon, the probe on its line, and the commands."""

    def __init__(self, folder, probe, monkeypatch, capsys):
        self.file, self.path = folder / "bellwatch.toml", folder / "journal.sqlite"
        self.probe, self._patch, self._capsys = probe, monkeypatch, capsys

    def ask(self, *words, into=()):
        waters = iter(into)

        def enter(prompt):
            self.probe.water = next(waters)
            time.sleep(0.5)  # what was read of the water before is past then
            return ""

        self._patch.setattr("builtins.input", enter)
        self._capsys.readouterr()
        status = main([*words, "--settings", str(self.file)])
        said = self._capsys.readouterr()
        assert status == 0 or words[0] == "status", said.err  # that tells by it what stands
        return said.out

    def calibrate(self, quantity, *words, into=()):
        return self.ask("calibrate", "k1-multi", quantity, "--who", "kim", *words, into=into)

    def channel(self, quantity, since_s):
        """What the screens show of it once it was read after a time: value and ±, in its own unit."""
        until_s = time.time() + PATIENCE_S
        while time.time() < until_s:
            (vessel,) = json.loads(self.ask("status", "--json"))["vessels"]
            now = next(it for it in vessel["channels"] if it["quantity"] == quantity)
            if now["time_ms"] > since_s * 1000:
                return now
        raise AssertionError(f"{quantity}: not read again")


@pytest.fixture(params=["C", "F"])
def bench(request, tmp_path, monkeypatch, capsys):
    line, probe = PtyLine(tmp_path / "serial"), Probe()
    bench = Bench(tmp_path, probe, monkeypatch, capsys)
    bench.unit = request.param
    bench.file.write_text(SETTINGS.format(folder=tmp_path, serial=line.path, unit=request.param))
    daemon = DaemonRun(bench.file)
    with Peer(line, probe):
        daemon.start()
        try:
            daemon.wait_for(lambda: bench.path.exists() and readings_in(bench.path) > 40, "readings")
            yield bench
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
            show_temperatures_in("C")
    line.unplug()


def readings_in(path):
    try:
        with closing(Journal(path, writable=False)) as journal:
            return journal.inputs.last_seq()
    except JournalError:  # its tables are not there yet
        return 0


def between_the_visits(path, first, last):
    """Times and values of the cell between two visits as the line in force shows them, drift taken off."""
    recording = journal_recording(path)
    source = next(number for number, key in recording.sources.items() if key[1] == "conductivity")
    times, values = [], []
    for item in drift_corrected(recording, calibrations_at(path)).inputs():
        if isinstance(item, Readings):
            here = (item.source == source) & (item.time_ms >= first.at_ms) & (item.time_ms <= last.at_ms)
            times.extend(item.time_ms[here].tolist())
            values.extend(first.line.of(item.value[here]).tolist())
    return times, values


@pytest.mark.long
@pytest.mark.timeout(400)
def test_from_stable_and_back_over_the_wire(bench):
    """Ice and a bottle, then a minute of drift, then the bottle again: what is shown then is right."""
    said = bench.calibrate("temperature", "--in", "ice", into=[(0.0, TANK)])
    there = float(re.search(r"true there: ([\d.]+)", said)[1])
    assert there == pytest.approx({"C": WARM, "F": 32.0 + 1.8 * WARM}[bench.unit], abs=0.01)
    assert {"C": "read for 0 ± 0.05", "F": "read for 32 ± 0.09"}[bench.unit] in said
    for _ in range(2):
        bench.calibrate("conductivity", "--in", "kcl-12.88", into=[(BOTTLE_C, BOTTLE)])
        if len(calibrations_at(bench.path)) == 2:
            bench.probe.water = (TANK_C, TANK)
            time.sleep(60)
    rests_s = bench.probe.rest()
    (ice, first, last) = calibrations_at(bench.path)
    assert ice.points[0].read == pytest.approx(WARM, abs=0.005)
    assert first.points[0].true == pytest.approx(BOTTLE, abs=0.01)  # by its own thermometer, now right
    now = bench.channel("conductivity", rests_s)
    assert now["value"] == pytest.approx(BOTTLE, abs=last.uncertainty_at(BOTTLE))
    assert now["value"] == pytest.approx(BOTTLE, abs=now["uncertainty"])
    temperature = bench.channel("temperature", rests_s)["value"]
    assert temperature == pytest.approx(BOTTLE_C, abs=ice.uncertainty_at(BOTTLE_C))
    times, values = between_the_visits(bench.path, first, last)
    tank = [(at, value) for at, value in zip(times, values, strict=True) if value > 30]
    assert len(tank) > 80
    for at, value in tank:
        assert value == pytest.approx(TANK, abs=uncertainty_between(first, last, at, TANK))
        assert value == pytest.approx(TANK, abs=0.1)  # uncorrected it is 0.3 off at the end
    raw, shown = last.points[0].read, now["value"]
    made = [
        bench.calibrate("conductivity", "--standard", "bottle", flag, f"{value}={BOTTLE}")
        for flag, value in (("--shown", shown), ("--point", raw))
    ]
    assert all(f"for {BOTTLE}, as the probe sends it (raw)" in it for it in made)
    by_shown, by_raw = calibrations_at(bench.path)[-2:]
    assert by_shown.line.value_of(raw) == pytest.approx(by_raw.line.value_of(raw), abs=0.1)
