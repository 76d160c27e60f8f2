"""A scenario on real wires in scaled time: what the `simulator` command runs."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from simulator.clock import ScaledTime
from simulator.rack.rack import Rack
from simulator.scenario.faults import Change, changes
from simulator.scenario.file import register_field
from simulator.scenario.scenario import Probe, Scenario
from simulator.wires.modbus import ReadWords, damaged, pick, register_map, reply
from simulator.wires.mqtt import Publisher, payload
from simulator.wires.serial_port import SerialPort


class LiveRack:
    """The rack brought to the present whenever somebody looks; safe to ask from any thread."""

    def __init__(self, rack: Rack, clock: ScaledTime) -> None:
        self._rack = rack
        self._clock = clock
        self._lock = threading.Lock()

    @contextmanager
    def now(self) -> Iterator[Rack]:
        """The rack at the clock's time, held still."""
        with self._lock:
            self._rack.advance_to(self._clock.now_ms())
            yield self._rack


class BusSlaves:
    """The probes on one Modbus bus as slaves."""

    def __init__(self, live: LiveRack, probes: dict[str, Probe]) -> None:
        self._live = live
        self._names = {probe.unit_id: name for name, probe in probes.items() if probe.unit_id is not None}
        self._slaves = {unit_id: self._reader(name, probes[name]) for unit_id, name in self._names.items()}
        self._damaged = 0

    def reply(self, frame: bytes) -> bytes:
        """What the bus carries back for a frame."""
        answer = reply(frame, self._slaves)
        if not answer:
            return b""
        with self._live.now() as rack:
            silent, garbled = rack.disturbance(self._names[answer[0]])
        self._damaged += garbled
        return b"" if silent else damaged(answer, self._damaged) if garbled else answer

    def _reader(self, name: str, probe: Probe) -> ReadWords:
        fields = {measure.quantity: register_field(measure) for measure in probe.measures}

        def read_words(function: int, address: int, count: int) -> list[int]:
            with self._live.now() as rack:
                values = rack.reading(name)
            registers = register_map((field, values[quantity]) for quantity, field in fields.items())
            return pick(registers, function, address, count)

        return read_words


class Timetable:
    """What is due when: publications of probes on the broker and changes of the script."""

    def __init__(self, start_ms: int, periods_ms: dict[str, int], script: list[Change], over_ms: int) -> None:
        self._periods_ms = periods_ms
        self._due_ms = dict.fromkeys(periods_ms, start_ms)
        self._script = list(script)
        self._over_ms: int | None = over_ms

    def next_ms(self) -> int | None:
        """Simulated time of what comes next, or None when nothing will."""
        times = [*self._due_ms.values(), *(change.time_ms for change in self._script[:1])]
        times += [] if self._over_ms is None else [self._over_ms]
        return min(times, default=None)

    def due_probes(self, now_ms: int) -> list[str]:
        """Probes to publish now; one whose turn was missed publishes once and keeps its rhythm."""
        due = sorted((due_ms, name) for name, due_ms in self._due_ms.items() if due_ms <= now_ms)
        for due_ms, name in due:
            missed = (now_ms - due_ms) // self._periods_ms[name]
            self._due_ms[name] += (missed + 1) * self._periods_ms[name]
        return [name for _, name in due]

    def due_changes(self, now_ms: int) -> list[Change]:
        """Changes of the script that have come about since the last call."""
        happened = [change for change in self._script if change.time_ms <= now_ms]
        del self._script[: len(happened)]
        return happened

    def is_over_now(self, now_ms: int) -> bool:
        """True once, when the scenario's length has passed."""
        if self._over_ms is None or now_ms < self._over_ms:
            return False
        self._over_ms = None
        return True


class Show:
    """All wires of a scenario, from `start` to `stop`; `tick` does what is due."""

    def __init__(
        self,
        scenario: Scenario,
        rack: Rack,
        clock: ScaledTime,
        links: Path,
        publisher: Publisher | None,
        tell: Callable[[dict[str, object]], None],
    ) -> None:
        self._scenario = scenario
        self._clock = clock
        self._publisher = publisher
        self._tell = tell
        self._live = LiveRack(rack, clock)
        self.ports = {
            name: self._port(name, links) for name, bus in scenario.buses.items() if bus.kind == "modbus-rtu"
        }
        over_ms = clock.start_ms + round(scenario.course.lasts_h * 3_600_000)
        script = changes(scenario.events, clock.start_ms)
        self._timetable = Timetable(clock.start_ms, self._periods_ms(), script, over_ms)

    def start(self) -> None:
        """Plugs every port in."""
        for port in self.ports.values():
            port.plug()

    def stop(self) -> None:
        """Unplugs every port and takes the links away."""
        for port in self.ports.values():
            port.unplug()

    def wall_s_until_due(self) -> float | None:
        """Seconds of the wall clock until `tick` has something to do, None if it never will."""
        due_ms = self._timetable.next_ms()
        return None if due_ms is None else self._clock.wall_s_until(due_ms)

    def tick(self) -> None:
        """Does what is due: tells the script's changes, moves plugs, publishes."""
        now_ms = self._clock.now_ms()
        for change in self._timetable.due_changes(now_ms):
            self._tell(change.as_record())
            if change.event.kind == "bus_unplugged" and change.event.bus in self.ports:
                port = self.ports[change.event.bus]
                (port.unplug if change.phase == "begins" else port.plug)()
        for name in self._timetable.due_probes(now_ms):
            self._publish(name)
        if self._timetable.is_over_now(now_ms):
            self._tell({"event": "scenario", "phase": "ends", "time_ms": now_ms})

    def _publish(self, name: str) -> None:
        probe = self._scenario.probes[name]
        with self._live.now() as rack:
            message = payload(probe, rack.reading(name), rack.time_ms)
            silent, garbled = rack.disturbance(name)
        if self._publisher is None or silent or not self._publisher.connected:
            return
        if garbled:
            message = b"\xff" + message[: len(message) // 2]
        self._publisher.publish(probe.topic or "", message)

    def _port(self, name: str, links: Path) -> SerialPort:
        bus = self._scenario.buses[name]
        probes = {key: probe for key, probe in self._scenario.probes.items() if probe.bus == name}
        slaves = BusSlaves(self._live, probes)
        return SerialPort(links / name, slaves.reply, bus.baud, bus.reply_delay_ms / 1000)

    def _periods_ms(self) -> dict[str, int]:
        if self._publisher is None:
            return {}
        return {
            name: round(probe.every_s * 1000)
            for name, probe in self._scenario.probes.items()
            if self._scenario.buses[probe.bus].kind == "mqtt"
        }
