"""Which dangers nobody sees, moment by moment in plain numbers, beside the arrays. All readings are invented.

What is expected follows the words of `rules.judging.unwatched`; how often a danger comes and goes is counted
by `rules.alarms.recurrence`, which has tests of its own.
"""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.life_cycle import Priority
from rules.alarms.recurrence import Recurrence
from rules.judging.series import ChannelState
from rules.judging.silence import SourceState, note_heard
from rules.judging.unwatched import Danger, Unseen
from rules.quantities import Quantity
from rules.rack.channels import Channel, Need
from rules.rack.plan import Source

LOT = 2_097_441_630
MINUTE = 60_000
T, S, O2 = Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.OXYGEN
SILENT_MS, EVERY_MS = 5 * MINUTE, MINUTE


def source(number, probe, vessel, bus, quantity=T):
    return Source(number, probe, quantity, vessel, SILENT_MS, bus, every_ms=EVERY_MS)


SOURCES = (
    source(1, "a", "k1", "x"),
    source(2, "b", "k2", "x"),
    source(3, "c", "k3", "y"),
    source(4, "d", "k3", "y"),
    source(5, "e", "k4", ""),
    source(6, "a", "k1", "x", S),
)
OWN = {it.id: Channel(f"{it.vessel}/{it.quantity}/{it.probe}", it.vessel, it.quantity, it) for it in SOURCES}
SALT = Channel("k1/salinity", "k1", Quantity.SALINITY, SOURCES[5], (Need(T, (OWN[1].name,)),))
CHANNELS = {it.name: it for it in (*OWN.values(), SALT)}
DANGERS = tuple(
    Danger(name, channels, missed_min * MINUTE, delay_min * MINUTE, Priority.HIGH)
    for name, channels, missed_min, delay_min in (
        ("k1/temperature", (OWN[1],), 5, 30),
        ("k2/temperature", (OWN[2],), 5, 5),
        ("k3/temperature", (OWN[3], OWN[4]), 4, 20),
        ("k4/temperature", (OWN[5],), 5, 5),
        ("k1/salinity", (SALT,), 5, 40),
    )
)


@dataclass
class Seen:
    """When a danger was seen last, what it is told under, whether nobody sees it, how often that was."""

    danger: Danger
    since_ms: int
    known_ms: int = 0
    cause: str = ""
    unseen: bool = False
    again: Recurrence = field(default_factory=Recurrence)

    def due_ms(self):
        return max(self.since_ms + self.danger.delay_ms, self.known_ms)

    def is_missed(self, at_ms):
        return at_ms - self.since_ms >= self.danger.missed_ms


class Plainly:
    """A rack of which each moment is taken for itself."""

    def __init__(self):
        self.heard = {it.id: 0 for it in SOURCES}
        self.shown = dict.fromkeys(CHANNELS, 0)
        self.seen = [Seen(it, 0) for it in DANGERS]

    def pass_time(self, until_ms):
        """Go through the moments before a reading at which dangers are told as unwatched."""
        while True:
            due = [it for it in self.seen if not it.unseen and it.due_ms() < until_ms]
            if not due:
                return
            first = min(due, key=lambda it: it.due_ms())
            yield from self._begin(first, first.due_ms())

    def _begin(self, first, at_ms):
        cause = first.cause or self._cause(first, at_ms)
        missed = [it for it in self.seen if not it.unseen and it.is_missed(at_ms)]
        new = [it for it in missed if it is first or (it.cause or self._cause(it, at_ms)) == cause]
        for it in new:
            it.cause, it.unseen = cause, True
        hidden = tuple(it.danger.name for it in self.seen if it.unseen and it.cause == cause)
        for it in new:
            reasons = [self._why(it, at_ms), it.again.lose(it.since_ms, at_ms)]
            reason = ", lost ".join(filter(None, reasons))
            yield it.danger.name, at_ms, it.since_ms, True, cause, hidden, reason

    def _why(self, its, at_ms):
        """Whether what hides a danger was read in the last three intervals."""
        read = at_ms - self.heard[self._lost(its, at_ms).id] < 3 * EVERY_MS
        return "doubted" if read else "silent"

    def _lost(self, its, at_ms):
        """The source of its best channel; where that is heard in time, the input that is most overdue."""
        own = its.danger.channels[0]
        due = {it: self.shown[CHANNELS[self._own(it)].name] + 3 * EVERY_MS for it in self._made_of(own)}
        return own.source if due[own.source.id] <= at_ms else self._by_id(min(due, key=due.get))

    def _made_of(self, channel):
        return [channel.source.id, *(CHANNELS[name].source.id for name in channel.inputs)]

    def _own(self, source_id):
        return OWN[source_id].name

    def _by_id(self, source_id):
        return next(it for it in SOURCES if it.id == source_id)

    def _cause(self, its, at_ms):
        """Everything, the bus or the probe: a bus where nothing answers, or of which more is lost at once."""
        lost = self._lost(its, at_ms)
        talks = {it.bus for it in SOURCES if at_ms - self.heard[it.id] < SILENT_MS / 2}
        if not talks:
            return "rack/all"
        probes = {it.probe for it in SOURCES if it.bus == lost.bus}
        if lost.bus and len(probes) > 1:
            others = (
                self._lost(it, at_ms)
                for it in self.seen
                if it.is_missed(at_ms) and abs(it.since_ms - its.since_ms) <= EVERY_MS
            )
            if lost.bus not in talks or any(it.bus == lost.bus and it.probe != lost.probe for it in others):
                return f"bus/{lost.bus}"
        return f"probe/{lost.probe}"

    def take(self, at_ms, source_id, shows, frozen_since):
        """Take a reading in; `frozen_since` is since when its probe is found not to have moved."""
        self.heard[source_id] = at_ms
        if frozen_since is not None:
            mine = [it.name for it in CHANNELS.values() if it.source.id == source_id]
            for name in mine:
                self.shown[name] = min(self.shown[name], frozen_since)
            for its in self.seen:
                if any(it.name in mine for it in its.danger.channels):
                    since_ms = max(self.shown[it.name] for it in its.danger.channels)
                    its.since_ms, its.known_ms = since_ms, at_ms
        for name in shows:
            self.shown[name] = at_ms
        for its in self.seen:
            if any(it.name in shows for it in its.danger.channels):
                yield from self._back(its, at_ms)
                its.since_ms = its.known_ms = at_ms

    def _back(self, its, at_ms):
        """Let a danger be seen by a reading: again, or for so long that it comes and goes no more."""
        again, since_ms = its.again, its.since_ms
        if at_ms - since_ms > its.danger.missed_ms or its.unseen:
            again.come_back(since_ms, at_ms)
            if its.unseen and not again.recurs:
                yield its.danger.name, at_ms, since_ms, False, its.cause, (), ""
                its.cause = ""
            its.unseen = False
        if again.recurs and at_ms >= again.over_ms:
            again.recurs = False
            yield its.danger.name, at_ms, again.back_ms, False, its.cause, (), ""
            its.cause = ""


def polls(draw, hours):
    """Rows of (time, source, channels shown, frozen since): probes and buses are silent, dry or frozen."""
    rows, size = [], hours * 60
    down = {of: np.zeros(size, dtype=np.bool_) for of in ("x", "y", "", *"abcde")}
    for its in down.values():
        for _ in range(int(draw.integers(1, 7))):
            begins = int(draw.integers(0, size))
            its[begins : begins + int(draw.choice([4, 5, 6, 9, 10, 11, 20, 30, 31, 45, 90]))] = True
    doubted = np.zeros(size + 1, dtype=np.bool_)
    for begins in draw.integers(0, size, 6).tolist():
        doubted[begins : begins + int(draw.integers(4, 40))] = True
    everything = int(draw.integers(60, size - 60))
    for number, it in enumerate(SOURCES):
        lost = down[it.bus] | down[it.probe]
        lost[everything : everything + 40] = True
        failed, frozen_since, stood = draw.random(size) < 0.02, None, 0
        if it.bus == "x":
            failed |= doubted[it.id % 2 :][:size]  # of one line, in the same poll or the next
        for _ in range(3):
            begins = int(draw.integers(0, size))
            failed[begins : begins + int(draw.integers(3, 60))] = True
        for minute in np.flatnonzero(~lost).tolist():
            at_ms = (minute + 1) * MINUTE + number
            if failed[minute] and not frozen_since and draw.random() < 0.05:
                frozen_since, stood = at_ms - int(draw.integers(1, 30)) * MINUTE, 20
            shows = [] if failed[minute] or stood else [OWN[it.id].name]
            if it.id == 6 and shows and draw.random() < 0.97:
                shows.append(SALT.name)
            rows.append((at_ms, it.id, shows, frozen_since))
            frozen_since, stood = None, max(stood - 1, 0)
    return sorted(rows, key=lambda row: row[0])


def found(draw, rows):
    """The same by the arrays, in blocks of any length."""
    states = {it.id: SourceState(0) for it in SOURCES}
    channels = {name: ChannelState() for name in CHANNELS}
    known, told, clock_ms = {}, [], 0
    cuts = np.cumsum(draw.integers(1, draw.choice([2, 20, 400, 9000]), len(rows)))
    for start, stop in pairwise([0, *cuts[cuts < len(rows)].tolist(), len(rows)]):
        part = rows[start:stop]
        at_ms, ids = np.array([row[:2] for row in part], dtype=np.int64).T.copy()
        places = {it: np.flatnonzero(ids == it) for it in np.unique(ids).tolist()}
        seen, unmoved = {}, {}
        for place, (_, source_id, shows, frozen_since) in enumerate(part):
            for name in shows:
                seen.setdefault(name, []).append(place)
            if frozen_since is not None:
                unmoved.setdefault(source_id, []).append((place, frozen_since))
        for source_id in places:
            for it in CHANNELS.values():
                if it.source.id == source_id:
                    seen.setdefault(it.name, [])
        seen = {name: np.array(its, dtype=np.intp) for name, its in seen.items()}
        unseen = Unseen(SOURCES, states, OWN, CHANNELS, clock_ms, at_ms, places, channels, seen, unmoved)
        for it in unseen.losses(DANGERS, known):
            assert it.position == int(at_ms.searchsorted(it.at_ms, side="right" if it.begins else "left"))
            told.append((it.danger.name, it.at_ms, it.since_ms, it.begins, it.cause, it.hidden, it.reason))
        for name in seen:
            channels[name].seen_ms = unseen.last_ms(name, at_ms.size)
        note_heard(states, at_ms, at_ms, places)
        clock_ms = int(at_ms[-1])
    return told, known


@pytest.mark.parametrize("number", range(16))
def test_blocks_are_judged_as_moment_by_moment_in_plain_numbers(number):
    draw = np.random.default_rng([LOT, number])
    rows, plain, expected = polls(draw, 30), Plainly(), []
    for row in rows:
        expected += [*plain.pass_time(row[0]), *plain.take(*row)]
    told, known = found(draw, rows)
    assert sorted(told) == sorted(expected)
    stands = {its.danger.name: (its.cause, its.unseen) for its in plain.seen if its.again.times}
    assert {name: (its.cause, its.unseen) for name, its in known.items()} == stands
    assert len({cause.partition("/")[0] for _, _, _, _, cause, *_ in expected}) > 1
