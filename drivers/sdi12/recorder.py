"""Who says what when on an SDI-12 line: breaks, retries, waits, service requests. Time is the line's.

Source: SDI-12 version 1.4, 7.0 to 7.2 (timing and retries), 4.4.6 to 4.4.8 (measurements).
"""

from dataclasses import dataclass, field
from typing import Protocol

from drivers.errors import GarbledAnswerError, NoAnswerError, ProbeError
from drivers.sdi12 import telegram

# 7.2: without an answer a command is sent again 16.67 to 87 ms after it, twice and more, and one of these
# more than 100 ms after the break; then the break again with the same, twice and more.
AGAIN_S = 0.060
INNER_TRIES = OUTER_TRIES = 3
# 7.0: a line that was still for longer needs a new break; so does another probe.
AWAKE_S = 0.087
# An answer is over when nothing comes for so long; 1.66 ms by the standard, more behind a USB adapter.
GAP_S = 0.05
# After a retry the answer to the first try may still come.
SETTLED_S = 0.1
DATA_COMMANDS = 10


class Line(Protocol):
    """An open SDI-12 line, with its own clock in seconds."""

    def now_s(self) -> float: ...

    def wake(self) -> None:
        """Break and marking."""
        ...

    def send(self, command: bytes) -> None:
        """Send; return when the last bit is out."""
        ...

    def listen(self, until_s: float) -> bytes:
        """Return the first that comes until then, b"" without."""
        ...


@dataclass
class Recorder:
    """The one who asks. `answers_within_s` is None on a bare line, where the standard's times hold; an
    adapter that makes the break has its own, asks once, and repeats by itself.
    """

    line: Line
    answers_within_s: float | None = None
    stray: bytes = b""
    slowest_s: float = 0.0
    _awake: str = ""
    _still_since_s: float = field(default=float("-inf"))

    def identify(self, address: str) -> telegram.Identity:
        """Ask a probe who it is."""
        return telegram.identity(self._ask(address, "I", has_crc=False))

    def start(self, address: str, what: str, has_crc: bool) -> telegram.Promise:
        """Have a probe measure."""
        asked = f"{what[0]}C{what[1:]}" if has_crc else what
        return telegram.promise(self._ask(address, asked, has_crc=False), concurrent=what[0] == "C")

    def await_service(self, address: str, promised: telegram.Promise) -> None:
        """Leave the line to a probe that measures, until it requests service or its time is over."""
        until_s, heard = self.line.now_s() + promised.seconds, b""
        request = address.encode() + telegram.END
        while not heard.endswith(request) and (more := self.line.listen(until_s)):
            heard = (heard + more)[-telegram.LONGEST_ANSWER :]
        if promised.seconds:
            self._awake = ""

    def collect(self, address: str, promised: telegram.Promise, longest: int, has_crc: bool) -> list[float]:
        """Fetch the values that were promised."""
        found: list[float] = []
        for number in range(DATA_COMMANDS):
            found += telegram.values(self._ask(address, f"D{number}", has_crc), longest)
            if len(found) >= promised.values:
                break
        # An adapter that hands D0 on twice would pass it off as D1, and the true D1 comes behind it.
        if number and (second := self._rest_of(b"", SETTLED_S + self.slowest_s)):
            raise GarbledAnswerError("it answered twice", second)
        if len(found) != promised.values:
            raise GarbledAnswerError(f"{len(found)} values came where {promised.values} were promised")
        return found

    def read(self, address: str, what: str, has_crc: bool) -> list[float]:
        """Return what a probe measures all the time (R)."""
        asked = f"RC{what[1:]}" if has_crc else what
        return telegram.values(self._ask(address, asked, has_crc), telegram.VALUES_LONG)

    def _ask(self, address: str, what: str, has_crc: bool) -> str:
        """Return what is answered; raise the last failure when all tries have failed."""
        failure: ProbeError = NoAnswerError("no answer")
        bare = self.answers_within_s is None
        tries = 0
        for _ in range(OUTER_TRIES if bare else 1):
            for _ in range(INNER_TRIES if bare else 1):
                tries += 1
                try:
                    said = telegram.body(self._exchange(address, what), address, has_crc)
                except (NoAnswerError, GarbledAnswerError) as failed:
                    failure = failed
                else:
                    if tries > 1 and (second := self._rest_of(b"", SETTLED_S)):
                        raise GarbledAnswerError("it answered twice", second)
                    return said
            self._awake = ""
        raise failure

    def _exchange(self, address: str, what: str) -> bytes:
        """Send a command once, with a break where one is due; return all that comes."""
        line = self.line
        self.stray += line.listen(line.now_s())
        if self._awake != address or line.now_s() - self._still_since_s > AWAKE_S:
            line.wake()
        self._awake = address
        line.send(command := telegram.command(address, what))
        asked_s = line.now_s()
        first = self._first_behind(command, asked_s + (self.answers_within_s or AGAIN_S))
        self._still_since_s = line.now_s()
        if not first:
            raise NoAnswerError(f"no answer to {what}; check power, wiring, address, and who makes the break")
        self.slowest_s = max(self.slowest_s, line.now_s() - asked_s)
        answer = self._rest_of(first, GAP_S)
        self._still_since_s = line.now_s()
        return answer

    def _first_behind(self, command: bytes, until_s: float) -> bytes:
        """Return what comes first behind our own break and command, which a shared wire gives back."""
        heard = b""
        while more := self.line.listen(until_s):
            heard = (heard + more).lstrip(b"\0")
            if not command.startswith(heard):
                return heard.removeprefix(command)
        return b""

    def _rest_of(self, heard: bytes, gap_s: float) -> bytes:
        """Return an answer up to its end, or to a silence."""
        while not heard.endswith(telegram.END) and len(heard) <= telegram.LONGEST_ANSWER:
            more = self.line.listen(self.line.now_s() + gap_s)
            if not more:
                break
            heard += more
        return heard
