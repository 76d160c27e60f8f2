"""A rack of three kreisels that is read once a minute, by the watch without wires.

All numbers are invented.
"""

from contextlib import contextmanager

from daemon.check.load import load_settings
from daemon.journal.asking import RequestBox
from daemon.journal.journal import Journal
from daemon.journal.sole_writer import SoleWriter
from daemon.settings.rack import MirrorSettings
from drivers.readings import Reading
from tests.rigs.nights.recorded_nights import quiet, watch_of

START_MS = 1_786_752_000_000  # 2026-08-15T00:00:00Z, 02:00 in Copenhagen
MINUTE_MS = 60_000

SETTINGS = """\
[rack]
name = "north"
time_zone = "Europe/Copenhagen"

[quality.temperature]
max_jump_c = "none"   # the water is changed at once

[journal]
path = "{folder}/journal.sqlite"

[buses.line]
kind = "modbus-rtu"
port = "/dev/none"

[vessels.k1]
kind = "kreisel"
stage = "ephyra"
label = "Kreisel 1, top left"

[vessels.k2]
kind = "kreisel"
stage = "juvenile"

[vessels.k3]
kind = "kreisel"
stage = "juvenile"

{probes}
[probes.barometer]
bus = "line"
unit_id = 9
every_s = 60
registers = [{{ quantity = "air_pressure", address = 4, type = "float32" }}]
"""

MULTI = """\
[probes.{vessel}-multi]
bus = "line"
vessel = "{vessel}"
unit_id = {unit_id}
every_s = 60
registers = [
    {{ quantity = "temperature", address = 0, type = "float32" }},
    {{ quantity = "conductivity", address = 2, type = "float32" }},
    {{ quantity = "oxygen", address = 4, type = "float32" }},
]
"""
MIRROR = MirrorSettings(url="http://127.0.0.1:1", org="o", bucket="b", token_file="/dev/null")
WELL = {"k1": 15.0, "k2": 16.0, "k3": 16.0}


class MinuteRack:
    """The rack, with the lock and the beat of its watch."""

    def __init__(self, folder, more="", others=()):
        path = folder / "bellwatch.toml"
        self.well = WELL | dict.fromkeys(others, 16.0)
        vessels = zip((1, 2, 3, *range(21, 21 + len(others))), self.well, strict=True)
        more += "".join(f'[vessels.{name}]\nkind = "kreisel"\nstage = "juvenile"\n' for name in others)
        probes = "\n".join(MULTI.format(vessel=name, unit_id=unit_id) for unit_id, name in vessels)
        path.write_text(SETTINGS.format(folder=folder, probes=probes) + more)
        self.settings = load_settings(path)
        self.sole_writer = SoleWriter(self.settings.journal.path)
        self.journal = Journal(self.settings.journal.path, writable=True)
        self.watch = watch_of(self.journal, self.settings, START_MS)
        self.now_ms = START_MS
        self.without_oxygen = ()

    def minutes(self, count, **celsius):
        """Let minutes pass, taken in at their end; a vessel whose temperature is None says nothing."""
        readings = []
        for minute in range(count):
            self.now_ms += MINUTE_MS
            flicker = minute % 3 * 0.002
            readings.append(Reading("barometer", "air_pressure", 1011.0 + flicker, self.now_ms))
            for vessel, value in (self.well | celsius).items():
                if value is not None:
                    readings.append(Reading(f"{vessel}-multi", "temperature", value + flicker, self.now_ms))
                    readings.append(Reading(f"{vessel}-multi", "conductivity", 40.0 + flicker, self.now_ms))
                    if vessel not in self.without_oxygen:
                        oxygen = 8.0 + flicker
                        readings.append(Reading(f"{vessel}-multi", "oxygen", oxygen, self.now_ms))
        self.watch.take(readings, self.now_ms)

    def ask(self, kind, who="ada", **body):
        RequestBox(self.journal.path).ask(kind, who, body)
        self.watch.take([], self.now_ms)


@contextmanager
def rack_in(folder, more="", others=()):
    quiet()
    made = MinuteRack(folder, more, others)
    yield made
    made.journal.close()
    made.sole_writer.release()
