"""An InfluxDB 2 query interface in front of a real InfluxDB 1, which cannot read Flux.

No server that reads Flux can be had here. The points lie in the real server and the client is the
real one; in between, this shim knows one shape of query, refuses every other, and answers in the
annotated CSV of the InfluxDB 2 documentation (from memory).
"""

import http.server
import json
import re
import threading
from contextlib import contextmanager
from datetime import UTC, datetime

SHAPE = re.compile(
    r"from\(bucket: _bucket\)\|> range\(start: (?P<start>[^)]*)\)"
    r'\|> filter\(fn: \(r\) => r\._measurement == "reading" and r\._field == "value" and r\.rack == _rack\)'
    r'\|> keep\(columns: \["_time", "_value", "probe", "quantity", "vessel"\]\)'
)
TAGS = ("probe", "quantity", "vessel")
HEAD = (
    "#datatype,string,long,dateTime:RFC3339,double,string,string,string\r\n"
    "#group,false,false,false,false,true,true,true\r\n"
    "#default,_result,,,,,,\r\n"
    ",result,table,_time,_value,probe,quantity,vessel\r\n"
)


@contextmanager
def flux_shim(server, token):
    """Give the address of a shim in front of `server` (an `Influx` of data_servers)."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self):
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            if self.headers["Authorization"] != f"Token {token}":
                return self.answer(
                    401, json.dumps({"code": "unauthorized", "message": "unauthorized access"})
                )
            flat = re.sub(r"\s*\n\s*", "", body["query"].strip())
            asked = SHAPE.fullmatch(flat)
            if asked is None:
                return self.answer(400, json.dumps({"code": "invalid", "message": f"cannot read {flat}"}))
            given = {
                each["assignment"]["id"]["name"]: each["assignment"]["init"]["value"]
                for each in body["extern"]["body"]
            }
            return self.answer(200, annotated(ask(server, given, asked["start"])))

        def answer(self, status, text):
            data = text.encode()
            self.send_response(status)
            self.send_header("Content-Type", "text/csv" if status == 200 else "application/json")
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, *_words):
            pass

    shim = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=shim.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{shim.server_port}"
    finally:
        shim.shutdown()
        thread.join()
        shim.server_close()


def ask(server, given, start):
    """Ask the real server in its own language."""
    since = f"now() - {start[1:]}" if start.startswith("-") else f"'{start}'"
    query = (
        f"SELECT value FROM reading WHERE rack = '{given['_rack']}' AND time >= {since} "
        f"GROUP BY {', '.join(TAGS)}"
    )
    answer = json.loads(server._get("/query", db=given["_bucket"], q=query, epoch="ms"))
    return answer["results"][0].get("series", [])


def annotated(series):
    """Write series as annotated CSV, a table for each."""
    lines = []
    for table, each in enumerate(series):
        tags = ",".join(each["tags"][tag] for tag in TAGS)
        for time_ms, value in each["values"]:
            moment = datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds")
            lines.append(f",,{table},{moment.replace('+00:00', 'Z')},{value!r},{tags}\r\n")
    return HEAD + "".join(lines) if lines else ""
