"""The server of pages by real sockets: names, garbage, what is too long or too slow, one viewer too many."""

import http.client
import itertools
import socket
import threading
import time
from contextlib import contextmanager, suppress

import pytest

from daemon.web import server as web
from daemon.web.server import STREAMS_AT_MOST, Page, PageServer

web.LOOKS_EVERY_S = 0.02  # each test has a server of its own, and waits for its end


@contextmanager
def serving(pages=lambda _: Page("calm"), **how):
    """A server of pages on a port of its own."""
    server = PageServer(("127.0.0.1", 0), pages, **how)
    server.start()
    try:
        yield server.server_address[:2]
    finally:
        server.stop()


def status_for(address, host):
    connection = http.client.HTTPConnection(*address, timeout=20)
    connection.putrequest("GET", "/", skip_host=True)
    connection.putheader("Host", host)
    connection.endheaders()
    with connection.getresponse() as answer:
        return answer.status, answer.read().decode()


def sent(address, request):
    """What comes back for raw bytes, until the other side ends it."""
    with socket.create_connection(address, timeout=20) as peer:
        try:
            peer.sendall(request)
            return b"".join(iter(lambda: peer.recv(65_536), b""))
        except (ConnectionResetError, BrokenPipeError):
            return b""


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1:{}", "localhost:{}", "LOCALHOST", "[::1]:{}", "192.0.2.7", "rack.example:{}", "Rack.Example"],
)
def test_it_answers_to_its_names_and_to_any_address(host):
    with serving(names=["rack.example"]) as address:
        assert status_for(address, host.format(address[1])) == (200, "calm")


@pytest.mark.parametrize(
    "host",
    [
        "bad.example",
        "127.0.0.1.bad.example",
        "localhost.bad.example",
        "",
        "[",
        "a b",
        "rack.example@bad.example",
    ],
)
def test_a_page_from_elsewhere_that_bound_its_name_to_our_address_reads_nothing(host):
    with serving(names=["rack.example"]) as address:
        status, text = status_for(address, host)
        assert status == 421
        assert "calm" not in text
        assert "see `names` under [page]" in text


@pytest.mark.parametrize(
    ("request_bytes", "status"),
    [
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", b"400"),
        (b"GET\r\n\r\n", b"400"),
        (b"BREW / HTTP/1.1\r\n\r\n", b"501"),
        (b"GET /" + b"a" * 1_000_000 + b" HTTP/1.1\r\n\r\n", b"414"),
        (b"GET /?" + b"a=1&" * 300 + b" HTTP/1.1\r\n\r\n", b"400"),
        (b"POST / HTTP/1.1\r\nContent-Length: 1200\r\n\r\n" + b"a=1&" * 300, b"400"),
        (b"GET / HTTP/1.1\r\nX: " + b"a" * 1_000_000 + b"\r\n\r\n", b"431"),
        (b"GET / HTTP/1.1\r\n" + b"X: a\r\n" * 150_000 + b"\r\n", b"431"),
    ],
)
def test_garbage_and_a_megabyte_of_headers_are_turned_away_and_the_next_is_served(request_bytes, status):
    with serving() as address:
        answer = sent(address, request_bytes)
        assert not answer or status in answer
        assert b"calm" not in answer
        assert bool(answer) or len(request_bytes) > 100_000, "only what is far too long gets no answer"
        assert status_for(address, "localhost") == (200, "calm")


@pytest.mark.parametrize("query", ["value=12&value=14", "value=12&value="])
def test_a_field_that_is_said_twice_is_turned_away_and_not_half_taken(query):
    taken = []
    with serving(lambda request: taken.append(request.form) or Page("calm")) as address:
        for said, status in ((query, 400), ("value=12&mm=4", 200)):
            connection = http.client.HTTPConnection(*address, timeout=20)
            connection.request("POST", "/", said)
            with connection.getresponse() as answer:
                assert answer.status == status
                answer.read()
    assert taken == [{"value": "12", "mm": "4"}]


def test_slow_clients_are_let_go_and_keep_nobody_waiting(monkeypatch):
    monkeypatch.setattr(web._Handler, "timeout", 0.3)
    monkeypatch.setattr(web, "PATIENCE_S", 0.3)
    with serving() as address:
        slow = [socket.create_connection(address, timeout=20) for _ in range(60)]
        for each in slow:
            each.sendall(b"GET / HTT")
        assert status_for(address, "localhost") == (200, "calm")
        assert {each.recv(1) for each in slow} == {b""}, "let go"
        for each in slow:
            each.close()


def trickling(address, stop, count, source=lambda _: "127.0.0.1"):
    """Open connections of which each sends a header of a byte now and then, without end."""
    slow = [
        socket.create_connection(address, timeout=20, source_address=(source(place), 0))
        for place in range(count)
    ]

    def trickle():
        while not stop.wait(0.1):
            for each in slow:
                with suppress(OSError):
                    each.send(b"a")

    threading.Thread(target=trickle).start()
    return slow


@pytest.mark.parametrize("source", [lambda _: "127.0.0.1", lambda place: f"127.0.0.{2 + place % 20}"])
def test_more_slow_ones_than_there_are_places_keep_nobody_out(source):
    stop = threading.Event()
    with serving() as address:
        slow = trickling(address, stop, 2 * web.CONNECTIONS_AT_MOST, source)
        try:
            for _ in range(20):
                begun = time.monotonic()
                assert status_for(address, "localhost") == (200, "calm")
                assert time.monotonic() - begun < 2
        finally:
            stop.set()
            for each in slow:
                each.close()


def test_behind_a_proxy_a_request_is_from_where_that_says_and_else_from_where_it_came():
    def from_where(*, proxy):
        with serving(lambda request: Page(request.address), behind_proxy=proxy) as address:
            connection = http.client.HTTPConnection(*address, timeout=20)
            connection.request("GET", "/", headers={"X-Forwarded-For": "203.0.113.5, 192.0.2.7"})
            return connection.getresponse().read().decode()

    assert from_where(proxy=True) == "192.0.2.7", "what a browser sends itself stands before"
    assert from_where(proxy=False) == "127.0.0.1"


def test_who_looks_live_and_takes_nothing_is_let_go(monkeypatch):
    monkeypatch.setattr(web._Handler, "timeout", 0.3)
    monkeypatch.setattr(web, "PATIENCE_S", 0.3)
    ended = threading.Event()

    def parts():
        try:
            yield from itertools.repeat("x" * 1_000_000)
        finally:
            ended.set()

    with (
        serving(lambda _: Page("", kind="text/event-stream", parts=parts())) as address,
        socket.create_connection(address, timeout=20) as peer,
    ):
        peer.sendall(b"GET /events HTTP/1.1\r\n\r\n")
        assert ended.wait(20)


def test_one_viewer_too_many_gets_the_newest_and_is_to_come_again():
    over = threading.Event()

    def parts():
        yield "data: newest\n\n"
        over.wait(20)
        yield "data: more\n\n"

    request = b"GET /events HTTP/1.1\r\n\r\n"
    with serving(lambda _: Page("", kind="text/event-stream", parts=parts())) as address:
        viewers = [socket.create_connection(address, timeout=20) for _ in range(STREAMS_AT_MOST)]
        for viewer in viewers:
            viewer.sendall(request)
            while b"newest" not in viewer.recv(65_536):
                pass
        assert sent(address, request).endswith(b"data: newest\n\n"), "the end, and no more"
        over.set()
        assert all(b"more" in viewer.recv(65_536) for viewer in viewers)
        for viewer in viewers:
            viewer.close()
