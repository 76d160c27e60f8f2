"""From water to the person without a wire: readings into the engine, its words to the calling, calls out.

What the engine says goes as the payloads that a rack publishes through the on-call process's own door. The
settings are the shipped ones; the water is invented, conductivity and oxygen made with the gsw library.
"""

import re
from dataclasses import dataclass, field
from datetime import UTC, date, time
from typing import NamedTuple

import gsw
import numpy as np

from daemon.broker.messages import messages_of, rack_topic
from daemon.oncall.call_text import call_text
from daemon.oncall.messages import Cleared, heard
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.duty import Duty
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, CallKind, Reply, Voice, Word
from rules.calling.rota import QuietHours, Rota
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Action, Readings

START_MS = 1_760_347_800_000  # 2025-10-13 09:30 UTC: the day's digest has been said
MINUTE, HOUR, POLL = 60_000, 3_600_000, 30_000
FAULT_AT = 3 * HOUR
T1, C1, O1, T1B, T2, C2, O2, P = 1, 2, 3, 4, 5, 6, 7, 8
DUTY = Duty(
    Rota(("ada", "bo", "cy"), date(2025, 10, 13), time(9), UTC),
    QuietHours(time(22), time(7), UTC),
    (time(8, 30),),
)
"""The shipped agreement of three people."""


class Came(NamedTuple):
    """What came of a fault: how long until people were told (None: never), and what went wrong meanwhile."""

    after_s: float | None
    wrong: str = ""


def voice_of(rack, journal="j"):
    """Return who speaks for a rack of ours."""
    return Voice(f"{journal}-of-{rack}", "run-1", "boot-1", f"{rack}-pi")


class Desk:
    """The on-call process's judgement: what a rack publishes goes in, calls come out."""

    def __init__(self, start_ms=START_MS, duty=DUTY):
        self.team = Escalation(duty, start_ms)
        self.calls = []
        self._take(self.team.link(True, start_ms))

    def _take(self, upshot):
        self.calls += upshot.calls
        return upshot

    def hear(self, said, at_ms, rack="north", journal="j"):
        """Take an event or a notice as its rack publishes it."""
        for message in messages_of(said, voice_of(rack, journal), rack_topic("bellwatch", rack), UTC):
            self.publish(message.topic, message.payload.encode(), at_ms, kept=message.retain)

    def publish(self, topic, payload, at_ms, *, kept=False):
        at_ms, word = max(at_ms, self.team.clock_ms), heard("bellwatch", topic, payload, kept)
        if isinstance(word, Cleared):
            self._take(self.team.clear(word.rack, word.alarm, at_ms))
        elif isinstance(word, Word):
            self._take((self.team.mention if word.mention else self.team.hear)(word, at_ms))
        elif hasattr(word, "state"):
            self._take(self.team.watch(word.rack, word.state, at_ms, kept=word.kept, voice=word.voice))
        else:
            said = word.rack, word.alarms, word.at_ms, at_ms, word.voice, word.courses, word.every_ms
            self._take(self.team.heartbeat(*said))

    def acknowledge(self, number, at_ms):
        return self._take(self.team.answer(number, Answer(Reply.SEEN, "ada"), at_ms))

    def wait(self, until_ms):
        self._take(self.team.advance(max(until_ms, self.team.clock_ms)))

    def said(self, *kinds):
        """Return (when, to whom, words) of every call of these kinds."""
        return [
            (call.at_ms, call.person, call_text(call, {}, UTC)) for call in self.calls if call.kind in kinds
        ]


@dataclass
class Told:
    """What people were told of a run of the water."""

    desk: Desk
    engine: Engine
    events: list
    notices: list
    flags: list
    fault_ms: int = field(default=START_MS + FAULT_AT)

    def called_s(self, about=".", *, since_ms=None):
        """Return after how long a call whose words match `about` came, counted from the fault."""
        return self._first(self.desk.said(CallKind.ALARM), about, since_ms)

    def daily_s(self, about="."):
        return self._first(self.desk.said(CallKind.DIGEST, CallKind.ALARM), about, None)

    def _first(self, said, about, since_ms):
        since_ms = self.fault_ms if since_ms is None else since_ms
        return next(
            (
                (at_ms - since_ms) / 1000
                for at_ms, _, text in said
                if at_ms >= since_ms and re.search(about, text)
            ),
            None,
        )

    def texts(self):
        return [text for _, _, text in self.desk.said(CallKind.ALARM)]

    def other_calls(self, about):
        """Return the words of a call that is about something else; empty where there is none."""
        return next((text for text in self.texts() if not re.search(about, text)), "")

    def announced(self, least=Priority.LOW):
        """Return the events from the fault on that told people of something new, or worse."""
        return [
            event
            for event in self.events
            if event.trigger in (Trigger.RAISED, Trigger.WORSENED)
            and event.state is State.UNACKNOWLEDGED
            and event.priority >= least
            and event.at_ms >= self.fault_ms
        ]

    def shown_s(self, about="."):
        """Return after how long an alarm that matches stood on the screens, whether it called or not."""
        found = (e for e in self.events if e.at_ms >= self.fault_ms and e.state != "normal")
        return next(((e.at_ms - self.fault_ms) / 1000 for e in found if re.search(about, e.alarm)), None)


class Water:
    """Two ephyra kreisels of one line, 15 °C and 16 °C; faults change `value` and `read` before it runs."""

    def __init__(self, hours=7.0, *, pair=False, stage="ephyra", every_ms=POLL, fault_at=FAULT_AT):
        self.every_ms = every_ms
        self.silent_after_ms = max(2 * MINUTE, 4 * every_ms)
        self.at = np.arange(every_ms, round(hours * HOUR), every_ms, dtype=np.int64)
        self.hours = self.at / HOUR
        self.temperature = {1: 15 + 0.1 * np.sin(self.hours), 2: 16 + 0.1 * np.sin(self.hours + 1)}
        self.salinity = {1: np.full(self.at.size, 32.0), 2: np.full(self.at.size, 32.5)}
        self.saturation = {1: 97 + np.sin(self.hours), 2: 96 + np.sin(self.hours + 2)}
        self.pair = pair
        self.stage = stage
        self.late_ms = 0
        self.fault_at = fault_at
        self.after = self.at >= fault_at
        self.since_h = np.clip((self.at - fault_at) / HOUR, 0.0, None)
        self.value = {}
        self.read = {}

    def measured(self):
        """Let the probes measure the water as it is; what a fault does to them is done after this."""
        noise = np.random.default_rng(1_353_399_789).normal(size=(9, self.at.size))
        for vessel, (t, c, o) in {1: (T1, C1, O1), 2: (T2, C2, O2)}.items():
            celsius, salinity = self.temperature[vessel], self.salinity[vessel]
            self.value[t] = celsius + 0.01 * noise[t]
            self.value[c] = gsw.C_from_SP(salinity, celsius, 0.0) + 0.01 * noise[c]
            self.value[o] = (
                self.saturation[vessel] / 100 * solubility_mg_l(celsius, salinity) + 0.02 * noise[o]
            )
        self.value[P] = 1013.25 + 0.1 * noise[P]
        if self.pair:
            self.value[T1B] = self.temperature[1] + 0.01 * noise[T1B]
        self.read = {source: np.ones(self.at.size, dtype=np.bool_) for source in self.value}
        return self

    def lose(self, *sources):
        for source in sources:
            self.read[source] = self.read[source] & ~self.after

    def plan(self, **more):
        probes = {
            T1: ("k1-multi", Quantity.TEMPERATURE, "k1"),
            C1: ("k1-multi", Quantity.CONDUCTIVITY, "k1"),
            O1: ("k1-multi", Quantity.OXYGEN, "k1"),
            T1B: ("k1-second", Quantity.TEMPERATURE, "k1"),
            T2: ("k2-multi", Quantity.TEMPERATURE, "k2"),
            C2: ("k2-multi", Quantity.CONDUCTIVITY, "k2"),
            O2: ("k2-multi", Quantity.OXYGEN, "k2"),
            P: ("barometer", Quantity.AIR_PRESSURE, "rack"),
        }
        sources = tuple(
            Source(
                number,
                name,
                quantity,
                vessel,
                self._silent_after_ms(vessel),
                "line",
                every_ms=5 * MINUTE if number == P else self.every_ms,
                **more,
            )
            for number, (name, quantity, vessel) in probes.items()
            if number in self.value
        )
        stages = {"k1": self.stage, "k2": self.stage}
        return RackPlan("north", sources, stages, DEFAULT_TOLERANCES, quality=DEFAULT_QUALITY)

    def _silent_after_ms(self, vessel):
        return max(30 * MINUTE, 2 * self.silent_after_ms) if vessel == "rack" else self.silent_after_ms

    def readings(self):
        rows = []
        for source, value in self.value.items():
            here = self.read[source] & np.isfinite(value)
            if source == P:
                here = here & (self.at % (5 * MINUTE) == 0)
            times = START_MS + self.at[here]
            rows += [
                (ms + self.late_ms, source, ms, v)
                for ms, v in zip(times.tolist(), value[here].tolist(), strict=True)
            ]
        rows.sort(key=lambda row: row[:2])
        return rows

    def run(self, deeds=(), plan=None, desk=None):
        """Feed the readings, let people do their deeds (ms after the start, kind, body), and listen."""
        rows, engine = self.readings(), Engine(plan or self.plan(), START_MS)
        told = Told(desk or Desk(), engine, [], [], [], START_MS + self.fault_at)
        done, end_ms = 0, START_MS + int(self.at[-1])
        for after_ms, kind, body in [
            *sorted(deeds, key=lambda deed: deed[0]),
            (end_ms - START_MS + 1, None, {}),
        ]:
            upto = START_MS + after_ms
            count = sum(row[0] < upto for row in rows[done:])
            self._feed(engine, rows[done : done + count], done, told)
            done += count
            if kind == "seen":
                told.desk.wait(upto)
                told.desk.acknowledge(body["number"], max(upto, told.desk.team.clock_ms))
            elif kind is not None:
                self._note(engine.act(Action(max(upto, engine.clock_ms), kind, "ada", body)), told)
        self._note(engine.advance(max(end_ms, engine.clock_ms)), told)
        told.desk.wait(end_ms)
        return told

    def _feed(self, engine, rows, done, told):
        if not rows:
            return
        at, source, measured = np.array([row[:3] for row in rows], dtype=np.int64).T.copy()
        value = np.array([row[3] for row in rows])
        seq = done + 1 + np.arange(value.size)
        self._note(engine.feed(Readings(seq, at, source, measured, value)), told)

    def _note(self, outcome, told):
        told.events += outcome.events
        told.notices += outcome.notices
        told.flags += outcome.flags
        for said in sorted([*outcome.events, *outcome.notices], key=lambda said: said.at_ms):
            told.desk.wait(said.at_ms)
            told.desk.hear(said, said.at_ms)


def solubility_mg_l(celsius, salinity):
    """Oxygen in balance with air, per litre by gsw's density; its solubility is for a kilogram."""
    absolute = gsw.SA_from_SP(salinity, 0.0, 0.0, 0.0)
    density = gsw.rho(absolute, gsw.CT_from_t(absolute, celsius, 0.0), 0.0)
    return gsw.O2sol_SP_pt(salinity, celsius) * density * 31.9988e-6


def water(**how):
    """Return the water as healthy probes measure it."""
    return Water(**how).measured()
