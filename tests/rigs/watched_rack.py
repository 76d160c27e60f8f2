"""A rack under an engine, without wires: readings and deeds go in by name, what it said is kept.

All numbers are invented. The quality tests let everything pass that a probe can report at all, so that
limits and alarms can be tested one at a time.
"""

import json

import numpy as np

from rules.engine import Engine
from rules.quality.settings import QualitySettings, Range
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action, Readings

START_MS = 1_760_000_000_000
MINUTE = 60_000
HOUR = 3_600_000
DAY = 24 * HOUR
EASY_QUALITY = {quantity: QualitySettings(sensor_range=Range(-5.0, 2000.0)) for quantity in Quantity}
PROMPT = Tolerance(
    advisory=Band(12, 18),
    critical=Band(8, 23),
    on_delay_ms=0,
    critical_on_delay_ms=0,
    off_delay_ms=0,
    lead_time_ms=0,
)
"""Limits for temperature without any delay, deadband, rate or forecast."""


def thermometers(count, *, bus="bench", silent_after_ms=10 * DAY):
    """Sources 1 to `count`: one thermometer in each of the vessels k1, k2, ..."""
    return tuple(
        Source(number, f"t{number}", Quantity.TEMPERATURE, f"k{number}", silent_after_ms, bus)
        for number in range(1, count + 1)
    )


def plan_of(sources, tolerances, **more):
    """A plan in which every vessel of `sources` is home of the first stage of `tolerances`."""
    vessels = {source.vessel: next(iter(tolerances), "") for source in sources if source.vessel != "rack"}
    return RackPlan(
        **{"rack": "test", "sources": sources, "vessels": vessels, "quality": EASY_QUALITY}
        | {"tolerances": tolerances}
        | more
    )


class WatchedRack:
    """An engine that is told things in the order of their times, and all that it said."""

    def __init__(self, plan, *, restarting=False):
        self.engine = Engine(plan, START_MS)
        self.restarting = restarting
        self.events, self.notices, self.refusal, self._seq = [], [], "", 0

    def _said(self, outcome):
        self.events += outcome.events
        self.notices += outcome.notices
        self.refusal = outcome.refusal
        if self.restarting:
            self.engine = Engine.restore(json.loads(json.dumps(self.engine.snapshot())))
        return outcome.events

    def read(self, after_ms, source, value):
        """Take a reading in, `after_ms` after the start, measured at that time."""
        return self.read_all([(after_ms, source, value)])

    def read_all(self, rows):
        """Take readings in as one block: (time after the start, source, value)."""
        at = START_MS + np.array([row[0] for row in rows], dtype=np.int64)
        source = np.array([row[1] for row in rows], dtype=np.int64)
        value = np.array([row[2] for row in rows], dtype=np.float64)
        seq = self._seq + 1 + np.arange(len(rows), dtype=np.int64)
        self._seq += len(rows)
        return self._said(self.engine.feed(Readings(seq, at, source, at, value)))

    def do(self, after_ms, kind, who="kim", **body):
        """Let a person do something."""
        return self._said(self.engine.act(Action(START_MS + after_ms, kind, who, body)))

    def wait(self, until_ms):
        """Let time pass without an input."""
        return self._said(self.engine.advance(START_MS + until_ms))

    def configure(self, after_ms, plan):
        """Go on under another plan."""
        return self._said(self.engine.configure(plan, START_MS + after_ms))

    @property
    def states(self):
        """The alarms that are not normal: name to state."""
        return {alarm.name: str(alarm.state) for alarm in self.engine.alarms()}

    @property
    def steps(self):
        """Every step so far, as (alarm, trigger)."""
        return told(self.events)


def told(events):
    """Events in short: (alarm, trigger)."""
    return [(event.alarm, str(event.trigger)) for event in events]
