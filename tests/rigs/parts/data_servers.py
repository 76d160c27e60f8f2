"""Real time-series servers on loopback ports, which a test can kill and start again.

VictoriaMetrics takes InfluxDB 2 writes as they are. InfluxDB 1 has another write path: a shim in
this process passes what comes for `/api/v2/write` on to it, and its answer back, unchanged.
"""

import http.client
import http.server
import json
import os
import shutil
import signal
import ssl
import subprocess
import threading
import time
import urllib.parse
import urllib.request
from contextlib import suppress
from pathlib import Path

import pytest

from tests.rigs.parts.mosquitto import free_port

PATIENCE_S = 40.0
BUCKET = "rack"


def _missing(program, package):
    return pytest.mark.skipif(
        shutil.which(program) is None, reason=f"{program} is not installed (package {package})"
    )


needs_influx = _missing("influxd", "influxdb")
needs_victoria = _missing("victoria-metrics", "victoria-metrics")


class _Server:
    """One server process; its data stay in `folder` over its lives."""

    _scheme = "http"

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._log = folder / "server.log"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *exc: object) -> None:
        if self._process is not None:
            self.kill()

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log, env=self._environment)
        until = time.monotonic() + PATIENCE_S
        while not self._answers():
            assert self._process.poll() is None, f"the server ended:\n{self._log.read_text()[-2000:]}"
            assert time.monotonic() < until, f"the server does not answer:\n{self._log.read_text()[-2000:]}"
            time.sleep(0.05)

    def kill(self) -> None:
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(PATIENCE_S)
        self._process = None

    def _get(self, path, **query) -> bytes:
        url = f"{self._scheme}://127.0.0.1:{self.port}{path}?{urllib.parse.urlencode(query)}"
        anybody = ssl._create_unverified_context() if self._scheme == "https" else None
        with urllib.request.urlopen(url, timeout=PATIENCE_S, context=anybody) as answer:
            return answer.read()

    def _answers(self) -> bool:
        try:
            self._get(self._ping)
        except OSError:
            return False
        return True


def to_digits(points, digits):
    """Return points with their values rounded to so many digits."""
    return {(*rest, float(f"{value:.{digits}g}")) for *rest, value in points}


class VictoriaMetrics(_Server):
    """Started so that a repeated point is kept once, and old points are kept at all.

    It keeps a block of values as decimal numbers with one exponent, so the last digits are lost there.
    """

    digits = 10

    _ping = "/health"

    def __init__(self, folder: Path, certificate: Path | None = None) -> None:
        super().__init__(folder)
        self._environment = None
        self._scheme = "http" if certificate is None else "https"
        key = certificate and certificate.with_suffix(".key")
        self._command = [
            "victoria-metrics",
            *(["-tls", f"-tlsCertFile={certificate}", f"-tlsKeyFile={key}"] if certificate else []),
            f"-storageDataPath={folder / 'data'}",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-dedup.minScrapeInterval=1ms",
            "-retentionPeriod=100y",
        ]

    @property
    def url(self) -> str:
        return f"{self._scheme}://127.0.0.1:{self.port}"

    def readings(self) -> set[tuple[str, str, str, str, int, float]]:
        """Return every reading as (rack, vessel, quantity, probe, time in ms, value)."""
        self._get("/internal/force_flush")
        found = []
        for line in self._get("/api/v1/export", **{"match[]": "reading_value"}).splitlines():
            series = json.loads(line)
            tags = tuple(series["metric"][tag] for tag in ("rack", "vessel", "quantity", "probe"))
            times_values = zip(series["timestamps"], series["values"], strict=True)
            found += [(*tags, at_ms, value) for at_ms, value in times_values]
        assert len(found) == len(set(found)), "no point twice"
        return set(found)


class Influx(_Server):
    """InfluxDB 1 with its own write and query interface, and the shim for writes of version 2."""

    digits = 17

    _ping = "/ping"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._environment = os.environ | {
            "INFLUXDB_META_DIR": str(folder / "meta"),
            "INFLUXDB_DATA_DIR": str(folder / "data"),
            "INFLUXDB_DATA_WAL_DIR": str(folder / "wal"),
            "INFLUXDB_HTTP_BIND_ADDRESS": f"127.0.0.1:{self.port}",
            "INFLUXDB_BIND_ADDRESS": f"127.0.0.1:{free_port()}",
            "INFLUXDB_REPORTING_DISABLED": "true",
            "INFLUXDB_MONITOR_STORE_ENABLED": "false",
        }
        self._command = ["influxd", "run"]
        self._shim = _Shim(self.port)

    def __enter__(self):
        super().__enter__()
        self.query(f'CREATE DATABASE "{BUCKET}"')
        self._shim.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._shim.stop()
        super().__exit__(*exc)

    @property
    def url(self) -> str:
        """Return where version 2 writes go."""
        return f"http://127.0.0.1:{self._shim.port}"

    def query(self, question: str) -> list[dict]:
        """Return the series of the answer."""
        url = f"http://127.0.0.1:{self.port}/query?{urllib.parse.urlencode({'db': BUCKET, 'epoch': 'ns'})}"
        data = urllib.parse.urlencode({"q": question}).encode()
        with urllib.request.urlopen(url, data, timeout=PATIENCE_S) as answer:
            (result,) = json.load(answer)["results"]
        assert "error" not in result, result
        return result.get("series", [])

    def write(self, line: str) -> None:
        """Write a point of somebody else's, by version 1."""
        url = f"http://127.0.0.1:{self.port}/write?db={BUCKET}"
        urllib.request.urlopen(url, line.encode(), timeout=PATIENCE_S).close()

    def points(self, measurement: str) -> list[dict]:
        """Return every point of a measurement as a dictionary of its columns."""
        series = self.query(f'SELECT * FROM "{measurement}"')
        return [dict(zip(s["columns"], row, strict=True)) for s in series for row in s["values"]]

    def readings(self) -> set[tuple[str, str, str, str, int, float]]:
        """Return every reading as (rack, vessel, quantity, probe, time in ms, value)."""
        points = self.points("reading")
        tags = ("rack", "vessel", "quantity", "probe")
        found = {(*(p[tag] for tag in tags), p["time"] // 1_000_000, p["value"]) for p in points}
        assert len(found) == len(points), "no point twice"
        return found


class _Shim:
    """Passes version 2 writes on to version 1; a server that does not answer is a connection that breaks."""

    def __init__(self, backend_port: int) -> None:
        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self):
                path, _, query = self.path.partition("?")
                asked = urllib.parse.parse_qs(query)
                body = self.rfile.read(int(self.headers["Content-Length"]))
                assert (path, asked["precision"]) == ("/api/v2/write", ["ns"])
                where = "/write?" + urllib.parse.urlencode({"db": asked["bucket"][0], "precision": "n"})
                backend = http.client.HTTPConnection("127.0.0.1", backend_port, timeout=PATIENCE_S)
                try:
                    backend.request("POST", where, body)
                    answer = backend.getresponse()
                    said = answer.read()
                except (OSError, http.client.HTTPException):
                    self.close_connection = True
                    return
                finally:
                    backend.close()
                self.send_response(answer.status)
                if answer.status != 204:
                    self.send_header("Content-Type", answer.getheader("Content-Type", ""))
                    self.send_header("Content-Length", str(len(said)))
                self.end_headers()
                with suppress(OSError):
                    self.wfile.write(said if answer.status != 204 else b"")

            def log_message(self, *_args):
                pass

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), name="shim")

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(PATIENCE_S)
