"""Answering from a phone: message, link, answer; real broker, process and messages, and a real browser.

The window is 390 x 844, as that of a phone; the page itself forbids every script, so that none can be needed.
"""

import re
import socket
import ssl
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from contextlib import suppress
from pathlib import Path

import pytest

from daemon.oncall.store import TOKEN_LENGTH, OnCallStore
from daemon.oncall.text_message import fits
from daemon.web.server import BODY_AT_MOST, CONNECTIONS_AT_MOST, HEADERS, Page, PageServer
from rules.alarms.event import Course, Trail
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, Reply
from rules.care.rationale import Record, Severity
from tests.rigs.oncall_run import OnCallRun, write_oncall
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.rack_voice import RackVoice
from tests.rules.calling.test_escalation import DUTY

LINK = re.compile(rf"http://127\.0\.0\.1:\d+/[A-Za-z0-9]{{{TOKEN_LENGTH}}}\b")
PAGE = '\n[page]\nurl = "http://127.0.0.1:{port}"\nport = {port}\n'


class Team:
    """The on-call process with its page, a broker, a rack's voice and people's phones."""

    def __init__(self, folder, broker, phones, **how):
        self.folder, self.phones, self.port = folder, phones, free_port()
        settings = write_oncall(folder, broker.port, phones.port, repeat_s=0.5, **how)
        settings.write_text(settings.read_text() + PAGE.format(port=self.port))
        self.run = OnCallRun(settings)
        self.rack = RackVoice(broker.port)

    def __enter__(self):
        self.run.start()
        self.rack.__enter__()
        self.run.wait_for(lambda: "broker_connected" in self.run.log, "the connection")
        return self

    def __exit__(self, *error):
        self.rack.__exit__(*error)
        self.run.end_by_force()

    def link_in_greet(self, person):
        """The link that a greeting message carries."""
        assert self.run.asks("greet", person).returncode == 0
        greetings = [text for text in self.phones.texts(f"{person}-1") if text.startswith("Greeting")]
        assert fits(greetings[-1])
        return LINK.search(greetings[-1])[0]

    def link_of(self, person):
        """The newest link that an alarm's message to a person carries."""

        def found():
            return [
                LINK.search(text)
                for text in self.phones.texts(f"{person}-1")
                if re.search("CRITICAL|HIGH", text)
            ]

        self.phones.wait_for(lambda: any(found()), f"a link for {person}")
        return next(match for match in reversed(found()) if match)[0]


@pytest.fixture
def team(tmp_path):
    with Mosquitto(tmp_path) as broker, PageReceiver() as phones, Team(tmp_path, broker, phones) as team:
        yield team


def team_of(store):
    """The calling as the process keeps it."""
    return Escalation.restore(store.state(), DUTY)


def answered(link, reply, **headers):
    """Press a button of the page as it is shown now."""
    shown = re.search(r'name="shown" value="([^"]*)"', opened(link)[1])
    return opened(link, {"reply": reply, "shown": shown[1] if shown else ""}, **headers)


def opened(url, form=None, **headers):
    """Status, text and headers of a page."""
    data = None if form is None else urllib.parse.urlencode(form).encode()
    try:
        with urllib.request.urlopen(urllib.request.Request(url, data, headers), timeout=20) as answer:
            return answer.status, answer.read().decode(), answer.headers
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode(), error.headers


def test_a_message_carries_a_link_once_one_has_opened_on_that_phone_and_the_link_answers(team):
    team.rack.alarm()
    team.phones.wait_for(lambda: len(team.phones.texts("ada-1")) >= 2, "the call")
    assert not any(LINK.search(text) for text in team.phones.texts()), "nobody knows yet that it opens"
    greeting = team.link_in_greet("ada")
    assert "Can you read this" in opened(greeting)[1]
    assert "It came through" in answered(greeting, "seen")[1]
    link = team.link_of("ada")
    assert all(fits(text) for text in team.phones.texts() if "CRITICAL" in text)
    status, text, headers = opened(link)
    assert status == 200
    assert "temperature high 19.24 C" in text
    assert "Mains off before wet work" in text
    assert "Called so far: ada" in text
    assert {name: headers[name] for name in HEADERS} == HEADERS
    assert "ada has seen it" not in text, "to look is no answer"
    assert "ada has seen it; known on call only, not at the rack." in answered(link, "seen")[1]
    sent = len(team.phones.texts())
    assert answered(link, "seen")[0] == 200, "twice is harmless"
    team.rack.alarm(Trigger.RETURNED, State.NORMAL)
    team.phones.wait_for(lambda: any(text.startswith("OVER") for text in team.phones.texts()), "the end")
    assert len(team.phones.texts()) == sent + 1
    assert "It is over" in opened(link)[1]
    team.rack.alarm(vessel="k2", cause="bus line")  # its alarm may have gone over to this
    team.phones.wait_for(lambda: any("k2" in text for text in team.phones.texts()), "another call")
    assert "something calls" in opened(link)[1]
    assert link.rpartition("/")[2] not in team.run.log, "a link was logged"


def test_what_was_over_before_anybody_answered_can_be_answered_by_a_button(team):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.alarm()
    link = team.link_of("ada")
    stood = re.search(r'name="shown" value="([^"]*)"', opened(link)[1])[1]
    team.rack.alarm(Trigger.RETURNED, State.NORMAL)
    team.phones.wait_for(lambda: any(text.startswith("OVER") for text in team.phones.texts()), "the end")
    assert "changed since you looked" in opened(link, {"reply": "seen", "shown": stood})[1]
    text = opened(link)[1]
    assert "It is over: nothing of this stands now" in text
    assert "Nobody has answered" in text
    assert re.findall('name="reply" value="([^"]*)"', text) == ["seen"]
    text = answered(link, "seen")[1]
    assert "It is over: nothing of this stands now" in text
    assert "<button" not in text, "somebody has"
    team.rack.alarm()
    team.phones.wait_for(lambda: team.phones.texts("ada-1")[-1].startswith("CRITICAL"), "its return")
    assert not team.phones.texts("bo-1")


TRAIL = Trail(((21_600, 15.0), (7_200, 16.0), (0, 19.24)), (8.0, 12.0, 18.0, 23.0))


def test_the_page_shows_the_last_hours_between_the_limits_and_what_the_nursery_itself_wrote_down(team):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.record = Record(
        Severity.LOSS, 25.0, "All gone", "Loop pump", "Loop pump, fuse 4?", "Swap", "Kim"
    )
    team.rack.alarm()
    link = team.link_of("ada")
    text = opened(link)[1]
    assert "No picture: its rack sends no readings of this" in text
    assert "First: Loop pump, fuse 4?" in text
    assert "Then: Swap. If nobody acts: all gone, usually within\n    25 min" in text
    assert any("Loop pump, fuse 4?" in said for said in team.phones.texts("ada-1"))
    team.rack.beat(Course("k1/temperature/high", 19.24, 0.6, 0, None, TRAIL))
    wait_for(lambda: "<polyline" in opened(link)[1])
    text = opened(link)[1]
    assert "lowest 15, highest 19.24. Limits: 12 to 18; critical 8 to 23" in text
    assert "k1, temperature, as of " in text
    points = re.search('<polyline points="([^"]*)"', text)[1].split()
    assert [point.partition(",")[0] for point in points] == ["0.0", "226.7", "340.0"]
    team.rack.beat(Course("k1/temperature/high", 19.24, 0.6, 0, None))
    wait_for(lambda: "<polyline" not in opened(link)[1])


def test_what_joined_after_somebody_looked_is_not_answered_for(team):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.alarm(cause="loop")
    link = team.link_of("ada")
    before = re.search(r'name="shown" value="([^"]*)"', opened(link)[1])[1]
    team.rack.alarm(vessel="k2", cause="loop")
    wait_for(lambda: f'value="{before}"' not in opened(link)[1])
    assert "changed since you looked" in opened(link, {"reply": "seen", "shown": before})[1]
    assert "Nobody has answered yet" in opened(link)[1]
    assert "ada has seen it" in answered(link, "seen")[1]


def test_seen_is_sent_until_the_rack_itself_says_so(tmp_path):
    with (
        Mosquitto(tmp_path) as broker,
        PageReceiver() as phones,
        Team(tmp_path, broker, phones, commands=True) as team,
    ):
        answered(team.link_in_greet("ada"), "seen")
        team.rack.alarm()
        link = team.link_of("ada")
        assert "ada has seen it; sent to the rack, not confirmed yet." in answered(link, "seen")[1]
        assert "sent to the rack, not confirmed yet: CRITICAL" in team.run.asks("status").stdout
        team.rack.alarm(Trigger.ACKNOWLEDGED, State.ACKNOWLEDGED, who="ada")
        wait_for(lambda: "not confirmed" not in opened(link)[1])
        assert "not confirmed" not in team.run.asks("status").stdout


def test_where_the_page_cannot_be_served_people_are_called_all_the_same(tmp_path):
    with Mosquitto(tmp_path) as broker, PageReceiver() as phones, socket.socket() as taken:
        team = Team(tmp_path, broker, phones)
        taken.bind(("127.0.0.1", team.port))
        taken.listen()
        with team:
            team.rack.alarm()
            phones.wait_for(lambda: phones.texts("ada-1"), "the call")
            assert "page_not_served" in team.run.log


def test_the_next_person_is_called_at_the_press_of_a_button(team):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.alarm()
    assert "ada wants somebody else" in answered(team.link_of("ada"), "call the next person")[1]
    team.phones.wait_for(lambda: team.phones.texts("bo-1"), "the next person")


def test_a_link_is_good_for_its_person_its_problem_and_its_time(team, tmp_path):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.alarm()
    link = team.link_of("ada")
    base, _, token = link.rpartition("/")
    forged = [
        token[:-1] + ("a" if token[-1] != "a" else "b"),
        token.swapcase(),
        token[:-1],
        "",
        "..",
        "x" * 5000,
    ]
    for path in [*forged, f"{token}/x", "%00", "'%20OR%201=1--"]:
        assert opened(f"{base}/{path}")[0] in (404, 414), path
        assert opened(f"{base}/{path}", {"reply": "seen"})[0] in (404, 414), path
    team.rack.alarm(vessel="k2")
    team.phones.wait_for(lambda: any(" k2:" in text for text in team.phones.texts("ada-1")), "the other one")
    assert "ada has seen it" in answered(link, "seen")[1]
    store = OnCallStore(tmp_path / "oncall.sqlite")
    standing = {problem.number: problem.urgency for problem in team_of(store).problems()}
    assert standing == {1: None, 2: Priority.CRITICAL}, "it answers for what its message was about alone"
    known = store.link(token, 0)
    assert (known.person, known.problems) == ("ada", [1])
    left = "x" * TOKEN_LENGTH
    copy = "INSERT INTO link SELECT ?, 'zoe', problems, until_ms FROM link WHERE token = ?"
    store._db.execute(copy, (left, token))
    for form in (None, {"reply": "seen", "shown": "1:1"}):
        assert opened(f"{base}/{left}", form)[0] == 404, "of somebody who is not in the rota"
    store._db.execute("UPDATE link SET until_ms = 1 WHERE token = ?", (token,))
    store.close()
    status, text, _ = answered(link, "seen")
    assert (status, "not valid any more" in text) == (404, True)
    assert any(word in team.run.asks("status").stdout for word in ("calls,",)), "it still calls"


def test_only_our_own_page_may_act_and_nothing_that_is_sent_ends_it(team):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.alarm()
    link = team.link_of("ada")
    for headers in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        assert answered(link, "seen", **headers)[0] == 403
    assert answered(link, "x" * BODY_AT_MOST)[0] == 413
    for reply in ("", "SEEN", "on my way 0", "on my way 999", "seen\n", "<b>"):
        assert "does not know that answer" in answered(link, reply)[1]
    assert "Nobody has answered yet" in opened(link)[1]
    assert "ada is on the way, " in answered(link, "on my way 20")[1]
    assert team.run.stop() == 0


def test_the_page_is_served_over_tls_by_files(tmp_path):
    authority = own_authority(tmp_path, "team")
    certificate = signed_by(tmp_path, "team", "127.0.0.1")
    files = certificate, certificate.with_suffix(".key")
    server = PageServer(("127.0.0.1", 0), lambda _: Page("calm"), files)
    server.start()
    try:
        trusted = ssl.create_default_context(cafile=str(authority))
        url = f"https://127.0.0.1:{server.server_address[1]}/"
        with urllib.request.urlopen(url, timeout=20, context=trusted) as answer:
            assert answer.read() == b"calm"
    finally:
        server.stop()


def test_what_goes_wrong_with_a_page_stays_with_that_page():
    def pages(request):
        raise ZeroDivisionError(request.path)

    server = PageServer(("127.0.0.1", 0), pages)
    server.start()
    try:
        url = f"http://127.0.0.1:{server.server_address[1]}/"
        assert [opened(url)[0] for _ in range(3)] == [500, 500, 500]
        assert opened(f"{url}style.css")[0] == 200
    finally:
        server.stop()


@pytest.fixture(scope="module")
def phone(tmp_path_factory):
    """A browser of a phone's size."""
    with chromium(tmp_path_factory.mktemp("browser"), device=(390, 844, 3.0)) as opened_browser:
        yield opened_browser


def test_on_a_phone_without_scripts_it_takes_one_tap_to_answer(team, phone):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.alarm()
    team.rack.beat(Course("k1/temperature/high", 19.24, 0.6, 0, None, TRAIL))
    link = team.link_of("ada")
    wait_for(lambda: "<polyline" in opened(link)[1])
    phone.get(link)
    assert phone.find_element("css selector", ".picture").size["width"] <= 390
    text = phone.find_element("css selector", "main").text
    assert "CRITICAL north k1: temperature high 19.24 C" in text
    buttons = phone.find_elements("css selector", "button")
    assert buttons[0].text == "I have seen it"
    for button in buttons:
        assert button.size["height"] >= 44, "a thumb's width (WCAG 2.2, 2.5.5)"
        assert button.location["x"] + button.size["width"] <= 390, "no scrolling aside"
    buttons[0].click()
    until = time.monotonic() + 20
    while "ada has seen it" not in phone.page_source:
        assert time.monotonic() < until
    assert phone.find_elements("css selector", "script") == []
    assert phone.get_log("browser") == []


@pytest.mark.usefixtures("quiet_logs")  # words on hundreds of broken connections take half a minute
def test_whoever_holds_connections_open_keeps_nobody_from_being_called():
    """Each takes a file handle; the process needs some for the broker, its file and people's messages."""
    answered = threading.Event()
    server = PageServer(("127.0.0.1", 0), lambda _: Page("calm" if answered.is_set() else "busy"))
    server.start()
    held = []
    try:
        before = sum(1 for _ in Path("/proc/self/fd").iterdir())
        for _ in range(3 * CONNECTIONS_AT_MOST):
            held.append(socket.create_connection(server.server_address[:2], timeout=20))
            held[-1].sendall(b"POST /x HTTP/1.0\r\nContent-Length: 9\r\n\r\n")
        with suppress(ConnectionResetError):
            assert held[0].recv(1) == b"", "broken off for who came later"
        handles = len(held) + CONNECTIONS_AT_MOST + 5 + before
        wait_for(lambda: sum(1 for _ in Path("/proc/self/fd").iterdir()) <= handles)
        for each in held:
            each.close()
        answered.set()
        until = time.monotonic() + 20
        while True:
            with suppress(OSError):
                assert opened(f"http://127.0.0.1:{server.server_address[1]}/")[1] == "calm"
                break
            assert time.monotonic() < until, "the places were never given back"
    finally:
        for each in held:
            each.close()
        server.stop()


def test_who_sends_a_byte_now_and_then_is_broken_off(monkeypatch):
    """Each byte comes well within the patience for one; the whole request never does."""
    monkeypatch.setattr("daemon.web.server.ASKED_WITHIN_S", 1.0)
    server = PageServer(("127.0.0.1", 0), lambda _: Page("calm"))
    server.start()
    try:
        with socket.create_connection(server.server_address[:2], timeout=20) as slow:
            slow.settimeout(0.2)
            began_s, ended = time.monotonic(), False
            while not ended and time.monotonic() < began_s + 20:
                try:
                    slow.sendall(b"G")
                    ended = slow.recv(1) == b""
                except TimeoutError:
                    continue
                except OSError:
                    ended = True
            assert ended, "it kept its place"
            assert time.monotonic() - began_s >= 1.0
        assert opened(f"http://127.0.0.1:{server.server_address[1]}/")[1] == "calm"
    finally:
        server.stop()


@pytest.mark.parametrize(
    "row", [("never heard of", "ada", None), ("on my way", "ada", -(10**17)), ("on my way", "ada", 10**17)]
)
def test_a_row_that_is_no_answer_is_refused_and_the_process_goes_on(team, tmp_path, row):
    team.rack.alarm()
    team.phones.wait_for(lambda: team.phones.texts("ada-1"), "the call")
    store = OnCallStore(tmp_path / "oncall.sqlite")
    number = store._db.execute(
        "INSERT INTO request (problem, reply, who, until_ms) VALUES (1, ?, ?, ?)", row
    ).lastrowid
    team.run.wait_for(lambda: store.answer_to(number) is not None, "the refusal")
    assert "not an answer" in store.answer_to(number)
    store.ask(1, Answer(Reply.SEEN, "a\nforged\x1b[2J line"))
    team.run.wait_for(lambda: store.asked() == [], "the answer")
    store.close()
    team.phones.wait_for(lambda: any("forged" in text for text in team.phones.texts()), "the word")
    assert not any("\n" in text or "\x1b" in text for text in team.phones.texts())
    assert team.run.stop() == 0


def test_what_got_worse_after_somebody_looked_is_not_answered_for(team):
    answered(team.link_in_greet("ada"), "seen")
    team.rack.alarm(priority=Priority.HIGH)
    link = team.link_of("ada")
    before = re.search(r'name="shown" value="([^"]*)"', opened(link)[1])[1]
    team.rack.alarm(Trigger.WORSENED)
    wait_for(lambda: f'value="{before}"' not in opened(link)[1])
    assert "changed since you looked" in opened(link, {"reply": "seen", "shown": before})[1]
