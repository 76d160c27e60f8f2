"""Serves pages over HTTP or, by certificate files, over HTTPS; each request in a thread of its own.

What a request means is decided by a function from `Request` to `Page`. A request that is too long, too slow
or one too many is turned away, and whatever goes wrong with one is logged and answered with status 500.
"""

import socket
import ssl
import threading
import time
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

BODY_AT_MOST, FIELDS_AT_MOST = 4_096, 20
AT_ONCE, STREAMS_AT_MOST, CONNECTIONS_AT_MOST = 32, 100, 128
"""Each connection takes a file handle, of which the process needs some for what it is there for."""
PATIENCE_S = 10.0
LASTS_AT_MOST_S = 60.0
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

    Most of it can be a secret: none of it is shown where something goes wrong.
    """

    path: str = field(repr=False)
    form: Mapping[str, str] = field(repr=False)
    acts: bool
    cookies: Mapping[str, str] = field(default_factory=dict, repr=False)


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

    Browsers reach it by an address, as localhost, or by one of `names`.
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
    ) -> None:
        self.pages, self.headers = pages, headers
        self._names = {name.lower() for name in (*names, address[0], "localhost")}
        self.room = threading.BoundedSemaphore(AT_ONCE)
        self.streams = threading.BoundedSemaphore(STREAMS_AT_MOST)
        self._places = threading.BoundedSemaphore(CONNECTIONS_AT_MOST)
        self._begun_s: dict[socket.socket, float] = {}
        self._tls: ssl.SSLContext | None = None
        if certificate:
            self._tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._tls.load_cert_chain(*certificate)
        super().__init__(address, _Handler)

    def start(self) -> None:
        """Serve in a thread of its own."""
        threading.Thread(target=self.serve_forever, name="pages", daemon=True).start()

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
        """Serve a connection in a thread of its own, if there is a place for it."""
        if not self._places.acquire(blocking=False):
            self.shutdown_request(request)
            return
        self._begun_s[request] = time.monotonic()
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:  # noqa: ANN401
        """Serve a connection, and give its place back."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._begun_s.pop(request, None)
            self._places.release()

    def service_actions(self) -> None:
        """Break connections off that last for too long; called twice a second."""
        for connection, begun_s in list(self._begun_s.items()):
            if time.monotonic() - begun_s > LASTS_AT_MOST_S:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def let_last(self, connection: Any) -> None:  # noqa: ANN401
        """Break this connection never off: what it takes is meant to go on and on."""
        self._begun_s.pop(connection, None)

    def handle_error(self, request: object, client_address: object) -> None:
        """Log a connection that broke."""
        log.info("page_connection_broke", exc_info=True)


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
            form = dict(parse_qsl(said, keep_blank_values=acts, max_num_fields=FIELDS_AT_MOST))
        except ValueError:
            self._say(f"That has more than {FIELDS_AT_MOST} fields.", 400)
        else:
            self._answer(Request(path, form, acts=acts, cookies=self._cookies()))

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
