"""A Modbus bus on real pseudo-terminals: pymodbus as the probes, or a peer that misbehaves on purpose.

All readings are invented.
"""

import contextlib
import os
import random
import re
import struct
import threading
import time
from itertools import pairwise

import pytest
import serial
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.errors import SetupError
from drivers.modbus import Register, silence_s
from drivers.modbus_bus import ModbusBus, ModbusProbe
from drivers.rtu_wire import SerialLine
from drivers.unit import LEAST_REST_MS
from tests.rigs.emitted import Emitted, running
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame, pymodbus_line
from tests.rigs.parts.system_clock import SystemClock

HOLDING, INPUT = 3, 4
TEMPERATURE = Register("temperature", INPUT, 0, "int16", scale=0.01)


class RecordingClock(SystemClock):
    """The machine's time, and a list of the moments that somebody waited for."""

    def __init__(self):
        super().__init__()
        self.awaited = []

    def wait(self, stop, until_ms):
        self.awaited.append(until_ms)
        return super().wait(stop, until_ms)


@pytest.fixture
def emitted():
    return Emitted()


@pytest.fixture
def line(tmp_path):
    line = PtyLine(tmp_path / "line")
    yield line
    line.unplug()


def probe(name="kreisel-1", unit_id=1, every_ms=20, registers=(TEMPERATURE,)):
    return ModbusProbe(name, unit_id, every_ms, tuple(registers))


def bus(path, probes, emitted, timeout_ms=150, retries=2, baud=19200, scale=1):
    """A bus whose polls and rests pass `scale` times as fast; the wire keeps its own time."""
    settings = SerialLine(str(path), baud, timeout_ms=timeout_ms, retries=retries)
    return ModbusBus("rail", settings, tuple(probes), SystemClock(scale), emitted)


def asked(request):
    """Return unit, function, address and count of a request, by the standard's layout."""
    return struct.unpack(">BBHH", request[:6])


def device(unit_id, holding=(), inputs=()):
    unused = [SimData(900, values=0, datatype=DataType.INT16)]
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    return SimDevice(unit_id, (bits, bits, list(holding) or unused, list(inputs) or unused))


class TestWithPymodbus:
    def test_several_probes_with_all_kinds_of_registers(self, tmp_path, emitted):
        first = device(
            3,
            holding=[
                SimData(10, values=17.5, datatype=DataType.FLOAT32),
                SimData(12, values=48.25, datatype=DataType.FLOAT64),
            ],
            inputs=[SimData(0, values=[812, 65000], datatype=DataType.UINT16)],
        )
        second = device(
            200,
            inputs=[
                SimData(7, values=-1234, datatype=DataType.INT16),
                SimData(100, values=-70000, datatype=DataType.INT32),
            ],
        )
        probes = [
            probe(
                "tray",
                3,
                registers=[
                    Register("oxygen", INPUT, 0, "uint16", scale=0.01),
                    Register("oxygen_saturation", INPUT, 1, "uint16", scale=0.001, offset=1.0),
                    Register("conductivity", HOLDING, 12, "float64"),
                    Register("temperature", HOLDING, 10, "float32"),
                ],
            ),
            probe(
                "dish",
                200,
                registers=[
                    Register("temperature", INPUT, 7, "int16", scale=0.01),
                    Register("salinity", INPUT, 100, "int32", scale=-0.0005),
                ],
            ),
        ]
        with (
            pymodbus_line(tmp_path, [first, second]) as path,
            running(bus(path, probes, emitted, timeout_ms=400)),
        ):
            emitted.wait_for(lambda e: e.values("salinity") and len(e.values("oxygen_saturation")) > 1)
        assert emitted.troubles == []
        tray = [r for r in emitted.readings if r.probe == "tray"][:4]
        assert [r.quantity for r in tray] == ["temperature", "conductivity", "oxygen", "oxygen_saturation"]
        assert [r.value for r in tray] == pytest.approx([17.5, 48.25, 8.12, 66.0])
        assert len({r.time_ms for r in tray}) == 1
        assert emitted.values("temperature", "dish")[0] == pytest.approx(-12.34)
        assert emitted.values("salinity", "dish")[0] == pytest.approx(35.0)

    def test_a_missing_register_is_refused_and_the_others_still_read(self, tmp_path, emitted):
        known = device(1, inputs=[SimData(0, values=1850, datatype=DataType.INT16)])
        registers = [Register("oxygen", INPUT, 40, "uint16"), TEMPERATURE]
        with (
            pymodbus_line(tmp_path, [known]) as path,
            running(bus(path, [probe(registers=registers)], emitted, timeout_ms=400)),
        ):
            emitted.wait_for(lambda e: e.values("temperature") and e.troubles)
        assert emitted.values("temperature")[0] == pytest.approx(18.5)
        trouble = emitted.troubles[0]
        assert (trouble.kind, trouble.bus, trouble.probe) == ("refused", "rail", "kreisel-1")
        assert "illegal data address" in trouble.text
        assert "input registers 40 to 40" in trouble.text
        assert trouble.raw[:3] == bytes([1, 0x84, 2])

    def test_a_bridge_that_is_refused_is_taken_down(self, tmp_path, emitted):
        """Register 1 does not exist, so the one question over the gap becomes two."""
        gappy = device(
            1,
            inputs=[
                SimData(0, values=1850, datatype=DataType.INT16),
                SimData(2, values=812, datatype=DataType.UINT16),
            ],
        )
        registers = [TEMPERATURE, Register("oxygen", INPUT, 2, "uint16", scale=0.01)]
        bridged = ModbusProbe("kreisel-1", 1, 200, tuple(registers), bridge=1)
        with (
            pymodbus_line(tmp_path, [gappy]) as path,
            running(bus(path, [bridged], emitted, timeout_ms=400)),
        ):
            emitted.wait_for(lambda e: len(e.values("oxygen")) > 2 and len(e.values("temperature")) > 2)
        assert emitted.kinds() == ["refused"]
        assert "input registers 0 to 2" in emitted.troubles[0].text
        assert set(emitted.values("temperature")) == {18.5}
        assert emitted.values("oxygen")[0] == pytest.approx(8.12)

    def test_a_float_without_measurement_is_trouble_not_a_reading(self, tmp_path, emitted):
        broken = device(
            1,
            holding=[SimData(0, values=[float("nan"), 21.5], datatype=DataType.FLOAT32)],
        )
        registers = [
            Register("oxygen", HOLDING, 0, "float32"),
            Register("temperature", HOLDING, 2, "float32"),
        ]
        with (
            pymodbus_line(tmp_path, [broken]) as path,
            running(bus(path, [probe(registers=registers)], emitted, timeout_ms=400)),
        ):
            emitted.wait_for(lambda e: e.values("temperature") and e.troubles)
        assert emitted.values("temperature")[0] == 21.5
        assert emitted.values("oxygen") == []
        assert emitted.kinds()[0] == "payload"


class TestBrokenAnswers:
    GOOD = answer_frame(1, INPUT, 1900)

    @pytest.mark.parametrize(
        ("answer", "kind", "words"),
        [
            (GOOD[:-3], "garbled", "cut off after 4 of 7"),
            (GOOD[:3] + bytes([GOOD[3] ^ 0x10]) + GOOD[4:], "garbled", "checksum"),
            (answer_frame(2, INPUT, 1900), "garbled", "unit 2 answered"),
            (answer_frame(1, HOLDING, 1900), "garbled", "answered function 3"),
            (b"", "timeout", "no answer within 120 ms"),
        ],
    )
    def test_each_is_tried_again_then_told_with_its_bytes(self, line, emitted, answer, kind, words):
        with (
            Peer(line, lambda request: answer) as peer,
            running(bus(line.path, [probe(every_ms=60_000)], emitted, timeout_ms=120, scale=5)),
        ):
            emitted.wait_for(lambda e: e.troubles)
        trouble = emitted.troubles[0]
        assert (trouble.kind, trouble.probe, trouble.raw) == (kind, "kreisel-1", answer)
        assert words in trouble.text
        assert "\n" not in trouble.text
        assert len(peer.requests) == 3
        assert emitted.readings == []

    def test_one_bad_answer_costs_nothing_but_a_retry(self, line, emitted):
        answers = iter([self.GOOD[:-1] + b"\x00", self.GOOD])
        with (
            Peer(line, lambda request: next(answers, self.GOOD)),
            running(bus(line.path, [probe()], emitted)),
        ):
            emitted.wait_for(lambda e: e.readings)
        assert emitted.values("temperature")[0] == pytest.approx(19.0)
        assert emitted.troubles == []

    def test_a_refusal_is_not_asked_again_at_once(self, line, emitted):
        refusal = bytes.fromhex("01 84 02 C2 C1")  # published exception layout; CRC by pymodbus
        with (
            Peer(line, lambda request: refusal) as peer,
            running(bus(line.path, [probe(every_ms=60_000)], emitted, retries=2)),
        ):
            emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds() == ["refused"]
        assert len(peer.requests) == 1

    def test_a_second_answer_to_one_question_is_thrown_away_and_told(self, line, emitted):
        with (
            Peer(line, lambda request: self.GOOD + answer_frame(1, INPUT, 3000)),
            running(bus(line.path, [probe()], emitted, scale=5)),
        ):
            emitted.wait_for(lambda e: len(e.readings) > 2)
        assert set(emitted.values("temperature")) == {19.0}
        assert set(emitted.kinds("kreisel-1")) == {"late"}
        assert "once too often" in emitted.troubles[0].text
        # What answers twice is left alone as after a failure: nobody knows which answer is to what.
        times = [r.time_ms for r in emitted.readings]
        assert all(later - sooner >= LEAST_REST_MS for sooner, later in pairwise(times))

    def test_bytes_that_fit_no_question_are_thrown_away_and_told(self, line, emitted):
        with (
            Peer(line, lambda request: b"\x00\x55" + self.GOOD + b"\xaa"),
            running(bus(line.path, [probe(every_ms=200)], emitted)),
        ):
            emitted.wait_for(lambda e: len(e.readings) > 5 and e.troubles)
        assert set(emitted.values("temperature")) == {19.0}
        trouble = emitted.troubles[0]
        assert (trouble.kind, trouble.probe, trouble.raw) == ("late", None, b"\x00\x55\xaa")
        assert "3 bytes came that nobody had asked for" in trouble.text

    def test_a_line_that_never_falls_silent_is_told(self, line, emitted):
        quiet = threading.Event()

        def chatter():
            while not quiet.wait(0.003):
                os.write(line.master, b"\x55")

        noise = threading.Thread(target=chatter)
        noise.start()
        try:
            with running(bus(line.path, [probe()], emitted, timeout_ms=40, retries=0)):
                emitted.wait_for(lambda e: any("never falls silent" in t.text for t in e.troubles))
        finally:
            quiet.set()
            noise.join()
        assert set(emitted.kinds()) == {"garbled"}
        assert emitted.readings == []


class TestLateAnswers:
    def test_a_late_answer_is_never_taken_for_that_of_a_later_request(self, line, emitted):
        """Both registers are answered by frames of the same unit, function and length."""
        timeout_ms = 400
        registers = [TEMPERATURE, Register("oxygen", INPUT, 50, "int16", scale=0.01)]
        # Lateness of the first answers, in timeouts. Taken at face value, the second would arrive when
        # the oxygen register is asked for.
        lateness = iter([1.25, 1.1, 1.25])

        def answer(request):
            unit, function, address, _ = asked(request)
            frame = answer_frame(unit, function, 1900 if address == 0 else 700)
            if late := next(lateness, None):
                peer.send_after(late * timeout_ms / 1000, frame)
                return None
            return frame

        with (
            Peer(line, answer) as peer,
            running(bus(line.path, [probe(registers=registers)], emitted, timeout_ms, retries=1)),
        ):
            emitted.wait_for(lambda e: len(e.values("oxygen")) > 2)
        assert "timeout" in emitted.kinds()
        assert set(emitted.values("temperature")) == {19.0}
        assert set(emitted.values("oxygen")) == {7.0}

    def test_a_late_answer_that_comes_while_another_probe_is_asked_ends_the_rest_at_once(self, line, emitted):
        timeout_ms, lateness = 150, iter([1.5])

        def answer(request):
            unit, function, _, _ = asked(request)
            frame = answer_frame(unit, function, 100 * unit)
            if unit == 1 and (late := next(lateness, None)):
                return peer.send_after(late * timeout_ms / 1000, frame)
            return frame

        with (
            Peer(line, answer) as peer,
            running(bus(line.path, [probe("a", 1), probe("b", 2)], emitted, timeout_ms)),
        ):
            emitted.wait_for(lambda e: e.values("temperature", "a"))
        (late,) = [it for it in emitted.troubles if it.kind == "late"]
        first = next(it for it in emitted.readings if it.probe == "a")
        between = [it for it in emitted.readings if late.time_ms < it.time_ms < first.time_ms]
        assert len(between) < 10  # a rest of two seconds has room for ninety

    def test_three_blocks_of_one_shape_are_never_mixed_up_by_late_answers(self, tmp_path):
        """Each answer fits each of the three questions; every eighth comes 0.7 to 1.5 s late."""
        with contextlib.ExitStack() as stack:
            slaves = [stack.enter_context(late_slave(tmp_path / str(seed), seed)) for seed in range(4)]
            for _, sent, emitted in slaves:
                emitted.wait_for(lambda e: len(e.readings) >= LATE_READINGS / 4, LATE_READINGS)
                emitted.wait_for(lambda e, sent=sent: e.kinds().count("late") >= len(sent))
        readings = [reading for *_, emitted in slaves for reading in emitted.readings]
        assert len(readings) >= LATE_READINGS
        assert [r for r in readings if r.value != BLOCKS[r.quantity]] == []
        assert sum(len(sent) for _, sent, _ in slaves) >= LATE_READINGS / 16
        for *_, emitted in slaves:
            late = [t for t in emitted.troubles if t.kind == "late"]
            assert {t.probe for t in late} == {"kreisel-1"}
            assert all("after the question" in t.text and len(t.raw) == 9 for t in late)

    def test_answers_that_are_nearly_too_late_are_told_with_what_to_set(self, line, emitted):
        def answer(request):
            peer.send_after(0.26, answer_frame(1, INPUT, 1900))

        with (
            Peer(line, answer) as peer,
            running(bus(line.path, [probe(every_ms=1000)], emitted, timeout_ms=320)),
        ):
            emitted.wait_for(lambda e: "slow" in e.kinds() and e.readings)
        slow = next(t for t in emitted.troubles if t.kind == "slow")
        assert slow.probe == "kreisel-1"
        assert re.search(r"answers after 2\d\d ms, near the 320 ms of timeout_ms; set it to 5\d\d", slow.text)


LATE_READINGS = int(os.environ.get("BELLWATCH_TEST_LATE_READINGS", "100"))
BLOCKS = {"temperature": 18.5, "oxygen": 7.25, "salinity": 31.0}


@contextlib.contextmanager
def late_slave(folder, seed):
    """A bus with three float32 blocks at a slave that is sometimes late; gives its lateness and what came."""
    folder.mkdir()
    dice, sent, emitted = random.Random(seed), [], Emitted()
    values = dict(zip((0, 10, 20), BLOCKS.values(), strict=True))
    registers = [
        Register(name, INPUT, address, "float32") for address, name in zip(values, BLOCKS, strict=True)
    ]
    line = PtyLine(folder / "line")

    def answer(request):
        unit, function, address, count = asked(request)
        assert count == 2
        frame = answer_frame(unit, function, *struct.unpack(">HH", struct.pack(">f", values[address])))
        if dice.random() > 0.125:
            return frame
        sent.append(dice.uniform(0.7, 1.5))
        peer.send_after(sent[-1], frame)
        return None

    with (
        Peer(line, answer) as peer,
        running(bus(line.path, [probe(registers=registers)], emitted, timeout_ms=300, retries=2)),
    ):
        yield line, sent, emitted
    line.unplug()


@contextlib.contextmanager
def faulty_fourth(folder, fault, every_ms):
    """A bus with three probes that answer as they should and a fourth that does not; gives what comes."""
    folder.mkdir()
    line, emitted = PtyLine(folder / "line"), Emitted()
    good = {unit: answer_frame(unit, INPUT, 100 * unit) for unit in (1, 2, 3, 4)}

    def answer(request):
        unit = request[0]
        if unit != 4:
            return good[unit]
        if fault == "dribbles":
            for nth, byte in enumerate(good[4]):
                peer.send_after(0.06 * nth, bytes([byte]))
            return None
        return good[4][:-2] + b"\x00\x00" if fault == "garbles" else good[4][:4]

    probes = [probe(name, unit, every_ms) for name, unit in (("bad", 4), ("n1", 1), ("n2", 2), ("n3", 3))]
    with Peer(line, answer) as peer, running(bus(line.path, probes, emitted, timeout_ms=300, retries=2)):
        yield emitted
    line.unplug()


class TestSharingTheLine:
    def test_a_faulty_probe_leaves_its_neighbours_their_rate(self, tmp_path):
        """A line for each fault, all at once."""
        every_ms, seconds = 500, 5
        with contextlib.ExitStack() as stack:
            lines = {
                fault: stack.enter_context(faulty_fourth(tmp_path / fault, fault, every_ms))
                for fault in ("garbles", "cuts short", "dribbles")
            }
            for emitted in lines.values():
                emitted.wait_for(lambda e: e.readings)
            time.sleep(seconds)
        for fault, emitted in lines.items():
            for unit in (1, 2, 3):
                values = emitted.values("temperature", f"n{unit}")
                assert len(values) >= 0.9 * seconds * 1000 / every_ms, fault
                assert set(values) == {float(unit)}
                assert emitted.kinds(f"n{unit}") == []
            # Whether the first bytes of what dribbles in come in time hangs on the machine.
            told = {"garbled", "late"} if fault == "dribbles" else {"garbled"}
            assert told & set(emitted.kinds("bad")), fault
            assert emitted.values("temperature", "bad") == []

    def test_a_dead_probe_does_not_starve_the_others(self, line, emitted):
        alive = [probe("a", 1, every_ms=100), probe("c", 3, every_ms=150)]
        dead = probe("b", 2, every_ms=100)

        def answer(request):
            unit, function, _, _ = asked(request)
            return None if unit == 2 else answer_frame(unit, function, 100 * unit)

        with (
            Peer(line, answer) as peer,
            running(bus(line.path, [alive[0], dead, alive[1]], emitted, timeout_ms=100, retries=2)),
        ):
            emitted.wait_for(lambda e: e.kinds("b").count("timeout") >= 3)
        units = [asked(request)[0] for request in peer.requests]
        # Found dead with all its tries, then asked once each time it is due.
        assert units.count(2) in (3 + len(emitted.kinds("b")) - 1, 3 + len(emitted.kinds("b")))
        for unit in (1, 3):
            turns = [i for i, u in enumerate(units) if u == unit]
            assert len(turns) >= 3
            # Between two turns of a living probe each other one has had at most two turns, first tries aside.
            assert all(later - sooner <= 3 + 4 for sooner, later in pairwise(turns))
        assert set(emitted.values("temperature", "a")) == {1.0}
        assert set(emitted.values("temperature", "c")) == {3.0}

    def test_a_probe_that_comes_back_gets_its_retries_again(self, line, emitted):
        unanswered = {"left": 4}

        def answer(request):
            unanswered["left"] -= 1
            return None if unanswered["left"] >= 0 else answer_frame(1, INPUT, 1900)

        with (
            Peer(line, answer) as peer,
            running(bus(line.path, [probe()], emitted, scale=5)),
        ):
            emitted.wait_for(lambda e: e.readings)
            assert emitted.kinds() == ["timeout", "timeout"]
            asked_before, unanswered["left"] = len(peer.requests), 2
            emitted.wait_for(lambda e: len(peer.requests) > asked_before + 4)
            emitted.wait_for(lambda e: len(e.readings) > 3)
        assert unanswered["left"] < 0
        assert emitted.kinds() == ["timeout", "timeout"]

    def test_polls_keep_to_their_grid(self, line, emitted):
        clock = RecordingClock()
        settings = SerialLine(str(line.path), 19200, timeout_ms=60)
        with (
            Peer(line, lambda request: answer_frame(1, INPUT, 1900)),
            running(ModbusBus("rail", settings, (probe(every_ms=200),), clock, emitted)),
        ):
            emitted.wait_for(lambda e: len(e.readings) >= 12)
        due = clock.awaited
        assert all((d - due[0]) % 200 == 0 for d in due)
        assert all(later > sooner for sooner, later in pairwise(due))
        assert all(r.time_ms >= d for d, r in zip(due, emitted.readings, strict=False))

    @pytest.mark.parametrize(
        ("baud", "wanted_s"),
        # 3.5 characters of 11 bits; fixed above 19200 baud (MODBUS over Serial Line V1.02, 2.5.1.1)
        [(1200, 0.032_083), (9600, 0.004_010), (19200, 0.002_005), (38400, 0.001_75), (115200, 0.001_75)],
    )
    def test_silence_between_frames(self, baud, wanted_s):
        assert silence_s(baud) == pytest.approx(wanted_s, abs=1e-6)

    def test_the_silence_is_kept_on_the_line(self, line, emitted):
        registers = [Register("temperature", INPUT, 10 * i, "int16") for i in range(4)]
        with (
            Peer(line, lambda request: answer_frame(1, INPUT, 1900)) as peer,
            running(bus(line.path, [probe(registers=registers)], emitted, timeout_ms=500, baud=1200)),
        ):
            emitted.wait_for(lambda e: len(e.readings) >= 12)
        assert len(peer.gaps_s) >= 8
        assert min(peer.gaps_s) >= 0.032


class TestThePort:
    def test_missing_at_start_is_said_once_and_opened_when_it_comes(self, tmp_path, emitted):
        path = tmp_path / "line"
        with running(bus(path, [probe()], emitted)):
            emitted.wait_for(lambda e: e.troubles)
            line = PtyLine(path)
            with Peer(line, lambda request: answer_frame(1, INPUT, 1900)):
                emitted.wait_for(lambda e: e.readings)
        line.unplug()
        assert emitted.kinds() == ["port"]
        trouble = emitted.troubles[0]
        assert trouble.probe is None
        assert str(path) in trouble.text
        assert "plugged in" in trouble.text

    def test_unplugged_and_plugged_in_again(self, line, emitted):
        def good(request):
            return answer_frame(1, INPUT, 1900)

        with running(bus(line.path, [probe()], emitted)) as thread:
            with Peer(line, good):
                emitted.wait_for(lambda e: e.readings)
            line.unplug()
            emitted.wait_for(lambda e: "port" in e.kinds())
            emitted.wait_for(lambda e: any("plugged in" in t.text for t in e.troubles))
            line.plug()
            before = len(emitted.readings)
            with Peer(line, good):
                emitted.wait_for(lambda e: len(e.readings) > before + 2)
            assert thread.is_alive()
        assert set(emitted.kinds()) <= {"port", "timeout"}
        assert emitted.kinds().count("port") <= 2

    def test_each_unplugging_is_told(self, line, emitted):
        with running(bus(line.path, [probe()], emitted)):
            for times in (1, 2):
                before = len(emitted.readings)
                with Peer(line, lambda request: answer_frame(1, INPUT, 1900)):
                    emitted.wait_for(lambda e, before=before: len(e.readings) > before)
                line.unplug()
                line.plug()
                emitted.wait_for(
                    lambda e, times=times: [t.text for t in e.troubles if "Input/output" in t.text][
                        times - 1 :
                    ]
                )

    def test_a_port_in_use_is_named_as_such(self, line, emitted):
        with serial.Serial(str(line.path), exclusive=True), running(bus(line.path, [probe()], emitted)):
            emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds() == ["port"]
        assert "another program has it open" in emitted.troubles[0].text

    def test_stopping_does_not_wait_for_the_next_poll(self, line, emitted):
        with (
            Peer(line, lambda request: answer_frame(1, INPUT, 1900)),
            running(bus(line.path, [probe(every_ms=3_600_000)], emitted)),
        ):
            emitted.wait_for(lambda e: e.readings)
            asked_to_stop = time.monotonic()
        assert time.monotonic() - asked_to_stop < 10

    def test_what_is_unexpected_ends_the_run(self, line):
        def emit(item):
            raise LookupError("the journal is gone")

        with Peer(line, lambda request: answer_frame(1, INPUT, 1900)):
            driver = bus(line.path, [probe()], emit)
            with pytest.raises(LookupError), running(driver) as thread:
                thread.join(20)


class TestSetup:
    @pytest.mark.parametrize("unit_id", [256, -1])
    def test_unit_ids_outside_the_standard(self, unit_id):
        with pytest.raises(SetupError, match="0 to 255"):
            probe(unit_id=unit_id)

    @pytest.mark.parametrize(
        "wrong", [{"parity": "mark"}, {"stop_bits": 3}, {"baud": 0}, {"timeout_ms": 0}, {"retries": -1}]
    )
    def test_impossible_lines(self, wrong):
        with pytest.raises(SetupError, match="must be"):
            SerialLine("/dev/null", **wrong)

    def test_nothing_to_poll(self, emitted):
        with pytest.raises(SetupError, match="no probes"):
            bus("/dev/null", [], emitted)
        with pytest.raises(SetupError, match="no registers"):
            probe(registers=())
        with pytest.raises(SetupError, match="above 0"):
            probe(every_ms=0)
