"""One write to the mirror's server, and what its answer means.

Only 204 is success: a captive portal answers 200 with a page of its own. A request as a whole has
a deadline, which timeouts of single reads do not give: a server that sends a byte now and then
keeps those happy for ever.
"""

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from influxdb_client.service.write_service import WriteService
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from daemon.settings.rack import MirrorSettings

NO_CONTENT = 204
TOO_LARGE = 413
POINTS_REFUSED = (400, 422)
CONNECTS_WITHIN_S = 10.0
WORDS_KEPT = 300


class MirrorError(Exception):
    """The server did not take the points; its text is one line."""


class UnreachableError(MirrorError):
    """The points are not at fault: try again, not before `after_s` where the server asks for that."""

    def __init__(self, text: str, after_s: float = 0.0) -> None:
        super().__init__(text)
        self.after_s = after_s


class RefusedError(MirrorError):
    """The server does not want at least one of the points, and says why."""


class TooLargeError(MirrorError):
    """The server wants fewer points at once."""


class MirrorServer:
    """A server that accepts InfluxDB 2's write interface; for one thread.

    `connects` counts connections: a new one may mean that the server was started again.
    """

    def __init__(self, settings: MirrorSettings, deadline_s: float) -> None:
        self._settings = settings
        self._deadline_s = deadline_s
        self._sockets: set[socket.socket] = set()
        self._late = False
        self.connects = 0
        self._client = InfluxDBClient(
            settings.url,
            token=settings.token().get_secret_value(),
            org=settings.org,
            timeout=(round(CONNECTS_WITHIN_S * 1000), round(deadline_s * 1000)),
            ssl_ca_cert=None if settings.ca_file is None else str(settings.ca_file),
            enable_gzip=False,
        )
        pools = self._client.api_client.rest_client.pool_manager
        pools.pool_classes_by_scheme = _pools_that_show_their_sockets(self._note_socket, self._sockets)
        self._service = WriteService(self._client.api_client)

    def close(self) -> None:
        """Close the connections."""
        self._hang_up()
        self._client.close()

    def _note_socket(self, opened: socket.socket) -> None:
        self.connects += 1
        self._sockets.add(opened)

    def write(self, lines: list[str]) -> None:
        """Write points, all of them or raise MirrorError (good ones may then be stored all the same)."""
        try:
            with self._deadline():
                _, status, _ = self._service.post_write_with_http_info(
                    self._settings.org,
                    self._settings.bucket,
                    "\n".join(lines).encode(),
                    precision="ns",
                    content_type="text/plain; charset=utf-8",
                    _return_http_data_only=False,
                )
        except ApiException as error:
            raise self._meaning(error) from error
        except (urllib3.exceptions.HTTPError, OSError, UnicodeError) as error:
            late = self._late or isinstance(error, urllib3.exceptions.ReadTimeoutError)
            words = self._late_words() if late else _one_line(str(error))
            raise UnreachableError(f"{self._settings.url}: {words}") from error
        if self._late:  # what was cut off may look like an answer
            raise UnreachableError(f"{self._settings.url}: {self._late_words()}")
        if status != NO_CONTENT:
            raise UnreachableError(
                f"{self._settings.url} answers {status}, not {NO_CONTENT}: "
                "is something else there, such as a login page?"
            )

    @contextmanager
    def _deadline(self) -> Iterator[None]:
        """Cut the connection when a request takes too long as a whole."""
        self._late = False
        timer = threading.Timer(self._deadline_s, self._cut)
        timer.start()
        try:
            yield
        finally:
            timer.cancel()
            timer.join()

    def _late_words(self) -> str:
        return f"no complete answer in {self._deadline_s:g} s"

    def _cut(self) -> None:
        self._late = True
        self._hang_up()

    def _hang_up(self) -> None:
        for connection in list(self._sockets):
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)

    def _meaning(self, error: ApiException) -> MirrorError:
        words = _server_words(error.body)
        text = f"{self._settings.url} answers {error.status}: {words or error.reason}"
        if error.status in POINTS_REFUSED and words:
            return RefusedError(f"{error.status}: {words}")
        if error.status == TOO_LARGE:
            return TooLargeError(text)
        return UnreachableError(_one_line(text), _retry_after_s(error))


def _pools_that_show_their_sockets(
    opened: Callable[[socket.socket], None], sockets: set[socket.socket]
) -> dict[str, type[HTTPConnectionPool]]:
    """Return urllib3's connection pools; they tell `opened` of a socket and take it out of `sockets`."""

    class Shown(HTTPConnection):
        def connect(self) -> None:
            super().connect()
            opened(self.sock)

        def close(self) -> None:
            sockets.discard(self.sock)
            super().close()

    class ShownSecure(HTTPSConnection):
        def connect(self) -> None:
            super().connect()
            opened(self.sock)

        def close(self) -> None:
            sockets.discard(self.sock)
            super().close()

    class Pool(HTTPConnectionPool):
        ConnectionCls = Shown

    class SecurePool(HTTPSConnectionPool):
        ConnectionCls = ShownSecure

    return {"http": Pool, "https": SecurePool}


def _server_words(body: str | bytes | None) -> str:
    """Return what InfluxDB says in its JSON answer; empty where the answer is not one of InfluxDB's."""
    try:
        answer = json.loads(body or "")
    except (TypeError, ValueError):
        return ""
    if not isinstance(answer, dict):
        return ""
    return _one_line(str(answer.get("message") or answer.get("error") or ""))


def _retry_after_s(error: ApiException) -> float:
    try:
        return max(float(error.headers["Retry-After"]), 0.0)
    except (KeyError, TypeError, ValueError):
        return 0.0


def _one_line(text: str) -> str:
    return " ".join(text.split())[:WORDS_KEPT]
