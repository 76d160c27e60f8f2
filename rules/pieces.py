"""A block of readings in whose course something changes by what some vessels are judged: these are cut there.

All others are judged as one. Vessels of one supply may look at each other where an input is lost: where both
are cut they are cut together, and what is not cut must not have looked at what is.
"""

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.alarms.alarm import Alarm
from rules.judging.block import Block, Due, due_drop_outs, due_silences
from rules.judging.drop_outs import DropOuts, drop_outs
from rules.judging.series import Series
from rules.judging.silence import Places, Silence, SourceState, silences
from rules.judging.watch_list import WatchList
from rules.judging.water import Water
from rules.rack.plan import RACK_WIDE, RackPlan
from rules.rack.stage_plan import steps_between
from rules.rack.state import RackState
from rules.readings import Action, Readings
from rules.shelved import worse_on_the_shelf


@dataclass(frozen=True, slots=True)
class Cut:
    """From the reading at `place` on `vessels` are judged by something else: by what people did, or None."""

    place: int
    at_ms: int
    vessels: frozenset[str]
    action: Action | None = None

    @property
    def order(self) -> tuple[int, bool, int]:
        """Return its place among what falls due, as in `Due.order`."""
        return self.place, False, self.at_ms


_BEGINNING = Cut(-1, 0, frozenset())


def cuts_in(readings: Readings, plan: RackPlan, done_ms: int) -> list[Cut]:
    """Return where what people did, and planned moves after `done_ms`, cut a block; in the order of time."""
    steps: dict[int, set[str]] = {}
    for vessel, planned in plan.steps.items():
        for step in steps_between(planned, done_ms, int(readings.at_ms[-1])):
            steps.setdefault(step.at_ms, set()).add(vessel)
    acts = ((place, action, _changed_by(action, plan)) for place, action in readings.acts)
    found = [
        Cut(int(readings.at_ms.searchsorted(at_ms)), at_ms, frozenset(its)) for at_ms, its in steps.items()
    ]
    found += [Cut(place, action.at_ms, its, action) for place, action, its in acts if its]
    return sorted(found, key=lambda cut: (cut.at_ms, cut.action is not None))


def _changed_by(action: Action, plan: RackPlan) -> frozenset[str]:
    """Return the vessels whose limits an action may move, or whose readings it may calibrate."""
    if action.kind == "calibrate":
        return frozenset(it.vessel for it in plan.sources if it.probe == str(action.body.get("probe")))
    also = action.body.get("limits_too")
    named = {"move_stage": [action.body.get("vessel")], "culture": also if isinstance(also, list) else []}
    return frozenset(plan.vessels).intersection(map(str, named.get(action.kind, ())))


def can_be_cut(cuts: Sequence[Cut], looked_at: set[str], plan: RackPlan) -> bool:
    """Return whether vessels can be cut by themselves: not where all look at one, as at the barometer.

    Nor where a probe is in two vessels, or one that people look at (`looked_at`) is calibrated or follows to
    a stage in which it may be doubted by other settings: what they see must not be, of which only whole
    blocks tell.
    """
    if not cuts:
        return True
    placed = {(it.probe, it.vessel) for it in plan.sources}
    in_two = len(placed) > len({probe for probe, _ in placed})
    if in_two or any(RACK_WIDE in cut.vessels for cut in cuts):
        return False
    doubted_anew = (it for it in cuts if plan.closer_quality or (it.action and it.action.kind == "calibrate"))
    return not any(looked_at & cut.vessels for cut in doubted_anew)


def one_by_one(readings: Readings, plan: RackPlan, rack: RackState) -> Iterator[Readings | Action | int]:
    """Go through readings, what people did, and the moments of planned moves: `rack` must be taken there."""
    for it in readings.one_by_one():
        rest = it
        while isinstance(rest, Readings):
            step_ms = rack.next_step_ms(plan)
            if step_ms is None or step_ms > rest.at_ms[-1]:
                break
            stop = int(rest.at_ms.searchsorted(step_ms))
            yield from (rest.part(0, stop), step_ms)
            rest = rest.part(stop, len(rest))
        yield rest


class Pieces:
    """A block and its cuts: `number` is that of the newest, 0 before the first, `vessels` are all cut.

    `judged` is what may be used of the newest piece of each channel.
    """

    def __init__(
        self, readings: Readings, watch_list: WatchList, sources: Container[int], cuts: Sequence[Cut]
    ) -> None:
        self.readings, self.places = readings, readings.places_of(sources)
        self._watch_list, self._plan = watch_list, watch_list.plan
        self.vessels = frozenset(vessel for cut in cuts for vessel in cut.vessels)
        found = (Cut(it.place, it.at_ms, self._together(it.vessels), it.action) for it in cuts)
        self._cuts, self.number = [_BEGINNING, *found], 0
        self.judged: dict[str, Series] = {}
        self._seen: dict[str, NDArray[np.intp]] = {}
        self._unmoved: dict[int, list[tuple[int, int]]] = {}
        self._fallen: list[Silence] = []
        self._gaps: list[DropOuts] = []
        self._states: Mapping[int, SourceState] = {}

    def listen(self, states: Mapping[int, SourceState]) -> None:
        """Find what falls silent, is heard again or lacks answers; carry `states` on (they are changed)."""
        its, self._states = (self._plan.sources, states), states
        read, places = self.readings, self.places
        self._fallen = [*silences(*its, read.at_ms, places, read.longest_waits_ms)]
        self._gaps = [*drop_outs(*its, read.time_ms, places, read.longest_gaps_ms)]

    def troubles(self) -> list[Due]:
        """Return what of that comes between the newest cut and the next."""
        due = due_silences(self._fallen, self._watch_list)
        due += due_drop_outs(self._gaps, self.readings.at_ms, self._watch_list)
        ends = self._next.order if self._next else (len(self.readings), True, 0)
        return [it for it in due if self._newest.order <= it.order[:3] < ends]

    def _together(self, vessels: frozenset[str]) -> frozenset[str]:
        """Return with vessels all those cut that they may look at, or these at them, and so on."""
        links = [self.vessels.intersection(supply.vessels) for supply in self._plan.supplies]
        while (more := vessels.union(*(link for link in links if link & vessels))) != vessels:
            vessels = more
        return vessels

    @property
    def may_fail(self) -> bool:
        """Return whether what is judged now may have to be judged otherwise: the first piece of several."""
        return bool(self.vessels) and not self.number

    @property
    def newest(self) -> tuple[object, ...]:
        """Return what tells the newest piece from others of the same block."""
        return self.number, *((cut.place, cut.vessels) for cut in self._cuts)

    @property
    def _newest(self) -> Cut:
        return self._cuts[self.number]

    @property
    def group(self) -> frozenset[str]:
        """Return the vessels that are judged now; at the beginning none stands for all."""
        return self._newest.vessels

    def is_cut_by(self, action: Action | None, at_ms: int) -> bool:
        """Return whether what has just happened is the next cut, and go on to what follows it."""
        cut = self._next
        if cut is None or cut.action is not action or cut.at_ms != at_ms:
            return False
        self.number += 1
        return True

    @property
    def _next(self) -> Cut | None:
        return self._cuts[self.number + 1] if self.number + 1 < len(self._cuts) else None

    def to_judge(self) -> Places:
        """Return the places of what is judged now: of each vessel up to its next cut."""
        if not self.vessels:
            return self.places
        stops: dict[str, int] = {}
        for cut in self._cuts[self.number + 1 :]:
            for vessel in cut.vessels:
                stops.setdefault(vessel, cut.place)
        group, found = self.group, {}
        for source_id, vessel in self._vessels():
            if source_id in self.places and (not group or vessel in group):
                here = _between(self.places[source_id], self._newest.place, stops.get(vessel))
                if here.size:
                    found[source_id] = here
        return found

    def _vessels(self) -> Iterator[tuple[int, str]]:
        """Go through all that is read, and its vessel; what counts a probe's answers is where that is."""
        of_probe = {source.probe: source.vessel for source in self._plan.sources}
        yield from ((source.id, source.vessel) for source in self._plan.sources)
        yield from ((source_id, of_probe[probe]) for probe, source_id in self._plan.fresh.items())

    def take(self, water: Water, block: Block) -> None:
        """Take in what has been judged of the newest piece."""
        gone = {name for name in self.judged if name.partition("/")[0] in self.group}
        self.judged = {name: its for name, its in self.judged.items() if name not in gone} | water.judged
        self._seen |= block.seen
        self._unmoved |= block.unmoved
        for source_id, here in (
            water.places.items() if self.vessels else ()
        ):  # what the next piece goes on from
            self._states[source_id].time_ms = int(self.readings.time_ms[here[-1]])

    def worse(self, alarms: Iterable[Alarm], start: int) -> Iterator[Due]:
        """Go through what brings alarms back from the shelf from a place on; of what is judged by now."""
        return worse_on_the_shelf(alarms, self.judged, self._watch_list, self.readings, start)

    def stretch(
        self,
    ) -> tuple[NDArray[np.int64], Places, dict[str, NDArray[np.intp]], dict[int, list[tuple[int, int]]]]:
        """Return the times from the block's beginning to the next cut, and the places of readings in them.

        Also where from the newest cut to the next channels are seen, and where sources are found unmoved.
        """
        if not self.vessels:
            return self.readings.at_ms, self.places, self._seen, self._unmoved
        start, stop, at_ms = self._newest.place, len(self.readings), self.readings.at_ms
        if cut := self._next:
            stop, at_ms = cut.place, np.append(at_ms[: cut.place], cut.at_ms)
        places = {source_id: _between(here, 0, stop) for source_id, here in self.places.items()}
        seen = {name: _between(here, start, stop) for name, here in self._seen.items()}
        unmoved = {
            it: [(at, ms) for at, ms in its if start <= at < stop] for it, its in self._unmoved.items()
        }
        return at_ms, places, seen, {it: its for it, its in unmoved.items() if its}


def _between(here: NDArray[np.intp], start: int, stop: int | None) -> NDArray[np.intp]:
    first, last = (None if it is None else int(here.searchsorted(it)) for it in (start, stop))
    return here[first:last]
