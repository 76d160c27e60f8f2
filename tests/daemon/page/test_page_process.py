"""`bellwatch page` as it runs: a process of its own beside the real watch, over TLS, that outlives it."""

import http.client
import ssl
import subprocess
import sys
import time

import pytest

from daemon.check.load import load_settings
from daemon.page.people import devices_of
from tests.daemon.page.test_pages import PHONE, errors_in, text_of
from tests.rigs.daemon_run import PATIENCE_S, DaemonRun, write_settings
from tests.rigs.journal_file import readings_in
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import ROOT

PAGE = """\
[page]
port = {port}
acts = true
certificate = "{certificate}"
key = "{key}"
"""


def calm_water(request):
    return answer_frame(request[0], request[1], 1_500)


@pytest.fixture
def served(tmp_path):
    """The real watch and the real page, with what they stand on; gives the watch, settings and authority."""
    authority = own_authority(tmp_path, "ours")
    certificate = signed_by(tmp_path, "ours", "127.0.0.1")
    line, port = PtyLine(tmp_path / "serial"), free_port()
    page = PAGE.format(port=port, certificate=certificate, key=certificate.with_suffix(".key"))
    with Mosquitto(tmp_path) as broker, Peer(line, calm_water):
        path = write_settings(tmp_path, line.path, broker.port, more=page)
        path.write_text(path.read_text().replace("time_zone =", 'people = ["ada"]\ntime_zone =', 1))
        daemon = DaemonRun(path)
        daemon.start()
        daemon.wait_for(lambda: readings_in(tmp_path / "journal.sqlite") > 5, "readings")
        command = [sys.executable, "-m", "daemon", "page", "--settings", str(path)]
        serving = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        try:
            assert serving.stdout.readline() == f"the rack's page: https://127.0.0.1:{port}/\n"
            yield daemon, load_settings(path), authority
        finally:
            serving.terminate()
            assert serving.wait(PATIENCE_S) == 0
            serving.stdout.close()
            daemon.end_by_force()
    line.unplug()


def test_a_watch_that_is_killed_and_comes_back_is_seen_in_a_page_that_stays_open(served, tmp_path):
    daemon, settings, _ = served
    with chromium(tmp_path / "phone", "--ignore-certificate-errors", device=PHONE) as phone:
        phone.get(f"https://127.0.0.1:{settings.page.port}/")
        wait_for(lambda: "\nwatched · read" in text_of(phone))
        daemon.kill_after(0)
        wait_for(lambda: "Nobody watches: `bellwatch run` is dead since" in text_of(phone))
        assert "No alarm" not in text_of(phone)
        daemon.start()
        wait_for(lambda: "\nwatched · read" in text_of(phone))
        assert "Nobody watches" not in text_of(phone)
        assert [it for it in errors_in(phone) if "rack.js" in it] == []


def test_who_signs_in_over_tls_gets_a_cookie_that_never_goes_without(served):
    _, settings, authority = served
    code = devices_of(settings).new_code("ada", int(time.time() * 1000))
    trusting = ssl.create_default_context(cafile=str(authority))
    connection = http.client.HTTPSConnection("127.0.0.1", settings.page.port, context=trusting, timeout=20)
    connection.request("POST", "/sign-in", f"code={code}")
    with connection.getresponse() as answer:
        assert answer.status == 303
        cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith("__Host-bellwatch=")
    assert {"Path=/", "HttpOnly", "SameSite=Strict", "Secure"} <= set(cookie.split("; "))
    connection.request("GET", "/", headers={"Cookie": cookie.partition(";")[0]})
    with connection.getresponse() as answer:
        assert "Signed in as ada." in answer.read().decode()
    connection.close()
