"""A rack with a page to look at: invented water up to this moment, taken in by the real watch.

Every name, number and event is our own invention.
"""

import math
import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

from daemon.check.load import load_settings
from daemon.journal.asking import RequestBox
from daemon.journal.journal import Journal
from daemon.journal.sole_writer import SoleWriter
from daemon.page.pages import rack_pages
from daemon.web import server
from drivers.readings import Reading
from tests.rigs.nights.recorded_nights import quiet, watch_of
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.simulator_process import wait_for

MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
server.LOOKS_EVERY_S = 0.02  # servers come and go here, and each end is waited for

RACK = """\
[rack]
name = "north-rack"
time_zone = "Europe/Copenhagen"
lineage = "coerulea"
people = ["ada", "bo", "cy"]

[journal]
path = "{folder}/journal.sqlite"

[quality.temperature]
max_jump_c = "none"   # the water is changed at once

[page]
port = {port}
shelves = {shelves}
{page}

[buses.line]
kind = "modbus-rtu"
port = "/dev/none"

[probes.barometer]
bus = "line"
unit_id = 200
every_s = {every_s}
silent_after_s = {silent_s}
registers = [{{ quantity = "air_pressure", address = 4, type = "float32" }}]
"""

VESSEL = """
[vessels.{name}]
kind = "{kind}"
stage = "{stage}"
label = "{label}"

[probes.{name}-multi]
bus = "line"
vessel = "{name}"
unit_id = {unit_id}
every_s = {every_s}
silent_after_s = {silent_s}
registers = [
    {{ quantity = "temperature", address = 0, type = "float32" }},
    {{ quantity = "salinity", address = 2, type = "float32" }},
    {{ quantity = "oxygen_saturation", address = 4, type = "float32" }},
]
"""

NINE = (
    *(("k1", "kreisel", "ephyra"), ("k2", "kreisel", "ephyra"), ("k3", "pseudokreisel", "juvenile")),
    *(("t1", "tray", "polyp"), ("t2", "tray", "strobila"), ("t3", "tray", "polyp-cooling")),
    *(("d1", "dish", "planula"), ("d2", "dish", "planula"), ("b1", "tank", "adult")),
)
TARGETS = {"temperature": 15.0, "salinity": 32.0, "oxygen_saturation": 97.0}
OF_STAGE = {
    "polyp": {"temperature": 18.0},
    "strobila": {"temperature": 10.4, "salinity": 30.0},
    "polyp-cooling": {"temperature": 11.6, "salinity": 30.2},
    "juvenile": {"temperature": 16.0, "salinity": 33.0},
    "adult": {"temperature": 16.2, "salinity": 33.0},
}


class PageRack:
    """The rack up to now; `drifts` are units per hour that a channel moves by in its last hours.

    `swings` are by how much a channel goes up and down in half a day.
    """

    def __init__(
        self,
        folder,
        vessels=NINE,
        across=3,
        days=1.0,
        drifts=(),
        silent=(),
        every_ms=MINUTE_MS,
        page="",
        swings=(),
        polls_a_turn=60,
    ):
        self.port, self.vessels = free_port(), vessels
        names = [name for name, _, _ in vessels]
        shelves = [names[start : start + across] for start in range(0, len(names), across)]
        shown = str(shelves).replace("'", '"')
        often = {"every_s": every_ms // 1000, "silent_s": every_ms // 200}
        text = RACK.format(folder=folder, port=self.port, shelves=shown, page=page, **often)
        for number, (name, kind, stage) in enumerate(vessels, 1):
            label = f"{kind.capitalize()} {name[1:]}"
            text += VESSEL.format(name=name, kind=kind, stage=stage, label=label, unit_id=number, **often)
        path = folder / "bellwatch.toml"
        path.write_text(text)
        self.file, self.settings = path, load_settings(path)
        self.drifts, self.silent, self.every_ms = dict(drifts), set(silent), every_ms
        self.swings = {(name, "temperature"): 0.25 for name in names} | dict(swings)
        self.chance = random.Random(7)
        self.now_ms = int(time.time() * 1000)
        self.polls_a_turn = polls_a_turn
        self.start_ms = self.now_ms - round(days * DAY_MS)
        self.sole_writer = SoleWriter(self.settings.journal.path)
        self.journal = Journal(self.settings.journal.path, writable=True)
        self.watch = watch_of(self.journal, self.settings, self.start_ms)
        self.at_ms, self.beats = self.start_ms, True

    def live(self, until_ms=None):
        """Let the water be read up to a moment, by default to the moment that is now."""
        until_ms = until_ms or self.now_ms
        while self.at_ms < until_ms:
            stop_ms, readings = min(self.at_ms + self.polls_a_turn * self.every_ms, until_ms), []
            while self.at_ms + self.every_ms <= stop_ms:
                self.at_ms += self.every_ms
                readings += self._moment()
            self.at_ms = max(self.at_ms, stop_ms if stop_ms == until_ms else 0)
            self.watch.take(readings, self.at_ms)
        self.sole_writer.beat()

    def _moment(self):
        hours = (self.at_ms - self.start_ms) / HOUR_MS
        left_h = (self.now_ms - self.at_ms) / HOUR_MS
        found = [Reading("barometer", "air_pressure", 1011.0 + math.sin(hours / 20) * 6, self.at_ms)]
        for place, (name, _, stage) in enumerate(self.vessels):
            if name in self.silent and left_h < 5:
                continue
            for quantity, target in (TARGETS | OF_STAGE.get(stage, {})).items():
                wide = self.swings.get((name, quantity), 0.12)
                value = target + wide * math.sin(hours / 2.1 + place) + self.chance.gauss(0, 0.02)
                rate, begun_h = self.drifts.get((name, quantity), (0.0, 0.0))
                value += rate * max(begun_h - left_h, 0)
                found.append(Reading(f"{name}-multi", quantity, round(value, 3), self.at_ms))
        return found

    def ask(self, kind, who="ada", **body):
        """Ask the watch, and let it take turns until it has answered."""
        box = RequestBox(self.journal.path)
        asked = box.ask(kind, who, body)

        def answered():
            self.watch.take([], self.at_ms)
            return box.answer_to(asked) is not None

        wait_for(answered)

    def while_it_runs(self, deed):
        """Do something in another thread while the watch takes up what is asked; return what comes of it."""
        with ThreadPoolExecutor(1) as pool:
            doing = pool.submit(deed)
            while not doing.done():
                self.watch.take([], self.at_ms)
                time.sleep(0.02)
            return doing.result()


@contextmanager
def page_rack(folder, **how):
    """Give the rack, its water read up to now."""
    quiet()
    rack = PageRack(folder, **how)
    rack.live()
    yield rack
    rack.journal.close()
    rack.sole_writer.release()


@contextmanager
def served(rack):
    """Serve the rack's page beside a watch whose heart beats; give its address."""
    stop = threading.Event()

    def beat():
        while not stop.wait(0.5):
            if rack.beats:
                rack.sole_writer.beat()

    thread = threading.Thread(target=beat)
    with rack_pages(rack.settings, stop) as pulse:
        thread.start()
        try:
            wait_for(lambda: pulse.newest.number >= 0)  # until then it says how far it has read
            yield f"http://127.0.0.1:{rack.port}"
        finally:
            stop.set()
            thread.join()
