"""Simulated SDI-12 sensors, written from the standard's text alone, and a line whose clock a test moves."""

import os
import select
import threading
import time

CHARACTER_S = 10 / 1200
ANSWERS_AFTER_S = 0.010


def arc(text):
    """CRC-16/ARC by its polynomial, highest power first over reversed bits: another way than the driver's."""
    bits = [byte >> i & 1 for byte in text for i in range(8)] + [0] * 16
    polynomial = [1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 1]  # x^16 + x^15 + x^2 + 1
    for i in range(len(bits) - 16):
        if bits[i]:
            bits[i : i + 17] = [a ^ b for a, b in zip(bits[i : i + 17], polynomial, strict=True)]
    value = sum(bit << i for i, bit in enumerate(bits[-16:]))
    return bytes([64 + value // 4096, 64 + value // 64 % 64, 64 + value % 64])


class Sensor:
    """One sensor. `hear(command, now)` gives what it sends as (seconds after the command, bytes).

    `readings` are the texts of its D answers; `seconds` is what it says that a measurement takes,
    `ready_s` after which it requests service (None: never). `spoil` may change any answer.
    """

    def __init__(
        self, address="0", readings=("+18.5",), seconds=0, ready_s=None, version="14", spoil=None, long=None
    ):
        self.address, self.readings, self.seconds, self.ready_s = address, readings, seconds, ready_s
        self.version = version
        self.spoil = spoil or (lambda command, answer: answer)
        self.long = long or readings
        self.measuring = None
        self.ready_at = 0.0
        self.has_crc = False
        self.kind = "M"
        self.heard = []

    def on_break(self, now):
        """A break ends a measurement begun by M that is not over."""
        if self.measuring == "M" and now < self.ready_at:
            self.measuring = None

    def hear(self, command, now):
        self.heard.append(command)
        address, what = command[:1].decode(), command[1:-1].decode()
        if address != self.address:
            return []
        answer, later = self._answer(what, now)
        answer = self.spoil(what, self.address.encode() + answer)
        return ([] if answer is None else [(ANSWERS_AFTER_S, answer + b"\r\n")]) + later

    def _answer(self, what, now):
        if what == "I":
            return f"{self.version}INVENTEDWATER1001".encode(), []
        if what[0] == "D":
            texts = self.readings if self.kind == "M" else self.long
            is_ready = self.measuring is not None and (now >= self.ready_at or self.seconds == 0)
            text = texts[int(what[1])] if is_ready and int(what[1]) < len(texts) else ""
            return self._closed(text), []
        if what[0] == "R":
            self.has_crc = what[1:2] == "C"
            return self._closed(self.long[0]), []
        self.kind, self.has_crc, self.measuring = what[0], what[1:2] == "C", what[0]
        ready_s = self.seconds if self.ready_s is None else self.ready_s
        self.ready_at = now + ready_s
        texts = self.readings if what[0] == "M" else self.long
        count = sum(text.count("+") + text.count("-") for text in texts)
        later = []
        if what[0] == "M" and self.seconds and self.ready_s is not None:
            later = [(ready_s, self.address.encode() + b"\r\n")]
        return f"{self.seconds:03}{count:0{1 if what[0] == 'M' else 2}}".encode(), later

    def _closed(self, text):
        said = self.address.encode() + text.encode()
        return said[1:] + (arc(said) if self.has_crc else b"")


class MovedLine:
    """A line whose clock moves only when somebody waits or sends; `log` has each event with its time."""

    def __init__(self, *sensors):
        self.sensors, self.time_s, self.log, self._coming = sensors, 100.0, [], []

    def now_s(self):
        return self.time_s

    def wake(self):
        self.log.append((self.time_s, "break"))
        for sensor in self.sensors:
            sensor.on_break(self.time_s)
        self.time_s += 0.012 + 0.00833

    def send(self, command):
        self.log.append((self.time_s, command.decode()))
        self.time_s += len(command) * CHARACTER_S
        for sensor in self.sensors:
            for after_s, answer in sensor.hear(command, self.time_s):
                self._coming += [
                    (self.time_s + after_s + CHARACTER_S * nth, answer[nth - 1 : nth])
                    for nth in range(1, len(answer) + 1)
                ]

    def later(self, after_s, data):
        self._coming.append((self.time_s + after_s, data))

    def listen(self, until_s):
        self._coming.sort(key=lambda it: it[0])
        if self._coming and self._coming[0][0] <= until_s:
            at_s, data = self._coming.pop(0)
            self.time_s = max(self.time_s, at_s)
            return data
        self.time_s = max(self.time_s, until_s)
        return b""


class SensorsOnPty:
    """The sensors behind an adapter that makes the break itself, at the far end of a pseudo-terminal.

    `delay_s(command)` is how long the adapter takes before it hands an answer on.
    """

    def __init__(self, line, *sensors, delay_s=lambda command: 0.0):
        self.line, self.sensors, self._delay_s = line, sensors, delay_s
        self.commands = []
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="sensors")

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *exc):
        os.write(self._stop_write, b"x")
        self._thread.join(20)
        assert not self._thread.is_alive()
        os.close(self._stop_read)
        os.close(self._stop_write)

    def _serve(self):
        pending, coming = b"", []
        while True:
            wait_s = max(coming[0][0] - time.monotonic(), 0) if coming else None
            ready, _, _ = select.select([self.line.master, self._stop_read], [], [], wait_s)
            if self._stop_read in ready:
                return
            if self.line.master in ready:
                pending += os.read(self.line.master, 1024)
            while b"!" in pending:
                command, _, pending = pending.partition(b"!")
                command += b"!"
                self.commands.append(command.decode())
                now = time.monotonic()
                for sensor in self.sensors:
                    for after_s, answer in sensor.hear(command, now):
                        coming.append((now + after_s + self._delay_s(command.decode()), answer))
            coming.sort(key=lambda it: it[0])
            while coming and coming[0][0] <= time.monotonic():
                os.write(self.line.master, coming.pop(0)[1])
