"""The running daemon: a thread for each bus, and one thread that judges, writes and publishes.

Crash only: what goes wrong in a bus thread without a name for it ends the process with a clear
log line; the supervisor starts it again, and it goes on from the journal.
"""

import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

import structlog

from daemon.broker_link import BrokerLink
from daemon.clock import SteadyClock
from daemon.journal import Journal
from daemon.supervisor import tell_supervisor
from daemon.trouble_log import TroubleLog
from daemon.watch import Watch
from drivers.readings import Emit, Reading, Trouble
from rules.engine import Engine

log = structlog.get_logger()

BUS_STOPS_WITHIN_S = 5.0


class Bus(Protocol):
    """What a driver offers: the body of one thread."""

    def run(self, stop: threading.Event) -> None:
        """Read probes until `stop` is set."""
        ...


class Service:
    """The daemon of one rack; `buses` makes its buses, given where their readings go."""

    def __init__(
        self,
        journal: Journal,
        watch: Watch,
        link: BrokerLink,
        clock: SteadyClock,
        commit_every_ms: int,
        buses: Callable[[Emit], list[Bus]],
    ) -> None:
        self._journal = journal
        self._watch = watch
        self._link = link
        self._clock = clock
        self._commit_every_ms = commit_every_ms
        self._arrivals: queue.SimpleQueue[Reading | Trouble | BaseException] = queue.SimpleQueue()
        self._trouble = TroubleLog()
        self._crash: BaseException | None = None
        self._buses = buses(self._arrivals.put)

    @property
    def engine(self) -> Engine:
        """Return the engine, for looking only."""
        return self._watch.engine

    def run(self, stop: threading.Event) -> None:
        """Watch until `stop` is set; raises what ended a bus thread unexpectedly."""
        quit_buses = threading.Event()
        threads = [threading.Thread(target=self._guard, args=(bus, quit_buses)) for bus in self._buses]
        for thread in threads:
            thread.start()
        log.info("watching", rack=self._watch.engine.plan.rack, journal=str(self._journal.path))
        tell_supervisor("READY=1")
        try:
            while not self._clock.wait(stop, self._clock.now_ms() + self._commit_every_ms):
                self._turn()
        finally:
            quit_buses.set()
            for thread in threads:
                thread.join(BUS_STOPS_WITHIN_S)
            tell_supervisor("STOPPING=1")
            self._leave()

    def _turn(self) -> None:
        """Take in what has arrived, judge it, write it down, publish what it caused."""
        self._watch.take(self._arrived(), self._clock.now_ms())
        self._link.deliver(self._journal)
        self._link.heartbeat(self._journal.last_seq(), len(self._watch.engine.alarms()))
        tell_supervisor("WATCHDOG=1")
        if self._crash is not None:
            raise self._crash

    def _arrived(self) -> list[Reading]:
        readings: list[Reading] = []
        with suppress(queue.Empty):
            while True:
                item = self._arrivals.get_nowait()
                if isinstance(item, BaseException):
                    self._crash = item
                elif isinstance(item, Trouble):
                    self._trouble.note(item)
                else:
                    readings.append(item)
        return readings

    def _leave(self) -> None:
        """Write down what the buses still brought, and say goodbye."""
        try:
            if self._crash is None:
                self._turn()
            self._watch.stop()
        finally:
            self._link.stop()
            self._journal.close()
            log.info("stopped", refused_readings=self._watch.rejected or None)

    def _guard(self, bus: Bus, stop: threading.Event) -> None:
        try:
            bus.run(stop)
        except BaseException as error:
            self._arrivals.put(error)
