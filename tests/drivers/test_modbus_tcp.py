"""Modbus behind gateways on real sockets: pymodbus at the other end, or a peer that misbehaves on purpose.

All readings are invented.
"""

import random
import struct
import threading
import time

import pytest
from pymodbus import FramerType
from pymodbus.framer import FramerSocket
from pymodbus.pdu.decoders import DecodePDU
from pymodbus.simulator import DataType, SimData

from drivers.errors import PortLostError
from drivers.modbus import Register, encode_read, plan_reads
from drivers.modbus_bus import ModbusBus, ModbusProbe
from drivers.modbus_tcp import GatewayLine, next_frame, numbered
from drivers.ports.serial_port import GULP_BYTES
from tests.drivers.test_modbus_bus import device
from tests.rigs.emitted import Emitted, running
from tests.rigs.parts.gateway import TcpPeer, pymodbus_gateway, requests
from tests.rigs.parts.pty_pair import answer_frame
from tests.rigs.parts.system_clock import SystemClock

HOLDING, INPUT = 3, 4
TEMPERATURE = Register("temperature", INPUT, 0, "int16", scale=0.01)
FRAMES = {"tcp": FramerType.SOCKET, "rtu": FramerType.RTU}
both = pytest.mark.parametrize("frames", FRAMES)


@pytest.fixture
def emitted():
    return Emitted()


def bus(
    port, emitted, frames="tcp", registers=(TEMPERATURE,), every_ms=20, timeout_ms=300, scale=1, units=(1,)
):
    line = GatewayLine("127.0.0.1", port, frames, timeout_ms)
    probes = tuple(ModbusProbe(f"kreisel-{unit}", unit, every_ms, tuple(registers)) for unit in units)
    return ModbusBus("gateway", line, probes, SystemClock(scale), emitted)


def answering(answer):
    """A body that answers each request `(unit, function, address, count)` of a numbered frame."""

    def body(connection):
        for request in requests(connection, threading.Event()):
            number = struct.unpack(">H", request[:2])[0]
            for reply in answer(number, *struct.unpack(">BBHH", request[6:12])):
                connection.sendall(reply)

    return body


def numbered_answer(number, unit, function, *words):
    """The frame by the guide's layout, its parts put together here."""
    body = answer_frame(unit, function, *words)[:-2]
    return struct.pack(">HHH", number, 0, len(body)) + body


class TestWithPymodbus:
    @both
    def test_all_types_and_orders(self, emitted, frames):
        values = {
            "int16": (-1234, DataType.INT16, 1),
            "uint16": (65000, DataType.UINT16, 1),
            "int32": (-70000, DataType.INT32, 2),
            "uint32": (4_000_000_000, DataType.UINT32, 2),
            "int64": (-5_000_000_000, DataType.INT64, 4),
            "uint64": (2**63, DataType.UINT64, 4),
            "float32": (17.5, DataType.FLOAT32, 2),
            "float64": (48.25, DataType.FLOAT64, 4),
        }
        data = [SimData(10 * i, values=it[0], datatype=it[1]) for i, it in enumerate(values.values())]
        # One value more, laid out by hand in each of the four orders that makers use.
        big = struct.unpack(">2H", struct.pack(">f", 21.25))
        swapped = struct.unpack(">2H", struct.pack(">f", 21.25)[1::-1] + struct.pack(">f", 21.25)[:1:-1])
        orders = {
            ("big", "big"): big,
            ("big", "little"): big[::-1],
            ("little", "big"): swapped,
            ("little", "little"): swapped[::-1],
        }
        data += [
            SimData(200 + 10 * i, values=list(words), datatype=DataType.UINT16)
            for i, words in enumerate(orders.values())
        ]
        registers = [Register(name, HOLDING, 10 * i, name) for i, name in enumerate(values)] + [
            Register(f"{byte} {word}", HOLDING, 200 + 10 * i, "float32", byte, word)
            for i, (byte, word) in enumerate(orders)
        ]
        with (
            pymodbus_gateway([device(1, holding=data)], FRAMES[frames]) as port,
            running(bus(port, emitted, frames, registers, timeout_ms=500)),
        ):
            emitted.wait_for(lambda e: len({r.quantity for r in e.readings}) == len(registers))
        for name, (value, *_) in values.items():
            assert emitted.values(name)[0] == value
        for byte, word in orders:
            assert emitted.values(f"{byte} {word}")[0] == 21.25
        assert emitted.troubles == []

    @both
    def test_a_refusal_is_told_in_words(self, emitted, frames):
        known = device(1, inputs=[SimData(0, values=1850, datatype=DataType.INT16)])
        registers = [Register("oxygen", INPUT, 40, "uint16"), TEMPERATURE]
        with (
            pymodbus_gateway([known], FRAMES[frames]) as port,
            running(bus(port, emitted, frames, registers, timeout_ms=500)),
        ):
            emitted.wait_for(lambda e: e.values("temperature") and e.troubles)
        assert emitted.values("temperature")[0] == 18.5
        assert emitted.kinds()[0] == "refused"
        assert "illegal data address" in emitted.troubles[0].text

    def test_a_gateway_that_goes_and_comes_is_told_once_and_used_again(self, emitted):
        known = [device(1, inputs=[SimData(0, values=1850, datatype=DataType.INT16)])]
        with pymodbus_gateway(known) as port:
            pass
        with running(bus(port, emitted)):
            emitted.wait_for(lambda e: e.troubles)
            with pymodbus_gateway(known, port=port):
                emitted.wait_for(lambda e: e.readings)
            emitted.wait_for(lambda e: len(e.troubles) > 1)
        assert set(emitted.kinds()) == {"port"}
        assert "Connection refused" in emitted.troubles[0].text
        assert str(port) in emitted.troubles[0].text


BLOCKS = {"temperature": 18.5, "oxygen": 7.25, "salinity": 31.0}


def test_a_name_that_no_gateway_can_have_is_told(emitted):
    probe = ModbusProbe("kreisel-1", 1, 20, (TEMPERATURE,))
    driver = ModbusBus("gateway", GatewayLine("a..b"), (probe,), SystemClock(), emitted)
    with running(driver):
        emitted.wait_for(lambda e: e.troubles)
    assert emitted.kinds() == ["port"]


class TestLateAnswers:
    @both
    def test_three_blocks_of_one_shape_are_never_mixed_up(self, emitted, frames):
        """Every eighth answer comes 1.1 to 4 time-outs after its question; each fits all three."""
        values = dict(zip((0, 10, 20), BLOCKS.values(), strict=True))
        registers = [Register(name, INPUT, 10 * i, "float32") for i, name in enumerate(BLOCKS)]
        dice, timers, late = random.Random(7), [], []

        def body(connection):
            for request in requests(connection, peer.over):
                head, rest = (request[:2], request[6:]) if frames == "tcp" else (b"", request)
                unit, function, address, _ = struct.unpack(">BBHH", rest[:6])
                words = struct.unpack(">HH", struct.pack(">f", values[address]))
                frame = answer_frame(unit, function, *words)
                if frames == "tcp":
                    frame = numbered_answer(*struct.unpack(">H", head), unit, function, *words)
                if dice.random() < 0.875:
                    connection.sendall(frame)
                    continue
                late.append(dice.uniform(1.1, 4) * 0.2)
                timers.append(threading.Timer(late[-1], connection.sendall, (frame,)))
                timers[-1].start()
            for timer in timers:
                timer.cancel()

        with (
            TcpPeer(body) as peer,
            running(bus(peer.port, emitted, frames, registers, timeout_ms=200)),
        ):
            emitted.wait_for(lambda e: len(e.readings) > 45 and e.kinds().count("late") >= 3, 100)
        assert [r for r in emitted.readings if r.value != BLOCKS[r.quantity]] == []

    def test_an_answer_held_back_until_the_next_question_is_never_taken_for_its_own(self, emitted):
        """A gateway with a buffer: what was late comes in one piece with the true answer, before it."""
        values = dict(zip((0, 10, 20), BLOCKS.values(), strict=True))
        registers = tuple(Register(name, INPUT, 10 * i, "float32") for i, name in enumerate(BLOCKS))
        dice = random.Random(11)

        def body(connection):
            held = b""
            for request in requests(connection, peer.over):
                unit, function, address, _ = struct.unpack(">BBHH", request[:6])
                words = struct.unpack(">HH", struct.pack(">f", values[address]))
                held += answer_frame(unit, function, *words)
                if dice.random() < 0.8:
                    connection.sendall(held)
                    held = b""

        with TcpPeer(body) as peer:
            line = GatewayLine("127.0.0.1", peer.port, "rtu", timeout_ms=60, retries=0)
            probe = ModbusProbe("kreisel-1", 1, 20, registers)
            with running(ModbusBus("gateway", line, (probe,), SystemClock(5), emitted)):
                emitted.wait_for(lambda e: len(e.readings) > 20 and "garbled" in e.kinds(), 60)
        assert [r for r in emitted.readings if r.value != BLOCKS[r.quantity]] == []
        assert "two answers" in next(t.text for t in emitted.troubles if t.kind == "garbled")

    def test_an_answer_with_the_number_of_an_earlier_question_is_not_taken(self, emitted):
        def answer(number, unit, function, _address, _count):
            yield numbered_answer(number - 1, unit, function, 9999)
            yield numbered_answer(number, unit, function, 1850)

        with TcpPeer(answering(answer)) as peer, running(bus(peer.port, emitted, scale=5)):
            emitted.wait_for(lambda e: len(e.readings) > 3 and "late" in e.kinds())
        assert set(emitted.values("temperature")) == {18.5}

    def test_near_the_time_out_is_told(self, emitted):
        def answer(number, unit, function, _address, _count):
            time.sleep(0.25)
            yield numbered_answer(number, unit, function, 1850)

        with TcpPeer(answering(answer)) as peer, running(bus(peer.port, emitted)):
            emitted.wait_for(lambda e: e.readings)
        assert "slow" in emitted.kinds()


class TestWhatMisbehaves:
    @both
    def test_a_dead_unit_leaves_its_neighbour_its_readings(self, emitted, frames):
        def body(connection):
            for request in requests(connection, peer.over):
                head, rest = (request[:2], request[6:]) if frames == "tcp" else (b"", request)
                if rest[0] == 1:
                    frame = answer_frame(1, INPUT, 1850)
                    tcp = numbered_answer(*struct.unpack(">H", head), 1, INPUT, 1850) if head else b""
                    connection.sendall(tcp or frame)

        with (
            TcpPeer(body) as peer,
            running(bus(peer.port, emitted, frames, every_ms=100, units=(9, 1), timeout_ms=200)),
        ):
            emitted.wait_for(lambda e: "timeout" in e.kinds("kreisel-9"), 30)
            emitted.wait_for(lambda e: len(e.values("temperature", "kreisel-1")) > 40)
        told = next(t for t in emitted.troubles if t.kind == "timeout")
        assert "behind the gateway" in told.text
        spent = [r.time_ms for r in emitted.readings]
        # The dead one has at most its tries, and then one part in twenty.
        assert len(spent) > 0.6 * (spent[-1] - spent[0]) / 100

    def test_no_modbus_at_all_ends_the_connection_with_what_to_set(self, emitted):
        def body(connection):
            for _ in requests(connection, peer.over):
                connection.sendall(b"HTTP/1.1 400 Bad Request\r\n")

        with TcpPeer(body) as peer, running(bus(peer.port, emitted, scale=20)):
            emitted.wait_for(lambda e: e.troubles)
            deadline = time.monotonic() + 10
            while peer.connections < 3 and time.monotonic() < deadline:
                time.sleep(0.01)
            assert peer.connections >= 3
        assert emitted.kinds() == ["port"], "said once"
        assert 'frames = "rtu"' in emitted.troubles[0].text
        assert emitted.readings == []

    @pytest.mark.parametrize("unit", [0, 255])
    def test_what_is_on_the_network_itself_is_read_by_its_unit(self, emitted, unit):
        def answer(number, asked, function, _address, _count):
            return [numbered_answer(number, asked, function, 1850)] if asked == unit else []

        with TcpPeer(answering(answer)) as peer, running(bus(peer.port, emitted, units=(unit,))):
            emitted.wait_for(lambda e: e.readings)
        assert emitted.values("temperature")[0] == 18.5

    def test_the_wrong_unit_is_garbled(self, emitted):
        def answer(number, _unit, function, _address, _count):
            yield numbered_answer(number, 7, function, 1850)

        with TcpPeer(answering(answer)) as peer, running(bus(peer.port, emitted, scale=20, timeout_ms=100)):
            emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds()[0] == "garbled"
        assert "unit 7 answered" in emitted.troubles[0].text
        assert emitted.readings == []

    @both
    def test_a_flood_is_cut_off_and_told(self, emitted, frames):
        """The peer sends as fast as the socket takes it; the driver must neither swell nor stall."""
        piece = numbered_answer(0, 1, INPUT, 1) * 300 if frames == "tcp" else b"\x55" * 4000

        def body(connection):
            while not peer.over.is_set():
                connection.sendall(piece)

        with TcpPeer(body) as peer, running(bus(peer.port, emitted, frames, scale=5)):
            emitted.wait_for(lambda e: e.troubles)
            before = time.process_time()
            time.sleep(1)
            assert time.process_time() - before < 1.5, "two threads on one processor at most"
        assert {t.kind for t in emitted.troubles} <= {"port", "garbled", "late"}
        assert emitted.readings == []

    @pytest.mark.parametrize("instead", [False, True])
    @pytest.mark.parametrize("hangs_up_on", [{1}, {1, 2}])
    def test_a_gateway_that_hangs_up_starves_no_probe_and_no_register(self, emitted, hangs_up_on, instead):
        """On some unit it hangs up after each answer, or instead of answering one question."""

        def body(connection):
            for request in requests(connection, peer.over):
                number, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", request[:12])
                if instead and unit in hangs_up_on and address == 0:
                    return
                connection.sendall(numbered_answer(number, unit, function, *([1500] * count)))
                if unit in hangs_up_on and not instead:
                    return

        two = (TEMPERATURE, Register("conductivity", INPUT, 50, "uint32", scale=0.01))
        with TcpPeer(body) as peer:
            driver = bus(peer.port, emitted, registers=two, every_ms=5_000, scale=20, units=(1, 2))
            with running(driver):
                emitted.wait_for(
                    lambda e: all(
                        len(e.values(quantity, f"kreisel-{unit}")) >= 2
                        for quantity in ("temperature", "conductivity")
                        for unit in (1, 2)
                        if not (instead and unit in hangs_up_on and quantity == "temperature")
                    )
                )

    def test_a_flood_under_the_number_of_the_question_is_cut_off(self):
        """All of it might be the answer; it is not kept and searched until the time-out."""

        def body(connection):
            number = struct.unpack(">H", connection.recv(300)[:2])[0]
            while not peer.over.is_set():
                connection.sendall(20 * numbered_answer(number, 1, HOLDING, *range(100)))

        with TcpPeer(body) as peer, GatewayLine("127.0.0.1", peer.port, timeout_ms=5_000).open() as wire:
            request = encode_read(1, plan_reads([TEMPERATURE])[0])
            heard, _ = wire.ask(request, 7, lambda _: False)
        assert len(heard) <= 3 * GULP_BYTES

    def test_a_dribbler_costs_its_time_outs_only(self, emitted):
        def body(connection):
            for request in requests(connection, peer.over):
                unit = request[6]
                frame = numbered_answer(struct.unpack(">H", request[:2])[0], unit, INPUT, 100 * unit)
                for byte in frame:
                    connection.sendall(bytes([byte]))
                    time.sleep(0.03 if unit == 2 else 0)

        with (
            TcpPeer(body) as peer,
            running(bus(peer.port, emitted, every_ms=200, timeout_ms=150, units=(1, 2))),
        ):
            emitted.wait_for(lambda e: "timeout" in e.kinds("kreisel-2"), 30)
            emitted.wait_for(lambda e: len(e.values("temperature", "kreisel-1")) > 20)
        assert set(emitted.values("temperature", "kreisel-1")) == {1.0}
        assert set(emitted.values("temperature", "kreisel-2")) <= {2.0}

    def test_a_frame_that_never_ends_costs_one_question(self, emitted):
        """It would swallow the next answers as its own bytes, some twenty, before anybody could know."""
        asked = []

        def body(connection):
            for request in requests(connection, peer.over):
                asked.append(request)
                if len(asked) == 2:
                    connection.sendall(struct.pack(">HHHB", 2, 0, 250, 1))
                connection.sendall(numbered_answer(struct.unpack(">H", request[:2])[0], 1, INPUT, 1850))

        with TcpPeer(body) as peer, running(bus(peer.port, emitted, scale=20)):
            emitted.wait_for(lambda e: len(e.readings) > 3)
        assert len(asked) <= len(emitted.readings) + 2
        assert emitted.kinds() == ["port"]
        assert "never ends" in emitted.troubles[0].text

    def test_a_silent_gateway_does_not_delay_the_stop(self, emitted):
        with (
            TcpPeer(lambda connection: list(requests(connection, peer.over))) as peer,
            running(bus(peer.port, emitted)),
        ):
            time.sleep(0.3)
            begun = time.monotonic()
        assert time.monotonic() - begun < 3


class TestFrames:
    def test_a_request_is_as_pymodbus_frames_it(self):
        """An independent implementation reads our header."""
        framer = FramerSocket(DecodePDU(True))
        frame = numbered(258, bytes([17, 3, 0, 5, 0, 2]))
        size, unit, number, data = framer.decode(frame)
        assert (size, unit, number, data) == (len(frame), 17, 258, bytes([3, 0, 5, 0, 2]))

    def test_frames_are_found_piece_by_piece(self):
        stream = numbered(1, b"\x01\x83\x02") + numbered(65535, b"\x01\x03\x02\x00\x07")
        assert next_frame(stream[:8]) is None
        assert next_frame(stream) == (1, b"\x01\x83\x02", stream[9:])

    @pytest.mark.parametrize("head", [b"\0\1\0\1\0\3", b"\0\1\0\0\0\2", b"\0\1\0\0\0\377", b"HTTP/1"])
    def test_no_frame_begins_there(self, head):
        with pytest.raises(PortLostError, match="not Modbus TCP"):
            next_frame(head)
