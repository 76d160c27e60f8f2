"""Where pages arrive: an HTTP server on loopback that takes JSON, as a message service would.

Each person and channel has a path of its own. `refuse(path)` makes it answer 503 until `accept(path)`.
"""

import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

PATIENCE_S = 30.0


class PageReceiver:
    """Keeps every page that it has taken: path and text, in order; `refusals` counts the others by path."""

    def __init__(self) -> None:
        self.taken: list[tuple[str, str]] = []
        self.refusals: dict[str, int] = {}
        self._refusing: set[str] = set()
        self._changed = threading.Condition()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                self.send_response(200 if receiver.take(self.path.strip("/"), body) else 503)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Keep the test's output clean."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))
        self._thread.start()

    def __enter__(self) -> "PageReceiver":
        return self

    def __exit__(self, *exc: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    def take(self, path, body) -> bool:
        with self._changed:
            if path in self._refusing:
                self.refusals[path] = self.refusals.get(path, 0) + 1
            else:
                self.taken.append((path, body["message"]))
            self._changed.notify_all()
            return path not in self._refusing

    def refuse(self, *paths: str) -> None:
        with self._changed:
            self._refusing.update(paths)

    def accept(self, *paths: str) -> None:
        with self._changed:
            self._refusing.difference_update(paths)

    def texts(self, path: str | None = None) -> list[str]:
        """What has been taken so far, on one path or on all."""
        with self._changed:
            return [text for where, text in self.taken if path in (None, where)]

    def wait_for(self, condition, what: str, patience_s: float = PATIENCE_S) -> None:
        """Return when `condition()` holds; fail with everything taken when it never does."""
        with self._changed:
            until = time.monotonic() + patience_s
            while not condition():
                left_s = until - time.monotonic()
                assert left_s > 0, f"{what} never came; taken: {self.taken}; refused: {self.refusals}"
                self._changed.wait(min(left_s, 0.1))
