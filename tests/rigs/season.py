"""A season of an invented nursery, from settlement to medusae through six vessels.

The water is the simulated rack's, read every twenty minutes where animals live; the animals, their numbers
and everything that is written down of them are invented.
"""

from contextlib import contextmanager
from dataclasses import replace

from daemon.check.load import load_settings
from daemon.journal.asking import RequestBox
from daemon.journal.journal import Journal
from daemon.journal.logbook import acts_in
from daemon.journal.sole_writer import SoleWriter
from drivers.readings import Reading
from rules.culture.cohorts import culture_of
from rules.rack.logbook import sample_of
from simulator.scenario.file import load_scenario
from simulator.scenario.scenario import Event
from tests.rigs.nights.recorded_nights import quiet, watch_of
from tests.rigs.simulated import SCENARIOS, simulate

START_MS = 1_772_319_600_000  # 2026-03-01 00:00 in Copenhagen
DAY_MS, EVERY_S = 86_400_000, 1200.0
STEP_S = 120.0
"""In longer steps the simulated cooling leaps to and fro, and no value of it is usable."""
STAGES = ("planula", "polyp", "strobila", "ephyra", "juvenile", "adult")
VESSELS = ("dish-1", "tray-2", "tray-3", "kreisel-4", "kreisel-5", "kreisel-6")
WHO = "Ada"

RACK = """\
[rack]
name = "season"
time_zone = "Europe/Copenhagen"
people = ["Ada", "Kim"]

[journal]
path = "{folder}/journal.sqlite"

[buses.line]
kind = "modbus-rtu"
port = "/dev/none"
"""
VESSEL = '\n[vessels.{name}]\nkind = "{kind}"\nstage = "{stage}"\n'
PROBE = """
[probes.{name}]
bus = "line"
vessel = "{vessel}"
unit_id = {unit_id}
every_s = 1200
registers = [{registers}]
"""
FED_EVERY_DAYS = 3
DAY_MIN = 1440
EVENTS = (
    Event(kind="chiller_fails", vessel="kreisel-4", at_min=48 * DAY_MIN, lasts_min=DAY_MIN / 2),
    Event(kind="probe_silent", probe="kreisel-5-ct", at_min=63 * DAY_MIN, lasts_min=DAY_MIN / 3),
)


def done(what, cohort, vessel="", **more):
    return "culture", {"what": what, "cohort": cohort, "vessel": vessel, **more}


DONE = {
    0: [done("begin", "p1", "dish-1", stage="planula", value=800, how="guessed", lineage="aurita",
             origin="wild, collected at an invented pier", born_ms=START_MS)],
    9: [done("stage", "p1", "dish-1", stage="polyp", value=430)],
    10: [done("move", "p1", "dish-1", to="tray-2", value=430)],
    15: [done("split", "p1", "tray-2", to="tray-3", value=200, into="s1"),
         done("stage", "s1", stage="polyp-cooling")],
    36: [done("discs", "s1", values=[3, 4, 4, 5, 2]), done("stage", "s1", stage="strobila")],
    **{38 + place: [done("young", "s1", "tray-3", to="kreisel-4", value=value, into="e1", stage="ephyra")]
       for place, value in enumerate((20, 60, 110, 150, 120, 70, 30))},
    46: [done("died", "e1", "kreisel-4", value=12, cause="pump"),
         done("count", "e1", "kreisel-4", value=548)],
    50: [done("died", "e1", "kreisel-4", value=8, cause="bubble")],
    55: [done("move", "e1", "kreisel-4", to="kreisel-5", value=300)],
    58: [done("count", "e1", "kreisel-5", value=290)],  # ten are gone and nobody saw why: the planted rest
    60: [done("stage", "e1", stage="juvenile", limits_too=["kreisel-4"])],
    66: [done("split", "e1", "kreisel-5", to="kreisel-6", value=120, into="m1"),
         done("stage", "m1", stage="adult")],
}  # fmt: skip
WEIGHED = {51: (6, 3, 8), 59: (5, 4, 9), 64: (6, 6, 12)}
"""Day: how many bells of the batch were weighed, from and to which diameter [mm]."""
SIZES = {47: (3.1, 3.4, 2.9, 3.2), 51: (4.0, 4.3, 3.9, 4.1), 54: (4.8, 5.1, 4.9), 59: (6.6, 6.1, 6.4, 6.2)}


def weighed_on(day):
    """Diameter [mm] and weight [mg] of each bell, about W = 0.07 D^2.7: invented, as no source has any."""
    count, least, widest = WEIGHED[day]
    sizes = [least + (widest - least) * place / (count - 1) for place in range(count)]
    return [(mm, 0.07 * mm**2.7 * (1.1 if place % 2 else 0.9)) for place, mm in enumerate(sizes)]


LIVED = {"dish-1": (0, 11), "tray-2": (9, 99), "tray-3": (14, 99),
         "kreisel-4": (37, 99), "kreisel-5": (54, 99), "kreisel-6": (65, 99)}  # fmt: skip
"""From and to which day a vessel is read: with animals in it, and a day around."""


def in_use(probe, at_ms):
    """Whether the vessel of a probe has animals then, or the probe is of no vessel."""
    begun, end = next((span for vessel, span in LIVED.items() if probe.startswith(vessel)), (0, 99))
    return begun <= (at_ms - START_MS) / DAY_MS < end


def scenario_of(days):
    """The quiet rack with a sixth vessel, read every twenty minutes."""
    quiet_rack = load_scenario(SCENARIOS / "quiet_night.toml")
    probes = {
        name: replace(probe, every_s=EVERY_S) for name, probe in quiet_rack.probes.items() if probe.vessel
    }
    probes |= {
        name.replace("kreisel-5", "kreisel-6"): replace(probe, vessel="kreisel-6")
        for name, probe in probes.items()
        if probe.vessel == "kreisel-5"
    }
    vessels = quiet_rack.vessels | {"kreisel-6": quiet_rack.vessels["kreisel-5"]}
    course = replace(quiet_rack.course, step_s=STEP_S, lasts_h=24.0 * days)
    return replace(quiet_rack, course=course, vessels=vessels, probes=probes, events=EVENTS)


def settings_text(folder, read):
    """The settings of that rack: one probe for each that the simulator has, with what it measures."""
    text = RACK.format(folder=folder)
    for name, stage in zip(VESSELS, STAGES, strict=True):
        text += VESSEL.format(name=name, stage=stage, kind=name.partition("-")[0])
    measured = {}
    for probe, quantity in read:
        measured.setdefault(probe, []).append(quantity)
    for unit_id, (probe, quantities) in enumerate(measured.items(), 1):
        vessel = next(name for name in VESSELS if probe.startswith(name))
        registers = ", ".join(
            f'{{ quantity = "{quantity}", address = {2 * place}, type = "float32" }}'
            for place, quantity in enumerate(quantities)
        )
        text += PROBE.format(name=probe, vessel=vessel, unit_id=unit_id, registers=registers)
    return text


class Season:
    """The rack's journal up to some day, and its settings; acts are asked for as people do."""

    def __init__(self, folder, days):
        quiet()
        read = simulate(scenario_of(days), start_ms=START_MS, hours=24.0 * days)
        self.path = folder / "season.toml"
        self.path.write_text(settings_text(folder, read))
        self.settings = load_settings(self.path)
        self.sole_writer = SoleWriter(self.settings.journal.path)
        self.journal = Journal(self.settings.journal.path, writable=True)
        self.watch = watch_of(self.journal, self.settings, START_MS)
        self.now_ms = START_MS
        self.refused = []
        readings = sorted(
            (int(at_ms), probe, quantity, float(value))
            for (probe, quantity), (times, values) in read.items()
            for at_ms, value in zip(times, values, strict=True)
            if in_use(probe, at_ms)
        )
        place = 0
        for day in range(days):
            self._at(START_MS + day * DAY_MS + 9 * 3_600_000, readings, place)
            place = self._place
            self._day(day)
        self._at(START_MS + days * DAY_MS, readings, place)

    def _at(self, until_ms, readings, place):
        """Let the watch take in what was read up to a moment."""
        stop = place
        while stop < len(readings) and readings[stop][0] <= until_ms:
            stop += 1
        made = [
            Reading(probe, quantity, value, at_ms) for at_ms, probe, quantity, value in readings[place:stop]
        ]
        self.watch.take(made, until_ms)
        self.now_ms, self._place = until_ms, stop

    def _day(self, day):
        for kind, body in DONE.get(day, ()):
            self.ask(kind, body)
        living = culture_now(self.journal).cohorts.values()
        for of in living:
            if day % FED_EVERY_DAYS == 0 and of.stage != "planula":
                for vessel in of.vessels:
                    self.ask("log", {"what": "feed", "vessel": vessel, "cohort": of.code, "value": 20 + day})
            if of.code == "e1" and day in SIZES:
                sample = {"what": "bell_diameter", "vessel": of.vessels[-1], "cohort": "e1"}
                self.ask("log", sample | sample_of(SIZES[day]))
            if of.code == "e1" and day in WEIGHED:
                about = {"what": "wet_weight", "vessel": of.vessels[-1], "cohort": "e1"}
                sizes, weights = zip(*weighed_on(day), strict=True)
                self.ask("log", about | sample_of(weights) | {"diameters_mm": list(sizes)})

    def ask(self, kind, body):
        box = RequestBox(self.journal.path)
        asked = box.ask(kind, WHO, body)
        self.watch.take([], self.now_ms)
        if refusal := box.answer_to(asked):
            self.refused.append(refusal)


def culture_now(journal):
    return culture_of(acts_in(journal))


@contextmanager
def season_in(folder, days=70):
    made = Season(folder, days)
    yield made
    made.journal.close()
    made.sole_writer.release()
