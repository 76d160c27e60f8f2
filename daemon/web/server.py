"""Serves pages over HTTP or, by certificate files, over HTTPS; each request in a thread of its own.

What a request means is decided by a function from `Request` to `Page`. A request that is too long, too slow
or one too many is turned away, and whatever goes wrong with one is logged and answered with status 500.
"""

import math
import socket
import ssl
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from itertools import islice
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import structlog

from daemon.web.look import STYLE, page_of

log = structlog.get_logger()

BODY_AT_MOST, FIELDS_AT_MOST, ADDRESS_AT_MOST = 4_096, 40, 45
AT_ONCE, STREAMS_AT_MOST, CONNECTIONS_AT_MOST = 32, 100, 128
"""Each connection takes a file handle, of which the process needs some for what it is there for."""
PATIENCE_S = 10.0
LOOKS_EVERY_S = 0.5
"""Who asks is answered at once; for the end of the server, and of connections, it looks so often."""
ASKED_WITHIN_S, LASTS_AT_MOST_S = 15.0, 60.0
"""Whoever sends a byte now and then would keep a place for ever."""
_STYLE_PATH = "/style.css"
_POLICY = "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
HEADERS = {
    "Content-Security-Policy": _POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
    "X-Robots-Tag": "noindex, nofollow",
}
"""OWASP Secure Headers Project, for pages that load nothing, run nothing and may not be framed."""
_OWN = "script-src 'self'; connect-src 'self'; img-src 'self'; manifest-src 'self'"
HEADERS_WITH_SCRIPTS = HEADERS | {"Content-Security-Policy": f"{_POLICY}; {_OWN}"}
"""The same for pages that load and run what their own server has."""


@dataclass(frozen=True, slots=True)
class Request:
    """What a browser asks for; `form` is what it sends along or its query, `acts` whether it may act.

    Most of it can be a secret: none of it is shown where something goes wrong. `address`: from where.
    """

    path: str = field(repr=False)
    form: Mapping[str, str] = field(repr=False)
    acts: bool
    cookies: Mapping[str, str] = field(default_factory=dict, repr=False)
    address: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class Page:
    """An answer: HTML or text of another kind, another address to go on to, or parts that go on and on.

    `cookie` is what the browser is to keep, with everything that RFC 6265 says about one.
    """

    html: str
    status: int = 200
    go_to: str = ""
    kind: str = "text/html"
    parts: Iterator[str] | None = None
    cookie: str = ""


class PageServer(ThreadingHTTPServer):
    """Listens from construction on, serves from `start` to `stop`; OSError where it cannot.

    Browsers reach it by an address, as localhost, or by one of `names`; `behind_proxy` if all come by one.
    """

    daemon_threads = True
    request_queue_size = 64

    def __init__(
        self,
        address: tuple[str, int],
        pages: Callable[[Request], Page],
        certificate: tuple[Path, Path] | None = None,
        headers: Mapping[str, str] = HEADERS,
        names: Collection[str] = (),
        *,
        behind_proxy: bool = False,
    ) -> None:
        self.pages, self.headers, self.behind_proxy = pages, headers, behind_proxy
        self._names = {name.lower() for name in (*names, address[0], "localhost")}
        self.room = threading.BoundedSemaphore(AT_ONCE)
        self.streams = threading.BoundedSemaphore(STREAMS_AT_MOST)
        self._places = threading.BoundedSemaphore(CONNECTIONS_AT_MOST)
        # From where, and until when; whoever takes a connection out of it gives its place back.
        self._opened: dict[socket.socket, list[Any]] = {}
        self._tls: ssl.SSLContext | None = None
        if certificate:
            self._tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._tls.load_cert_chain(*certificate)
        super().__init__(address, _Handler)

    def start(self) -> None:
        """Serve in a thread of its own."""
        threading.Thread(target=self.serve_forever, args=(LOOKS_EVERY_S,), name="pages", daemon=True).start()

    def stop(self) -> None:
        """Serve no more."""
        self.shutdown()
        self.server_close()

    def get_request(self) -> tuple[Any, Any]:
        """Return the next connection; a handshake that never ends holds up nobody but itself."""
        connection, address = super().get_request()
        connection.settimeout(PATIENCE_S)
        if self._tls:
            connection = self._tls.wrap_socket(connection, server_side=True, do_handshake_on_connect=False)
        return connection, address

    def is_asked_as(self, host: str) -> bool:
        """Return whether a Host header names us; any address does, since only a name can be bound anew.

        A page from elsewhere that binds its own name to our address (DNS rebinding) would read ours.
        """
        with suppress(ValueError):
            name = urlsplit(f"//{host}").hostname or ""
            return name in self._names or bool(ip_address(name))
        return False

    def process_request(self, request: Any, client_address: Any) -> None:  # noqa: ANN401
        """Serve a connection in a thread of its own; where no place is free, in that of another one."""
        if not self._places.acquire(blocking=False):
            self._make_room()
            if not self._places.acquire(blocking=False):
                self.shutdown_request(request)
                return
        self._opened[request] = [client_address[0], time.monotonic() + ASKED_WITHIN_S]
        super().process_request(request, client_address)

    def _make_room(self) -> None:
        """Break off the oldest connection from where most come, but none that looks live."""
        opened = [(it, its[0]) for it, its in list(self._opened.items()) if its[1] < math.inf]
        for crowded, _ in Counter(address for _, address in opened).most_common(1):
            self._break_off(next(it for it, address in opened if address == crowded))

    def process_request_thread(self, request: Any, client_address: Any) -> None:  # noqa: ANN401
        """Serve a connection, and give its place back."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._give_back(request)

    def service_actions(self) -> None:
        """Break connections off that last for too long; called twice a second."""
        for connection, (_, until_s) in list(self._opened.items()):
            if time.monotonic() > until_s:
                self._break_off(connection)

    def _break_off(self, connection: socket.socket) -> None:
        self._give_back(connection)
        with suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)

    def _give_back(self, connection: socket.socket) -> None:
        if self._opened.pop(connection, None):
            self._places.release()

    def let_last(self, connection: Any, for_s: float = math.inf) -> None:  # noqa: ANN401
        """Break this connection off after another while, or never: what it takes is meant to go on and on."""
        if known := self._opened.get(connection):
            known[1] = time.monotonic() + for_s

    def handle_error(self, request: object, client_address: object) -> None:
        """Log a connection that broke."""
        log.info("page_connection_broke", why=repr(sys.exception()))


class _Handler(BaseHTTPRequestHandler):
    server: PageServer
    timeout = PATIENCE_S
    server_version = "bellwatch"
    sys_version = ""

    def parse_request(self) -> bool:
        """Read a request; one for a name that is not ours goes no further (RFC 9110, 15.5.20)."""
        if not super().parse_request():
            return False
        if self.server.is_asked_as(self.headers.get("Host", "localhost")):
            return True
        self._say("This page has another name: see `names` under [page] in its settings.", 421)
        return False

    def do_GET(self) -> None:
        if self.path == _STYLE_PATH:
            self._send(STYLE, 200, "text/css")
        else:
            address = urlsplit(self.path)
            self._take(address.path, address.query[:BODY_AT_MOST], acts=False)

    def do_POST(self) -> None:
        length = self.headers.get("Content-Length", "")
        if not length.isdecimal() or int(length) > BODY_AT_MOST:
            self._say("That is too long.", 413)
        elif not self._is_from_our_page():
            self._say("That came from another page than ours.", 403)
        else:
            body = self.rfile.read(int(length)).decode("utf-8", "replace")
            self._take(urlsplit(self.path).path, body, acts=True)

    def _take(self, path: str, said: str, *, acts: bool) -> None:
        try:
            pairs = parse_qsl(said, keep_blank_values=acts, max_num_fields=FIELDS_AT_MOST)
        except ValueError:
            self._say(f"That has more than {FIELDS_AT_MOST} fields.", 400)
            return
        form = dict(pairs)
        if len(form) < len(pairs):
            self._say("That says a field twice; which is meant, nobody knows.", 400)
        else:
            self._answer(Request(path, form, acts, self._cookies(), self._address()))

    def _address(self) -> str:
        """Return where a request comes from; of a proxy's, where that says it does (it adds the last one)."""
        passed_on = self.headers.get("X-Forwarded-For", "") if self.server.behind_proxy else ""
        return passed_on.rpartition(",")[2].strip()[:ADDRESS_AT_MOST] or str(self.client_address[0])

    def _cookies(self) -> dict[str, str]:
        pairs = (part.strip().partition("=") for part in self.headers.get("Cookie", "").split(";"))
        return {name: value for name, _, value in pairs}

    def _is_from_our_page(self) -> bool:
        """Return whether one of our own pages sent this, as far as the browser says."""
        origin, site = self.headers.get("Origin"), self.headers.get("Sec-Fetch-Site", "same-origin")
        # "null" is what a page without referrer says of itself.
        ours = origin in (None, "null") or urlsplit(origin).netloc == self.headers.get("Host")
        return ours and site in ("same-origin", "none")

    def _answer(self, request: Request) -> None:
        self.server.let_last(self.request, LASTS_AT_MOST_S)
        if not self.server.room.acquire(timeout=PATIENCE_S):
            self._say("Too many ask at once; try again.", 503)
            return
        try:
            page = self.server.pages(request)
        except Exception:
            log.exception("page_failed", path_length=len(request.path))
            self._say("This page cannot be shown now.", 500)
            return
        finally:
            self.server.room.release()
        if page.parts is not None:
            self._send_parts(page.parts, page.kind)
        else:
            self._send(page.html, page.status, page.kind, page.go_to, page.cookie)

    def _send_parts(self, parts: Iterator[str], kind: str) -> None:
        """Send part after part until there is none, or nobody who takes it; the connection ends with them.

        One viewer too many gets the first part only, and is back for the next by itself.
        """
        has_place = self.server.streams.acquire(blocking=False)
        try:
            self.server.let_last(self.request)
            self.close_connection = True
            self._begin(200, {"Content-Type": f"{kind}; charset=utf-8", "Connection": "close"})
            for part in parts if has_place else islice(parts, 1):
                self.wfile.write(part.encode())
        finally:
            if has_place:
                self.server.streams.release()

    def _say(self, words: str, status: int) -> None:
        self.close_connection = True
        self._send(page_of("words.html", title=words), status, "text/html")

    def _send(self, text: str, status: int, kind: str, go_to: str = "", cookie: str = "") -> None:
        body = text.encode()
        headers = {"Content-Type": f"{kind}; charset=utf-8", "Content-Length": str(len(body))}
        more = {name: value for name, value in (("Location", go_to), ("Set-Cookie", cookie)) if value}
        self._begin(303 if go_to else status, headers | more)
        self.wfile.write(body)

    def _begin(self, status: int, headers: Mapping[str, str]) -> None:
        self.send_response(status)
        for name, value in (*self.server.headers.items(), *headers.items()):
            self.send_header(name, value)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        """Log nothing of a request: its path is a secret."""
