"""One write, and everything that can answer it: login pages, proxies, servers that drip, hang or die.

The servers here are small on purpose: real sockets that say exactly what such a server says.
"""

import select
import socket
import threading
import time
from contextlib import contextmanager, suppress

import pytest

from daemon.mirror.server import (
    WAITS_AT_MOST_S,
    MirrorServer,
    RefusedError,
    TooLargeError,
    UnreachableError,
)
from daemon.settings.rack import MirrorSettings

LINES = ["reading,vessel=k1 value=15.0 1760000000000000000"]
PATIENCE_S = 20.0
LOGIN_PAGE = b"<html><body>Please accept the terms of use</body></html>"


def answer(status, body=b"", *headers):
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headers, "", ""]
    return "\r\n".join(lines).encode() + body


@contextmanager
def talking(talk):
    """A server whose part in each connection is `talk(connection)`; give its URL and what it heard."""
    listener = socket.create_server(("127.0.0.1", 0))
    heard, over = [], threading.Event()

    def serve():
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                connection.settimeout(PATIENCE_S)
                try:
                    heard.append(_request(connection))
                    talk(connection, over)
                except OSError:
                    continue

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}", heard
    finally:
        over.set()
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def _received(connection):
    if data := connection.recv(65_536):
        return data
    raise ConnectionResetError


def _request(connection):
    data = b""
    while b"\r\n\r\n" not in data:
        data += _received(connection)
    head, _, body = data.partition(b"\r\n\r\n")
    length = int(head.lower().partition(b"content-length: ")[2].split(b"\r\n")[0])
    while len(body) < length:
        body += _received(connection)
    return head + b"\r\n\r\n" + body


def saying(data):
    return lambda connection, _over: connection.sendall(data)


def write(url, deadline_s=5.0, **settings):
    server = MirrorServer(MirrorSettings(url=url, **settings), deadline_s)
    try:
        server.write(LINES)
    finally:
        server.close()


def test_only_204_is_success(tmp_path):
    token = tmp_path / "token"
    token.write_text("s3cret\n")
    with talking(saying(answer("204 No Content"))) as (url, heard):
        write(url, org="nursery", bucket="rack", token_file=token)
    (request,) = heard
    head, _, body = request.partition(b"\r\n\r\n")
    assert head.startswith(b"POST /api/v2/write?")
    for part in (b"org=nursery", b"bucket=rack", b"precision=ns", b"\r\nAuthorization: Token s3cret"):
        assert part in head
    assert body == LINES[0].encode()


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            answer("200 OK", LOGIN_PAGE, "Content-Type: text/html"),
            "answers 200, not 204: .* such as a login page",
        ),
        (answer("200 OK", b"{}", "Content-Type: application/json"), "answers 200, not 204"),
        (answer("302 Found", b"", "Location: http://login.example/"), "302"),
        (answer("400 Bad Request", LOGIN_PAGE, "Content-Type: text/html"), "400: Bad Request"),
        (
            answer("401 Unauthorized", b'{"code":"unauthorized","message":"unauthorized access"}'),
            "401: unauthorized",
        ),
        (
            answer("404 Not Found", b'{"code":"not found","message":"bucket \\"b\\" not found"}'),
            "bucket .* not found",
        ),
        (answer("500 Internal Server Error", b"oops"), "500"),
        (answer("200 OK", b"\xff\xfe\xfd"), "answers 200, not 204"),
        (b"SSH-2.0-OpenSSH_9.2\r\n", "BadStatusLine|Connection aborted"),
        (b"", "RemoteDisconnected|Connection aborted"),
        (b"HTTP/1.1 500 E\r\nContent-Length: 100\r\n\r\nshort", "answers 500: E"),
        (b"HTTP/1.1 500 E\r\nContent-Length: 1" + b"0" * 30 + b"\r\n\r\nshort", "answers 500: E"),
        (answer("200 OK", b"[" * 60_000), "answers 200, not 204"),
    ],
)
def test_what_is_not_the_points_fault_is_tried_again(said, words):
    with talking(saying(said)) as (url, _), pytest.raises(UnreachableError, match=words) as caught:
        write(url)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize("status", ["429 Too Many Requests", "503 Service Unavailable"])
def test_a_server_that_asks_for_patience_gets_it(status):
    body = b'{"code":"unavailable","message":"later"}'
    said = saying(answer(status, body, "Retry-After: 17"))
    with talking(said) as (url, _), pytest.raises(UnreachableError) as caught:
        write(url)
    assert caught.value.after_s == 17


@pytest.mark.parametrize("when", ["tomorrow", "-5", "nan", "Fri, 14 Aug 2026 12:00:00 GMT"])
def test_a_strange_retry_after_does_no_harm(when):
    said = saying(answer("503 X", b"", f"Retry-After: {when}"))
    with talking(said) as (url, _), pytest.raises(UnreachableError) as caught:
        write(url)
    assert caught.value.after_s == 0


@pytest.mark.parametrize("when", ["1e300", "inf", "99999999999"])
def test_a_server_that_asks_for_endless_patience_is_tried_again_all_the_same(when):
    said = saying(answer("429 Too Many Requests", b"", f"Retry-After: {when}"))
    with talking(said) as (url, _), pytest.raises(UnreachableError) as caught:
        write(url)
    assert caught.value.after_s == WAITS_AT_MOST_S


def test_a_page_without_end_is_left_after_its_first_part():
    told = []

    def endless(connection, _over):
        connection.sendall(b"HTTP/1.1 200 OK\r\n\r\n")
        with suppress(OSError):
            while True:
                told.append(connection.send(bytes(65_536)))

    with talking(endless) as (url, _), pytest.raises(UnreachableError, match="answers 200"):
        write(url)
    assert sum(told) < 50_000_000  # what sockets hold, not what five seconds bring


def test_a_refusal_of_points_carries_the_servers_words():
    """InfluxDB 2's own form of a partial write."""
    body = b'{"code":"invalid","message":"partial write: field type conflict: value is string dropped=1"}'
    said = saying(answer("400 Bad Request", body))
    with (
        talking(said) as (url, _),
        pytest.raises(RefusedError, match="400: partial write: field type conflict"),
    ):
        write(url)


def test_too_much_at_once_is_no_refusal():
    with talking(saying(answer("413 Too Large", b"{}"))) as (url, _), pytest.raises(TooLargeError):
        write(url)


def drip(connection, over):
    """A status line, then a header byte now and then, for ever."""
    connection.sendall(b"HTTP/1.1 204 No Content\r\nX-Slow: ")
    while not over.wait(0.05):
        connection.sendall(b"z")


def drip_the_body(connection, over):
    connection.sendall(b"HTTP/1.1 500 Oh\r\nContent-Length: 1000000\r\n\r\n")
    while not over.wait(0.05):
        connection.sendall(b"z")


def say_nothing(_connection, over):
    over.wait(PATIENCE_S)


@pytest.mark.parametrize("talk", [drip, drip_the_body, say_nothing])
def test_no_server_holds_a_write_past_its_deadline(talk):
    with talking(talk) as (url, _):
        began = time.monotonic()
        with pytest.raises(UnreachableError, match=r"no complete answer in 0\.5 s"):
            write(url, deadline_s=0.5)
        assert time.monotonic() - began < 5


def test_nobody_there():
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(UnreachableError, match="Connection refused"):
        write(f"http://127.0.0.1:{port}")
    with pytest.raises(UnreachableError, match=r"[Rr]esolv|Name or service|name resolution"):
        write("http://no-such-host.invalid")


def test_connections_are_counted_and_used_again():
    def twice(connection, _over):
        connection.sendall(answer("204 No Content"))
        _request(connection)
        connection.sendall(answer("204 No Content"))

    with talking(twice) as (url, _):
        server = MirrorServer(MirrorSettings(url=url), 5.0)
        server.write(LINES)
        server.write(LINES)
        assert server.connects == 1
        time_is_up = time.monotonic() + PATIENCE_S
        while server.connects == 1 and time.monotonic() < time_is_up:
            with suppress(UnreachableError):
                server.write(LINES)
        assert server.connects == 2, "the first connection was at its end"
        server.close()


def test_a_connection_that_the_server_let_go_is_made_anew_before_it_is_used():
    with talking(saying(answer("204 No Content"))) as (url, heard):
        server = MirrorServer(MirrorSettings(url=url), 5.0)
        for count in (1, 2):
            server.write(LINES)
            assert server.connects == count
            assert select.select([server._connection.sock], [], [], PATIENCE_S)[0], "the server's farewell"
        server.close()
    assert len(heard) == 2


def test_a_broken_certificate_file_is_said_and_tried_again(tmp_path):
    (tmp_path / "ca.pem").write_text("no certificate")
    with pytest.raises(UnreachableError, match=r"https://127.0.0.1:1: .*(PEM|NO_CERTIFICATE)"):
        write("https://127.0.0.1:1", ca_file=tmp_path / "ca.pem")
