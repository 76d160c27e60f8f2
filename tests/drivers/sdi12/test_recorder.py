"""Retries, waits and the order of commands against a clock that the test moves.

Times and orders are those of SDI-12 version 1.4, 7.0 to 7.2 and 4.4.6 to 4.4.8. Not tried here: the length
of a break on a real wire and the tolerance of 0.4 ms.
"""

import itertools

import pytest

from drivers.errors import GarbledAnswerError, NoAnswerError, RefusedError
from drivers.sdi12.recorder import Recorder
from drivers.sdi12.telegram import Promise
from tests.rigs.parts.sdi12_sensor import CHARACTER_S, MovedLine, Sensor


def said(line):
    return [what for _, what in line.log]


def test_silence_is_asked_three_times_three_with_breaks_between():
    line = MovedLine()
    with pytest.raises(NoAnswerError, match="who makes the break"):
        Recorder(line).start("0", "M", False)
    assert said(line) == ["break", "0M!", "0M!", "0M!"] * 3
    times = [at_s for at_s, _ in line.log]
    for outer in range(0, 12, 4):
        begun = times[outer] + 0.012 + 0.00833
        sent = times[outer + 1 : outer + 4]
        assert sent[0] == pytest.approx(begun)
        for sooner, later in itertools.pairwise(sent):
            assert 0.01667 <= later - (sooner + 3 * CHARACTER_S) <= 0.087
        assert sent[-1] - times[outer] > 0.100, "one of them more than 100 ms after the break"


@pytest.mark.parametrize("silent", [1, 2, 3, 8])
def test_an_answer_to_a_later_try_is_enough(silent):
    left = [silent]

    def spoil(_what, answer):
        left[0] -= 1
        return None if left[0] >= 0 else answer

    line = MovedLine(Sensor(spoil=spoil))
    assert Recorder(line).start("0", "M", False) == Promise(0, 1)
    assert said(line).count("0M!") == silent + 1
    assert said(line).count("break") == 1 + silent // 3


@pytest.mark.parametrize(
    "bad", [lambda a: a[:-1] + b"x", lambda a: b"1" + a[1:], lambda a: a + b"+", lambda a: b"\xff" + a]
)
def test_what_is_garbled_once_is_asked_again(bad):
    turns = []

    def spoil(what, answer):
        turns.append(what)
        return bad(answer) if turns.count(what) == 1 and what == "D0" else answer

    line = MovedLine(Sensor(spoil=spoil))
    recorder = Recorder(line)
    promised = recorder.start("0", "M", True)
    assert recorder.collect("0", promised, 35, True) == [18.5]
    assert said(line) == ["break", "0MC!", "0D0!", "0D0!"]


class OneWire(MovedLine):
    """Break and commands come back: data goes both ways over one wire (SDI-12 version 1.4, 3.1)."""

    def wake(self):
        super().wake()
        self.later(0, b"\0")

    def send(self, command):
        for nth, byte in enumerate(command, start=1):
            self.later(CHARACTER_S * nth, bytes([byte]))
        super().send(command)


@pytest.mark.parametrize("within_s", [None, 1.0])
def test_what_comes_back_of_our_own_is_no_answer(within_s):
    line = OneWire(Sensor())
    recorder = Recorder(line, within_s)
    assert recorder.identify("0").version == 14
    assert recorder.collect("0", recorder.start("0", "M", True), 35, True) == [18.5]
    assert said(line) == ["break", "0I!", "0MC!", "0D0!"]
    assert recorder.stray == b""
    with pytest.raises(NoAnswerError):
        Recorder(OneWire(), within_s).identify("0")


def test_the_answer_ends_before_it_is_asked_again():
    """Bytes in pieces 40 ms apart, as behind a slow adapter."""
    line = MovedLine()
    for i, byte in enumerate(b"0+1.5xx\r\n"):
        line.later(0.065 + 0.04 * i, bytes([byte]))
    with pytest.raises(NoAnswerError):
        Recorder(line).read("0", "R0", True)
    sent = [at_s for at_s, what in line.log if what in {"0R0!", "0RC0!"}]
    assert sent[1] > 100 + 0.065 + 0.04 * 8


def test_a_service_request_ends_the_wait():
    line = MovedLine(Sensor(seconds=30, ready_s=4.0))
    recorder = Recorder(line)
    promised = recorder.start("0", "M", False)
    begun = line.now_s()
    recorder.await_service("0", promised)
    assert line.now_s() - begun == pytest.approx(4.0, abs=0.1)
    assert recorder.collect("0", promised, 35, False) == [18.5]
    assert said(line) == ["break", "0M!", "break", "0D0!"], "a break before the values are fetched"


def test_without_a_service_request_the_whole_time_is_waited_in_silence():
    line = MovedLine(Sensor(seconds=30))
    recorder = Recorder(line)
    promised = recorder.start("0", "M", False)
    begun = line.now_s()
    recorder.await_service("0", promised)
    assert line.now_s() - begun == pytest.approx(30, abs=0.001)
    assert said(line) == ["break", "0M!"], "nobody speaks while it measures"
    assert recorder.collect("0", promised, 35, False) == [18.5]


def test_noise_is_no_service_request():
    line = MovedLine(Sensor(seconds=10))
    recorder = Recorder(line)
    promised = recorder.start("0", "M", False)
    line.later(2, b"1\r\n")
    line.later(3, b"\xff\x00")
    begun = line.now_s()
    recorder.await_service("0", promised)
    assert line.now_s() - begun == pytest.approx(10, abs=0.001)


def test_values_are_fetched_until_all_are_there():
    line = MovedLine(Sensor(readings=("+1+2-3", "+4.5+5", "-6")))
    recorder = Recorder(line)
    promised = recorder.start("0", "M", True)
    assert promised.values == 6
    assert recorder.collect("0", promised, 35, True) == [1, 2, -3, 4.5, 5, -6]
    assert said(line) == ["break", "0MC!", "0D0!", "0D1!", "0D2!"], "awake: no break between"


def test_a_measurement_that_was_broken_off_is_no_empty_answer():
    sensor = Sensor()
    line = MovedLine(sensor)
    recorder = Recorder(line)
    promised = recorder.start("0", "M", False)
    sensor.measuring = None
    with pytest.raises(RefusedError, match="broken its measurement off"):
        recorder.collect("0", promised, 35, False)


def test_more_values_than_promised_are_not_taken():
    line = MovedLine(Sensor(readings=("+1+2+3",)))
    recorder = Recorder(line)
    recorder.start("0", "M", False)
    with pytest.raises(GarbledAnswerError, match="3 values came where 2"):
        recorder.collect("0", Promise(0, 2), 35, False)


@pytest.mark.parametrize(("still_s", "breaks"), [(0.05, 1), (0.080, 1), (0.095, 2)])
def test_a_break_after_87_ms_of_silence(still_s, breaks):
    line = MovedLine(Sensor())
    recorder = Recorder(line)
    promised = recorder.start("0", "M", False)
    line.time_s += still_s
    recorder.collect("0", promised, 35, False)
    assert said(line).count("break") == breaks


def test_a_break_before_another_probe():
    line = MovedLine(Sensor("0"), Sensor("1"))
    recorder = Recorder(line)
    recorder.identify("0")
    recorder.identify("1")
    assert said(line) == ["break", "0I!", "break", "1I!"]


def test_an_answer_to_the_first_try_is_not_taken_for_that_to_a_later_command():
    """The first D0 is answered late, in the time of the second; one answer would pass for that to D1."""
    line = MovedLine()
    recorder = Recorder(line)
    line.later(0.12, b"0+1\r\n")
    line.later(0.20, b"0+1\r\n")
    with pytest.raises(GarbledAnswerError, match="answered twice"):
        recorder.collect("0", Promise(0, 2), 35, False)


@pytest.mark.parametrize("latency_s", [0.02, 0.35, 0.9])
def test_what_an_adapter_hands_on_twice_is_not_taken_for_the_next_values(latency_s):
    line = MovedLine()
    recorder = Recorder(line, answers_within_s=1.0)
    line.later(0.05 + latency_s, b"0+1\r\n")
    line.later(0.05 + latency_s + 0.01, b"0+1\r\n")
    line.later(0.05 + 2 * latency_s, b"0+2\r\n")
    with pytest.raises(GarbledAnswerError, match="answered twice"):
        recorder.collect("0", Promise(0, 2), 35, False)


def test_behind_an_adapter_one_try_and_its_own_time_out():
    line = MovedLine()
    with pytest.raises(NoAnswerError):
        Recorder(line, answers_within_s=1.5).identify("0")
    assert said(line) == ["break", "0I!"]
    assert line.now_s() == pytest.approx(100 + 0.02033 + 3 * CHARACTER_S + 1.5)
