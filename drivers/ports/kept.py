"""A port kept open for as long as it is wanted: opened again when it was lost, which is told once."""

import threading
from collections.abc import Callable

from drivers.errors import PortLostError
from drivers.outage import Outage
from drivers.ports.serial_port import SerialPort, SerialWay
from drivers.ports.tcp_port import TcpPort, TcpWay
from drivers.readings import Clock

Port = SerialPort | TcpPort
Way = SerialWay | TcpWay


def keep_open(
    way: Way,
    serve: Callable[[Port], None],
    tell: Callable[[PortLostError], None],
    outage: Outage,
    clock: Clock,
    stop: threading.Event,
) -> None:
    """Open the port and hand it to `serve`, again and again until `stop` is set."""
    while not stop.is_set():
        try:
            port = way.open()
            try:
                serve(port)
            finally:
                port.close()
        except PortLostError as lost:
            now_ms = clock.now_ms()
            if outage.failed(str(lost), now_ms):
                tell(lost)
            clock.wait(stop, outage.retry_ms(now_ms))
