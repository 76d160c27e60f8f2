"""What is news of what racks say, by the three rules in the head of `rules.calling.racks.hearing`."""

import pytest

from rules.calling.racks.hearing import Hearing, Journal
from rules.calling.records import Voice
from tests.rigs.rack_words import word_of

HIGH, LOW = "k1/temperature/high", "k2/salinity/low"


def word(number, at_ms=1_000, alarm=HIGH, *, journal="j", run="r"):
    return word_of(alarm, at_ms, number=number, journal=journal, run=run)


def heard(hearing, its, known_ms=-1):
    """Whether its rack has begun a new journal with this word, and whether it is news."""
    return hearing.begins_anew(its), hearing.is_news(its, known_ms)


def listening(*words):
    hearing = Hearing()
    for its in words:
        heard(hearing, its)
    return hearing


def test_the_first_word_begins_a_journal_and_what_is_no_newer_on_its_alarm_is_passed_over():
    hearing = Hearing()
    assert hearing.knows(word(5)) is False
    assert heard(hearing, word(5)) == (True, True)
    assert hearing.knows(word(5)) is True
    assert [heard(hearing, word(number)) for number in (5, 4, 6)] == [
        (False, it) for it in (False, False, True)
    ]
    assert heard(hearing, word(2, alarm=LOW)) == (False, True), "each alarm by itself"
    assert hearing.count() == 2
    assert heard(Hearing(), word(0, 0)) == (True, False), "events count from 1"


@pytest.mark.parametrize("run", ["r", "s", ""])
@pytest.mark.parametrize("before", ["r", ""])
@pytest.mark.parametrize(("at_ms", "anew"), [(999, False), (1_000, True), (1_001, True)])
def test_of_two_journals_the_newer_is_known_by_the_racks_clock(at_ms, anew, before, run):
    hearing = listening(word(5, run=before), word(5, alarm=LOW, run=before))
    assert heard(hearing, word(1, at_ms, journal="k", run=run), known_ms=1_000) == (anew, anew)
    assert hearing.count() == (1 if anew else 2), "a new journal counts anew"
    assert hearing.journals["north"] == (Journal("k", at_ms, run) if anew else Journal("j", 1_000, before))


@pytest.mark.parametrize(("known_ms", "news"), [(899, True), (900, False), (901, False)])
def test_a_late_word_of_another_journal_goes_over_no_newer_word_on_its_alarm(known_ms, news):
    hearing = listening(word(5))
    assert heard(hearing, word(1, 900, LOW, journal="old", run="o"), known_ms) == (False, news)


def test_a_journal_that_went_back_counts_anew_under_another_run_and_what_it_said_stands():
    hearing = listening(word(5))
    assert heard(hearing, word(2, 1_100, run="s")) == (False, True)
    assert hearing.count() == 1
    assert heard(hearing, word(5, 900), known_ms=1_100) == (False, False), "of the run before"
    assert hearing.journals["north"] == Journal("j", 1_100, "s")


def test_the_newest_time_of_a_rack_does_not_go_back_with_a_late_word():
    hearing = listening(word(5, 2_000), word(6, 1_500))
    assert hearing.journals["north"] == Journal("j", 2_000, "r")


def test_an_update_that_gives_runs_their_ids_counts_on():
    hearing = listening(word(5, run=""))
    assert heard(hearing, word(5, run="r")) == (False, False)
    assert heard(hearing, word(6, run="r")) == (False, True)


@pytest.mark.parametrize(
    ("voice", "rack_ms", "is_now"),
    [
        (Voice("j", "s"), 999, True),
        (Voice("k", "r"), 999, True),
        (Voice("j", "s"), 1_000, False),
        (Voice("j", "r"), 999, False),
        (Voice("k", ""), 999, False),
    ],
    ids=["clock set back", "another journal", "no earlier clock", "the same run", "of an older version"],
)
def test_a_run_that_gives_signs_of_life_by_an_earlier_clock_is_that_of_now(voice, rack_ms, is_now):
    hearing = listening(word(5))
    hearing.lives("north", voice, rack_ms)
    before = Journal("j", 1_000, "r")
    assert hearing.journals == {"north": Journal(voice.journal, rack_ms, voice.run) if is_now else before}
    assert hearing.count() == (0 if is_now else 1)
    hearing.lives("south", voice, rack_ms)
    assert "south" not in hearing.journals, "a rack of which nothing was heard"


def test_what_was_cleared_is_news_if_its_newest_word_comes_again():
    hearing = listening(word(5), word(5, alarm=LOW))
    hearing.cleared("north", HIGH)
    assert heard(hearing, word(4)) == (False, False)
    assert heard(hearing, word(5)) == (False, True)
    assert heard(hearing, word(5, alarm=LOW)) == (False, False), "the other was not"
