"""The probes read as the watch reads them, without a journal: what each answers, in what time."""

import queue
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Self

from daemon.broker.messages import rack_topic
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.clock import SteadyClock
from daemon.settings.rack import Settings
from drivers.readings import Bus, Reading, Receipt, Surroundings, Trouble, Waited

Said = Reading | Trouble | Waited
OUR_ID = "try"
"""Stands at brokers for a journal's id, so that the watch keeps its own session."""

_GARBLED = (
    "; check baud, parity and wiring (A and B swapped?), whether the adapter echoes what it sends, and "
    "whether two probes with one address answer at once"
)


@dataclass(slots=True)
class Answer:
    """What a probe has said so far, and after how many seconds it had said all that it measures."""

    readings: dict[str, float] = field(default_factory=dict)
    trouble: str = ""
    after_s: float | None = None


def advised(trouble: Trouble) -> str:
    """Return what went wrong, and for bytes that no probe of its kind sends where they may come from."""
    return trouble.text + (_GARBLED if trouble.kind == "garbled" else "")


class Live:
    """A context in which the buses of some probes are read; `said` gives what comes.

    `topic` is the rack's own. SettingsError or SetupError where a bus cannot be.
    """

    @classmethod
    def of(cls, settings: Settings, probes: Mapping[str, ProbeSettings]) -> Self:
        """Return what reads some probes of a rack."""
        return cls(settings.buses, probes, rack_topic(settings.broker.topic_root, settings.rack.name))

    def __init__(
        self,
        buses: Mapping[str, BusSettings],
        probes: Mapping[str, ProbeSettings],
        topic: str = "",
    ) -> None:
        self.probes = dict(probes)
        self._came: queue.SimpleQueue[Said | Receipt | BaseException] = queue.SimpleQueue()
        self._stop = threading.Event()
        around = Surroundings(SteadyClock(), lambda at_ms: at_ms, lambda utc_ms: utc_ms, topic, OUR_ID)
        drivers = [
            buses[bus].driver(bus, mine, around, self._came.put)
            for bus in dict.fromkeys(probe.bus for probe in self.probes.values())
            if (mine := {name: probe for name, probe in self.probes.items() if probe.bus == bus})
        ]
        self._threads = [threading.Thread(target=self._run, args=(bus,), daemon=True) for bus in drivers]

    def __enter__(self) -> Self:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_raised: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()

    def _run(self, bus: Bus) -> None:
        try:
            bus.run(self._stop)
        except BaseException as error:
            self._came.put(error)

    def said(self, for_s: float) -> Iterator[Said]:
        """Give what comes within so many seconds, as it comes."""
        until = time.monotonic() + for_s
        while (left_s := until - time.monotonic()) > 0:
            try:
                came = self._came.get(timeout=left_s)
            except queue.Empty:
                return
            if isinstance(came, BaseException):
                raise came
            if isinstance(came, Receipt):
                came.confirm()
            else:
                yield came

    def answers(self, within_s: float) -> dict[str, Answer]:
        """Return what every probe says, once each has said all or why not, or the time is over."""
        began, found = time.monotonic(), {name: Answer() for name in self.probes}
        for said in self.said(within_s):
            if said.probe is None and isinstance(said, Trouble):  # of the whole bus
                mine = [found[name] for name, probe in self.probes.items() if probe.bus == said.bus]
            else:
                mine = [found[said.probe]] if said.probe in found else []
            for answer in mine:
                if isinstance(said, Reading):
                    answer.readings[said.quantity] = said.value
                elif isinstance(said, Trouble) and said.kind not in ("slow", "late"):
                    answer.trouble = answer.trouble or advised(said)
            for name, answer in found.items():
                whole = set(self.probes[name].quantities) <= answer.readings.keys()
                if (whole or answer.trouble) and answer.after_s is None:
                    answer.after_s = time.monotonic() - began
            if all(answer.after_s is not None for answer in found.values()):
                break
        return found
