"""The running daemon: a thread for each bus, and one thread that judges, writes and publishes.

Crash only: what goes wrong in another thread without a name for it ends the process with a clear
log line; the supervisor starts it again, and it goes on from the journal. Trouble with the journal's
file has names, and `JournalRepair` says what is done about each.
"""

import queue
import sqlite3
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from daemon.broker.connection import Connection
from daemon.broker.link import BrokerLink
from daemon.clock import SteadyClock
from daemon.journal.journal import Journal
from daemon.journal.repair import JournalRepair
from daemon.journal.sole_writer import SoleWriter
from daemon.supervisor import tell_supervisor
from daemon.watch.trouble_log import TroubleLog
from daemon.watch.watch import Watch
from drivers.readings import Bus, Emit, Emitted, Reading, Receipt, Trouble, Waited
from rules.alarms.event import Course
from rules.engine import Engine

log = structlog.get_logger()

BUS_STOPS_WITHIN_S = 5.0
STANDSTILL_S = 2.5
"""A turn that comes so long after the one before was kept from it: the machine slept, or is busy."""


GATHERED_S = 0.005
"""What one answer of a probe brings comes within this time, and is judged together."""
QUIET_TURNS = 4
"""So many turns in a row leave the chores alone, as long as nothing was written or came from the broker."""


class Companion(Protocol):
    """What goes on beside the watch, such as the mirror: `run` in a thread, `step` in each turn of ours."""

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set."""
        ...

    def step(self, now_ms: int) -> None:
        """Hand over what the journal is to know; sqlite3.Error where it cannot be written."""
        ...


@dataclass
class Arrived:
    """What the buses brought since the last turn."""

    readings: list[Reading] = field(default_factory=list)
    waited: list[Waited] = field(default_factory=list)
    receipts: list[Receipt] = field(default_factory=list)


class Service:
    """The daemon of one rack; `buses` makes its buses, given where their readings go.

    `chores` are done in a turn after which, or before which, something stirred, else now and then: after the
    readings and before what waits is published.
    """

    def __init__(
        self,
        sole_writer: SoleWriter,
        journal: Journal,
        watch: Watch,
        connection: Connection,
        link: BrokerLink,
        clock: SteadyClock,
        turn_ms: int,
        buses: Callable[[Emit], list[Bus]],
        repair: JournalRepair,
        chores: Sequence[Callable[[int], None]],
        companions: Sequence[Companion],
    ) -> None:
        self._sole_writer = sole_writer
        self._journal = journal
        self._watch = watch
        self._connection = connection
        self._link = link
        self._clock = clock
        self._turn_ms = turn_ms
        self._repair = repair
        self._chores = [*chores, *(companion.step for companion in companions)]
        self._companions = companions
        self._arrivals: queue.SimpleQueue[Emitted | BaseException] = queue.SimpleQueue()
        self._came = deque[Emitted | BaseException]()  # taken out of there, and not looked at yet
        self._rests_until_s = 0.0  # so that judging has half of the time at most, however much comes
        self._trouble = TroubleLog(journal)
        self._stirred, self._quiet_turns = (0, 0), QUIET_TURNS
        self._refused: Counter[tuple[str, str]] = Counter()
        self._crash: BaseException | None = None
        self._buses = buses(self._arrivals.put)
        self._turned_s, self._turned_ms = time.monotonic(), clock.now_ms()

    @property
    def engine(self) -> Engine:
        """Return the engine, for looking only."""
        return self._watch.engine

    def run(self, stop: threading.Event) -> None:
        """Watch until `stop` is set; raises what ended another thread unexpectedly."""
        quit_buses = threading.Event()
        bodies = [*self._buses, *self._companions]
        threads = [threading.Thread(target=self._guard, args=(body, quit_buses)) for body in bodies]
        self._connection.start()
        for thread in threads:
            thread.start()
        log.info(
            "watching",
            rack=self._watch.engine.plan.rack,
            journal=str(self._journal.path),
            run=self._journal.run_id,
        )
        tell_supervisor("READY=1")
        on_purpose = False
        try:
            while not stop.is_set():
                self._until_next_turn(stop)
                if not stop.is_set():
                    self._turn()
            on_purpose = True
        finally:
            quit_buses.set()
            for thread in threads:
                thread.join(BUS_STOPS_WITHIN_S)
            tell_supervisor("STOPPING=1")
            self._leave(on_purpose)

    def _until_next_turn(self, stop: threading.Event) -> None:
        """Sleep until a turn is due; what arrives meanwhile is judged at once."""
        due_ms = self._clock.now_ms() + self._turn_ms
        while not stop.is_set() and (left_s := self._clock.seconds_until(due_ms)) > 0:
            try:
                self._came.append(self._arrivals.get(timeout=left_s))
            except queue.Empty:
                continue
            gathers_s = max(GATHERED_S, self._rests_until_s - time.monotonic())
            time.sleep(max(min(gathers_s, self._clock.seconds_until(due_ms)), 0))
            is_due = self._clock.seconds_until(due_ms) <= 0
            if is_due or self._stood_still() is not None or not self._repair.is_mended():
                return
            self._judge_at_once()

    def _judge_at_once(self) -> None:
        """Take in what has arrived and judge it; what it causes is written down and published."""
        begun_s, arrived = time.monotonic(), self._arrived()
        try:
            now_ms = self._clock.now_ms()
            if self._watch.take(arrived.readings, now_ms, arrived.waited, arrived.receipts, asks=False):
                self._link.deliver(self._journal)
        except BaseException as error:
            self._mend(error)
        self._rests_until_s = 2 * time.monotonic() - begun_s
        self._raise_crash()

    def _turn(self) -> None:
        """Take in what has arrived, judge it, write it down, publish what it caused, and do the chores."""
        try:
            stirs = self._stirs()
            if stirs and self._repair.look():
                self._watch.start_over()  # what was judged had been numbered for the file that is gone
            arrived = self._arrived()  # after the look: what it raises leaves all that came in the queue
            stirs |= self._watch.take(
                arrived.readings, self._clock.now_ms(), arrived.waited, arrived.receipts, self._stood_still()
            )
            self._turned_s, self._turned_ms = time.monotonic(), self._clock.now_ms()
            self._note_refused()
            self._trouble.keep(self._clock.now_ms())
            if stirs:
                for chore in self._chores:
                    chore(self._clock.now_ms())
                self._link.deliver(self._journal)
            self._link.heartbeat(self._heard_of_now)
            if self._repair.is_mended():
                self._sole_writer.beat()
        except BaseException as error:
            self._mend(error)
        tell_supervisor("WATCHDOG=1")
        self._raise_crash()

    def _stirs(self) -> bool:
        """Return whether something was written, or came from the broker, since the turn before."""
        before, self._stirred = self._stirred, (self._connection.news, self._journal.commits)
        quiet = self._stirred == before and self._quiet_turns < QUIET_TURNS and self._repair.is_mended()
        self._quiet_turns = self._quiet_turns + 1 if quiet else 0
        return not quiet

    def _raise_crash(self) -> None:
        if self._crash is not None:
            raise self._crash

    def _mend(self, error: BaseException) -> None:
        """Mend the journal where that is what goes wrong."""
        self._watch.start_over()  # nothing that was judged and not written down may pass for told
        if not isinstance(error, sqlite3.Error):
            raise error
        self._repair.mend(error)

    def _heard_of_now(self) -> tuple[int, int, Sequence[Course]]:
        engine = self._watch.engine
        return self._journal.inputs.last_seq(), len(engine.alarms()), engine.courses()

    def _stood_still(self) -> int | None:
        """Return since when no turn was made though one was due; None where all goes on as it should."""
        late = time.monotonic() - self._turned_s > STANDSTILL_S
        return self._turned_ms + self._turn_ms if late else None

    def _arrived(self) -> Arrived:
        arrived = Arrived()
        while self._came or not self._arrivals.empty():
            item = self._came.popleft() if self._came else self._arrivals.get_nowait()
            if isinstance(item, BaseException):
                self._crash = item
            elif isinstance(item, Trouble):
                self._trouble.note(item)
            elif isinstance(item, Receipt):
                arrived.receipts.append(item)
            elif isinstance(item, Waited):
                arrived.waited.append(item)
                text = "undated readings had waited at the broker: kept as they came, not judged"
                self._trouble.note(self._at_the_door(item.probe, "waited", text))
            else:
                arrived.readings.append(item)
        return arrived

    def _note_refused(self) -> None:
        """Tell of the readings that were refused in this turn."""
        refused = self._watch.rejected
        if refused == self._refused:
            return
        for (probe, why), times in (refused - self._refused).items():
            self._trouble.note(self._at_the_door(probe, f"refused: {why}", f"readings {why}"), times)
        self._refused = refused.copy()

    def _at_the_door(self, probe: str, kind: str, text: str) -> Trouble:
        return Trouble("", probe, kind, text, b"", self._clock.now_ms())

    def _leave(self, on_purpose: bool) -> None:
        """Write down what the buses still brought; say goodbye only where the stop was meant."""
        try:
            last = self._arrived()
            self._watch.take(last.readings, self._clock.now_ms(), last.waited, last.receipts)
            self._watch.stop()
            if on_purpose:
                self._link.deliver(self._journal)
        except sqlite3.Error as error:
            lost = "what the buses brought since the last commit"
            log.error("not_written_down", why=str(error), lost=lost)  # noqa: TRY400 - a line, no traceback
        finally:
            if on_purpose:
                self._connection.stop()
            else:
                self._connection.break_off()
            self._journal.close()
            self._sole_writer.release(on_purpose)
            log.info("stopped", on_purpose=on_purpose)

    def _guard(self, body: Bus | Companion, stop: threading.Event) -> None:
        try:
            body.run(stop)
        except BaseException as error:
            log.critical("thread_died", of=type(body).__name__, why=repr(error), exc_info=True)
            self._arrivals.put(error)
