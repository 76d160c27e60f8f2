"""Probes that send lines, on pseudo-terminals and sockets. All readings are invented."""

import itertools
import os
import re
import select
import threading
import time

import pytest

from drivers.errors import PortLostError, SetupError
from drivers.flood import BURST
from drivers.ports.serial_port import SerialWay
from drivers.ports.tcp_port import TcpWay
from drivers.text.bus import TextBus, TextProbe
from drivers.text.line import LinePattern, TextValue
from tests.rigs.emitted import Emitted, running
from tests.rigs.parts.gateway import TcpPeer
from tests.rigs.parts.pty_pair import PtyLine
from tests.rigs.parts.system_clock import SystemClock


@pytest.fixture
def emitted():
    return Emitted()


@pytest.fixture
def line(tmp_path):
    line = PtyLine(tmp_path / "line")
    yield line
    line.unplug()


def probe(name="a", every_ms=50, pattern=r"{name}:(?P<t>[-.\d]+)", ask=b""):
    return TextProbe(
        name, every_ms, LinePattern(pattern.replace("{name}", name), (TextValue("temperature", "t"),)), ask
    )


def bus(line, probes, emitted, timeout_ms=150, retries=2, scale=1):
    return TextBus(
        "text", SerialWay(str(line.path)), tuple(probes), SystemClock(scale), emitted, timeout_ms, retries
    )


class Speaker:
    """Sends lines at the far end of a line, so many seconds apart."""

    def __init__(self, line, texts, apart_s=0.02):
        self._line, self._texts, self._apart_s = line, texts, apart_s
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._speak, name="speaker")

    def __enter__(self):
        self._thread.start()

    def __exit__(self, *exc):
        self._over.set()
        self._thread.join(20)

    def _speak(self):
        while not self._over.is_set():
            for text in self._texts:
                if select.select([], [self._line.master], [], 0.1)[1]:
                    os.write(self._line.master, text)
                if self._over.wait(self._apart_s):
                    return


class Answerer:
    """Answers each `?X\\r` by `answer(X)`: None, or bytes and after how many seconds they come."""

    def __init__(self, line, answer):
        self._line, self._answer, self.asked, self._timers = line, answer, [], []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="answerer")

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *exc):
        self._over.set()
        self._thread.join(20)
        for timer in self._timers:
            timer.cancel()
            timer.join(20)

    def _serve(self):
        pending = b""
        while not self._over.is_set():
            if select.select([self._line.master], [], [], 0.05)[0]:
                pending += os.read(self._line.master, 1024)
            while b"\r" in pending:
                question, _, pending = pending.partition(b"\r")
                self.asked.append(question[1:].decode())
                if reply := self._answer(self.asked[-1]):
                    text, after_s = reply
                    if after_s:
                        self._timers.append(threading.Timer(after_s, os.write, (self._line.master, text)))
                        self._timers[-1].start()
                    else:
                        os.write(self._line.master, text)


class MovedLine:
    """A port whose probes answer after so many seconds, with a clock that only waiting moves on."""

    name = "moved"

    def __init__(self, answers, until_s):
        self._answers, self._until_s, self._now_s, self._coming = answers, until_s, 0.0, []

    def open(self):
        return self

    def close(self):
        self._coming.clear()

    def write(self, data):
        after_s, answer = self._answers[data]
        self._coming = sorted([*self._coming, (self._now_s + after_s, answer)])

    def receive(self, until_s):
        if self._coming and self._coming[0][0] <= max(until_s, self._now_s):
            came_s, answer = self._coming.pop(0)
            self._now_s = max(self._now_s, came_s)
            if not answer:
                raise PortLostError("it hangs up")
            return answer
        self._now_s = max(self._now_s, until_s)
        return b""

    def monotonic(self):
        return self._now_s

    def now_ms(self):
        return round(1000 * self._now_s)

    def wait(self, stop, until_ms):
        self._now_s = max(self._now_s, until_ms / 1000)
        if self._now_s > self._until_s:
            stop.set()
        return stop.is_set()


class TestStreaming:
    def test_each_line_goes_to_the_probe_that_it_is_of(self, line, emitted):
        with (
            running(bus(line, [probe("a"), probe("b")], emitted)),
            Speaker(line, [b"a:18.5\r\n", b"b:7\n"]),
        ):
            emitted.wait_for(
                lambda e: len(e.values("temperature", "a")) > 3 < len(e.values("temperature", "b"))
            )
        assert set(emitted.values("temperature", "a")) == {18.5}
        assert set(emitted.values("temperature", "b")) == {7.0}
        assert emitted.troubles == []

    def test_no_more_than_is_due_is_taken(self, line, emitted):
        with running(bus(line, [probe(every_ms=500)], emitted)), Speaker(line, [b"a:18.5\n"], 0.06):
            emitted.wait_for(lambda e: len(e.readings) >= 4)
        times = [r.time_ms for r in emitted.readings]
        assert all(400 <= later - sooner < 900 for sooner, later in itertools.pairwise(times))

    def test_what_fits_no_pattern_is_told_with_its_bytes(self, line, emitted):
        with running(bus(line, [probe()], emitted)), Speaker(line, [b"a:18.5\n", b"x:1\n", b"a:1-8.5\n"]):
            emitted.wait_for(lambda e: {"garbled", "payload"} <= set(e.kinds()) and e.readings)
        assert set(emitted.values("temperature")) == {18.5}
        assert next(t for t in emitted.troubles if t.kind == "garbled").raw == b"x:1"

    def test_a_line_cut_by_our_coming_is_not_taken(self, line, emitted):
        os.write(line.master, b"a:1")
        with running(bus(line, [probe()], emitted)):
            time.sleep(0.3)
            os.write(line.master, b"8.5\na:19.5\n")
            emitted.wait_for(lambda e: e.readings)
        assert emitted.values("temperature") == [19.5]

    def test_a_flood_is_shut_out_and_listened_to_again(self, line, emitted):
        with (
            running(bus(line, [probe()], emitted, scale=30)),
            Speaker(line, [b"a:18.5\n" * 400], 0.001),
        ):
            emitted.wait_for(lambda e: e.kinds().count("refused") >= 2, 60)
            between = [r.time_ms for r in emitted.readings]
        assert "far too many lines" in emitted.troubles[0].text
        assert len(between) < 2 * BURST

    @pytest.mark.parametrize("piece", [b"\x55" * 4096, b"\xff\xfe:\x00" * 1000])
    def test_a_flood_without_end_of_line_neither_swells_nor_stalls(self, emitted, piece):
        def body(connection):
            while not peer.over.is_set():
                connection.sendall(piece)

        with TcpPeer(body) as peer:
            driver = TextBus("text", TcpWay("127.0.0.1", peer.port), (probe(),), SystemClock(), emitted)
            with running(driver):
                emitted.wait_for(lambda e: "refused" in e.kinds(), 30)
                before, connections = time.process_time(), peer.connections
                time.sleep(1)
                assert time.process_time() - before < 0.5, "it does not listen for a minute"
                assert peer.connections == connections
        assert emitted.readings == []

    def test_a_pattern_that_takes_for_ever_leaves_the_others_theirs(self, line, emitted):
        slow = probe("s", pattern=r"(?P<t>(\d|\d\d)+)")
        with (
            running(bus(line, [slow, probe("a")], emitted, scale=2)),
            Speaker(line, [b"1" * 80 + b"!\n", b"a:18.5\n"], 0.05),
        ):
            emitted.wait_for(lambda e: len(e.readings) > 20 and "payload" in e.kinds("s"), 40)
            before = time.process_time()
            time.sleep(2)
            assert time.process_time() - before < 1
        assert any("takes too long" in t.text for t in emitted.troubles)

    def test_unplugged_and_plugged_in_again(self, line, emitted):
        with running(bus(line, [probe()], emitted)):
            with Speaker(line, [b"a:18.5\n"]):
                emitted.wait_for(lambda e: e.readings)
            line.unplug()
            emitted.wait_for(lambda e: "port" in e.kinds())
            line.plug()
            before = len(emitted.readings)
            with Speaker(line, [b"a:18.5\n"]):
                emitted.wait_for(lambda e: len(e.readings) > before)


class TestPolled:
    def asked(self, *names, every_ms=50):
        return [probe(name, every_ms, ask=f"?{name}\r".encode()) for name in names]

    def test_each_is_asked_and_answers_even_behind_an_echo(self, line, emitted):
        def answer(name):
            return f"?{name}\r\n{name}:18.5\r\n".encode(), 0

        with Answerer(line, answer), running(bus(line, self.asked("a", "b"), emitted)):
            emitted.wait_for(
                lambda e: len(e.values("temperature", "a")) > 2 < len(e.values("temperature", "b"))
            )
        assert set(emitted.kinds()) == set()

    def test_a_dead_probe_leaves_its_neighbour_its_readings(self, line, emitted):
        with (
            Answerer(line, lambda name: (b"b:7\n", 0) if name == "b" else None),
            running(bus(line, self.asked("a", "b", every_ms=500), emitted, retries=0, scale=10)),
        ):
            emitted.wait_for(lambda e: e.kinds("a").count("timeout") >= 4, 60)
            times = [r.time_ms for r in emitted.readings]
        assert emitted.kinds("b") == []
        assert "check power, wiring" in emitted.troubles[0].text
        told = [t.time_ms for t in emitted.troubles]
        demoted = [it for it in times if told[2] < it < told[3]]
        assert len(demoted) > 0.7 * (told[3] - told[2]) / 500, "one part in twenty is lost to the dead one"

    def test_late_answers_are_never_taken_for_those_of_others(self, line, emitted):
        """All answers look alike; every tenth comes 1.2 to 4 time-outs after its question."""
        values, count, sent = {"a": 1, "b": 2, "c": 3}, [0], []

        def answer(name):
            count[0] += 1
            late_s = 0.15 * (1.2 + count[0] % 7 * 0.4) if count[0] % 10 == 0 else 0
            if late_s:
                sent.append(late_s)
            return f"T:{values[name]}\n".encode(), late_s

        alike = [probe(name, 50, r"T:(?P<t>\d+)", f"?{name}\r".encode()) for name in values]
        with Answerer(line, answer), running(bus(line, alike, emitted, retries=0)):
            emitted.wait_for(lambda e: len(e.readings) >= 45 and "late" in e.kinds(), 90)
        assert len(sent) >= 4
        assert [r for r in emitted.readings if r.value != values[r.probe]] == []

    @pytest.mark.parametrize("late_s", [3.9, 4.3])
    def test_a_late_answer_and_the_true_one_behind_it_are_none(self, monkeypatch, emitted, late_s):
        """Both probes have one pattern. The answer of `a` is later than any was, while `b` is asked."""
        answers = {b"?a": (late_s, b"99\n"), b"?b": (0.9, b"7\n")}
        port = MovedLine(answers, until_s=30)
        monkeypatch.setattr("drivers.text.bus.time", port)
        alike = [probe(name, 4_000, r"(?P<t>[-.\d]+)", b"?" + name.encode()) for name in "ab"]
        TextBus("text", port, tuple(alike), port, emitted, 1_000, 0).run(threading.Event())
        assert emitted.values("temperature", "b")
        assert set(emitted.values("temperature", "b")) == {7.0}

    def test_a_probe_that_always_says_two_lines_is_read_all_the_same(self, monkeypatch, emitted):
        answers = {b"?a": (20.0, b"99\n"), b"?b": (0.1, b"7\n7\n")}
        port = MovedLine(answers, until_s=200)
        monkeypatch.setattr("drivers.text.bus.time", port)
        alike = [probe(name, 4_000, r"(?P<t>[-.\d]+)", b"?" + name.encode()) for name in "ab"]
        TextBus("text", port, tuple(alike), port, emitted, 1_000, 0).run(threading.Event())
        assert len(emitted.values("temperature", "b")) > 3

    def test_an_end_of_line_in_two_pieces_is_no_late_answer(self, line, emitted):
        """At CR the answer is there; the LF comes a character later, or many."""
        ends = []

        def answer(_name):
            ends.append(threading.Timer(0.03, os.write, (line.master, b"\n")))
            ends[-1].start()
            return b"a:18.5\r", 0

        with Answerer(line, answer), running(bus(line, self.asked("a", every_ms=100), emitted)):
            emitted.wait_for(lambda e: len(e.readings) > 5)
        for end in ends:
            end.join()
        assert emitted.kinds() == []

    def test_how_late_an_answer_was_counts_from_when_it_came(self, monkeypatch, emitted):
        """Not from when it was found at the next poll: the rests of all would grow without end."""
        line = MovedLine({b"?a\r": (3.3, b"a:1\n"), b"?b\r": (0.05, b"b:2\n")}, until_s=7_200)
        monkeypatch.setattr("drivers.text.bus.time", line)
        probes = self.asked("a", "b", every_ms=60_000)
        TextBus("text", line, tuple(probes), line, emitted, retries=0).run(threading.Event())
        assert emitted.values("temperature", "a") == []
        times = [r.time_ms for r in emitted.readings]
        assert len(times) >= 119
        assert max(later - sooner for sooner, later in itertools.pairwise(times)) < 70_000

    def test_a_question_at_which_the_far_end_hangs_up_starves_no_other(self, monkeypatch, emitted):
        line = MovedLine({b"?a\r": (0.05, b""), b"?b\r": (0.05, b"b:2\n")}, until_s=3_600)
        monkeypatch.setattr("drivers.text.bus.time", line)
        probes = self.asked("a", "b", every_ms=60_000)
        TextBus("text", line, tuple(probes), line, emitted).run(threading.Event())
        assert len(emitted.values("temperature", "b")) >= 59

    def test_garbage_and_dribble_are_told(self, line, emitted):
        def answer(name):
            return (b"\x00\xff??\n", 0) if name == "a" else (b"b:", 0)

        with Answerer(line, answer), running(bus(line, self.asked("a", "b"), emitted, retries=0, scale=10)):
            emitted.wait_for(lambda e: e.kinds("a") and e.kinds("b"))
        assert set(emitted.kinds("a")) == set(emitted.kinds("b")) == {"garbled"}
        assert emitted.readings == []

    def test_near_the_time_out_is_told(self, line, emitted):
        with Answerer(line, lambda name: (b"a:1\n", 0.12)), running(bus(line, self.asked("a"), emitted)):
            emitted.wait_for(lambda e: "slow" in e.kinds() and e.readings)
        assert re.search("near the 150 ms of timeout_ms; set it to 2", emitted.troubles[0].text)

    def test_a_line_that_never_falls_silent_is_told(self, line, emitted):
        with running(bus(line, self.asked("a"), emitted)), Speaker(line, [b"noise\n"], 0.01):
            emitted.wait_for(lambda e: "late" in e.kinds())
        assert emitted.readings == []


def test_impossible_buses(line, emitted):
    with pytest.raises(SetupError, match="no probes"):
        bus(line, [], emitted)
    with pytest.raises(SetupError, match="either all"):
        bus(line, [probe(), probe("b", ask=b"?")], emitted)
