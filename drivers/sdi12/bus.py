"""The probes of one SDI-12 line, polled in turn; those that measure concurrently do so meanwhile."""

import math
import threading
import time
from collections import deque
from dataclasses import dataclass

from drivers import errors
from drivers.outage import Outage
from drivers.ports.kept import Port, Way, keep_open
from drivers.readings import Clock, Emit, Reading, Trouble, emission_rank
from drivers.schedule import LEAST_REST_MS, Conduct, Schedule
from drivers.sdi12 import telegram
from drivers.sdi12.recorder import Recorder

# 1200 baud, 7 data bits, even parity: 10 bits a character (SDI-12 v1.4, 4.1).
CHARACTERS_PER_S = 120
# So long, or as often as the others are due, a measurement by M may keep the line from them: half the time
# after which they count as silent. A probe that errs, or noise, may promise 999 s.
HELD_AT_MOST_S = 60
# How long a stop request may go unnoticed.
LOOK_UP_S = 0.1
_BROKEN = (errors.NoAnswerError, errors.GarbledAnswerError, errors.RefusedError)


@dataclass(frozen=True, slots=True)
class Sdi12Value:
    """A quantity: the `index`th value (from 1) that a probe gives on a command, * scale + offset."""

    quantity: str
    index: int
    command: str = "M"
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Sdi12Probe:
    """A probe on the line: its address, how often it is asked, and for what."""

    name: str
    address: str
    every_ms: int
    values: tuple[Sdi12Value, ...]
    crc: bool = True


class _Stopping(Exception):  # noqa: N818 - no error
    """Somebody wants us to stop in the middle of an exchange."""


class _PortLine:
    """An open port as the recorder sees it; time is the machine's."""

    def __init__(self, port: Port, is_bare: bool, stop: threading.Event) -> None:
        self._port, self._is_bare, self._stop = port, is_bare, stop
        self.wake = port.wake

    def now_s(self) -> float:
        return time.monotonic()

    def send(self, command: bytes) -> None:
        self._port.write(command)
        if self._is_bare:  # An adapter's own time-out covers this.
            time.sleep(len(command) / CHARACTERS_PER_S)

    def listen(self, until_s: float) -> bytes:
        while True:
            data = self._port.receive(min(until_s, time.monotonic() + LOOK_UP_S))
            if data or time.monotonic() >= until_s:
                return data
            if self._stop.is_set():
                raise _Stopping


class _Poll:
    """What is left to do of the poll of a probe, and what it has brought."""

    def __init__(self, probe: Sdi12Probe) -> None:
        self.probe = probe
        self.conduct = Conduct()
        self.identity: telegram.Identity | None = None
        self.not_before_ms = 0
        self.tries = 0
        self.begin_again()

    def begin_again(self) -> None:
        self.left = deque(dict.fromkeys(value.command for value in self.probe.values))
        self.promised: telegram.Promise | None = None  # by a concurrent measurement that goes on
        self.found: dict[str, list[float]] = {}


class Sdi12Bus:
    """The body of one thread; lives on when a probe or the port does not.

    A bare line (`answers_within_ms` None) keeps the standard's times and repeats as it demands. With an
    adapter that makes the break itself, a probe that failed is asked again after a rest, longer than any
    answer can be late.
    """

    def __init__(
        self,
        name: str,
        way: Way,
        probes: tuple[Sdi12Probe, ...],
        clock: Clock,
        emit: Emit,
        answers_within_ms: int | None = 1000,
        retries: int = 2,
    ) -> None:
        if not probes:
            raise errors.SetupError(f"{name}: no probes on this bus")
        self._name, self._way, self._clock, self._emit = name, way, clock, emit
        self._within_ms, self._retries = answers_within_ms, retries
        self._polls = [_Poll(probe) for probe in probes]
        self._outage = Outage()
        self._rest_ms = max(LEAST_REST_MS, 2 * (answers_within_ms or 0))

    def run(self, stop: threading.Event) -> None:
        """Poll until `stop` is set."""
        schedule = Schedule([poll.probe.every_ms for poll in self._polls], self._clock.now_ms())

        def serve(port: Port) -> None:
            for poll in self._polls:
                poll.begin_again()
                poll.identity = None  # Another may have been plugged in.
            within_s = None if self._within_ms is None else self._within_ms / 1000
            recorder = Recorder(_PortLine(port, within_s is None, stop), within_s)
            self._poll_in_turn(recorder, schedule, stop)

        keep_open(self._way, serve, lambda lost: self._complain(lost, None), self._outage, self._clock, stop)

    def _poll_in_turn(self, recorder: Recorder, schedule: Schedule, stop: threading.Event) -> None:
        while True:
            for index, poll in enumerate(self._polls):
                schedule.hold(index, poll.not_before_ms)
            index, due_ms = schedule.next()
            if self._clock.wait(stop, due_ms):
                return
            try:
                finished = self._goes_on(recorder, self._polls[index])
            except _Stopping:
                return
            self._tell_stray(recorder)
            if finished:
                self._polls[index].begin_again()
                schedule.polled(index, self._clock.now_ms())
            self._outage.over()

    def _goes_on(self, recorder: Recorder, poll: _Poll) -> bool:
        """Do the next part of a poll; return whether it is over, for good or ill."""
        begun_ms = self._clock.now_ms()
        try:
            self._next_part(recorder, poll)
        except _BROKEN as failure:
            now_ms = self._clock.now_ms()
            poll.begin_again()
            poll.tries += 1
            poll.conduct.failed(now_ms - begun_ms, now_ms)
            poll.not_before_ms = max(now_ms + self._rest_ms, poll.conduct.demoted_until_ms)
            if poll.tries <= self._retries:
                return False
            poll.tries = 0
            self._complain(failure, poll)
            return True
        if poll.promised or poll.left:
            return False
        poll.tries = 0
        poll.conduct.answered()
        self._hand_on(poll)
        if slow := errors.SlowAnswerError.near(recorder.slowest_s, self._within_ms):
            self._complain(slow, poll)
        recorder.slowest_s = 0.0
        return True

    def _next_part(self, recorder: Recorder, poll: _Poll) -> None:
        """Identify, measure or fetch."""
        probe = poll.probe
        if poll.identity is None:
            poll.identity = _fit(recorder.identify(probe.address), probe)
        what = poll.left[0]
        if what[0] == "R":
            poll.found[what] = recorder.read(probe.address, what, probe.crc)
        elif poll.promised is not None:
            promised, poll.promised = poll.promised, None
            poll.found[what] = recorder.collect(probe.address, promised, telegram.VALUES_LONG, probe.crc)
        else:
            promised = recorder.start(probe.address, what, probe.crc)
            if what[0] == "C":
                # Its time counts from the end of what it said.
                poll.promised, poll.not_before_ms = promised, self._clock.now_ms() + 1000 * promised.seconds
                return
            self._refuse_long(poll, promised)
            recorder.await_service(probe.address, promised)
            poll.found[what] = recorder.collect(probe.address, promised, telegram.VALUES_SHORT, probe.crc)
        poll.left.popleft()

    def _refuse_long(self, poll: _Poll, promised: telegram.Promise) -> None:
        """Raise RefusedError where a measurement would keep the line from the others for too long."""
        others_s = [it.probe.every_ms // 1000 for it in self._polls if it is not poll]
        if others_s and promised.seconds > max(HELD_AT_MOST_S, min(others_s)):
            text = f"it wants the line for {promised.seconds} s on {poll.left[0]}; set command = "
            raise errors.RefusedError(f'{text}"C{poll.left[0][1:]}", during which the other probes are asked')

    def _hand_on(self, poll: _Poll) -> None:
        now_ms = self._clock.now_ms()
        for value in sorted(poll.probe.values, key=lambda it: emission_rank(it.quantity)):
            given = poll.found[value.command]
            if value.index > len(given):
                wanted = f"{value.quantity} is to be number {value.index}"
                text = f"{len(given)} values came on {value.command}; {wanted}"
                self._complain(errors.PayloadError(text), poll)
                continue
            scaled = given[value.index - 1] * value.scale + value.offset
            if math.isfinite(scaled):
                self._emit(Reading(poll.probe.name, value.quantity, scaled, now_ms))
            else:
                self._complain(errors.PayloadError(f"{value.quantity} is too large after scaling"), poll)

    def _tell_stray(self, recorder: Recorder) -> None:
        if recorder.stray:
            text = (
                f"{self._way.name}: {len(recorder.stray)} bytes came that nobody had asked for; thrown away"
            )
            self._complain(errors.LateAnswerError(text, recorder.stray), None)
            recorder.stray = b""

    def _complain(self, error: errors.ProbeError, poll: _Poll | None) -> None:
        name, text = None, str(error)
        if poll is not None:
            name, probe = poll.probe.name, poll.probe
            who = f", {poll.identity.maker} {poll.identity.model}" if poll.identity else ""
            text = f"{name} (address {probe.address} on {self._way.name}{who}): {error}"
        self._emit(Trouble(self._name, name, error.kind, text, error.raw, self._clock.now_ms()))


def _fit(identity: telegram.Identity, probe: Sdi12Probe) -> telegram.Identity:
    """Return who it is, unless its version of the standard lacks what it will be asked for."""
    if probe.crc and identity.version < telegram.FIRST_WITH_CRC:
        version = f"{identity.version // 10}.{identity.version % 10}"
        raise errors.RefusedError(f"it speaks SDI-12 {version}, which has no CRC; set crc = false")
    return identity
