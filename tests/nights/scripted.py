"""Forty scripted nights: simulated water, the real engine, the real calling, and people who may sleep on.

What happens is drawn from a night's number alone. What was truly so comes from the simulated water and from
`BEARS`, never from a limit of the engine; whether a call had a cause, from the script. Names are invented.
"""

import heapq
from dataclasses import dataclass, field, replace
from datetime import date, time
from functools import lru_cache
from itertools import count
from zoneinfo import ZoneInfo

import numpy as np

from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Condition
from rules.calling.duty import Duty
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, CallKind, Reply, Word
from rules.calling.rota import QuietHours, Rota
from rules.engine import Engine
from rules.quantities import Quantity, unit_of
from rules.readings import Action
from simulator.scenario.scenario import Event
from tests.rigs.nights import nights
from tests.rigs.nights.nights import MINUTE_MS, WATER, causes_of, direction, family, scenario_of

NIGHTS = 40
CALM_MS, BUSY_MS, BEAT_MS, ON_THE_WAY_MS = 20 * MINUTE_MS, 6 * MINUTE_MS, MINUTE_MS, 2_000
AGAIN_MS = 20 * MINUTE_MS
ZONE = ZoneInfo("Europe/Copenhagen")
PEOPLE = ("ada", "bo", "cy")
DUTY = Duty(
    Rota(PEOPLE, date(2026, 8, 10), time(9), ZONE), QuietHours(time(22), time(7), ZONE), (time(8, 30),)
)
"""As it is shipped; in the week of the nights ada is on call."""

T, S, OXYGEN = WATER
BEARS = {
    "planula": {T: (3, 22), S: (20, 38), OXYGEN: (30, 110)},
    "polyp": {T: (3, 25), S: (15, 40), OXYGEN: (20, 120)},
    "strobila": {T: (2, 16), S: (20, 40), OXYGEN: (30, 110)},
    "ephyra": {T: (4, 22), S: (18, 38), OXYGEN: (50, 110)},
    "juvenile": {T: (4, 22), S: (20, 38), OXYGEN: (45, 110)},
}
"""What animals of the more delicate lineage bear: temperature of polyps Widmer, Fox and Brierley 2016
(MEPS 559:73), of strobilae Holst 2012 (Hydrobiologia 690:127), by their abstracts; all else common practice,
no source."""

MEASURED_AS = {
    T: ("temperature",),
    S: ("salinity", "conductivity"),
    OXYGEN: ("oxygen", "oxygen_saturation"),
}
HARM_MIN = 30.0
"""So long out there, and animals are harmed (common practice, no source)."""
TOLD_BEFORE_MIN = 360.0
"""A call counts for a danger where it came at most so long before."""
TELLS = (CallKind.ALARM, CallKind.FLOOD)


@dataclass(frozen=True)
class Script:
    """What happens in a night: the scenario with its faults, what people do unasked, how they answer."""

    number: int
    kind: str
    scenario: object
    deeds: tuple = ()
    sleeps: tuple = ()
    answers_after_min: float = 4.0
    reply: Reply = Reply.SEEN


@dataclass(frozen=True)
class Danger:
    """Water that is out of what its animals bear; minutes of the night."""

    vessel: str
    what: str
    upwards: bool
    from_min: float
    to_min: float


@dataclass
class Course:
    """What came of a night: the truth, what the engine said, who was sent what."""

    script: Script
    night: nights.Night
    calls: list = field(default_factory=list)
    refused: list = field(default_factory=list)

    def minute(self, at_ms):
        return (at_ms - self.script.scenario.start_ms) / MINUTE_MS

    @property
    def told(self):
        return [call for call in self.calls if call.kind in TELLS]

    def dangers(self):
        """Every stretch in which animals were harmed."""
        water, found = self.night.water, []
        for vessel in self.night.plan.vessels:
            for quantity, (low, high) in BEARS[self.night.plan.vessels[vessel]].items():
                if not _is_measured(self.script.scenario, vessel, quantity):
                    continue  # by settings nobody sees it, and every screen says so
                truth = water.of(vessel, quantity)
                for upwards, out in ((True, truth > high), (False, truth < low)):
                    edges = np.flatnonzero(np.diff(np.concatenate([[False], out, [False]]).astype(int)))
                    for start, stop in edges.reshape(-1, 2):
                        ends = (self.minute(water.time_ms[start]), self.minute(water.time_ms[stop - 1]))
                        if ends[1] - ends[0] >= HARM_MIN:
                            found.append(Danger(vessel, family(quantity), upwards, *ends))
        return found

    def first_call(self, danger):
        """The first call that tells a person of a danger, or that nobody sees it; None without one."""
        from_ms = self.script.scenario.start_ms + (danger.from_min - TOLD_BEFORE_MIN) * MINUTE_MS
        return next((it for it in self.told if it.at_ms >= from_ms and _tells(it, danger)), None)

    def missed(self):
        """Dangers of which nobody had been told when the animals were harmed."""
        calls = [(danger, self.first_call(danger)) for danger in self.dangers()]
        return [
            danger
            for danger, call in calls
            if call is None or self.minute(call.at_ms) > danger.from_min + HARM_MIN
        ]

    def needless(self):
        """Calls about problems of which nothing in the script is a cause, the first call of each."""
        found = {}
        for call in self.told:
            caused = any(self._has_cause(word) for word in call.about)
            if not caused:
                found.setdefault(call.key or call.id, call)
        return list(found.values())

    def _has_cause(self, word):
        """Whether the script has a cause of it; what warms water drives its saturation up."""
        alarm, scenario = word.event.alarm, self.script.scenario
        if word.event.vessel in {body.get("vessel") for _, _, body in self.script.deeds}:
            return True
        said = [it for it in self.night.events if it.alarm == alarm and it.at_ms <= word.event.at_ms]
        said = [word.event, *said[-8:]]
        if direction(word.event) == ("oxygen", True):
            warm = {"channel": f"{word.event.vessel}/temperature", "condition": Condition.RISING}
            said += [replace(it, **warm) for it in said]
        if direction(word.event) == ("temperature", True):  # what runs in is as warm as the room
            fresh = {"channel": f"{word.event.vessel}/salinity", "condition": Condition.FALLING}
            said += [replace(it, **fresh) for it in said]
        return any(causes_of(it, scenario) for it in said)


def _is_measured(scenario, vessel, quantity):
    here = [probe for probe in scenario.probes.values() if probe.vessel == vessel]
    given = {str(measure.quantity) for probe in here for measure in probe.measures}
    return bool(given & set(MEASURED_AS[quantity]))


def _tells(call, danger):
    for word in call.about:
        event = word.event
        hidden = {its.partition("/")[0] for its in event.evidence.hidden}
        here = danger.vessel in {event.vessel, *event.vessels, *hidden}
        if here and direction(event) in ((danger.what, danger.upwards), None):
            return True
    return False


# What happens, drawn from a number


def script_of(number):
    """Draw a night from its number."""
    kind = list(KINDS)[number % len(KINDS)]
    draw = np.random.default_rng([20261127, number])
    scenario = scenario_of("quiet_night")
    scenario, events, deeds = KINDS[kind](draw, scenario)
    scenario = replace(scenario, events=tuple(sorted(events, key=lambda event: event.at_min)))
    sleeps = tuple(person for person in PEOPLE if draw.random() < 0.25)
    reply = draw.choice([Reply.SEEN, Reply.SEEN, Reply.ON_MY_WAY, Reply.NEXT])
    return Script(number, kind, scenario, tuple(deeds), sleeps, draw.uniform(2, 9), Reply(str(reply)))


def _failure(draw, scenario, after=150.0, vessel=None):
    """A danger of its own: a chiller, the flow over many animals, or a top-off that runs and runs."""
    vessel = vessel or str(draw.choice(["kreisel-4", "kreisel-5"]))
    kind = str(draw.choice(["chiller_fails", "air_stops", "top_off_stuck_open"]))
    at_min, lasts_min = after + draw.uniform(0, 60), draw.uniform(150, 300)
    here = scenario.vessels[vessel]
    drawn = draw.uniform(2.0, 3.2)  # mg/L an hour; the air brings it back at `kla_per_h`, of about 8.2 mg/L
    steady = 100 - 100 * drawn / here.kla_per_h / 8.2
    crowded = replace(here, respiration_mg_per_h=here.volume_l * drawn, oxygen_percent=steady)
    rate = here.volume_l * draw.uniform(0.1, 0.25)
    flowing = replace(here, top_off=replace(here.top_off, rate_l_per_h=rate))
    now = {"air_stops": crowded, "top_off_stuck_open": flowing}.get(kind, here)
    scenario = replace(scenario, vessels={**scenario.vessels, vessel: now})
    return scenario, Event(kind=kind, vessel=vessel, at_min=at_min, lasts_min=lasts_min)


def _perhaps(draw, share, scenario, events, **how):
    """What happens, and in a share of the nights a danger beside it."""
    if draw.random() >= share:
        return scenario, events
    scenario, event = _failure(draw, scenario, **how)
    return scenario, [*events, event]


def _frozen(draw, scenario):
    probe = str(draw.choice(["kreisel-4-ct", "kreisel-5-ct", "kreisel-4-oxygen", "tray-2-ct"]))
    stuck = Event(kind="probe_stuck", probe=probe, at_min=draw.uniform(40, 120), lasts_min=400.0)
    where = scenario.probes[probe].vessel
    return *_perhaps(draw, 0.8, scenario, [stuck], vessel=where if "kreisel" in where else None), []


def _cycling(draw, scenario):
    vessels = dict(scenario.vessels)
    for name in ("kreisel-4", "kreisel-5"):
        chiller = replace(vessels[name].chiller, hysteresis_c=draw.uniform(0.25, 0.4))
        vessels[name] = replace(vessels[name], chiller=chiller)
    return *_perhaps(draw, 0.5, replace(scenario, vessels=vessels), []), []


def _connectors(draw, scenario):
    probe = str(draw.choice(["kreisel-4-ct", "kreisel-5-ct", "kreisel-5-oxygen", "tray-3-ct"]))
    at, events = draw.uniform(30, 90), []
    for _ in range(int(draw.integers(6, 14))):
        kind = str(draw.choice(["probe_silent", "probe_garbled"]))
        events.append(Event(kind=kind, probe=probe, at_min=at, lasts_min=draw.uniform(0.5, 6)))
        at += events[-1].lasts_min + draw.uniform(2, 20)
    return *_perhaps(draw, 0.5, scenario, events), []


def _flood(draw, scenario):
    at = draw.uniform(60, 180)
    more = draw.choice(["bus", "heat", "air"])
    events = [Event(kind="power_dip", at_min=at, lasts_min=draw.uniform(60, 240))]
    if more == "bus":
        lasts_min = draw.uniform(30, 120)
        events.append(Event(kind="bus_unplugged", bus="bench-bus", at_min=at + 5, lasts_min=lasts_min))
    elif more == "heat":
        heat = {"rise_c": draw.uniform(6, 12), "ramp_min": 30.0}
        events.append(Event(kind="heat_wave", at_min=at, lasts_min=240.0, **heat))
    return scenario, events, []


def _two_faults(draw, scenario):
    scenario, events = _perhaps(draw, 1.0, scenario, [], after=60, vessel="kreisel-4")
    second = draw.uniform(60, 240)
    return *_perhaps(draw, 1.0, scenario, events, after=second, vessel="kreisel-5"), []


def _dips(draw, scenario):
    ats = np.sort(draw.uniform(30, 400, int(draw.integers(1, 4))))
    events = [
        Event(kind="power_dip", at_min=float(at), lasts_min=draw.uniform(2, 12), probes_too=True)
        for at in ats
    ]
    return *_perhaps(draw, 0.4, scenario, events), []


def _moves(draw, scenario):
    stage = str(draw.choice(["juvenile", "adult"]))
    deed = (draw.uniform(60, 120), "move_stage", {"vessel": "kreisel-4", "stage": stage})
    return *_perhaps(draw, 0.7, scenario, [], after=180, vessel="kreisel-4"), [deed]


def _work(draw, scenario):
    """What people do without a word: a water change, the flow off, a probe out for cleaning."""
    vessel = str(draw.choice(["kreisel-4", "kreisel-5", "tray-2"]))
    at, here = draw.uniform(30, 90), scenario.vessels[vessel]
    water = {
        "lasts_min": draw.uniform(5, 15),
        "fraction": draw.uniform(0.15, 0.4),
        "salinity": here.salinity + draw.uniform(-1.0, 1.0),
        "temperature_c": here.temperature_c + draw.uniform(-1.5, 1.5),
    }
    events = [
        Event(kind="water_change", vessel=vessel, at_min=at, **water),
        Event(kind="air_stops", vessel=vessel, at_min=at, lasts_min=draw.uniform(5, 15)),
        Event(kind="probe_in_air", probe=f"{vessel}-ct", at_min=at + 20, lasts_min=draw.uniform(3, 20)),
    ]
    return *_perhaps(draw, 0.5, scenario, events, after=200), []


KINDS = {
    "frozen probe": _frozen,
    "cycling": _cycling,
    "connector": _connectors,
    "flood": _flood,
    "two faults": _two_faults,
    "dips": _dips,
    "move": _moves,
    "undeclared work": _work,
}


# The night itself


@lru_cache(maxsize=NIGHTS)
def course_of(number):
    """Let the night of a number take its course."""
    return played(script_of(number))


def played(script):
    """Let a night take its course: probes, engine, calling, people, and back to the rack."""
    scenario = script.scenario
    record, water = nights._simulated(nights._Key(scenario), script.number)
    plan, numbers = nights.plan_of(scenario)
    course = Course(script, nights.Night(scenario, plan, water, [], [], []))
    live = _Live(course, Engine(plan, scenario.start_ms))
    live.run(nights._in_order(record, numbers))
    return course


class _Live:
    """Rack, calling and people in the order of their times; what people say reaches the rack a block later.

    A block is short where alarms stand: by the engine's law it makes no difference how long it is.
    """

    def __init__(self, course, engine):
        self.course, self.engine = course, engine
        self.start_ms = course.script.scenario.start_ms
        self.team = Escalation(DUTY, self.start_ms)
        self.team.link(True, self.start_ms)
        self.order, self.due, self.to_rack, self.answered = count(), [], [], {}

    def run(self, readings):
        now_ms, start, end_ms = self.start_ms, 0, self.course.night.end_ms
        deeds = [(self.start_ms + round(minute * MINUTE_MS), *it) for minute, *it in self.course.script.deeds]
        while now_ms < end_ms:
            now_ms += BUSY_MS if self.engine.alarms() or self.due else CALM_MS
            now_ms = min([now_ms, end_ms, *(deed[0] for deed in deeds)])
            stop = int(np.searchsorted(readings.at_ms, now_ms))
            said = len(self.course.night.events)
            self._takes(self.engine.feed(readings.part(start, stop)))
            self._takes(self.engine.advance(now_ms))
            while deeds and deeds[0][0] <= now_ms:
                _, kind, body = deeds.pop(0)
                self._takes(self.engine.act(Action(now_ms, kind, "kim", body)))
            for alarm, who in self.to_rack:
                self.course.night.take(self.engine.act(Action(now_ms, "acknowledge", who, {"alarm": alarm})))
            start, self.to_rack = stop, []
            self._pass(now_ms, self.course.night.events[said:])

    def _takes(self, outcome):
        assert not outcome.refusal, outcome.refusal
        self.course.night.take(outcome)

    def _pass(self, now_ms, events):
        """Let what happened up to now come to the calling, with signs of life between."""
        for event in events:
            self._later(event.at_ms + ON_THE_WAY_MS, event)
        for at_ms in range(self.team.clock_ms + BEAT_MS, now_ms, BEAT_MS):
            self._later(at_ms, len(self.engine.alarms()) or len(events))
        self._later(now_ms, len(self.engine.alarms()))
        while self.due and self.due[0][0] <= now_ms:
            at_ms, _, what = heapq.heappop(self.due)
            at_ms = max(at_ms, self.team.clock_ms)
            if isinstance(what, AlarmEvent):
                self._sent(self.team.hear(_word(what), at_ms))
            elif isinstance(what, int):
                courses = self.engine.courses() if at_ms == now_ms else ()
                self._sent(self.team.heartbeat("demo", what, at_ms, at_ms, courses=courses))
            else:
                self._answers(*what, at_ms)

    def _later(self, at_ms, what):
        heapq.heappush(self.due, (at_ms, next(self.order), what))

    def _sent(self, upshot):
        """People get calls; who does not sleep answers after a while."""
        script = self.course.script
        for call in upshot.calls:
            self.course.calls.append(call)
            if call.kind in TELLS and call.person not in script.sleeps:
                reply = Reply.SEEN if call.person == PEOPLE[-1] else script.reply
                self._later(call.at_ms + round(script.answers_after_min * MINUTE_MS), (call, reply))

    def _answers(self, call, reply, at_ms):
        calling = {it.number: [m.word.event.alarm for m in it.calling()] for it in self.team.problems()}
        until_ms = at_ms + 20 * MINUTE_MS if reply is Reply.ON_MY_WAY else None
        for number in call.numbers:
            again = at_ms - self.answered.get((number, call.person), -AGAIN_MS) < AGAIN_MS
            if again or not calling.get(number):
                continue  # has answered it just now, or somebody else has it
            self.answered[number, call.person] = at_ms
            upshot = self.team.answer(number, Answer(reply, call.person, until_ms), at_ms)
            self._sent(upshot)
            if not upshot.refusal and reply in (Reply.SEEN, Reply.ON_MY_WAY):
                self.to_rack += [(alarm, call.person) for alarm in calling.get(number, ())]


def _word(event):
    quantity = Quantity(event.quantity) if event.quantity in list(Quantity) else None
    return Word("demo", event, "journal", unit_of(quantity) if quantity else "", run="run", boot="boot")
