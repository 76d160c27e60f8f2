"""An older copy of the on-call process's file, put back as people do it: no number of it means two things."""

import re
import shutil
import urllib.error
import urllib.request

import pytest

from tests.daemon.oncall.test_page import LINK, Team
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver

OURS = "the on-call file or clock went back, earlier numbers and links hold no more"


def numbers(texts):
    """Each number with what was said under it, but for the link and the time that it lasts."""
    found = {}
    for text in texts:
        if number := re.search(r"#([0-9]+\.[0-9]+)", text):
            found.setdefault(number[1], set()).add(LINK.sub("", text))
    return found


def problems(texts):
    return {int(number.partition(".")[0]) for number in numbers(texts)} - {0}


def copied(team, folder):
    """Stop the process and copy its file, as a backup does."""
    assert team.run.stop() == 0
    shutil.copy(folder / "oncall.sqlite", folder / "copy.sqlite")
    team.run.start()


def put_back(team, folder):
    """Stop the process and put the copy in the place of its file; return what was told until then."""
    assert team.run.stop() == 0
    told = set(team.phones.texts())
    for end in ("", "-wal", "-shm"):
        (folder / f"oncall.sqlite{end}").unlink(missing_ok=True)
    shutil.copy(folder / "copy.sqlite", folder / "oncall.sqlite")
    team.run.start()
    return told


def told(team, what):
    team.phones.wait_for(lambda: any(what in text for text in team.phones.texts()), what)


@pytest.fixture
def team(tmp_path):
    with Mosquitto(tmp_path) as broker, PageReceiver() as phones, Team(tmp_path, broker, phones) as team:
        yield team


def test_no_number_is_given_out_twice_and_old_links_are_refused(tmp_path, team):
    greeting = team.link_in_greet("ada")
    team.rack.alarm()
    told(team, "#1.1")
    copied(team, tmp_path)
    for vessel in ("k2", "k3"):
        team.rack.alarm(vessel=vessel)
        told(team, f"north {vessel}: ")
    for _ in range(2):
        before = put_back(team, tmp_path)
        team.rack.alarm(vessel="k4")
        told(team, OURS)
        wanted = [f"north {vessel}: " for vessel in ("k1", "k2", "k3", "k4")]

        def all_again(before=before, wanted=wanted):
            new = [text for text in team.phones.texts() if text not in before]
            return all(any(name in text for text in new) for name in wanted)

        team.phones.wait_for(all_again, "what stands, anew")
        after = [text for text in team.phones.texts() if text not in before]
        assert problems(after).isdisjoint(problems(before))
    assert all(len(said) == 1 for said in numbers(team.phones.texts()).values())
    with pytest.raises(urllib.error.HTTPError, match="404"):
        urllib.request.urlopen(greeting, timeout=5)
    assert "no problem of this number" in team.run.asks("ack", "1", "--who", "ada").stderr
    status = team.run.asks("status").stdout
    newest = max(problems(team.phones.texts()))
    assert f"#{newest} " in status or f"#{newest}\n" in status, status


def test_a_file_that_begins_anew_goes_on_beyond_what_was_given_out(tmp_path, team):
    team.rack.alarm()
    team.rack.alarm(vessel="k2")
    told(team, "north k2: ")
    used = problems(team.phones.texts())
    assert team.run.stop() == 0
    for end in ("", "-wal", "-shm"):
        (tmp_path / f"oncall.sqlite{end}").unlink(missing_ok=True)
    before = set(team.phones.texts())
    team.run.start()
    told(team, OURS)
    assert problems(text for text in team.phones.texts() if text not in before).isdisjoint(used)


def test_a_restart_on_the_same_file_keeps_numbers_and_links(tmp_path, team):
    greeting = team.link_in_greet("ada")
    team.rack.alarm()
    told(team, "#1.1")
    team.run.kill_after(0.0)
    team.run.start()
    sent = len(team.phones.texts())
    team.phones.wait_for(lambda: len(team.phones.texts()) > sent + 1, "repeats")
    assert problems(team.phones.texts()) == {1}
    assert urllib.request.urlopen(greeting, timeout=5).status == 200
    assert "file_went_back" not in team.run.log
