"""A serial port: opened for us alone, found again by its stable name when it comes back under another."""

import errno
import os
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import serial

from drivers.errors import PortLostError, SetupError

# What comes in one gulp at most; a peer that floods us is left to its own buffers.
GULP_BYTES = 4_096
STABLE_NAMES = Path("/dev/serial/by-id")
_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_WRITE_TIMEOUT_S = 1.0
# SDI-12 v1.4, 7.0: a break of at least 12 ms, then a marking of at least 8.33 ms.
_BREAK_S, _MARKING_S = 0.013, 0.009
_TAKEN = (errno.EAGAIN, errno.EBUSY)
_HINTS: dict[int | None, str] = {
    errno.ENOENT: "is the adapter plugged in, and the port's name right?",
    errno.EACCES: "the user that runs this must be in the group that owns the port (often dialout)",
    **dict.fromkeys(_TAKEN, "another program has it open"),
}


@dataclass
class SerialWay:
    """A serial port and how to speak on it.

    A name that the kernel gives (ttyUSB0) changes hands when adapters are plugged in anew. So the port's
    name under `stable_names` is looked up at the first opening, and is what is opened from then on.
    """

    name: str
    baud: int = 9600
    parity: str = "none"
    stop_bits: int = 1
    data_bits: int = 8
    makes_break: bool = True
    stable_names: Path = STABLE_NAMES
    _stable: Path | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        if self.parity not in _PARITIES:
            raise SetupError(f"{self.name}: parity {self.parity!r}; it must be one of {', '.join(_PARITIES)}")
        if self.stop_bits not in (1, 2):
            raise SetupError(f"{self.name}: stop_bits {self.stop_bits}; it must be 1 or 2")
        if self.baud <= 0:
            raise SetupError(f"{self.name}: baud must be above 0")

    def open(self) -> "SerialPort":
        """Open the port; PortLostError says why not, and who has it."""
        path = str(self._stable or self.name)
        with _port_errors(path):
            port = serial.Serial(
                path,
                self.baud,
                self.data_bits,
                _PARITIES[self.parity],
                self.stop_bits,
                write_timeout=_WRITE_TIMEOUT_S,
                exclusive=True,
            )
        self._stable = self._stable or stable_name(self.name, self.stable_names)
        return SerialPort(port, path, self.makes_break)


class SerialPort:
    """An open serial port. `makes_break` is whether the adapter itself wakes SDI-12 probes."""

    def __init__(self, port: serial.Serial, path: str, makes_break: bool) -> None:
        self._port, self._path, self._makes_break = port, path, makes_break

    def write(self, data: bytes) -> None:
        """Send bytes."""
        with _port_errors(self._path):
            self._port.write(data)

    def receive(self, until_s: float) -> bytes:
        """Return what is there, or else the first byte that comes until then with all behind it."""
        with _port_errors(self._path):
            self._port.timeout = max(until_s - time.monotonic(), 0)
            data: bytes = self._port.read(min(max(self._port.in_waiting, 1), GULP_BYTES))
            return data

    def wake(self) -> None:
        """Make the break and the marking before an SDI-12 command, unless the adapter does."""
        if self._makes_break:
            return
        with _port_errors(self._path):
            self._port.break_condition = True
            time.sleep(_BREAK_S)
            self._port.break_condition = False
            time.sleep(_MARKING_S)

    def close(self) -> None:
        """Let go of the port."""
        with _port_errors(self._path):
            self._port.close()


def stable_name(port: str, folder: Path) -> Path | None:
    """Return the name in `folder` of a device that is also known as `port`; None where it has none.

    Two adapters without a serial number share one name there, so that one of them has none. Then the place at
    which it is plugged in tells it apart, in the folder `by-path` beside.
    """
    device, names = os.path.realpath(port), _names_in(folder)
    places = _names_in(folder.parent / "by-path")
    return (names if places.keys() <= names.keys() else places).get(device)


def _names_in(folder: Path) -> dict[str, Path]:
    try:
        return {os.path.realpath(name): name for name in sorted(folder.iterdir())}
    except OSError:
        return {}


def holder(port: str, processes: Path = Path("/proc")) -> str:
    """Say which other process has a port open, as far as we may see; empty where none is seen."""
    device = os.path.realpath(port)
    for folder in processes.glob("[0-9]*"):
        if folder.name == str(os.getpid()):
            continue
        try:
            if any(os.path.realpath(opened) == device for opened in (folder / "fd").iterdir()):
                return f"{(folder / 'comm').read_text().strip()}, process {folder.name}"
        except OSError:
            continue  # not ours to look into, or gone
    return ""


@contextmanager
def _port_errors(path: str) -> Iterator[None]:
    try:
        yield
    except (OSError, termios.error) as error:
        code = error.args[0] if error.args and isinstance(error.args[0], int) else None
        what = str(error).splitlines()[0] if code is None else os.strerror(code)
        hint = _HINTS.get(code, "unplugged, or taken by another program?")
        who = holder(path) if code in _TAKEN else ""
        raise PortLostError(f"{path}: {what}; {hint}{who and f' ({who})'}") from error
