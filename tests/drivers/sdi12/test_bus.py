"""SDI-12 probes behind an adapter on a pseudo-terminal. All readings are invented."""

import time

import pytest

from drivers.errors import SetupError
from drivers.ports.serial_port import SerialWay
from drivers.sdi12.bus import Sdi12Bus, Sdi12Probe, Sdi12Value
from tests.rigs.emitted import Emitted, running
from tests.rigs.parts.pty_pair import PtyLine
from tests.rigs.parts.sdi12_sensor import Sensor, SensorsOnPty
from tests.rigs.parts.system_clock import SystemClock

TEMPERATURE = Sdi12Value("temperature", 1)


@pytest.fixture
def emitted():
    return Emitted()


@pytest.fixture
def line(tmp_path):
    line = PtyLine(tmp_path / "line")
    yield line
    line.unplug()


def probe(address="0", values=(TEMPERATURE,), every_ms=100, crc=True):
    return Sdi12Probe(f"p{address}", address, every_ms, tuple(values), crc)


def bus(line, probes, emitted, within_ms=250, retries=2, scale=1):
    way = SerialWay(str(line.path), 9600)
    return Sdi12Bus("sdi", way, tuple(probes), SystemClock(scale), emitted, within_ms, retries)


def test_measured_concurrent_and_continuous_values(line, emitted):
    sensors = (
        Sensor("0", readings=("+18.5-2", "+31.25")),
        Sensor("a", long=("+7.25+99",), seconds=1),
        Sensor("Z", long=("-4.5",)),
    )
    probes = [
        probe("0", [Sdi12Value("salinity", 3), Sdi12Value("temperature", 1, scale=2, offset=1)]),
        probe("a", [Sdi12Value("oxygen", 1, "C")]),
        probe("Z", [Sdi12Value("temperature", 1, "R3")]),
    ]
    with SensorsOnPty(line, *sensors) as far, running(bus(line, probes, emitted)):
        emitted.wait_for(
            lambda e: e.values("oxygen") and e.values("salinity") and e.values("temperature", "pZ")
        )
    assert emitted.troubles == []
    assert emitted.values("temperature", "p0")[0] == 38.0
    assert emitted.values("salinity")[0] == 31.25
    assert emitted.values("oxygen")[0] == 7.25
    assert emitted.values("temperature", "pZ")[0] == -4.5
    assert [r.quantity for r in emitted.readings if r.probe == "p0"][:2] == ["temperature", "salinity"]
    first, second = far.commands.index("aCC!"), far.commands.index("aD0!")
    assert any(it.startswith(("0", "Z")) for it in far.commands[first:second]), "others are asked meanwhile"
    assert not any(it.startswith("a") for it in far.commands[first + 1 : second]), (
        "but never the same address"
    )


def test_a_probe_without_crc_is_told_what_to_set_and_works_then(line, emitted):
    with SensorsOnPty(line, Sensor(version="12")):
        with running(bus(line, [probe()], emitted, scale=10)):
            emitted.wait_for(lambda e: e.troubles)
        assert emitted.kinds() == ["refused"]
        assert "SDI-12 1.2" in emitted.troubles[0].text
        assert "crc = false" in emitted.troubles[0].text
        with running(bus(line, [probe(crc=False)], emitted)):
            emitted.wait_for(lambda e: e.readings)


def test_a_dead_probe_leaves_its_neighbours_their_rate(line, emitted):
    with (
        SensorsOnPty(line, Sensor("1")),
        running(bus(line, [probe("0"), probe("1", every_ms=200)], emitted)),
    ):
        emitted.wait_for(lambda e: "timeout" in e.kinds("p0"))
        begun, before = time.monotonic(), len(emitted.readings)
        time.sleep(4)
        assert len(emitted.readings) - before >= 0.8 * (time.monotonic() - begun) / 0.2
    assert emitted.kinds("p1") == []
    assert "check power, wiring, address" in emitted.troubles[0].text


@pytest.mark.parametrize("fault", ["garbles", "cuts short", "promises more", "aborts"])
def test_what_misbehaves_is_told_and_gives_no_reading(line, emitted, fault):
    def spoil(what, answer):
        if what[0] != "D":
            return answer.replace(b"0001", b"0003") if fault == "promises more" else answer
        return {
            "garbles": bytes([answer[0], answer[1] ^ 1]) + answer[2:],
            "cuts short": answer[:-2],
            "promises more": answer,
            "aborts": answer[:1],
        }[fault]

    with (
        SensorsOnPty(line, Sensor("0", spoil=spoil), Sensor("1")),
        running(bus(line, [probe("0"), probe("1")], emitted, scale=5)),
    ):
        emitted.wait_for(lambda e: e.kinds("p0") and len(e.values("temperature", "p1")) > 5)
    assert emitted.values("temperature", "p0") == []
    assert set(emitted.kinds("p0")) <= {"garbled", "refused"}
    assert "INVENTED WATER1" in emitted.troubles[0].text
    assert emitted.kinds("p1") == []


def test_a_dribbler_and_a_chatterer_come_to_an_end(line, emitted):
    def spoil(what, answer):
        return answer if what[0] == "I" else answer * 200

    with (
        SensorsOnPty(line, Sensor("0", spoil=spoil), Sensor("1")),
        running(bus(line, [probe("0"), probe("1")], emitted, scale=5)),
    ):
        emitted.wait_for(lambda e: "garbled" in e.kinds("p0") and len(e.values("temperature", "p1")) > 5)
    assert emitted.values("temperature", "p0") == []
    assert all(len(t.raw) <= 256 for t in emitted.troubles)


def test_a_late_answer_is_never_taken_for_that_to_a_later_question(line, emitted):
    """Every third answer to D0 comes later than the time-out; the value counts the measurements."""
    count = [0]

    class Counting(Sensor):
        def _answer(self, what, now):
            if what[0] == "M":
                count[0] += 1
                self.readings = (f"+{count[0]}", f"-{count[0]}")
            return super()._answer(what, now)

    asked = [0]

    def delay_s(command):
        asked[0] += command == "0D0!"
        return 0.4 if command == "0D0!" and asked[0] % 3 == 0 else 0.0

    values = [Sdi12Value("temperature", 1), Sdi12Value("salinity", 2)]
    with (
        SensorsOnPty(line, Counting(), delay_s=delay_s),
        running(bus(line, [probe(values=values, every_ms=50)], emitted)),
    ):
        emitted.wait_for(lambda e: len(e.values("salinity")) >= 8 and "late" in e.kinds(), 40)
    for one, other in zip(emitted.values("temperature"), emitted.values("salinity"), strict=False):
        assert one == -other
    assert len(set(emitted.values("temperature"))) == len(emitted.values("temperature"))


def test_near_the_time_out_is_told(line, emitted):
    with (
        SensorsOnPty(line, Sensor(), delay_s=lambda command: 0.2),
        running(bus(line, [probe()], emitted)),
    ):
        emitted.wait_for(lambda e: "slow" in e.kinds() and e.readings)
    assert "near the 250 ms of timeout_ms" in next(t.text for t in emitted.troubles if t.kind == "slow")


def test_a_value_that_does_not_come_is_told(line, emitted):
    values = [TEMPERATURE, Sdi12Value("oxygen", 4)]
    with SensorsOnPty(line, Sensor()), running(bus(line, [probe(values=values)], emitted)):
        emitted.wait_for(lambda e: e.readings and e.troubles)
    assert emitted.kinds()[0] == "payload"
    assert "1 values came on M; oxygen is to be number 4" in emitted.troubles[0].text


def test_a_measurement_that_would_keep_the_line_is_refused_and_told(line, emitted):
    """999 s is the most that a probe can promise."""
    with (
        SensorsOnPty(line, Sensor("0", seconds=999), Sensor("1")),
        running(bus(line, [probe("0"), probe("1")], emitted, scale=5)),
    ):
        emitted.wait_for(lambda e: e.kinds("p0") and len(e.values("temperature", "p1")) > 5)
    assert set(emitted.kinds("p0")) == {"refused"}
    told = emitted.troubles[0].text
    assert 'it wants the line for 999 s on M; set command = "C", during which the other probes' in told
    assert emitted.kinds("p1") == []


def test_unplugged_and_plugged_in_again(line, emitted):
    with running(bus(line, [probe()], emitted)):
        with SensorsOnPty(line, Sensor()):
            emitted.wait_for(lambda e: e.readings)
        line.unplug()
        emitted.wait_for(lambda e: "port" in e.kinds())
        line.plug()
        before = len(emitted.readings)
        with SensorsOnPty(line, Sensor()):
            emitted.wait_for(lambda e: len(e.readings) > before + 2, 40)


def test_stopping_does_not_wait_for_a_measurement(line, emitted):
    with SensorsOnPty(line, Sensor(seconds=600)), running(bus(line, [probe()], emitted)):
        time.sleep(0.5)
        begun = time.monotonic()
    assert time.monotonic() - begun < 3


def test_a_bare_line_gets_breaks(line, emitted):
    """A pseudo-terminal drops breaks; that the calls are made without an error is all that shows."""
    way = SerialWay(str(line.path), 1200, makes_break=False)
    with (
        SensorsOnPty(line, Sensor()),
        running(Sdi12Bus("sdi", way, (probe(),), SystemClock(), emitted, None)),
    ):
        emitted.wait_for(lambda e: len(e.readings) > 1)
    assert emitted.troubles == []


def test_nothing_to_poll(line, emitted):
    with pytest.raises(SetupError, match="no probes"):
        bus(line, [], emitted)
