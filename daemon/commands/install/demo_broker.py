"""A broker for the demonstration: mosquitto where it is installed, else an embedded one.

Both listen on the loopback interface only, on a port that was free a moment ago.
"""

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daemon.errors import DemoError

READY_WITHIN_S = 15.0
ENDS_WITHIN_S = 5.0
_LOOK_EVERY_S = 0.05

_MOSQUITTO = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence false
"""

_EMBEDDED = """\
id = 0
[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 10
[v5.1]
name = "demo"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
"""

_RUN_EMBEDDED = "import sys; from iotcore import Broker; Broker(config_path=sys.argv[1]).run_forever()"


@contextmanager
def demo_broker(folder: Path) -> Iterator[tuple[str, int]]:
    """Run a broker and give its name and port; it is gone when the block ends."""
    port = _free_port()
    name, command = _command(folder, port)
    nothing = subprocess.DEVNULL
    process = subprocess.Popen(command, stdin=nothing, stdout=nothing, stderr=nothing, start_new_session=True)
    try:
        _wait_until_it_listens(process, name, port)
        yield name, port
    finally:
        end(process)


def end(process: subprocess.Popen[bytes] | subprocess.Popen[str]) -> None:
    """End a process that we started, by force if it must be."""
    process.terminate()
    try:
        process.wait(ENDS_WITHIN_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _command(folder: Path, port: int) -> tuple[str, list[str]]:
    mosquitto = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin") or shutil.which("mosquitto")
    if mosquitto is not None:
        configuration = folder / "mosquitto.conf"
        configuration.write_text(_MOSQUITTO.format(port=port))
        return "mosquitto", [mosquitto, "-c", str(configuration)]
    configuration = folder / "broker.toml"  # it knows the format by this suffix
    configuration.write_text(_EMBEDDED.format(port=port))
    return "the embedded broker", [sys.executable, "-c", _RUN_EMBEDDED, str(configuration)]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_until_it_listens(process: subprocess.Popen[bytes], name: str, port: int) -> None:
    deadline = time.monotonic() + READY_WITHIN_S
    while time.monotonic() < deadline and process.poll() is None:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(_LOOK_EVERY_S)
    raise DemoError(
        f"{name} did not start on port {port}; install mosquitto, or: pip install 'bellwatch[broker]'"
    )
