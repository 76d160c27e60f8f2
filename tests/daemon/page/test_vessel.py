"""A vessel's drawing: alarms as bars while they are few, as counts where they are many, answers with them."""

from dataclasses import replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from daemon.page.alarms import AT_ONCE, alarms_of
from daemon.page.memory import Memory
from daemon.page.vessel import BARS_AT_MOST, NUMBERS_APART, drawing_of, numbered
from rules.alarms.life_cycle import State, Trigger
from rules.alarms.measures import WEEK_MS
from tests.rigs.page_rack import DAY_MS, HOUR_MS, NINE, page_rack

ZONE = ZoneInfo("Europe/Copenhagen")


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    """A rack whose kreisel warms, what was of it, and the step by which its alarm was raised."""
    warming = {("k1", "temperature"): (0.9, 5.0)}
    with page_rack(tmp_path_factory.mktemp("rack"), days=0.3, drifts=warming) as rack:
        memory = Memory()
        while memory.follow(rack.settings.journal.path) < 1:
            pass
        raised = next(event for event in memory.events if event.vessel == "k1")
        assert raised.trigger is Trigger.RAISED
        yield rack, memory, raised


def day(memory):
    return memory.newest_ms - DAY_MS, memory.newest_ms


def with_alarms(memory, raised, count):
    """Let there have been so many alarms within the last day, every third of them seen by bo."""
    memory.events.clear()
    for number in range(count):
        at_ms = memory.newest_ms - DAY_MS + (number + 1) * DAY_MS // (count + 2)
        seen = {"trigger": Trigger.ACKNOWLEDGED, "state": State.ACKNOWLEDGED, "who": "bo"}
        over = {"trigger": Trigger.RETURNED, "state": State.NORMAL}
        steps = [{}, seen, over] if number % 3 == 0 else [{}, over]
        for place, step in enumerate(steps):
            memory.events.append(replace(raised, at_ms=at_ms + place * 1000, since_ms=at_ms, **step))


@pytest.mark.parametrize("count", [0, 1, 7, BARS_AT_MOST])
def test_few_alarms_are_bars_that_do_not_lie_on_each_other_each_in_words(known, count):
    rack, memory, raised = known
    with_alarms(memory, raised, count)
    drawing = drawing_of(memory, rack.settings, "k1", day(memory), ZONE)
    assert len(drawing.bars) == drawing.alarms == count
    assert drawing.counts == ()
    for one, other in zip(drawing.bars, drawing.bars[1:], strict=False):
        assert one.y != other.y or one.x + one.width <= other.x + 2
    assert sum(bar.answered is not None for bar in drawing.bars) == -(-count // 3)
    assert all(("seen by bo" in bar.words) == (bar.answered is not None) for bar in drawing.bars)


def test_many_alarms_are_counted_and_none_of_them_is_left_out(known):
    rack, memory, raised = known
    with_alarms(memory, raised, 1000)
    drawing = drawing_of(memory, rack.settings, "k1", day(memory), ZONE)
    assert (drawing.alarms, drawing.bars, len(drawing.counts)) == (1000, (), BARS_AT_MOST)
    assert max(high for _, _, high in drawing.counts) == 36
    assert drawing_of(memory, rack.settings, "k2", day(memory), ZONE).alarms == 0


def test_what_was_done_stands_on_the_axis_and_what_was_put_right_says_by_which(tmp_path):
    with page_rack(tmp_path, vessels=NINE[:2], days=0.1) as rack:
        rack.ask("log", vessel="k1", what="deaths", value=30)
        (first,) = (it.seq for it in rack.journal.history.entries("deaths"))
        rack.ask("log", vessel="k2", what="feed", value=6)
        rack.ask("begin_maintenance", target="vessel/k1", for_s=1800, why="new pump")
        point = {"read": 15.2, "true": 15.0}
        rack.ask("calibrate", probe="k1-multi", quantity="temperature", points=[point], standard="ice")
        at_once, followed = Memory(), Memory()
        followed.begin(rack.settings.journal.path, HOUR_MS)
        rack.live(rack.now_ms + 5 * 60_000)
        rack.ask("log", vessel="k1", what="deaths", value=3, corrects=first, who="bo")
        right = rack.journal.history.entries("deaths")[-1].seq
        for memory in (at_once, followed):
            while memory.follow(rack.settings.journal.path) < 1:
                pass
            drawing = drawing_of(memory, rack.settings, "k1", day(memory), ZONE)
            assert [entry.partition(" ")[2] for entry in drawing.entries] == [
                f"deaths 30 animals (ada), entry {first}, superseded by {right}",
                "begin maintenance vessel/k1 for 30 min: new pump (ada)",
                "calibrate k1-multi temperature (ada)",
                f"deaths 3 animals (bo), entry {right}, corrects {first}",
            ]
            assert [number for _, number in drawing.marks] == ["1–4", "", "", ""]


def test_the_numbers_of_what_was_done_never_lie_on_each_other():
    found = numbered([100.0, 110.0, 163.0, 164.0, 400.0])
    assert [words for _, words in found] == ["1–3", "", "", "4", "5"]
    places = [x for x, words in numbered([float(x) for x in range(60, 930, 7)]) if words]
    assert min(b - a for a, b in pairwise(places)) >= NUMBERS_APART


def test_the_pages_of_alarms_hold_every_one_once_the_newest_first(known):
    _, memory, raised = known
    with_alarms(memory, raised, 120)
    pages = [alarms_of(None, memory, page, ZONE) for page in range(3)]
    assert [len(page.past) for page in pages] == [AT_ONCE, AT_ONCE, 20]
    assert [(page.newer, page.older) for page in pages] == [(None, 1), (0, 2), (1, None)]
    times = [past.when for page in pages for past in page.past]
    assert times == sorted(times, key=lambda when: (len(when) == 5, when), reverse=True)
    assert not [past for page in pages for past in page.past if "(" in past.what], (
        "its priority stands beside"
    )
    assert sum(past.answered.startswith("seen by bo after") for page in pages for past in page.past) == 40


def test_the_measures_of_the_standard_stand_by_week(known):
    """Two weeks of a known number of alarms, counted by hand."""
    _, memory, raised = known
    memory.events.clear()
    since_ms, memory.since_ms = memory.since_ms, memory.newest_ms - 2 * WEEK_MS
    for number in range(21):
        at_ms = memory.since_ms + (number * DAY_MS // 2 if number < 14 else WEEK_MS + (number - 14) * DAY_MS)
        over = {"trigger": Trigger.RETURNED, "state": State.NORMAL, "at_ms": at_ms + HOUR_MS}
        begun = replace(raised, at_ms=at_ms, since_ms=at_ms)
        memory.events += [begun, replace(begun, **over)]
    found = alarms_of(None, memory, 0, ZONE)
    memory.since_ms = since_ms
    assert len(found.weeks) == 2
    assert {row[0]: row[2:] for row in found.measures}["per day"] == ("2.0", "1.0", "1.5")
