"""What is about to happen, each crossing in its place in the order of arrival."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import Crossing
from rules.judging.drop_outs import DropOuts
from rules.judging.silence import Silence
from rules.judging.unwatched import Loss
from rules.judging.watch_list import WatchList


@dataclass(frozen=True, slots=True)
class Due:
    """A crossing in its place: before reading `position` (`timer`), or made by it."""

    position: int
    timer: bool
    at_ms: int
    channel_order: int
    edge_order: int
    crossing: Crossing

    @property
    def order(self) -> tuple[int, bool, int, bool, int, int, int]:
        """At the same moment, returns come first, then the most urgent: it explains the others."""
        active, rank = self.crossing.active, int(self.crossing.priority)
        urgency = (active, -rank if active else rank)
        return (self.position, not self.timer, self.at_ms, *urgency, self.channel_order, self.edge_order)


def due_silences(found: Iterable[Silence], watch_list: WatchList) -> list[Due]:
    """Put silences into their places."""
    return [
        Due(
            silence.position,
            silence.begins,
            silence.at_ms,
            watch_list.place[watch_list.own[silence.source.id].name],
            -1,
            watch_list.silence(silence),
        )
        for silence in found
    ]


def due_drop_outs(found: Iterable[DropOuts], at_ms: NDArray[np.int64], watch_list: WatchList) -> list[Due]:
    """Put missing answers into their places, in a block whose readings came at `at_ms`."""
    return [
        Due(
            its.position,
            False,
            int(at_ms[its.position]),
            watch_list.place[watch_list.own[its.source.id].name],
            -1,
            watch_list.drop_outs(its, int(at_ms[its.position])),
        )
        for its in found
    ]


def due_losses(found: Iterable[Loss], watch_list: WatchList) -> list[Due]:
    """Put dangers that are lost or seen again into their places."""
    return [
        Due(
            loss.position,
            loss.begins,
            loss.at_ms,
            -1,
            watch_list.place[loss.danger.channels[0].name],
            watch_list.loss(loss),
        )
        for loss in found
    ]
