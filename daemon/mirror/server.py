"""One write to the mirror's server, and what its answer means.

Only 204 is success: a captive portal answers 200 with a page of its own. A request as a whole has
a deadline, which timeouts of single reads do not give: a server that sends a byte now and then
keeps those happy for ever.
"""

import json
import select
import socket
import ssl
import threading
from contextlib import suppress
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection
from urllib.parse import urlencode, urlsplit

from daemon.settings.rack import MirrorSettings

NO_CONTENT = 204
TOO_LARGE = 413
POINTS_REFUSED = (400, 422)
CONNECTS_WITHIN_S = 10.0
WORDS_KEPT = 300
ANSWER_READ_BYTES = 65_536
"""The server's words fit; a page of any length must not fill the memory."""
WAITS_AT_MOST_S = 3_600.0
"""A server that asks to be left alone for longer is tried all the same (project judgement)."""
ANOTHER = "is something else there, such as a login page?"


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
        self._url = settings.url
        self._deadline_s = deadline_s
        self._late = False
        self.connects = 0
        self._ca_file = settings.ca_file
        self._tls = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        self._connection = _connection_to(settings.url, self._tls)
        query = urlencode({"org": settings.org, "bucket": settings.bucket, "precision": "ns"})
        self._path = f"{urlsplit(settings.url).path.rstrip('/')}/api/v2/write?{query}"
        token = settings.token().get_secret_value()
        self._headers = {"Content-Type": "text/plain; charset=utf-8"}
        self._headers |= {"Authorization": f"Token {token}"} if token else {}

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def write(self, lines: list[str]) -> None:
        """Write points, all of them or raise MirrorError (good ones may then be stored all the same)."""
        self._late = False
        timer = threading.Timer(self._deadline_s, self._cut)
        timer.start()
        try:
            answer, body = self._exchange("\n".join(lines).encode())
        except (HTTPException, OSError, UnicodeError) as error:
            self._connection.close()
            words = repr(error) if isinstance(error, HTTPException) else str(error)
            late = f"no complete answer in {self._deadline_s:g} s"
            raise UnreachableError(f"{self._url}: {late if self._late else _one_line(words)}") from error
        finally:
            timer.cancel()
            timer.join()
        if answer.status != NO_CONTENT:
            raise self._meaning(answer, body)

    def _exchange(self, body: bytes) -> tuple[HTTPResponse, bytes]:
        connection = self._connection
        if connection.sock is not None and select.select([connection.sock], [], [], 0)[0]:
            connection.close()  # nothing was asked: this is the server's farewell
        if connection.sock is None:
            self._connect()
        self._check_deadline()  # it may have come too early to find the socket
        connection.request("POST", self._path, body, self._headers)
        answer = connection.getresponse()
        said = answer.read(ANSWER_READ_BYTES)
        if not answer.isclosed():  # there is more, which would stand before the next answer
            connection.close()
        self._check_deadline()  # what was cut off may look like an answer
        return answer, said

    def _check_deadline(self) -> None:
        if self._late:
            raise TimeoutError

    def _connect(self) -> None:
        if self._ca_file is not None:  # read now: what is wrong with it must not end the watch
            self._tls.load_verify_locations(self._ca_file)
        elif isinstance(self._connection, HTTPSConnection):
            self._tls.load_default_certs()
        self._connection.connect()
        self.connects += 1
        self._connection.sock.settimeout(None)  # from here on the deadline is the only clock

    def _cut(self) -> None:
        """End a request that takes too long as a whole."""
        self._late = True
        opened = self._connection.sock
        if opened is not None:
            with suppress(OSError):  # past TLS, whose own way may surprise the thread that is reading
                socket.socket.shutdown(opened, socket.SHUT_RDWR)

    def _meaning(self, answer: HTTPResponse, body: bytes) -> MirrorError:
        words = _server_words(body)
        text = _one_line(f"{self._url} answers {answer.status}: {words or answer.reason}")
        if answer.status in POINTS_REFUSED and words:
            return RefusedError(f"{answer.status}: {words}")
        if answer.status == TOO_LARGE:
            return TooLargeError(text)
        if answer.status < 300:
            text = f"{self._url} answers {answer.status}, not {NO_CONTENT}: {ANOTHER}"
        return UnreachableError(text, _retry_after_s(answer))


def _connection_to(address: str, tls: ssl.SSLContext) -> HTTPConnection:
    url = urlsplit(address)
    if url.scheme == "https":
        return HTTPSConnection(url.hostname or "", url.port, timeout=CONNECTS_WITHIN_S, context=tls)
    return HTTPConnection(url.hostname or "", url.port, timeout=CONNECTS_WITHIN_S)


def _server_words(body: bytes) -> str:
    """Return what InfluxDB says in its JSON answer; empty where the answer is not one of InfluxDB's."""
    try:
        answer = json.loads(body)
    except (ValueError, RecursionError):
        return ""
    said = (answer.get("message") or answer.get("error")) if isinstance(answer, dict) else ""
    return _one_line(str(said or ""))


def _retry_after_s(answer: HTTPResponse) -> float:
    try:
        return min(max(0.0, float(answer.headers["Retry-After"])), WAITS_AT_MOST_S)
    except (TypeError, ValueError):
        return 0.0


def _one_line(text: str) -> str:
    return " ".join(text.split())[:WORDS_KEPT]
