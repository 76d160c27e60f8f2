"""The probes of one Modbus RTU line, polled one after the other, each on its own schedule."""

import threading
from dataclasses import dataclass

from drivers.errors import (
    GarbledAnswerError,
    NoAnswerError,
    PayloadError,
    PortLostError,
    ProbeError,
    RefusedError,
    SetupError,
)
from drivers.modbus import Read, Register, decode, encode_read, parse_answer, plan_reads
from drivers.outage import Outage
from drivers.readings import Clock, Emit, Reading, Trouble, emission_rank
from drivers.rtu_wire import RtuWire, SerialLine
from drivers.schedule import Schedule

HIGHEST_UNIT_ID = 247


@dataclass(frozen=True, slots=True)
class ModbusProbe:
    """A probe on the line: who it is, how often it is asked, and for which registers."""

    name: str
    unit_id: int
    every_ms: int
    registers: tuple[Register, ...]

    def __post_init__(self) -> None:
        if not 1 <= self.unit_id <= HIGHEST_UNIT_ID:
            raise SetupError(f"{self.name}: unit_id {self.unit_id}; it must be 1 to {HIGHEST_UNIT_ID}")
        if self.every_ms <= 0:
            raise SetupError(f"{self.name}: it must be polled every so many milliseconds, above 0")
        if not self.registers:
            raise SetupError(f"{self.name}: no registers to read; name at least one")


class ModbusBus:
    """The body of one thread: polls, decodes, emits; lives on when a probe or the port does not."""

    def __init__(
        self, name: str, line: SerialLine, probes: tuple[ModbusProbe, ...], clock: Clock, emit: Emit
    ) -> None:
        if not probes:
            raise SetupError(f"{name}: no probes on this bus")
        self._name = name
        self._line = line
        self._probes = probes
        self._reads = [plan_reads(probe.registers) for probe in probes]
        self._clock = clock
        self._emit = emit
        self._outage = Outage()
        self._silent: set[str] = set()

    def run(self, stop: threading.Event) -> None:
        """Poll until `stop` is set; a port that is away is reopened, anything unexpected is raised."""
        schedule = Schedule([probe.every_ms for probe in self._probes], self._clock.now_ms())
        while not stop.is_set():
            try:
                with RtuWire(self._line) as wire:
                    self._poll_in_turn(wire, schedule, stop)
            except PortLostError as lost:
                now_ms = self._clock.now_ms()
                if self._outage.failed(str(lost), now_ms):
                    self._complain(lost, None)
                self._clock.wait(stop, self._outage.retry_ms(now_ms))

    def _poll_in_turn(self, wire: RtuWire, schedule: Schedule, stop: threading.Event) -> None:
        while True:
            index, due_ms = schedule.next()
            if self._clock.wait(stop, due_ms):
                return
            self._poll(wire, self._probes[index], self._reads[index])
            schedule.polled(index, self._clock.now_ms())
            self._outage.over()

    def _poll(self, wire: RtuWire, probe: ModbusProbe, reads: tuple[Read, ...]) -> None:
        values: list[tuple[str, float]] = []
        time_ms = self._clock.now_ms()
        for read in reads:
            try:
                data = self._ask(wire, probe, read)
            except NoAnswerError as silence:
                # The rest of a silent probe's registers would cost the others a timeout each.
                self._silent.add(probe.name)
                self._complain(silence, probe)
                break
            except (GarbledAnswerError, RefusedError) as error:
                self._complain(error, probe)
                continue
            time_ms = self._clock.now_ms()
            values += self._decode(probe, read, data)
        for quantity, value in sorted(values, key=lambda v: emission_rank(v[0])):
            self._emit(Reading(probe.name, quantity, value, time_ms))

    def _ask(self, wire: RtuWire, probe: ModbusProbe, read: Read) -> bytes:
        """Return the registers' bytes, asking again after silence or noise.

        A probe known to be silent gets one try only, so that it costs the others little.
        """
        request = encode_read(probe.unit_id, read)
        tries_left = 1 if probe.name in self._silent else 1 + self._line.retries
        while True:
            try:
                data = parse_answer(wire.ask(request, read.answer_bytes), probe.unit_id, read)
            except (NoAnswerError, GarbledAnswerError):
                wire.distrust()
                tries_left -= 1
                if not tries_left:
                    raise
            else:
                self._silent.discard(probe.name)
                return data

    def _decode(self, probe: ModbusProbe, read: Read, data: bytes) -> list[tuple[str, float]]:
        values = []
        for register in read.registers:
            try:
                values.append((register.quantity, decode(register, read, data)))
            except PayloadError as error:
                self._complain(error, probe)
        return values

    def _complain(self, error: ProbeError, probe: ModbusProbe | None) -> None:
        text = f"{probe.name} (unit {probe.unit_id} on {self._line.port}): {error}" if probe else str(error)
        name = probe.name if probe else None
        self._emit(Trouble(self._name, name, error.kind, text, error.raw, self._clock.now_ms()))
