"""The probes of one Modbus line, polled one after the other, each on its own schedule."""

import threading
from collections import deque
from dataclasses import dataclass

from drivers import errors, modbus
from drivers.modbus_tcp import GatewayLine, NumberedWire
from drivers.outage import Outage
from drivers.readings import RAW_BYTES_KEPT, Clock, Emit, Reading, Trouble, emission_rank
from drivers.rtu_wire import RtuWire, SerialLine
from drivers.schedule import Schedule
from drivers.unit import Unit

Line = SerialLine | GatewayLine
Wire = RtuWire | NumberedWire

HIGHEST_UNIT_ID = 255
# While a late answer may come, the line is looked at so often.
LISTEN_EVERY_MS = 50


@dataclass(frozen=True, slots=True)
class ModbusProbe:
    """A probe on the line: who it is, how often it is asked, and for which registers.

    Up to `bridge` registers between two of its own are read along, to make one request of two.
    """

    name: str
    unit_id: int
    every_ms: int
    registers: tuple[modbus.Register, ...]
    bridge: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.unit_id <= HIGHEST_UNIT_ID:
            raise errors.SetupError(f"{self.name}: unit_id {self.unit_id}; it must be 0 to {HIGHEST_UNIT_ID}")
        if self.every_ms <= 0:
            raise errors.SetupError(f"{self.name}: it must be polled every so many milliseconds, above 0")
        if not self.registers:
            raise errors.SetupError(f"{self.name}: no registers to read; name at least one")


class _Poll:
    """What is left to do of the poll of one probe, and what it has brought so far."""

    def __init__(self, probe: ModbusProbe, unit: Unit) -> None:
        self.probe = probe
        self.unit = unit
        self.values: list[tuple[str, float]] = []
        self.time_ms = 0
        self._reads = modbus.plan_reads(probe.registers, probe.bridge)
        self._failing: set[modbus.Read] = set()
        self.begin_again()

    def begin_again(self) -> None:
        """Be ready for the next poll."""
        self.left = deque(self._reads)
        self._tries = 0

    def next_read(self, failed: bool) -> None:
        """Go on to the next read."""
        read = self.left.popleft()
        self._tries = 0
        (self._failing.add if failed else self._failing.discard)(read)

    def may_try_again(self, retries: int) -> bool:
        """Count a failed try; a read that failed in the last poll too has one only, to cost others little."""
        self._tries += 1
        return self._tries <= retries and self.left[0] not in self._failing

    def read_apart(self) -> None:
        """Ask for the registers of the read in turn one by one, from now on."""
        whole = self.left.popleft()
        apart = modbus.separate_reads(whole)
        self._reads = tuple(each for read in self._reads for each in (apart if read == whole else (read,)))
        self.left.extendleft(reversed(apart))


class ModbusBus:
    """The body of one thread: polls, decodes, emits; lives on when a probe or the port does not.

    A unit that has failed is left alone for a while (`drivers/unit.py`); the others are polled meanwhile.
    """

    def __init__(
        self, name: str, line: Line, probes: tuple[ModbusProbe, ...], clock: Clock, emit: Emit
    ) -> None:
        if not probes:
            raise errors.SetupError(f"{name}: no probes on this bus")
        self._name = name
        self._line = line
        self._units = {probe.unit_id: Unit(probe.unit_id) for probe in probes}
        self._polls = [_Poll(probe, self._units[probe.unit_id]) for probe in probes]
        self._clock = clock
        self._emit = emit
        self._outage = Outage()
        self._stray = b""
        self._moved = set(self._units.values())  # of these it may be another moment now when they are ready

    def run(self, stop: threading.Event) -> None:
        """Poll until `stop` is set; a port that is away is reopened, anything unexpected is raised."""
        schedule = Schedule([poll.probe.every_ms for poll in self._polls], self._clock.now_ms())
        while not stop.is_set():
            try:
                with self._line.open() as wire:
                    self._poll_in_turn(wire, schedule, stop)
            except errors.PortLostError as lost:
                now_ms = self._clock.now_ms()
                for poll in self._polls:
                    self._hand_on(poll)
                    poll.unit.rest(now_ms)
                if self._outage.failed(str(lost), now_ms):
                    self._complain(lost, None)
                self._clock.wait(stop, self._outage.retry_ms(now_ms))

    def _poll_in_turn(self, wire: Wire, schedule: Schedule, stop: threading.Event) -> None:
        while True:
            for index, poll in enumerate(self._polls):
                if poll.unit in self._moved:
                    schedule.hold(index, poll.unit.ready_ms(poll.left[0]))
            self._moved.clear()
            index, due_ms = schedule.next()
            if self._is_listening():
                due_ms = min(due_ms, self._clock.now_ms() + LISTEN_EVERY_MS)
            if self._clock.wait(stop, due_ms):
                return
            self._pass_over(wire.hear())
            index, due_ms = schedule.next()
            poll = self._polls[index]
            self._moved.add(poll.unit)
            if max(due_ms, poll.unit.ready_ms(poll.left[0])) > self._clock.now_ms():
                continue
            is_over = False
            try:
                is_over = self._finishes(wire, poll)
            except errors.PortLostError:
                if not poll.may_try_again(self._line.retries):  # it may be this question that ends it
                    poll.next_read(failed=True)
                    is_over = not poll.left
                raise
            finally:
                if is_over:
                    self._hand_on(poll)
                    poll.begin_again()
                    schedule.polled(index, self._clock.now_ms())
            self._outage.over()

    def _is_listening(self) -> bool:
        now_ms = self._clock.now_ms()
        return bool(self._stray) or any(unit.owes(now_ms) for unit in self._units.values())

    def _finishes(self, wire: Wire, poll: _Poll) -> bool:
        """Ask for the next registers of a poll; return whether they were its last."""
        read, failed = poll.left[0], False
        try:
            data = self._ask(wire, poll, read)
        except (errors.NoAnswerError, errors.GarbledAnswerError) as failure:
            failed = True
            self._hand_on(poll)
            if poll.may_try_again(self._line.retries):
                return False
            self._complain(failure, poll.probe)
            if isinstance(failure, errors.NoAnswerError):
                # The rest of a silent probe's registers would cost the others a time-out each.
                poll.next_read(failed)
                return True
        except errors.RefusedError as refusal:
            self._complain(refusal, poll.probe)
            if isinstance(refusal, errors.NoSuchRegisterError) and len(read.registers) > 1:
                poll.read_apart()
                return False
        else:
            poll.values += self._decode(poll.probe, read, data)
        poll.next_read(failed)
        return not poll.left

    def _ask(self, wire: Wire, poll: _Poll, read: modbus.Read) -> bytes:
        """Return the registers' bytes; raise NoAnswerError, GarbledAnswerError or RefusedError."""
        unit, now_ms = poll.unit, self._clock.now_ms()
        others_owe = any(other.owes(now_ms) for other in self._units.values() if other is not unit)

        def is_whole(heard: bytes) -> bool:
            enough = len(heard) >= read.answer_bytes and not others_owe
            return enough or modbus.find_answer(heard, unit.unit_id, read) is not None

        owed = unit.owes(now_ms)
        wire.pause()
        unit.asked(read, self._clock.now_ms())
        request = modbus.encode_read(unit.unit_id, read)
        heard, thinking_s = wire.ask(request, read.answer_bytes, is_whole)
        found = modbus.find_answer(heard, unit.unit_id, read)
        if found is not None and owed:
            heard += wire.settle()[0]
            if modbus.find_answer(heard[found.stop :], unit.unit_id, read):
                unit.failed(self._clock.now_ms())
                raise errors.GarbledAnswerError("two answers came, one of them late: none is taken", heard)
        if found is None:
            # It raises, since there is no answer in it.
            return modbus.parse_answer(self._failed(wire, unit, heard), unit.unit_id, read)
        poll.time_ms = self._clock.now_ms()
        unit.answered(poll.time_ms)
        self._pass_over(heard[: found.start] + heard[found.stop :])
        if slow := errors.SlowAnswerError.near(thinking_s, self._line.timeout_ms):
            self._complain(slow, poll.probe)
        return modbus.parse_answer(heard[found], unit.unit_id, read)

    def _failed(self, wire: Wire, unit: Unit, heard: bytes) -> bytes:
        """Return what was heard but for late answers; the line falls silent in the time of this unit."""
        heard = self._without_late(heard)
        tail, is_silent = wire.settle()
        unit.failed(self._clock.now_ms())
        if not is_silent:
            raise errors.GarbledAnswerError(
                "the line never falls silent; is another master or a chattering adapter on it?", heard + tail
            )
        if not heard:
            self._pass_over(tail)
            raise errors.NoAnswerError(f"no answer within {self._line.timeout_ms} ms; {self._line.look_at}")
        self._without_late(heard + tail)
        return heard

    def _pass_over(self, heard: bytes) -> None:
        """Tell what no question is open for, as soon as no more comes of it, and take none of it."""
        self._stray = self._without_late(self._stray + heard)
        if self._stray and (not heard or len(self._stray) > RAW_BYTES_KEPT):
            text = f"{self._line.port}: {len(self._stray)} bytes came that nobody had asked for; thrown away"
            self._complain(errors.LateAnswerError(text, self._stray), None)
            self._stray = b""

    def _without_late(self, heard: bytes) -> bytes:
        """Return what was heard without late answers, each of which is told."""
        if not heard:
            return heard
        for probe, unit in ((poll.probe, poll.unit) for poll in self._polls):
            while late := unit.take_late(heard, self._clock.now_ms()):
                where, read, after_ms = late
                self._moved.add(unit)
                text = (
                    f"an answer for {read.describe()} came {after_ms} ms after the question, too late or "
                    f"once too often; thrown away. timeout_ms = {self._line.timeout_ms} may be too short, or "
                    "somebody else asks on this line"
                )
                self._complain(errors.LateAnswerError(text, heard[where]), probe)
                heard = heard[: where.start] + heard[where.stop :]
        return heard

    def _hand_on(self, poll: _Poll) -> None:
        for quantity, value in sorted(poll.values, key=lambda v: emission_rank(v[0])):
            self._emit(Reading(poll.probe.name, quantity, value, poll.time_ms))
        poll.values.clear()

    def _decode(self, probe: ModbusProbe, read: modbus.Read, data: bytes) -> list[tuple[str, float]]:
        values = []
        for register in read.registers:
            try:
                values.append((register.quantity, modbus.decode(register, read, data)))
            except errors.PayloadError as error:
                self._complain(error, probe)
        return values

    def _complain(self, error: errors.ProbeError, probe: ModbusProbe | None) -> None:
        text = f"{probe.name} (unit {probe.unit_id} on {self._line.port}): {error}" if probe else str(error)
        name = probe.name if probe else None
        self._emit(Trouble(self._name, name, error.kind, text, error.raw, self._clock.now_ms()))
