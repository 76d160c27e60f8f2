"""What wins where two meet: each row of the table, tried on the real engine and the real calling core.

The rules are the project's own; the order of shelved, suppressed and out of service is that of IEC 62682's
diagram (from memory).
"""

from dataclasses import replace
from datetime import time
from itertools import combinations
from zoneinfo import ZoneInfo

import pytest

from rules.alarms.life_cycle import Priority
from rules.alarms.precedence import PRECEDENCE, Thing
from rules.calling.duty import DEFAULT_MANNERS, Pair
from rules.calling.escalation import Escalation
from rules.calling.pair import OtherSays, Sent
from rules.calling.records import Answer, CallKind, Reply, Word
from rules.calling.rota import QuietHours
from rules.quantities import Quantity
from rules.rack.tolerance import Band
from tests.rigs.watched_rack import MINUTE, PROMPT, START_MS, WatchedRack, plan_of, thermometers
from tests.rules.calling.test_escalation import DUTY

T = Quantity.TEMPERATURE
HIGH, HIGH_HIGH = "k1/temperature/high", "k1/temperature/high_high"
ON_DELAY = 2 * MINUTE
SLOW = replace(PROMPT, on_delay_ms=ON_DELAY, critical_on_delay_ms=ON_DELAY)
STAGES = {
    "polyp": {T: SLOW},  # 12 to 18, critical 8 and 23
    "ephyra": {T: replace(SLOW, advisory=Band(12, 17), critical=Band(8, 23))},
    "strobila": {T: replace(SLOW, advisory=Band(8, 12), critical=Band(4, 16))},
    "adult": {T: replace(SLOW, advisory=Band(12, 28), critical=Band(8, 30))},
}
TEAM = replace(DUTY, manners=DEFAULT_MANNERS, quiet=None)
FAR = ZoneInfo("Pacific/Auckland")
"""The start is 2025-10-09, 10:53 in Copenhagen and 21:53 there; no turn changes between the two."""
HOLDS = {
    Thing.MAINTENANCE: ("begin_maintenance", "end_maintenance", {"target": "vessel/k1"}),
    Thing.SHELF: ("shelve", "unshelve", {"alarm": HIGH}),
    Thing.OUT_OF_SERVICE: ("take_out_of_service", "put_back_into_service", {"alarm": HIGH}),
}


class Chain:
    """A rack's engine, and two watchers of a pair who hear what it says; times are minutes from the start.

    The water is read every minute; `at` is the present minute.
    """

    def __init__(self, celsius=15.0, **how):
        self.rack = WatchedRack(plan_of(thermometers(1, silent_after_ms=3 * MINUTE), STAGES), **how)
        self.first = Escalation(replace(TEAM, pair=Pair("attic", False, 2 * MINUTE)), START_MS)
        self.second = Escalation(replace(TEAM, pair=Pair("desk", True, 2 * MINUTE)), START_MS)
        self.said, self.of_second, self.heard, self.at = [], [], 0, 0
        self.celsius, self.first_lives, self.journal = celsius, True, []
        for team in (self.first, self.second):
            team.link(True, START_MS)

    def until(self, minute):
        """Let the water be read, and everybody hear what comes of it."""
        while self.at < minute:
            self.at += 1
            if self.celsius is None:
                self.rack.wait(self.at * MINUTE)
            else:
                self._journaled("read", self.at * MINUTE, 1, self.celsius)
            self._pass_on()
        return self

    def do(self, kind, **body):
        self._journaled("do", self.at * MINUTE, kind, **body)
        assert not self.rack.refusal
        self._pass_on()

    def _journaled(self, what, *given, **body):
        self.journal.append((what, given, body))
        getattr(self.rack, what)(*given, **body)

    def upgrade(self):
        """Another version takes over that cannot use what this one learned (`daemon.journal.fold`).

        It judges the newest readings again, here those of five minutes.
        """
        fresh = WatchedRack(self.rack.engine._plan)
        for what, given, body in self.journal:
            if what == "do" or given[0] > (self.at - 5) * MINUTE:
                getattr(fresh, what)(*given, **body)
        fresh.wait(self.at * MINUTE)
        told, self.rack.engine = {event.alarm: event for event in self.rack.events}, fresh.engine
        newest = max((event.number for event in self.rack.events), default=0)
        self.rack._said(fresh.engine.take_over(told.values(), newest))
        self._pass_on()
        return self

    def move_zone(self, *watchers):
        """Start watchers anew (both) on settings with another time zone, as the processes do."""
        for name in watchers or ("first", "second"):
            former = getattr(self, name)
            duty = replace(former.duty, rota=replace(former.duty.rota, zone=FAR))
            if duty.quiet:
                duty = replace(duty, quiet=replace(duty.quiet, zone=FAR))
            team = Escalation.restore(former.snapshot(), duty)
            setattr(self, name, team)
            (self.said if name == "first" else self.of_second).extend(team.resume(self._now_ms).calls)
        return self

    def hold(self, thing):
        begins, _, of = HOLDS[thing]
        self.do(begins, why="trying", for_s=7200, **of)

    def release(self, thing):
        _, ends, of = HOLDS[thing]
        self.do(ends, **of)

    def answer(self, reply, who="ada", minutes=None):
        promise_ms = None if minutes is None else self._now_ms + minutes * MINUTE
        (problem,) = self.first.problems()
        self._say(self.first.answer(problem.number, Answer(reply, who, promise_ms), self._now_ms))

    @property
    def _now_ms(self):
        return START_MS + self.at * MINUTE

    def _say(self, upshot):
        self.said += upshot.calls

    def _pass_on(self):
        events = self.rack.events[self.heard :]
        self.heard = len(self.rack.events)
        for event in events:
            word = Word("north", event, "j")
            self._say(self.first.hear(word, self._now_ms))
            self.of_second += self.second.hear(word, self._now_ms).calls
        self._say(self.first.advance(self._now_ms))
        self.of_second += self.second.advance(self._now_ms).calls
        if self.first_lives:
            sent = [
                tuple(Sent(it.key, it.kind, it.priority, self._now_ms - it.at_ms) for it in made)
                for made in (self.said, self.of_second)
            ]
            signs = [
                OtherSays(made, team.stances(), team.duty.mark)
                for made, team in zip(sent, (self.first, self.second), strict=True)
            ]
            self.of_second += self.second.other(signs[0], self._now_ms).calls
            self._say(self.first.other(signs[1], self._now_ms))

    def calls(self, since):
        """The alarms that the first watcher called about, and when, from a minute on."""
        return _called(self.said, since)

    def second_calls(self, since):
        return _called(self.of_second, since)

    @property
    def state(self):
        return self.rack.states.get(HIGH, "normal")


def _called(calls, since):
    alarms = [call for call in calls if call.kind is CallKind.ALARM and call.key.startswith("north")]
    return [
        (call.person, call.about[0].event.condition)
        for call in alarms
        if call.at_ms > START_MS + since * MINUTE
    ]


def beyond():
    """Water above its advisory limit: told after its on-delay, and called."""
    chain = Chain(19.0).until(5)
    assert chain.calls(0) == [(chain.first.duty.rota.on_call(START_MS), "high")]
    return chain


def test_every_pair_is_in_the_table_once_and_each_has_its_trial():
    pairs = [(it.one, it.other) for it in PRECEDENCE]
    assert pairs == list(combinations(Thing, 2))
    assert set(TRIALS) == set(pairs)
    assert all(it.wins in (it.one, it.other, None) for it in PRECEDENCE)


@pytest.mark.parametrize("restarting", [False, True], ids=["", "restarting"])
@pytest.mark.parametrize("meeting", PRECEDENCE, ids=lambda it: f"{it.one}-{it.other}")
def test_each_row_of_the_table(meeting, restarting, monkeypatch):
    monkeypatch.setattr(WatchedRack, "__init__", _restarting(restarting))
    TRIALS[meeting.one, meeting.other](meeting)


def _restarting(restarting, init=WatchedRack.__init__):
    return lambda self, plan, **_: init(self, plan, restarting=restarting)


STATES = {
    Thing.MAINTENANCE: "suppressed by design",
    Thing.SHELF: "shelved",
    Thing.OUT_OF_SERVICE: "out of service",
}


def two_holds(it):
    loser = it.other if it.wins is it.one else it.one
    for order in ((it.one, it.other), (it.other, it.one)):
        chain = beyond()
        for thing in order:
            if not (thing is Thing.SHELF and chain.state == "out of service"):  # refused by the table
                chain.hold(thing)
        assert chain.state == STATES[it.wins]
        if chain.state != STATES[loser] and loser in order[:1]:
            chain.until(10)
            chain.release(loser)
        assert chain.state == STATES[it.wins]
        assert not chain.until(15).calls(6)
        chain.release(it.wins)
        if order[0] is it.wins and loser is Thing.MAINTENANCE:
            assert not chain.until(20).calls(6), "the other one still holds"
            chain.release(loser)
        assert chain.until(chain.at + 5).calls(15)


def hold_and_stage_move(it):
    """19 °C is beyond 18, and beyond the 17 of an ephyra too."""
    chain = beyond()
    chain.hold(it.one)
    chain.until(6).do("move_stage", vessel="k1", stage="ephyra")
    assert not chain.until(20).calls(6)
    chain.release(it.one)
    assert chain.until(21).calls(20)
    assert chain.rack.events[-1].evidence.limit in (17.0, 18.0)


def shelf_and_stage_move(it):
    """The shelf was for 18 °C; the new limit is told one on-delay later, and not where it is kept."""
    chain = beyond()
    chain.hold(Thing.SHELF)
    chain.until(6).do("move_stage", vessel="k1", stage="ephyra")
    assert not chain.until(6 + ON_DELAY // MINUTE).calls(6)
    assert chain.until(10).calls(6)
    kept = beyond()
    kept.hold(Thing.SHELF)
    kept.until(6).do("move_stage", vessel="k1", stage="adult")
    assert not kept.until(30).calls(6), "by the new limit all is well: the move itself calls nobody"
    same = beyond()
    same.hold(Thing.SHELF)
    same.until(6).do("move_stage", vessel="k1", stage="polyp")
    assert not same.until(30).calls(6)
    assert same.state == "shelved", "the limit is the same"


def hold_and_ramp(it):
    """Ten hours from polyp to ephyra; the hold begins while the limit moves."""
    chain = Chain(19.0)
    chain.do("move_stage", vessel="k1", stage="ephyra", over_s=36_000)
    chain.until(5)
    chain.hold(it.one)
    assert not chain.until(60).calls(6)
    assert chain.state == STATES[it.one]
    chain.release(it.one)
    assert chain.until(61).calls(60)


def hold_and_seen(it):
    chain = beyond()
    chain.do("acknowledge", alarm=HIGH)
    chain.hold(it.one)
    assert not chain.until(20).calls(5)
    chain.release(it.one)
    assert chain.until(21).calls(20)
    assert chain.state == "unacknowledged"


def hold_and_on_my_way(it):
    chain = beyond()
    chain.answer(Reply.ON_MY_WAY, minutes=10)
    chain.until(6)
    chain.hold(it.one)
    assert not chain.until(40).calls(6)
    chain.release(it.one)
    assert chain.until(41).calls(40)


def hold_and_second_watcher(it):
    chain = Chain(19.0).until(2)
    chain.first_lives = False
    chain.until(3)
    chain.hold(it.one)
    assert not chain.until(20).second_calls(3)
    chain.release(it.one)
    assert chain.until(21).second_calls(20)


def move_within_a_ramp(it):
    """Half of the way from 18 to 12 is 15: a move back from there begins at 15, and 16 is beyond it."""
    chain = Chain(14.0)
    chain.do("move_stage", vessel="k1", stage="strobila", over_s=3600)
    chain.until(30)
    chain.do("move_stage", vessel="k1", stage="polyp", over_s=3600)
    chain.celsius = 16.0
    chain.until(33)
    (raised,) = [event for event in chain.rack.events if event.trigger == "raised"]
    assert 14.8 < raised.evidence.limit < 15.1


def answered_and_limits(over_s, answer):
    """Seen, or promised; still beyond under the new limits, nobody is called; worse by them, somebody is."""

    def trial(it):
        chain = beyond()
        answer(chain)
        chain.do("move_stage", vessel="k1", stage="ephyra", over_s=over_s)
        assert not chain.until(20).calls(5)
        chain.do("move_stage", vessel="k1", stage="strobila", over_s=over_s)
        chain.until(20 + max(over_s // 60, 1) + 5)
        assert "high_high" in {condition for _, condition in chain.calls(20)}

    return trial


def see(chain):
    chain.do("acknowledge", alarm=HIGH)


def promise(chain):
    chain.answer(Reply.ON_MY_WAY, minutes=60)


def limits_and_second_watcher(over_s):
    def trial(it):
        chain = Chain(17.5).until(2)
        chain.do("move_stage", vessel="k1", stage="ephyra", over_s=over_s)
        chain.until(120)
        assert chain.calls(0)
        known = [[problem.key for problem in team.problems()] for team in (chain.first, chain.second)]
        assert known[0] == known[1] != []
        assert not chain.of_second

    return trial


def seen_and_on_my_way(it):
    """The promise after the acknowledgement runs out at 15; the acknowledgement after a promise does not."""
    chain = beyond()
    chain.answer(Reply.SEEN)
    chain.answer(Reply.ON_MY_WAY, "bo", minutes=10)
    assert not chain.until(14).calls(5)
    assert chain.until(16).calls(14)
    other = beyond()
    other.answer(Reply.ON_MY_WAY, minutes=10)
    other.answer(Reply.SEEN, "bo")
    assert not other.until(60).calls(5)


def seen_and_second_watcher(it):
    chain = beyond()
    chain.answer(Reply.SEEN)
    chain.until(6)
    chain.first_lives = False
    assert not chain.until(60).second_calls(6)


def on_my_way_and_second_watcher(it):
    chain = beyond()
    chain.answer(Reply.ON_MY_WAY, minutes=20)
    chain.until(6)
    chain.first_lives = False
    assert not chain.until(24).second_calls(6)
    assert [person for person, _ in chain.until(27).second_calls(24)] == ["bo"]


def hold_and_upgrade(it):
    chain = beyond()
    chain.hold(it.one)
    chain.until(12).upgrade()
    assert chain.state == STATES[it.one]
    assert not chain.until(20).calls(5)
    chain.release(it.one)
    assert chain.until(21).calls(20)


def limits_and_upgrade(over_s):
    """14 °C is beyond where the limit is then, at once or on its way from 18 to 12."""

    def trial(it):
        told = []
        for upgrades in (False, True):
            chain = Chain(14.0)
            chain.do("move_stage", vessel="k1", stage="strobila", over_s=over_s)
            chain.until(1 if over_s == 0 else 20)
            if upgrades:
                chain.upgrade()
            chain.until(60)
            raised = next(event for event in chain.rack.events if event.trigger == "raised")
            told.append((raised.at_ms, raised.alarm, raised.evidence.limit, chain.calls(0)))
        assert told[0] == told[1]
        assert told[0][3]

    return trial


def answered_and_upgrade(answer):
    def trial(it):
        chain = beyond()
        answer(chain)
        before = chain.until(12).state
        assert not chain.upgrade().until(60).calls(5)
        assert chain.state == before

    return trial


def second_watcher_and_upgrade(it):
    chain = beyond().until(12).upgrade().until(60)
    assert not chain.of_second
    known = [[problem.key for problem in team.problems()] for team in (chain.first, chain.second)]
    assert known[0] == known[1] != []


def zone_and(begin, until, *, moves=10, second=False):
    """What begins goes on to its end, and calls, at the very moments at which it would have anyway."""

    def trial(it):
        told = []
        for zone_moves in (False, True):
            chain = Chain(19.0)
            begin(chain)
            chain.until(moves)
            if zone_moves:
                chain.move_zone()
            chain.until(until)
            if chain.state == STATES[Thing.OUT_OF_SERVICE]:
                chain.release(Thing.OUT_OF_SERVICE)
                chain.until(until + 5)
            told.append([_when(calls) for calls in (chain.said, chain.of_second)])
        assert told[0] == told[1]
        assert [call for call in told[0][second] if call[0] > moves], "something called after the change"

    return trial


def _when(calls):
    return [(round((it.at_ms - START_MS) / MINUTE, 1), it.person, it.kind, it.key) for it in calls]


def held(thing):
    return lambda chain: chain.until(5).hold(thing)


def moved_over(over_s):
    """19 °C is beyond an adult's nothing, and beyond where the limit of a strobila is on its way."""

    def begin(chain):
        chain.do("move_stage", vessel="k1", stage="adult")
        chain.until(9)
        assert not chain.said
        chain.do("move_stage", vessel="k1", stage="strobila", over_s=over_s)

    return begin


def without_the_first(chain):
    chain.until(2).first_lives = False


def zone_and_second_watcher(it):
    """While it stands in, it goes on as before; a zone that only one of the two has is told by both."""
    zone_and(without_the_first, 60, second=True)(it)
    chain = Chain(15.0).until(2).move_zone("first").until(10)
    (of_first,), (of_second,) = ([it.about[0].event.condition for it in said] for said in
                                 (chain.said, chain.of_second))  # fmt: skip
    assert of_first == of_second != "high"


def zone_and_upgrade(it):
    chain = beyond()
    promise(chain)
    chain.until(10).move_zone().until(12).upgrade().until(60)
    assert not chain.calls(5)
    assert chain.until(70).calls(64)


def test_the_night_of_another_zone_holds_from_the_next_minute_on():
    """It is 22:08 there at the change: what may wait is told again when that night ends, not every 30 min."""
    chain = Chain(19.0)
    for name in ("first", "second"):
        duty = replace(getattr(chain, name).duty, quiet=QuietHours(time(22), time(7), DUTY.rota.zone))
        setattr(chain, name, Escalation(duty, START_MS))
        getattr(chain, name).link(True, START_MS)
    chain.until(15)
    assert chain.calls(0)
    chain.move_zone().until(546)  # 06:59 there
    assert not chain.calls(15)
    assert chain.until(548).calls(546)


_M, _S, _O, _G, _R, _E, _W, _P, _U, _Z = Thing
TRIALS = {
    (_M, _S): two_holds, (_M, _O): two_holds, (_S, _O): two_holds,
    (_M, _G): hold_and_stage_move, (_O, _G): hold_and_stage_move, (_S, _G): shelf_and_stage_move,
    (_M, _R): hold_and_ramp, (_S, _R): hold_and_ramp, (_O, _R): hold_and_ramp,
    (_M, _E): hold_and_seen, (_S, _E): hold_and_seen, (_O, _E): hold_and_seen,
    (_M, _W): hold_and_on_my_way, (_S, _W): hold_and_on_my_way, (_O, _W): hold_and_on_my_way,
    (_M, _P): hold_and_second_watcher, (_S, _P): hold_and_second_watcher,
    (_O, _P): hold_and_second_watcher,
    (_G, _R): move_within_a_ramp,
    (_G, _E): answered_and_limits(0, see), (_R, _E): answered_and_limits(1800, see),
    (_G, _W): answered_and_limits(0, promise), (_R, _W): answered_and_limits(1800, promise),
    (_G, _P): limits_and_second_watcher(0), (_R, _P): limits_and_second_watcher(3600),
    (_E, _W): seen_and_on_my_way, (_E, _P): seen_and_second_watcher,
    (_W, _P): on_my_way_and_second_watcher,
    (_M, _U): hold_and_upgrade, (_S, _U): hold_and_upgrade, (_O, _U): hold_and_upgrade,
    (_G, _U): limits_and_upgrade(0), (_R, _U): limits_and_upgrade(3600),
    (_E, _U): answered_and_upgrade(see), (_W, _U): answered_and_upgrade(promise),
    (_P, _U): second_watcher_and_upgrade,
    (_M, _Z): zone_and(held(_M), 130), (_S, _Z): zone_and(held(_S), 130), (_O, _Z): zone_and(held(_O), 130),
    (_G, _Z): zone_and(moved_over(0), 60), (_R, _Z): zone_and(moved_over(3600), 60, moves=20),
    (_E, _Z): zone_and(lambda chain: (chain.until(5), chain.answer(Reply.SEEN)), 260),
    (_W, _Z): zone_and(lambda chain: (chain.until(5), promise(chain)), 70),
    (_P, _Z): zone_and_second_watcher, (_U, _Z): zone_and_upgrade,
}  # fmt: skip


# The end of maintenance


@pytest.mark.parametrize("away", [False, True], ids=["awake", "away"])
@pytest.mark.parametrize("celsius", [19.0, None], ids=["beyond", "unwatched"])
@pytest.mark.parametrize("by_hand", [True, False], ids=["by hand", "in time"])
def test_at_the_end_of_maintenance_the_vessel_is_judged_anew_within_one_on_delay(by_hand, celsius, away):
    """Whether the water is beyond its limit since the work or its probe is still out; also over an absence.

    The probe is lost for longer than its last value stands in for it; the process is away for 25 minutes.
    """
    chain = Chain(15.0, restarting=True).until(2)
    chain.do("begin_maintenance", target="vessel/k1", why="new pump", for_s=3600)
    chain.celsius = celsius
    chain.until(45)
    assert not chain.calls(2)
    if away:
        chain.at = 70
        chain.rack._said(chain.rack.engine.unwatched_until(START_MS + 70 * MINUTE, START_MS + 45 * MINUTE))
        chain.rack.wait(70 * MINUTE)
        chain._pass_on()
    if by_hand and not away:
        chain.do("end_maintenance", target="vessel/k1")
    ended = 70 if away else 45 if by_hand else 62
    chain.until(ended + ON_DELAY // MINUTE + 1)
    assert {condition for _, condition in chain.calls(2)} == {"unwatched" if celsius is None else "high"}
    first = next(call for call in chain.said if call.key.startswith("north"))
    assert first.priority is (Priority.CRITICAL if celsius is None else Priority.MEDIUM)
