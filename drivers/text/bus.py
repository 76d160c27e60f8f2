"""Probes that send lines of text, of their own accord or when they are asked."""

import math
import threading
import time
from collections import deque
from dataclasses import dataclass

from drivers import errors
from drivers.flood import SHUT_MS, FloodGate
from drivers.outage import Outage
from drivers.ports.kept import Port, Way, keep_open
from drivers.ports.serial_port import GULP_BYTES
from drivers.readings import Clock, Emit, Reading, Trouble, emission_rank
from drivers.schedule import LEAST_REST_MS, OWED_FOR_MS, Conduct, Schedule
from drivers.text.line import LinePattern, Lines

# How long a stop request may go unnoticed.
LOOK_UP_S = 0.1
# Of a probe that sends more often than it is due, what comes by so much too early is taken.
EARLY_SHARE = 0.2
REST_PER_LATENCY = 2
# While a late answer may come the port is looked at so often.
LISTEN_EVERY_MS = 50
_REMEMBERED = 64
_FAILED = (errors.NoAnswerError, errors.GarbledAnswerError, errors.PayloadError, errors.LateAnswerError)


@dataclass(frozen=True, slots=True)
class TextProbe:
    """A probe: how often it is due, its line, and what it is asked with (nothing: it sends unasked)."""

    name: str
    every_ms: int
    pattern: LinePattern
    ask: bytes = b""


class _Turn:
    """What a bus knows of a probe."""

    def __init__(self, probe: TextProbe) -> None:
        self.probe = probe
        self.conduct = Conduct()
        self.due_ms = 0
        self.tries = 0
        self.took_s: deque[float] = deque(maxlen=_REMEMBERED)  # its answers, of late


class TextBus:
    """The body of one thread; either all of its probes are asked, or none.

    A line of text says not to which question it is the answer. So after a question without answer nobody is
    asked for longer than any answer was late, and what comes meanwhile is thrown away. As one may still come
    later than that, each is then listened to for twice the time that it ever took: of two answers none is
    taken. What cannot be known: a late one while the true one is late as well.
    """

    def __init__(
        self,
        name: str,
        way: Way,
        probes: tuple[TextProbe, ...],
        clock: Clock,
        emit: Emit,
        timeout_ms: int = 1000,
        retries: int = 2,
    ) -> None:
        if not probes:
            raise errors.SetupError(f"{name}: no probes on this bus")
        if len({bool(probe.ask) for probe in probes}) > 1:
            raise errors.SetupError(f"{name}: either all probes of a bus are asked, or none")
        self._name, self._way, self._clock, self._emit = name, way, clock, emit
        self._timeout_ms, self._retries = timeout_ms, retries
        self._turns = [_Turn(probe) for probe in probes]
        self._outage = Outage()
        self._late_ms: deque[int] = deque([0], _REMEMBERED)
        self._owed: deque[int] = deque(maxlen=_REMEMBERED)  # when the questions without answer were asked
        self._asked_ms = self._answered_ms = 0
        self._not_before_ms = 0

    def run(self, stop: threading.Event) -> None:
        """Read until `stop` is set."""
        schedule = Schedule([turn.probe.every_ms for turn in self._turns], self._clock.now_ms())

        def serve(port: Port) -> None:
            if self._turns[0].probe.ask:
                self._ask_in_turn(port, schedule, stop)
            else:
                self._listen(port, stop)

        keep_open(self._way, serve, lambda lost: self._complain(lost, None), self._outage, self._clock, stop)

    def _listen(self, port: Port, stop: threading.Event) -> None:
        lines, gate = Lines(begins_anywhere=True), FloodGate()
        while not stop.is_set():
            for line in lines.feed(port.receive(time.monotonic() + LOOK_UP_S)):
                now_ms = self._clock.now_ms()
                if not gate.lets_in(now_ms):
                    text = f"{self._way.name}: far too many lines; not listened to for {SHUT_MS // 1000} s"
                    self._complain(errors.RefusedError(text, line), None)
                    self._clock.wait(stop, now_ms + SHUT_MS)
                    return
                self._take(line, now_ms)
                self._outage.over()

    def _take(self, line: bytes, now_ms: int) -> None:
        """Give a line to the probes that it is of."""
        understood = False
        for turn in self._turns:
            if now_ms < turn.conduct.demoted_until_ms:
                continue
            found = self._read(turn, line)
            understood |= found is not None
            if found and now_ms >= turn.due_ms:
                turn.due_ms = now_ms + round((1 - EARLY_SHARE) * turn.probe.every_ms)
                self._hand_on(turn, found, now_ms)
        if not understood:
            text = f"{self._way.name}: a line that fits no pattern of this bus; compare it with the settings"
            self._complain(errors.GarbledAnswerError(text, line), None)

    def _read(self, turn: _Turn, line: bytes) -> list[tuple[str, float]] | None:
        """Return what a line holds for a probe: None where it is another's, nothing where it is unusable."""
        begun = time.monotonic()
        try:
            found = turn.probe.pattern.read(line)
        except (errors.GarbledAnswerError, errors.PayloadError) as error:
            turn.conduct.failed(round(1000 * (time.monotonic() - begun)), self._clock.now_ms())
            self._complain(error, turn)
            return []
        if found:
            turn.conduct.answered()
        return found

    def _ask_in_turn(self, port: Port, schedule: Schedule, stop: threading.Event) -> None:
        self._not_before_ms = self._clock.now_ms() + self._timeout_ms  # as after a question nobody answered
        while True:
            for index, turn in enumerate(self._turns):
                schedule.hold(index, max(self._not_before_ms, turn.conduct.demoted_until_ms))
            index, due_ms = schedule.next()
            look_ms = min(due_ms, self._clock.now_ms() + LISTEN_EVERY_MS) if self._is_owed() else due_ms
            if self._clock.wait(stop, look_ms):
                return
            if self._drops_late(port) or look_ms < due_ms:
                continue
            try:
                is_over = self._finishes(port, self._turns[index], stop)
            except errors.PortLostError:
                schedule.polled(index, self._clock.now_ms())  # it may be this question that ends it
                raise
            if is_over:
                schedule.polled(index, self._clock.now_ms())
            self._outage.over()

    def _is_owed(self) -> bool:
        while self._owed and self._clock.now_ms() > self._owed[0] + OWED_FOR_MS:
            self._owed.popleft()
        return bool(self._owed)

    def _rest_ms(self) -> int:
        return max(LEAST_REST_MS, REST_PER_LATENCY * max(self._timeout_ms, *self._late_ms))

    def _drops_late(self, port: Port) -> bool:
        """Throw away what came between two questions; return whether there was anything, and rest on.

        A mere end of line is that of the answer before, cut in two.
        """
        heard = port.receive(time.monotonic())
        if not heard.strip(b"\r\n"):
            return False
        now_ms = self._clock.now_ms()
        if self._is_owed():
            self._late_ms.append(now_ms - self._owed.popleft())
        self._not_before_ms = now_ms + (self._rest_ms() if self._owed else LEAST_REST_MS)
        text = f"{self._way.name}: {len(heard)} bytes came too late or unasked; thrown away"
        self._complain(errors.LateAnswerError(text, heard), None)
        return True

    def _finishes(self, port: Port, turn: _Turn, stop: threading.Event) -> bool:
        """Ask a probe; return whether that was its last try of this poll."""
        self._asked_ms = self._clock.now_ms()
        try:
            found, took_s = self._answer(port, turn, stop)
        except _FAILED as failure:
            now_ms = self._clock.now_ms()
            if not isinstance(failure, errors.LateAnswerError):
                self._owed.append(self._asked_ms)
            rest_ms = self._rest_ms()
            self._not_before_ms = now_ms + rest_ms
            turn.conduct.failed(now_ms - self._asked_ms + rest_ms, now_ms)
            turn.tries += 1
            if turn.tries <= self._retries:
                return False
            self._complain(failure, turn)
        else:
            turn.conduct.answered()
            turn.took_s.append(took_s)
            rest_ms = (REST_PER_LATENCY - 1) * (self._answered_ms - self._asked_ms)
            self._not_before_ms = self._answered_ms + rest_ms
            self._hand_on(turn, found, self._answered_ms)
            if slow := errors.SlowAnswerError.near(took_s, self._timeout_ms):
                self._complain(slow, turn)
        turn.tries = 0
        return True

    def _answer(
        self, port: Port, turn: _Turn, stop: threading.Event
    ) -> tuple[list[tuple[str, float]], float]:
        """Return what the first line that fits (no echo does) holds, and after how many seconds it came."""
        port.write(turn.probe.ask)
        begun_s, lines, heard = time.monotonic(), Lines(begins_anywhere=False), b""
        until_s, answers, took_s = begun_s + self._timeout_ms / 1000, list[list[tuple[str, float]]](), 0.0
        owed = self._is_owed()
        while time.monotonic() < until_s and len(heard) < GULP_BYTES and not stop.is_set():
            more = port.receive(min(until_s, time.monotonic() + LOOK_UP_S))
            heard += more
            for line in lines.feed(more):
                if found := turn.probe.pattern.read(line):
                    if not answers:
                        took_s, self._answered_ms = time.monotonic() - begun_s, self._clock.now_ms()
                    answers.append(found)
                    if not owed:
                        return found, took_s
                    slowest_s = max(turn.took_s, default=math.inf)
                    until_s = min(until_s, begun_s + REST_PER_LATENCY * slowest_s)
        if len(answers) > 1:
            self._owed.clear()
            raise errors.LateAnswerError("two answers came, one of them late: none is taken", heard)
        if answers:
            return answers[0], took_s
        if heard:
            raise errors.GarbledAnswerError("no line came that fits its pattern", heard)
        raise errors.NoAnswerError(
            f"no answer within {self._timeout_ms} ms; check power, wiring, baud, and what it is asked with"
        )

    def _hand_on(self, turn: _Turn, found: list[tuple[str, float]], time_ms: int) -> None:
        for quantity, value in sorted(found, key=lambda it: emission_rank(it[0])):
            self._emit(Reading(turn.probe.name, quantity, value, time_ms))

    def _complain(self, error: errors.ProbeError, turn: _Turn | None) -> None:
        name = turn.probe.name if turn else None
        text = f"{name} (on {self._way.name}): {error}" if turn else str(error)
        self._emit(Trouble(self._name, name, error.kind, text, error.raw, self._clock.now_ms()))
