"""Faults of a pair of watchers: two real on-call processes at a real broker, each with phones of its own."""

import time

from tests.faults.chain import Came
from tests.faults.inject_team import ALARM
from tests.faults.proxy import Network
from tests.faults.whole_rack import SHIPPED_MORE, Listener, Team, short_oncall
from tests.rigs.oncall_run import OnCallRun
from tests.rigs.parts.page_receiver import PageReceiver

MISSING_S = 3.0
SHIPPED_MORE["missing"] = 120 - MISSING_S
PAIR = f'\n[pair]\nfirst = "desk"\nsecond = "attic"\nmissing_after_s = {MISSING_S}\n'
NOT_HEARD = "MEDIUM {}: on-call process not heard"


class Ear(Listener):
    """What the phones heard from the second watcher."""

    def __init__(self, phones):
        self.phones = phones
        self.mark()


class Pair(Team):
    """Both watchers; `ear` hears the phones of the second, `cut` names whose network is ours."""

    def __init__(self, folder, cut="", **how):
        through = {"through": Network} if cut == "first" else {}
        super().__init__(folder, start=False, **through, **how)
        phones = self._stack.enter_context(PageReceiver())
        self.network = self.through
        port = self.broker.port
        if cut == "second":
            self.network = self._stack.enter_context(Network(port))
            port = self.network.port
        (folder / "attic").mkdir()
        theirs = short_oncall(folder / "attic", port, phones.port, **how)
        theirs.write_text(theirs.read_text().replace('name = "desk"', 'name = "attic"') + PAIR)
        ours = folder / "oncall.toml"
        ours.write_text(ours.read_text() + PAIR)
        self.second = OnCallRun(theirs)
        self._stack.callback(self.second.end_by_force)
        for watcher in (self.team, self.second):
            watcher.start()
            watcher.wait_for(lambda watcher=watcher: "broker_connected" in watcher.log, "a watcher")
        self.ear = Ear(phones)
        time.sleep(1.0)  # a sign of life of each
        self.mark()

    def mark(self):
        super().mark()
        if hasattr(self, "ear"):
            self.ear.mark()
        return self

    def silent_second(self):
        """Say what the second called since the mark that it need not; empty where there is nothing."""
        return self.ear.texts()[0] if self.ear.texts() else ""


def oncall_pair_works(folder):
    """Both live: the first calls alone, and what it was answered holds at both."""
    with Pair(folder) as desk, desk.beating():
        desk.voice.alarm()
        came = desk.called(f"ada-1: .*{ALARM}")
        time.sleep(2 * MISSING_S)
        return came._replace(wrong=desk.silent_second() and f"called twice: {desk.silent_second()}")


def oncall_first_dead(folder):
    with Pair(folder) as desk, desk.beating():
        desk.team.kill_after(0.0)
        desk.mark()
        desk.voice.alarm()
        return desk.ear.called(ALARM, "missing")


def oncall_first_hangs(folder):
    with Pair(folder) as desk, desk.beating():
        desk.team.pause()
        desk.mark()
        desk.voice.alarm()
        return desk.ear.called(ALARM, "missing")


def oncall_first_dead_told(folder):
    with Pair(folder) as desk, desk.beating():
        desk.team.kill_after(0.0)
        desk.mark()
        return desk.ear.called(NOT_HEARD.format("desk"), "missing")


def oncall_second_dead(folder):
    with Pair(folder) as desk, desk.beating():
        desk.second.kill_after(0.0)
        desk.mark()
        return desk.called(NOT_HEARD.format("attic"), "missing")


def oncall_first_cut_off(folder):
    with Pair(folder, cut="first") as desk, desk.beating():
        desk.network.cut = True
        desk.mark()
        desk.voice.alarm()
        came = desk.ear.called(ALARM, "missing")
        desk.network.cut = False
        return came


def oncall_second_cut_off(folder):
    with Pair(folder, cut="second") as desk, desk.beating():
        desk.network.break_off()
        desk.network.target = 1  # nothing listens there
        desk.mark()
        desk.voice.alarm()
        first = desk.called(ALARM)
        lost = desk.ear.called("CRITICAL broker: broker not reached", "broker")
        return lost._replace(wrong="" if first.after_s is not None else "the first does not call")


def oncall_first_unheard(folder):
    """The first lives, but no service takes its messages."""
    with Pair(folder) as desk, desk.beating():
        desk.phones.refuse("ada-1", "ada-2", "bo-1", "bo-2")
        desk.mark()
        desk.voice.alarm()
        return desk.ear.called(ALARM, "missing")


def oncall_first_returns(folder):
    """It was dead while the second called; back again, it says nothing for what was seen meanwhile."""
    with Pair(folder) as desk, desk.beating():
        desk.team.kill_after(0.0)
        desk.mark()
        desk.voice.alarm()
        called = desk.ear.called(ALARM, "missing")
        if called.after_s is None:
            return Came(None, "the second does not call")
        number = desk.ear.texts()[-1].rpartition("#")[2].partition(".")[0]
        desk.second.asks("ack", number, "--who", "ada")
        desk.team.start()
        began_s = time.monotonic()
        seen = desk.team.wait_for(
            lambda: (
                "1 told" not in desk.team.asks("status").stdout
                and "seen or silenced" in desk.team.asks("status").stdout
            ),
            "the answer",
        )
        after_s = time.monotonic() - began_s if seen is not False else None
        doubled = [text for text in desk.texts() if ALARM in text and "OVER" not in text]
        return Came(after_s, "" if len(doubled) <= 1 else f"{len(doubled)} messages of one step")


def oncall_pair_without_broker(folder):
    with Pair(folder) as desk:
        desk.broker.kill()
        came = desk.called("CRITICAL broker: broker not reached", "broker")
        also = desk.ear.called("CRITICAL broker: broker not reached", "broker")
        desk.broker.start()
        return came._replace(wrong="" if also.after_s is not None else "the second does not say so")
