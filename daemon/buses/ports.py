"""The serial ports of this machine, by the names that stay theirs when adapters are plugged in anew."""

import os
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A port by its stable name, else by the kernel's; the `device` behind it, and what it says it is."""

    name: str
    device: str
    what: str
    may_open: bool


def serial_ports() -> list[FoundPort]:
    """Return every port, those with a stable name first."""
    from serial.tools.list_ports import comports  # noqa: PLC0415  (slow to load)

    from drivers.ports.serial_port import STABLE_NAMES  # noqa: PLC0415

    stable = {os.path.realpath(path): str(path) for path in sorted(STABLE_NAMES.glob("*"))}
    devices = {port.device: port.description for port in comports()}
    devices = {**dict.fromkeys(stable, "n/a"), **devices}
    found = [
        FoundPort(
            stable.get(device, device),
            device,
            "" if what == "n/a" else what,
            os.access(device, os.R_OK | os.W_OK),
        )
        for device, what in devices.items()
    ]
    return sorted(found, key=lambda port: (port.device not in stable, port.name))
