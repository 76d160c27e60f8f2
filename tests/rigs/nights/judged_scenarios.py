"""Scenarios of the simulator put through the engine, as the daemon would with the demo rack's settings."""

from dataclasses import dataclass, field

import numpy as np

from daemon.check.load import load_settings
from daemon.settings.plan import rack_plan
from rules.alarms.event import AlarmEvent
from rules.engine import Engine
from rules.readings import Action, ChannelFlags, Notice, Readings
from tests.rigs.places import DEMO_SETTINGS
from tests.rigs.simulated import load_named, simulate

DAY_MS = 86_400_000


@dataclass
class Judged:
    """What the engine said of a scenario, and the scenario's own course."""

    start_ms: int
    events: list[AlarmEvent] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    flags: list[ChannelFlags] = field(default_factory=list)

    def add(self, outcome):
        assert not outcome.refusal, outcome.refusal
        self.events += outcome.events
        self.notices += outcome.notices
        self.flags += outcome.flags

    def flags_of(self, channel):
        return np.concatenate([block.summary for block in self.flags if block.channel == channel])

    def minutes(self, said):
        return (said.at_ms - self.start_ms) / 60_000


def demo_plan():
    """The demo rack's plan, and the number of each source by probe and quantity."""
    numbers = {}
    plan = rack_plan(
        load_settings(DEMO_SETTINGS),
        lambda probe, quantity, _: numbers.setdefault((probe, str(quantity)), len(numbers) + 1),
    )
    return plan, numbers


def readings_of(record, numbers):
    """A simulated record as one block; probes that the plan does not have are left out."""
    rows = sorted(
        (int(time_ms), numbers[key], float(value))
        for key, (times, values) in record.items()
        if key in numbers
        for time_ms, value in zip(times, values, strict=True)
    )
    times, sources = np.array([row[:2] for row in rows], dtype=np.int64).T.copy()
    values = np.array([row[2] for row in rows])
    return Readings(np.arange(1, len(rows) + 1), times, sources, times, values)


def judged(scenario, daily=lambda day: []):
    """Simulate a scenario and judge it; `daily` gives the bodies of hand measurements after each day."""
    plan, numbers = demo_plan()
    readings = readings_of(simulate(load_named(scenario)), numbers)
    start_ms = int(readings.at_ms[0])
    engine, said, start = Engine(plan, start_ms), Judged(start_ms), 0
    for day in range(1, 1 + int(readings.at_ms[-1] - start_ms) // DAY_MS):
        stop = int(np.searchsorted(readings.at_ms, start_ms + day * DAY_MS))
        said.add(engine.feed(readings.part(start, stop)))
        for body in daily(day):
            said.add(engine.act(Action(engine.clock_ms, "hand_measurement", "kim", body)))
        start = stop
    said.add(engine.feed(readings.part(start, len(readings))))
    return said
