"""Simulated nights judged by the engine, beside what the water really did.

What a night must and may announce is worked out here from the scenario's script and from the truth of
the simulated water, never from what the engine said. The rack and its plan are those of the demo, with
the patience of a real rack for silent probes and with what its vessels share.
"""

import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from daemon.check.load import load_settings
from daemon.settings.plan import rack_plan
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.engine import Engine
from rules.quantities import Quantity
from rules.readings import Action, Readings
from simulator.scenario.faults import begin_ms, end_ms
from tests.rigs.nights.recorded_nights import write_settings
from tests.rigs.simulated import load_named, simulate

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
STEP_S = 30.0  # as often as most probes are polled
TOLD = (Trigger.RAISED, Trigger.WORSENED, Trigger.REANNOUNCED)
ANNOUNCED = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
WATER = (Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION)
COLD_LOOP = ("dish-1", "tray-2", "tray-3")  # as in the demo's settings
VESSELS = (*COLD_LOOP, "kreisel-4", "kreisel-5")

SHARED = f"""
[supplies.air]
quantity = "oxygen"
vessels = {list(VESSELS)}
"""
SECOND_THERMOMETER = """
[probes.kreisel-4-thermometer]
bus = "bench-bus"
vessel = "kreisel-4"
unit_id = 17
registers = [{ quantity = "temperature", function = "input", address = 0, type = "int16", scale = 0.01 }]
"""


def family(quantity):
    """The water's property behind a quantity: oxygen is one, in whichever unit."""
    return "oxygen" if quantity.startswith("oxygen") else str(quantity)


@dataclass(frozen=True)
class Water:
    """The simulated truth: `value[quantity]` has shape (times, vessels), in the order of the scenario."""

    time_ms: np.ndarray
    value: dict
    vessels: list

    def of(self, vessel, quantity):
        return self.value[quantity][:, self.vessels.index(vessel)]

    def at(self, time_ms, vessel, quantity):
        return float(np.interp(time_ms, self.time_ms, self.of(vessel, quantity)))

    def rate_per_hour(self, time_ms, vessel, quantity, window_ms):
        """How fast the truth moved, on average, over the window before (or since the start)."""
        from_ms = max(time_ms - window_ms, int(self.time_ms[0]))
        moved = self.at(time_ms, vessel, quantity) - self.at(from_ms, vessel, quantity)
        return moved * HOUR_MS / (time_ms - from_ms)


@dataclass(frozen=True)
class Night:
    """A scenario with a seed: the truth, the plan, and all that the engine said."""

    scenario: object
    plan: object
    water: Water
    events: list
    notices: list
    refusals: list

    def take(self, outcome):
        self.events.extend(outcome.events)
        self.notices.extend(outcome.notices)
        self.refusals.extend([outcome.refusal] if outcome.refusal else [])

    @property
    def start_ms(self):
        return self.scenario.start_ms

    @property
    def end_ms(self):
        return int(self.water.time_ms[-1])

    @property
    def calls(self):
        """What wakes somebody."""
        return [event for event in self.events if event.trigger in TOLD and event.priority >= Priority.HIGH]

    def minute(self, event):
        return (event.at_ms - self.start_ms) / MINUTE_MS

    def tolerance(self, vessel, quantity):
        return self.plan.tolerances[self.plan.vessels[vessel]].get(quantity)

    def standing(self, at_ms):
        """The newest event of every alarm up to a time."""
        return {event.alarm: event for event in self.events if event.at_ms <= at_ms}.values()

    def announces(self, vessel, what, upwards, at_ms):
        """Whether people are told of a critical condition of a vessel at a time.

        Told is: an alarm of the vessel is announced; or the vessel is among those of an announced
        cause; or what measures the vessel is announced as silent or faulty.
        """
        standing = list(self.standing(at_ms))
        leading = [it for it in standing if it.state in ANNOUNCED and it.priority is Priority.CRITICAL]
        listed = {it.cause for it in standing if it.vessel == vessel and it.state is State.SUPPRESSED}
        return any(
            (it.vessel == vessel or vessel in it.vessels or it.cause in listed)
            and (direction(it) in ((what, upwards), None))
            for it in leading
        )


PROBES_TROUBLES = (Condition.UNWATCHED, Condition.SILENT, Condition.PROBE_FAULT, Condition.DISAGREEMENT)
UNHEARD = (Condition.UNWATCHED, Condition.SILENT)


def direction(event):
    """Which property of the water an event is about, and whether upwards; None for a probe's troubles."""
    if event.condition in PROBES_TROUBLES:
        return None
    upwards = event.condition in (Condition.HIGH_HIGH, Condition.HIGH, Condition.RISING)
    if event.condition is Condition.HEADING_OUT:
        upwards = (event.evidence.rate_per_hour or 0.0) > 0
    return family(event.channel.split("/")[1]), upwards


def scenario_of(name, events=None):
    """A scenario that comes with the simulator, perhaps with other events."""
    scenario = load_named(name)
    step_s = max(scenario.course.step_s, STEP_S)
    kept = scenario.events if events is None else tuple(events)
    return replace(scenario, course=replace(scenario.course, step_s=step_s), events=kept)


@lru_cache(maxsize=128)
def _simulated(scenario_key, seed):
    scenario = scenario_key.scenario
    times, looks = [], []

    def look(rack):
        water = rack.vessels
        times.append(rack.time_ms)
        saturation = 100.0 * water.oxygen_mg_l / water.saturated_mg_l()
        looks.append((water.temperature_c.copy(), water.salinity, saturation))

    record = simulate(scenario, seed, look=look)
    value = {quantity: np.array([at[place] for at in looks]) for place, quantity in enumerate(WATER)}
    return record, Water(np.array(times), value, list(scenario.vessels))


class _Key:
    """Lets the cache tell scenarios apart, which hold dicts, by what they say."""

    def __init__(self, scenario):
        self.scenario, self._text = scenario, repr(scenario)

    def __eq__(self, other):
        return self._text == other._text

    def __hash__(self):
        return hash(self._text)


@lru_cache(maxsize=4)
def _settings(text):
    with tempfile.TemporaryDirectory() as folder:
        return load_settings(write_settings(Path(folder) / "rack.toml", text))


def plan_of(scenario):
    """The rack's plan, and its source numbers by probe and quantity."""
    extra = SECOND_THERMOMETER if "kreisel-4-thermometer" in scenario.probes else ""
    numbers = {}
    settings = _settings(SHARED + extra)
    return rack_plan(settings, lambda p, q, _: numbers.setdefault((p, str(q)), len(numbers) + 1)), numbers


def night(scenario, seed, *, plan=None, keeper_min=None, actions=()):
    """Simulate a scenario (its name, or itself) and judge it.

    `keeper_min`: after so many minutes somebody acknowledges what is announced; without it nobody does.
    `actions` are (minute, kind, body) that somebody does.
    """
    scenario = scenario_of(scenario) if isinstance(scenario, str) else scenario
    record, water = _simulated(_Key(scenario), seed)
    own_plan, numbers = plan_of(scenario)
    engine = Engine(plan or own_plan, scenario.start_ms)
    said = Night(scenario, engine.plan, water, [], [], [])
    readings = _in_order(record, numbers)
    due = [
        Action(scenario.start_ms + round(minute * MINUTE_MS), kind, "kim", body)
        for minute, kind, body in actions
    ]
    _live(said, engine, readings, due, keeper_min)
    return said


def _in_order(record, numbers):
    found = [(times, np.full(times.size, numbers[key]), values) for key, (times, values) in record.items()]
    time_ms, source, value = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.lexsort((source, time_ms))
    time_ms = time_ms[order]
    return Readings(np.arange(1, order.size + 1), time_ms, source[order], time_ms, value[order])


def _live(said, engine, readings, due, keeper_min):
    """Feed the night, up to each action; a keeper looks every few minutes where there is something to see."""
    end_ms, start = said.end_ms + 1, 0
    for moment_ms in sorted({*range(said.start_ms, end_ms, HOUR_MS), end_ms, *(it.at_ms for it in due)}):
        stop = int(np.searchsorted(readings.at_ms, moment_ms))
        part, start = readings.part(start, stop), stop
        _pass(said, engine, part, moment_ms, keeper_min)
        for action in [action for action in due if action.at_ms == moment_ms]:
            said.take(engine.act(action))


def _pass(said, engine, readings, until_ms, keeper_min):
    """Feed readings; with a keeper in turns of some minutes (the engine's law: turns change nothing)."""
    turns = range(engine.clock_ms, until_ms, round(keeper_min * MINUTE_MS)) if keeper_min else []
    start = 0
    for moment_ms in sorted({*turns, until_ms}):
        stop = int(np.searchsorted(readings.at_ms, moment_ms))
        said.take(engine.feed(readings.part(start, stop)))
        said.take(engine.advance(moment_ms))
        start = stop
        if keeper_min:
            for alarm in [it for it in engine.alarms() if it.state is State.UNACKNOWLEDGED]:
                said.take(engine.act(Action(moment_ms, "acknowledge", "kim", {"alarm": alarm.name})))


@dataclass(frozen=True)
class Consequence:
    """What a scripted event may be announced as: properties of vessels' water, or probes' troubles.

    `after_h` is how long after its end it may still show.
    """

    vessels: tuple
    directions: tuple = ()
    troubles: tuple = ()
    after_h: float = 1.0


WARMER, FRESHER, LESS_AIR, MORE_AIR = (
    ("temperature", True),
    ("salinity", False),
    ("oxygen", False),
    ("oxygen", True),
)


def _chiller(event, scenario):
    cooled = tuple(n for n, it in scenario.vessels.items() if it.coil and it.coil.loop == event.loop)
    return Consequence(cooled if event.loop else (event.vessel,), (WARMER,))


def _power(event, scenario):
    unheard = UNHEARD if event.probes_too else ()
    return Consequence((*scenario.vessels, "rack"), (WARMER, LESS_AIR), unheard)


def _poured(event, scenario):
    here = scenario.vessels[event.vessel]
    ways = (
        ("temperature", event.temperature_c > here.temperature_c),
        ("salinity", event.salinity > here.salinity),
    )
    return Consequence((event.vessel,), ways, after_h=2.0)


def _unplugged(event, scenario):
    unheard = tuple(probe.vessel or "rack" for probe in scenario.probes.values() if probe.bus == event.bus)
    return Consequence(unheard, troubles=UNHEARD)


def _in_air(event, scenario):
    """Without a conductivity cell nobody can tell air from warm water."""
    probe = scenario.probes[event.probe]
    cell = any(measure.quantity == "conductivity" for measure in probe.measures)
    return Consequence(
        (probe.vessel,), () if cell else (WARMER,), (Condition.PROBE_FAULT, Condition.UNWATCHED)
    )


def _probe(*troubles):
    return lambda event, scenario: Consequence((scenario.probes[event.probe].vessel,), troubles=troubles)


def _water(*ways):
    return lambda event, scenario: Consequence((event.vessel,) if event.vessel else VESSELS, ways)


BY_KIND = {
    "chiller_fails": _chiller,
    "top_off_stuck_open": _water(FRESHER),
    "air_stops": _water(LESS_AIR),
    "fine_bubbles": _water(MORE_AIR),
    "power_dip": _power,
    "water_change": _poured,
    "heat_wave": _water(WARMER),
    "probe_in_air": _in_air,
    "probe_stuck": _probe(Condition.PROBE_FAULT, Condition.UNWATCHED, Condition.DISAGREEMENT),
    "probe_spike": _probe(),
    "probe_fouling": _probe(),
    "probe_silent": _probe(*UNHEARD),
    "probe_garbled": _probe(*UNHEARD),
    "bus_unplugged": _unplugged,
}
"""What follows from each kind of scripted event, by the physics of the rack."""


def causes_of(page, scenario):
    """The scripted events that a page may be the consequence of."""
    found = []
    for event in scenario.events:
        may, over = BY_KIND[event.kind](event, scenario), end_ms(event, scenario.start_ms)
        in_time = begin_ms(event, scenario.start_ms) <= page.at_ms and (
            over is None or page.at_ms <= over + may.after_h * HOUR_MS
        )
        way = direction(page)
        fits = page.condition in may.troubles if way is None else way in may.directions
        hidden = {danger.partition("/")[0] for danger in page.evidence.hidden}
        if in_time and fits and (hidden or {page.vessel}) <= set(may.vessels):
            found.append(event)
    return found
