"""What must be said of each lost input in each danger, and whether it was: the table that would refute us.

Every bound stands here with its reason; none of them is read from the rules.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from tests.rigs.nights.lost_inputs import (
    DANGERS,
    HOUR_MS,
    LOST,
    MINUTE_MS,
    QUANTITIES,
    START_MS,
    TOLERANCES,
    WHOLE_H,
    night,
    possible,
)

BEGINNINGS = (Trigger.RAISED, Trigger.WORSENED)
PATIENCE_MS = 10 * MINUTE_MS
"""Beyond a limit's own delay: two polls of a minute, what a stray spike holds back, the last digits."""

TO_UNWATCHED_MS = {"t": 30 * MINUTE_MS, "c": 30 * MINUTE_MS, "o": 10 * MINUTE_MS}
POLLS_MS = 2 * MINUTE_MS
WITNESS_MS = 30 * MINUTE_MS
LEAST_CALM_MS, LEAST_CALM_READINGS = 10 * MINUTE_MS, 20
WITNESSED_BY_C = 2.0
"""mS/cm that the cell has moved when it shows that a thermometer had to move too: two degrees."""

OFF = {
    ("t", "c"): 0.9,  # practical salinity a degree, conductivity held (PSS-78 near 15 °C, salinity 32)
    ("t", "o"): 2.2,  # % of saturation a degree, mg/L held (Garcia & Gordon 1992, near 15 °C)
    ("c", "o"): 0.6,  # % a mS/cm
    ("p", "o"): 0.1,  # % a hPa
}
"""By how much a lying input moves what is made of it."""

CALLED_FAULTY = ("unwatched", "probe_fault", "disagreement", "silent")


def about_blindness():
    """Conditions that say that a danger is hidden: until `unwatched` is one, what stands for it."""
    if "unwatched" in {str(condition) for condition in Condition}:
        return ("unwatched",)
    return ("silent", "probe_fault")


@dataclass(frozen=True)
class Row:
    """One line of the table: a pair, what had to be said by when, and what was (minutes after that began)."""

    lost: tuple
    danger: str | None
    separate: bool
    must: str
    by_min: float
    said: str
    at_min: float | None
    what: tuple = ()

    @property
    def name(self):
        """What the row is called in the list of those that fail."""
        probes = "separate" if self.separate else "one probe"
        return f"{self.lost[0]} {self.lost[1]} / {self.danger or 'no danger'} / {probes}"

    @property
    def fails(self):
        """Whether it refutes us."""
        return self.said in ("SILENT", "NEEDLESS")

    def __str__(self):
        at = "" if self.at_min is None else f"{self.at_min:.0f}"
        return (
            f"{self.name:48} {self.must:10} {self.by_min:6.0f} {self.said:16} {at:>5}  {' '.join(self.what)}"
        )


def pairs():
    """All pairs, those first in which another living quantity still shows the danger."""
    every = [
        (lost, danger, separate)
        for lost in LOST
        for danger in DANGERS
        for separate in (False, True)
        if possible(lost, separate)
    ]
    return sorted(every, key=lambda pair: must_be(pair[0], pair[1]) != "told")


def must_be(lost, danger):
    """What has to be said: the danger itself, that it is unwatched, one of both, or what a witness allows."""
    kind, which = lost
    if which not in ("all", DANGERS[danger].shown_by) or kind in ("half missing", "late"):
        return "told"
    if kind in ("silent", "dead") or (kind == "in air" and which not in ("t", "o")):
        return "unwatched"
    return "frozen" if kind in ("frozen", "dithering") else "either"


def judged(lost, danger, separate):
    """Judge one pair; what is said after it had to be is heard only where nothing was in time."""
    told = night(lost, danger, separate)
    must = must_be(lost, danger)
    deadline_ms = DEADLINES[must](told, danger)
    later_ms = max(told.fault.at_ms, told.crossed_ms)
    told.hear(int(min(max(deadline_ms, later_ms), WHOLE_H * HOUR_MS)))
    found = _found(told, must, danger, later_ms)
    said, in_time = _first_in_time(found, deadline_ms)
    if not in_time:
        told.hear(WHOLE_H * HOUR_MS)
        found = _found(told, must, danger, later_ms)
    if said == "watched roughly" and not _shown_roughly(told, danger):
        said = "SILENT"
    all_ms = sorted(event.at_ms - START_MS for events in found.values() for event in events)
    at = min(in_time) if in_time else next((ms for ms in all_ms if ms > later_ms), None)
    return Row(
        lost,
        danger,
        separate,
        must,
        (deadline_ms - later_ms) / MINUTE_MS,
        said,
        None if at is None else (at - later_ms) / MINUTE_MS,
        _heard(told),
    )


def _found(told, must, danger, later_ms):
    """What tells people in each way that would do."""
    own = [event for event in told.events if _tells(event, danger)]
    blind = [event for event in told.events if _is_blind(event, told, CALLED_FAULTY)]
    unwatched = [event for event in told.events if _is_blind(event, told, about_blindness())]
    found = {
        "told": {"told": own},
        "unwatched": {"told": own, "unwatched": unwatched},
        "either": {"told": own, "unwatched": blind},
        "frozen": {"told": own, "unwatched": blind, "told otherwise": _others(told)},
    }[must]
    return {said: _standing(events, told, later_ms) for said, events in found.items()}


def _standing(events, told, at_ms):
    """Those that stand at a time, when people have to know, or come later."""
    over = [(event.alarm, event.at_ms) for event in told.events if event.trigger is Trigger.RETURNED]
    return [
        event
        for event in events
        if not any(name == event.alarm and event.at_ms < ms <= START_MS + at_ms for name, ms in over)
    ]


def _shown_roughly(told, danger):
    """Whether people see that nobody can tell whether the probe that would show the danger is frozen."""
    mine = QUANTITIES[DANGERS[danger].shown_by]
    return any(it.frozen is None for it in told.engine.channels() if it.channel.quantity is mine)


def _first_in_time(found, deadline_ms):
    """The first answer that came in time, and when; where none did, whether it had to come."""
    for said, events in found.items():
        times = [event.at_ms - START_MS for event in events]
        in_time = [at_ms for at_ms in times if at_ms <= deadline_ms]
        if in_time:
            return said, in_time
    return "SILENT" if deadline_ms <= WHOLE_H * HOUR_MS else "watched roughly", []


def judged_without_danger(lost, separate):
    """Judge a lost input in calm water: at most one alarm, beside those of dangers that truly were unseen."""
    told = night(lost, None, separate)
    told.hear(WHOLE_H * HOUR_MS)
    raised = [
        event
        for event in told.events
        if event.trigger is Trigger.RAISED
        and event.state is State.UNACKNOWLEDGED
        and event.at_ms - START_MS >= told.fault.at_ms
        and not _truly_unseen(event, told)
    ]
    said = "NEEDLESS" if len(raised) > 1 else "one alarm" if raised else "no alarm"
    return Row(lost, None, separate, "<= 1 alarm", 0, said, float(len(raised)), _heard(told))


def _truly_unseen(event, told):
    """Whether answers came and went, and none of those that a danger is seen by came for its whole time."""
    if told.fault.kind != "half missing" or event.condition not in about_blindness():
        return False
    hidden = {name.partition("/")[2].partition("_")[0] for name in event.evidence.hidden}
    inputs = [it for it in "tco" if {"t": "temperature", "c": "salinity", "o": "oxygen"}[it] in hidden]
    at_ms = event.at_ms - START_MS
    before = {it: told.heard_ms[it][told.heard_ms[it] < at_ms][-1] for it in inputs}
    return any(at_ms - ms >= TO_UNWATCHED_MS[it] - POLLS_MS for it, ms in before.items())


def _tells(event, danger):
    """Whether an event tells people of this danger as urgent: a limit, its rate or its course."""
    its = DANGERS[danger]
    family = {"c": ("salinity",), "t": ("temperature",), "o": ("oxygen", "oxygen_saturation")}[its.shown_by]
    return (
        _announced(event)
        and event.quantity in family
        and event.cause.endswith("up" if its.upwards else "down")
    )


def _announced(event):
    begins = event.trigger in BEGINNINGS and event.state is State.UNACKNOWLEDGED
    return begins and event.priority >= Priority.HIGH


def _is_blind(event, told, conditions):
    """Whether an event says from the fault on that a probe of the vessel is not to be believed."""
    mine = event.at_ms - START_MS >= told.fault.at_ms and not event.alarm.startswith("rack/air_pressure")
    return _announced(event) and mine and event.condition in conditions


def _others(told):
    """Whatever else calls somebody to the vessel."""
    after = (event for event in told.events if event.at_ms - START_MS >= told.fault.at_ms)
    return [event for event in after if _announced(event)]


def _heard(told):
    """What was announced from the fault on, in short."""
    return tuple(
        f"{event.alarm}:{event.priority.word}@{(event.at_ms - START_MS - told.fault.at_ms) / MINUTE_MS:.0f}"
        for event in told.events
        if event.trigger in BEGINNINGS
        and event.state is State.UNACKNOWLEDGED
        and event.at_ms - START_MS >= told.fault.at_ms
    )[:6]


def _told_by_ms(told, danger):
    """Its own delay and patience, later by what arrives late and by what a lying input moves it."""
    its = DANGERS[danger]
    later_ms = max(told.crossed_ms, told.fault.at_ms)
    which = told.fault.which
    off = told.lies_by * OFF.get((which, its.shown_by), 0.0)
    lag_ms = off / told.moves_per_hour * HOUR_MS
    delay_ms = TOLERANCES[its.quantity].critical_on_delay_ms
    return later_ms + delay_ms + PATIENCE_MS + told.fault.late_ms + lag_ms


def _unwatched_by_ms(told, danger):
    """From the last good reading, which came just before the fault."""
    return told.fault.at_ms + TO_UNWATCHED_MS[DANGERS[danger].shown_by] + POLLS_MS


def _either_by_ms(told, danger):
    """A liar is found out, or what it lies about is told, as soon as a witness has to have spoken."""
    return max(told.crossed_ms, told.fault.at_ms) + WITNESS_MS + POLLS_MS


def _frozen_by_ms(told, danger):
    """Half an hour after the first witness: three times the probe's own longest calm, or the cell."""
    kind, which = told.fault.kind, told.fault.which
    least_ms = max(LEAST_CALM_MS, LEAST_CALM_READINGS * MINUTE_MS)
    own = [told.calm_ms[kind, it] for it in ("tco" if which == "all" else which)]
    own += [told.calm_ms[kind, "all"]] if which == "all" else []
    speaks_ms = told.fault.at_ms + 3 * max(min(own), least_ms)
    if which == "t":
        speaks_ms = min(speaks_ms, _cell_moved_ms(told))
    return max(speaks_ms, told.crossed_ms) + WITNESS_MS + POLLS_MS


def _cell_moved_ms(told):
    after = np.flatnonzero(told.at_ms >= told.fault.at_ms)
    moved = np.abs(told.values["c"][after] - told.values["c"][after[0]]) >= WITNESSED_BY_C
    return int(told.at_ms[after][np.argmax(moved)]) if moved.any() else 10**12


DEADLINES = {
    "told": _told_by_ms,
    "unwatched": _unwatched_by_ms,
    "either": _either_by_ms,
    "frozen": _frozen_by_ms,
}


def table():
    """Every row: pairs that another quantity shows, the other pairs, and lost inputs without a danger."""
    yield from (judged(*pair) for pair in pairs())
    for lost in LOST:
        yield from (judged_without_danger(lost, it) for it in (False, True) if possible(lost, it))


def counts(rows):
    """How many rows were told, unwatched, watched roughly, silent, needless."""
    return Counter(row.said for row in rows)


def failing(rows):
    """The rows that fail, as the list in the head of the test has them: by input, dangers and probes."""
    found = {}
    for row in rows:
        if row.fails:
            found.setdefault(row.lost, {}).setdefault(row.danger or "no danger", []).append(row.separate)
    for lost, dangers in found.items():
        both = [it for it in (False, True) if possible(lost, it)]
        said = [
            danger if probes == both else f"{danger}: {'separate' if probes[0] else 'one probe'}"
            for danger, probes in dangers.items()
        ]
        yield f'    "{" ".join(lost)}": "{"; ".join(said)}",'


if __name__ == "__main__":
    ROWS = list(table())
    print(*ROWS, sep="\n")
    print(len(ROWS), "rows:", dict(counts(ROWS)))
    print("FAILS_TODAY = {", *failing(ROWS), "}", sep="\n")
