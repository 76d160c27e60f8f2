"""A drill through the whole chain: rack, broker, on-call process, phone, person and back; all of it real."""

import re
import subprocess
import sys

import pytest

from tests.daemon.oncall.test_page import LINK, Team, answered, opened
from tests.rigs.daemon_run import ROOT, DaemonRun, write_settings
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

PATIENCE_S = 60


def still_water(request):
    return answer_frame(request[0], request[1], 1500)


@pytest.fixture
def chain(tmp_path):
    """A rack with a probe on a pseudo-terminal, and a team with a page and phones, at one broker."""
    line = PtyLine(tmp_path / "serial")
    with (
        Mosquitto(tmp_path) as broker,
        PageReceiver() as phones,
        Peer(line, still_water),
        Team(tmp_path, broker, phones) as team,
    ):
        settings = write_settings(tmp_path, line.path, broker.port)
        rack = DaemonRun(settings)
        rack.start()
        try:
            rack.wait_for(lambda: "broker_connected" in rack.log, "the connection")
            yield settings, team
        finally:
            rack.end_by_force()
    line.unplug()


def drill(rack):
    """Ask the rack for a drill."""
    asked = [sys.executable, "-m", "daemon", "drill", "--who", "kim", "--settings", str(rack)]
    return subprocess.run(asked, capture_output=True, text=True, timeout=PATIENCE_S, cwd=ROOT, check=False)


def drills(phones):
    return [text for text in phones.texts("ada-1") if text.startswith("DRILL")]


def test_from_the_rack_to_the_person_and_back_by_the_link_which_counts_as_opened(chain):
    rack, team = chain
    done = drill(rack)
    assert (done.returncode, done.stdout.startswith("Drill asked for by kim")) == (0, True), done.stderr
    team.phones.wait_for(lambda: drills(team.phones), "the drill")
    link = LINK.search(drills(team.phones)[0])[0]
    assert "goes on" in team.run.asks("status").stdout
    page = opened(link)[1]
    assert "A drill, no alarm" in page
    assert "DRILL bench: nothing is wrong" in page
    answered(link, "seen")
    team.phones.wait_for(lambda: any("DRILL" in it and "OVER" in it for it in team.phones.texts()), "its end")
    assert "The drill is over" in opened(link)[1]
    status = team.run.asks("status").stdout
    assert re.search(r"Drill of bench, #1: answered by ada after \d+ s, by link, reached by route 1", status)
    team.rack.alarm()
    assert team.link_of("ada"), "a link that opened in a drill is in real messages too"


def test_answered_by_its_number_beside_a_real_alarm(chain):
    rack, team = chain
    drill(rack)
    team.phones.wait_for(lambda: drills(team.phones), "the drill")
    number = drills(team.phones)[0].split("#")[1].split()[0]
    assert team.run.asks("ack", number, "--who", "ada").returncode == 0
    assert "answered by ada" in team.run.asks("status").stdout
    assert "by number" in team.run.asks("status").stdout
    drill(rack)
    team.phones.wait_for(lambda: len({it.split("#")[1][0] for it in drills(team.phones)}) > 1, "the next")
    team.rack.alarm()
    team.phones.wait_for(lambda: any("CRITICAL" in it for it in team.phones.texts()), "the real one")
    assert "broken off" in team.run.asks("status").stdout
    ended = drills(team.phones)[-1].split("#")[1].partition(".")[0]
    refused = team.run.asks("ack", ended, "--who", "ada")
    assert "no problem of this number stands now" in refused.stderr
    assert "calls, 1 told: CRITICAL north k1" in team.run.asks("status").stdout
