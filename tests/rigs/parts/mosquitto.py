r"""A real mosquitto on a free loopback port, for as long as a test needs it.

    with Mosquitto(tmp_path) as broker:
        connect("127.0.0.1", broker.port)
        broker.stop(); broker.start()       # same port again

Users and an access list: `users={"probe": "secret"}, acl="user probe\ntopic write water/#"`.
Anything else that mosquitto.conf(5) knows goes into `config`, options of the listener (TLS) into `listener`.
"""

import getpass
import random
import signal
import socket
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from typing import Self

PATIENCE_S = 20.0


_LENT_PORTS: set[int] = set()
"""Ports that this process has given out already."""

# Below the ports that the kernel gives to whoever asks for any: none of those can take one of ours
# between our look and the server's start, or while a server is down for a moment.
_OURS = range(15_000, 32_000)


def free_port() -> int:
    """Return a loopback TCP port that nobody listens on, another at every call."""
    for port in random.SystemRandom().sample(_OURS, len(_OURS)):
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            if port not in _LENT_PORTS:
                _LENT_PORTS.add(port)
                return port
    raise AssertionError(f"no free port from {_OURS.start} to {_OURS.stop}")


class Mosquitto:
    """One broker process; `folder` receives its configuration and its log."""

    def __init__(
        self,
        folder: Path,
        *,
        users: dict[str, str] | None = None,
        acl: str | None = None,
        config: str = "",
        listener: str = "",
        port: int | None = None,
    ) -> None:
        self.host = "127.0.0.1"
        self.port = port or free_port()
        self._log = folder / "mosquitto.log"
        self._conf = folder / "mosquitto.conf"
        self._process: subprocess.Popen[bytes] | None = None
        lines = [
            f"user {getpass.getuser()}",  # root would become "mosquitto", who cannot read the folder
            f"allow_anonymous {'false' if users else 'true'}",
            "log_dest stderr",
            "log_type all",
            "set_tcp_nodelay true",
            config,
        ]
        if users:
            lines.append(f"password_file {_password_file(folder, users)}")
        if acl is not None:
            (folder / "acl").write_text(acl + "\n")
            (folder / "acl").chmod(0o600)
            lines.append(f"acl_file {folder / 'acl'}")
        lines += [f"listener {self.port} {self.host}", listener]
        self._conf.write_text("\n".join(lines) + "\n")

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *exc: object) -> None:
        if self._process:
            self.stop()

    @property
    def log(self) -> str:
        """What the broker has logged so far, over all its starts."""
        return self._log.read_text(errors="replace")

    def wait_for_log(self, text: str, times: int = 1) -> None:
        """Return when the log holds `text` so many times; fail with the log when it never does."""
        until = time.monotonic() + PATIENCE_S
        while self.log.count(text) < times:
            assert time.monotonic() < until, f"{text!r} never came {times} times:\n{self.log}"
            time.sleep(0.01)

    def publish(self, topic: str, payload: bytes | str, *options: str) -> None:
        """Publish at QoS 1 with mosquitto's own tool; `options` are its further arguments."""
        raw = payload.encode() if isinstance(payload, str) else payload
        where = ["-h", self.host, "-p", str(self.port), "-V", "5", "-q", "1", "-t", topic]
        subprocess.run(["mosquitto_pub", *where, "-s", *options], input=raw, check=True, timeout=PATIENCE_S)

    def start(self) -> None:
        """Start the broker and return when it accepts connections."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(["mosquitto", "-c", str(self._conf)], stderr=log)
        until = time.monotonic() + PATIENCE_S
        while not self._accepts():
            ended = self._process.poll() is not None
            if ended or time.monotonic() > until:
                self.kill()
                raise AssertionError(f"mosquitto does not accept connections:\n{self.log}")
            time.sleep(0.01)

    def move(self, host: str) -> None:
        """Listen on another address from the next start on."""
        lines = self._conf.read_text()
        self._conf.write_text(
            lines.replace(f"listener {self.port} {self.host}", f"listener {self.port} {host}")
        )
        self.host = host

    def stop(self) -> None:
        """Ask the broker to end, as a supervisor does; its clients are told."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End the broker as a power cut does."""
        self._end(signal.SIGKILL)

    def pause(self) -> None:
        """Let the broker hang: its connections stay, nothing is answered."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """End the hanging."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def reload(self) -> None:
        """Make the broker read its password file and access list again."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def _end(self, how: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(how)
        self._process.wait(PATIENCE_S)
        self._process = None

    def _accepts(self) -> bool:
        try:
            socket.create_connection((self.host, self.port), timeout=1).close()
        except OSError:
            return False
        return True


def _password_file(folder: Path, users: dict[str, str]) -> Path:
    """Write a password file, hashed by mosquitto's own tool."""
    path = folder / "passwords"
    path.write_text("".join(f"{user}:{password}\n" for user, password in users.items()))
    path.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", str(path)], check=True)
    return path
