"""Faults at the joints between on-call, page, rack and broker that nobody thought of at first."""

import re
import shutil
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter
from contextlib import closing
from functools import partial
from unittest.mock import patch

from daemon.clock import SteadyClock
from daemon.oncall import store
from daemon.oncall.assembly import build
from daemon.oncall.check import load_oncall
from tests.faults.chain import Came
from tests.faults.inject_pair import Pair
from tests.faults.inject_rack import only_root
from tests.faults.inject_team import ALARM, DAY_MS
from tests.faults.whole_rack import Team
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.small_disk import small_disk
from tests.rigs.rack_voice import RackVoice

LINK = re.compile(r"http://127\.0\.0\.1:\d+/[A-Za-z0-9]{16}\b")
OURS = "the on-call file or clock went back"


class PageTeam(Team):
    """With a page that people answer on, which has opened on the phones of both."""

    def __init__(self, folder, **how):
        super().__init__(folder, start=False, **how)
        self.file, self.port = folder / "oncall.toml", free_port()
        page = f'\n[page]\nurl = "http://127.0.0.1:{self.port}"\nport = {self.port}\n'
        self.file.write_text(self.file.read_text() + page)
        self.team.start()
        self.team.wait_for(lambda: "broker_connected" in self.team.log, "the on-call process")
        for person in ("ada", "bo"):
            self.team.asks("greet", person)
            greeting = next(text for text in reversed(self.phones.texts(f"{person}-1")) if LINK.search(text))
            self.press(LINK.search(greeting)[0], "seen")
        self.mark()

    def link(self, person="ada"):
        """Return the link of a person's newest message about an alarm."""

        def found():
            texts = [text for text in self.phones.texts(f"{person}-1") if re.search(ALARM, text)]
            return [LINK.search(text)[0] for text in texts if LINK.search(text)]

        self.phones.wait_for(found, "a link")
        return found()[-1]

    def press(self, link, reply):
        """Press a button; return the status and the page that comes."""
        try:
            page = urllib.request.urlopen(link, timeout=10).read().decode()
            shown = re.search(r'name="shown" value="([^"]*)"', page)
            body = urllib.parse.urlencode({"shown": shown[1] if shown else "", "reply": reply}).encode()
            with urllib.request.urlopen(link, body, timeout=15) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as refused:
            return refused.code, refused.read().decode()
        except OSError as broken:
            return 0, str(broken)


# On-call


def oncall_restored(folder):
    with Team(folder, repeat_s=0.5) as desk:
        desk.voice.alarm()
        desk.called(ALARM)
        desk.team.stop()
        shutil.copy(folder / "oncall.sqlite", folder / "copy.sqlite")
        desk.team.start()
        desk.voice.alarm(vessel="k2")
        desk.called("north k2: ")
        before = desk.texts()
        desk.team.stop()
        for end in ("", "-wal", "-shm"):
            (folder / f"oncall.sqlite{end}").unlink(missing_ok=True)
        shutil.copy(folder / "copy.sqlite", folder / "oncall.sqlite")
        desk.mark()
        desk.team.start()
        came = desk.called(OURS)
        again = desk.called(ALARM).after_s is not None and desk.called("north k2: ").after_s is not None
        means = {
            (number, vessel)
            for text in [*before, *desk.texts()]
            for number in re.findall(r"#(\d+)\.", text)
            for vessel in re.findall(r"north (k\d): ", text)
        }
        twice = [number for number, count in Counter(number for number, _ in means).items() if count > 1]
        return came._replace(wrong=f"twice: {twice}" if twice else "" if again else "not called anew")


def oncall_pair_differs(folder):
    with Pair(folder) as pair:
        pair.second.stop()
        theirs = folder / "attic" / "oncall.toml"
        theirs.write_text(theirs.read_text().replace('people = ["ada", "bo"]', 'people = ["bo", "ada"]'))
        pair.mark()
        pair.second.start()
        return pair.called("MEDIUM attic: on-call process goes by other people")


def oncall_clock_year_ahead(folder):
    """It ran while the machine's date was a year ahead, and begins again once a time service put that right.

    The mark of the time service is invented: the process runs within this one.
    """
    with Team(folder, start=False) as desk, patch.object(store, "SYNCHRONISED_MARK", folder):
        settings, routes = load_oncall(folder / "oncall.toml")
        ahead = SteadyClock(int(time.time() * 1000) + 365 * DAY_MS)
        for found in (ahead, None):
            with closing(store.OnCallStore(settings.oncall.state)) as file:
                clock, stop = found or file.clock(), threading.Event()
            work = partial(lambda clock, stop: build(settings, routes, clock).run(stop), clock, stop)
            thread = threading.Thread(target=work)
            thread.start()
            desk.mark()
            desk.voice.alarm(vessel="k2")
            came = desk.called("north k2: ")
            stop.set()
            thread.join(20)
        off_d = abs(clock.now_ms() - time.time() * 1000) / DAY_MS
        return came._replace(wrong=f"its clock stays {off_d:.0f} days ahead" if off_d > 1 else "")


def oncall_numbers_made_up(folder):
    """Somebody who may write under our name says that enormous numbers were given out."""
    with Team(folder) as desk:
        said = f"state ffffff on nowhere, numbers {10**15 - 1} 1 1 abcdef"
        desk.voice.publish("bellwatch/_oncall/name/desk", said, retain=True)
        desk.voice.alarm()
        came = desk.called(ALARM)
        number = re.search(r"#(\d+)\.", next(text for text in desk.texts() if re.search(ALARM, text)))[1]
        return came._replace(wrong="" if len(number) < 9 else f"a number of {len(number)} digits")


# Person


def person_left_link(folder):
    """Whoever is taken out of the rota answers by a link of before."""
    with PageTeam(folder) as desk:
        desk.voice.alarm()
        link = desk.link()
        desk.team.stop()
        desk.file.write_text(desk.file.read_text().replace('people = ["ada", "bo"]', 'people = ["bo"]'))
        desk.mark()
        desk.team.start()
        desk.team.wait_for(lambda: desk.team.log.count("broker_connected") > 1, "the on-call process")
        status, page = desk.press(link, "seen")
        status_text = desk.team.asks("status").stdout
        wrong = "" if "calls, " in status_text else "who has left has answered it"
        return Came(desk.passed_s() if status == 404 and "not valid" in page else None, wrong)


def person_left_owed(folder):
    """A message waits for somebody whose services are dead, who is taken out of the rota."""
    with Team(folder) as desk:
        desk.phones.refuse("ada-1", "ada-2")
        desk.voice.alarm()
        desk.called("bo-1: .*k1")
        desk.team.stop()
        file = folder / "oncall.toml"
        file.write_text(file.read_text().replace('people = ["ada", "bo"]', 'people = ["bo"]'))
        desk.mark()
        desk.team.start()
        until = time.monotonic() + 60
        while time.monotonic() < until:
            if "nobody has taken yet: 0" in desk.team.asks("status").stdout:
                return Came(desk.passed_s())
        return Came(None, "a message waits for ever, and each morning's look says so")


def person_posts_twice(folder):
    """A phone sends the press of "call the next person" twice at once."""
    with PageTeam(folder, repeat_s=600, hand_over_s=600) as desk:
        desk.voice.alarm()
        link = desk.link()
        desk.mark()
        presses = [threading.Thread(target=desk.press, args=(link, "call the next person")) for _ in range(2)]
        for press in presses:
            press.start()
        for press in presses:
            press.join()
        came = desk.called(f"bo-1: .*{ALARM}", gathers=False)
        time.sleep(1.5)
        passed_over = [text for text in desk.texts() if re.match(f"ada-1: .*{ALARM}", text)]
        return came._replace(wrong=f"bo is passed over: {passed_over}" if passed_over else "")


def person_answers_on_full_disk(folder):
    """The on-call machine's disk is full while somebody presses a button."""
    only_root()
    with small_disk(folder / "disk", 8) as disk, PageTeam(folder, state_in=disk.path) as desk:
        desk.voice.alarm()
        link = desk.link()
        desk.mark()
        disk.fill()
        status, page = desk.press(link, "seen")
        told = status != 200 or "Noted, but" in page
        disk.make_room()
        return Came(desk.passed_s() if told else None, "" if told else f"the page says {page[:80]}")


# Racks


def racks_renamed(folder):
    """A rack goes on under another name: its journal and machine are the same."""
    with Team(folder) as desk:
        desk.voice.alarm()
        desk.called(ALARM)
        desk.voice.stop_on_purpose()
        renamed = RackVoice(desk.broker.port, "south", voice=desk.voice.voice)
        with renamed:
            desk.mark()
            renamed.beat()
            renamed.alarm()
            came = desk.called("south k1: temp")
            stopped = desk.called("(HIGH|CRITICAL|MEDIUM) north: rack stopped")
            return came._replace(wrong="" if stopped.after_s is not None else "of north nothing is said")


def racks_kept_of_nobody(folder):
    """The broker keeps an alarm of a rack that no longer exists; a new on-call process begins."""
    with Team(folder, start=False, speaks=False) as desk:
        with RackVoice(desk.broker.port, "old") as old:
            old.alarm()
        desk.team.start()
        desk.mark()
        came = desk.called("old k1: temp")
        silent = desk.called("CRITICAL old: rack silent", "gone")
        return came._replace(wrong="" if silent.after_s is not None else "its silence is not told")
