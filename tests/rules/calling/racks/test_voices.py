"""Who speaks under a rack's name: two at once are told, told apart, and neither ends what the other says."""

from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.escalation import Escalation
from rules.calling.racks.voices import Voices
from rules.calling.records import Answer, Reply, Voice
from tests.rigs.rack_words import word_of
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NIGHT, SEEN, calling, calls, word

APART_FOR_MS, SPEAKERS_AT_MOST = 86_400_000, 20  # project judgement
A = Voice("aaaaaaaa", "run-a", "boot-a", "a-pi")
B = Voice("bbbbbbbb", "run-b", "boot-b", "b-pi")
CLONE = Voice("aaaaaaaa", "run-a", "boot-c", "a-pi")
AGAIN = Voice("aaaaaaaa", "run-a", "boot-d", "a-pi")
NAME_A, NAME_B = "north (journal aaaaaa on a-pi)", "north (journal bbbbbb on b-pi)"


def team_of(start_ms=NIGHT):
    team = Escalation(DUTY, start_ms)
    team.link(True, start_ms)
    return team


def beat(team, voice, at_ms, alarms=0):
    return team.heartbeat("north", alarms, at_ms, at_ms, voice)


def standing(team):
    words = [
        member.word for problem in team.problems() if problem.open for member in problem.members.values()
    ]
    return {(word.rack, word.event.alarm.removeprefix("/")) for word in words}


def raised(voice, at_ms, **more):
    more |= {"journal": voice.journal, "run": voice.run, "boot": voice.boot}
    return word_of("k1/temperature/high", at_ms, **more)


@pytest.mark.parametrize("other", [B, CLONE])
def test_two_that_are_heard_in_turn_are_a_critical_problem_that_names_both(other):
    team = team_of()
    beat(team, A, NIGHT)
    beat(team, other, NIGHT + 10_000)
    assert not team.problems(), "a new card is heard so, too"
    beat(team, A, NIGHT + 30_000)
    (problem,) = team.problems()
    (member,) = problem.members.values()
    assert (member.word.event.condition, problem.urgency) == ("two_racks", Priority.CRITICAL)
    names = member.word.event.evidence.reason.split(" and ")
    assert len(set(names)) == 2
    assert all(voice.host in name for voice, name in zip((other, A), names, strict=True))


def test_a_reboot_or_a_new_card_is_one_rack():
    team = team_of()
    for at_s, voice in enumerate((A, A, AGAIN, AGAIN, B, B)):
        beat(team, voice, NIGHT + 30_000 * at_s)
    assert not team.problems()


def test_the_neighbours_heartbeat_never_ends_what_the_other_says():
    """Seen: seventy seconds of a critical alarm, and nobody was called, since the neighbour had none."""
    team, calls = team_of(), []
    for at_s in range(0, 1200, 10):
        at_ms = NIGHT + at_s * 1000
        calls += beat(team, B, at_ms).calls
        if at_s == 60:
            calls += team.hear(raised(A, at_ms), at_ms).calls
        calls += beat(team, A, at_ms + 5_000, alarms=int(at_s >= 60)).calls
    assert (NAME_A, "k1/temperature/high") in standing(team)
    assert any(call.about[0].event.condition == "high" for call in calls)
    assert not [call for call in calls if call.kind == "returned"]


def test_what_stands_when_two_are_found_is_called_under_the_name_of_who_said_it():
    team = team_of()
    team.hear(raised(A, NIGHT, number=4), NIGHT)
    beat(team, A, NIGHT + 1_000, alarms=1)
    beat(team, B, NIGHT + 2_000)
    assert ("north", "k1/temperature/high") in standing(team), "not ended by who may be a neighbour"
    beat(team, A, NIGHT + 3_000, alarms=1)
    assert standing(team) == {(NAME_A, "k1/temperature/high"), ("north", "two_racks")}
    team.hear(raised(B, NIGHT + 4_000, number=4), NIGHT + 4_000)
    assert (NAME_B, "k1/temperature/high") in standing(team)
    beat(team, A, NIGHT + 5_000)
    assert (NAME_A, "k1/temperature/high") not in standing(team), "its own word ends it"
    assert (NAME_B, "k1/temperature/high") in standing(team)


def apart(team):
    for at_s, voice in enumerate((A, B, A)):
        beat(team, voice, NIGHT + at_s * 1000)


def test_each_of_two_is_missed_by_itself_also_after_a_restart():
    team = team_of()
    apart(team)
    team = Escalation.restore(team.snapshot(), DUTY)
    for at_s in range(3, 600, 20):
        beat(team, A, NIGHT + at_s * 1000)
    assert (NAME_B, "rack_silent") in standing(team)


def test_they_are_one_rack_again_once_one_is_heard_under_another_name():
    team = team_of()
    apart(team)
    team.heartbeat("south", 0, NIGHT + MIN, NIGHT + MIN, B)
    assert not standing(team)
    team.hear(raised(A, NIGHT + MIN), NIGHT + MIN)
    assert standing(team) == {("north", "k1/temperature/high")}


def test_or_was_silent_for_a_day():
    team = team_of()
    apart(team)
    for at_ms in range(NIGHT + 3_000, NIGHT + APART_FOR_MS + 3 * MIN, MIN):
        beat(team, A, at_ms)
    assert not standing(team)


@pytest.mark.parametrize("again", ["link", "resume"])
def test_that_day_is_counted_from_when_somebody_listened_again(again):
    team = team_of()
    apart(team)
    heard_ms = NIGHT + APART_FOR_MS // 2
    team.resume(heard_ms) if again == "resume" else team.link(True, heard_ms)
    for at_ms in range(heard_ms + MIN, NIGHT + APART_FOR_MS + 10 * MIN, MIN):
        beat(team, A, at_ms)
    assert ("north", "two_racks") in standing(team)


def test_a_new_journal_ends_what_the_old_one_said_once_that_is_no_longer_heard():
    team = team_of()
    beat(team, A, NIGHT, alarms=1)
    team.hear(raised(A, NIGHT), NIGHT)
    beat(team, B, NIGHT + MIN, alarms=1)
    assert standing(team) == {("north", "k1/temperature/high")}, "it may live"
    beat(team, B, NIGHT + MIN + DUTY.silent_after_ms, alarms=1)
    assert not standing(team)


def test_numbers_count_anew_under_a_new_run_and_what_stood_still_stands():
    """A restored backup: the number was given out before, to something else."""
    team = team_of()
    team.hear(raised(A, NIGHT, number=9), NIGHT)
    other = word_of("k2/oxygen/low", NIGHT + MIN, number=7, journal=A.journal, run="run-2")
    team.hear(other, NIGHT + MIN)
    assert standing(team) == {("north", "k1/temperature/high"), ("north", "k2/oxygen/low")}
    over = word_of("k1/temperature/high", NIGHT + 2 * MIN, number=8, journal=A.journal, run="run-2",
                   trigger="returned", state="normal")  # fmt: skip
    team.hear(over, NIGHT + 2 * MIN)
    assert standing(team) == {("north", "k2/oxygen/low")}


def test_the_first_words_after_the_update_that_brought_runs_are_no_news():
    team = team_of()
    for number, alarm in ((3, "k1/temperature/high"), (4, "k2/oxygen/low")):
        team.hear(word_of(alarm, NIGHT, number=number, journal="j"), NIGHT)
    for problem in (1, 2):
        team.answer(problem, Answer(Reply.SEEN, "ada"), NIGHT)
    for number, alarm in ((3, "k1/temperature/high"), (4, "k2/oxygen/low")):
        team.hear(word_of(alarm, NIGHT, number=number, journal="j", run="r"), NIGHT + MIN)
    assert all(problem.urgency is None for problem in team.problems())


def test_a_sender_that_makes_up_machines_does_not_fill_the_memory():
    voices = Voices()
    for number in range(100):
        voices.hear("north", Voice("j", "r", f"boot-{number}"), NIGHT + number, MIN)
    assert len(voices.speakers["north"]) == SPEAKERS_AT_MOST


@pytest.mark.parametrize("ahead_ms", [HOUR, 365 * 24 * HOUR])
def test_a_run_that_gives_signs_of_life_is_the_one_of_now_though_its_clock_is_behind(ahead_ms):
    """A journal that is put back, on a machine whose clock was ahead, or is behind now."""
    alarm, before, after = "k1/temperature/high", replace(A, run="run-1"), replace(A, run="run-2")
    team = calling()
    team.heartbeat("north", 1, NIGHT + ahead_ms, NIGHT, before)
    team.hear(word_of(alarm, NIGHT + ahead_ms, number=7, journal=A.journal, run="run-1"), NIGHT)
    team.advance(NIGHT + MIN)
    team.answer(1, SEEN, NIGHT + 2 * MIN)
    team.heartbeat("north", 1, NIGHT + ahead_ms + 2 * MIN, NIGHT + 2 * MIN, before)
    of_after = word_of(alarm, NIGHT + 3 * MIN, number=3, journal=A.journal, run="run-2")
    team.hear(of_after, NIGHT + 3 * MIN)
    assert not team.advance(NIGHT + 4 * MIN).calls  # which of the two is the newer one, nobody can tell yet
    team.heartbeat("north", 1, NIGHT + 4 * MIN, NIGHT + 4 * MIN, after)
    team.hear(of_after, NIGHT + 4 * MIN)
    assert calls(team.advance(NIGHT + 5 * MIN)) == [(4.25, "ada", "alarm")]
    team.heartbeat("north", 1, NIGHT + 5 * MIN, NIGHT + 5 * MIN, after)
    team.answer(1, SEEN, NIGHT + 5 * MIN)
    team.hear(of_after, NIGHT + 5 * MIN)  # a repeat
    assert not team.advance(NIGHT + 6 * MIN).calls
    assert team.problems()[0].members[alarm].word.run == "run-2"


def spoken(*heard, within_ms=100):
    """The voices after these were heard, and whether the last of it was news of two at once."""
    voices, found = Voices(), None
    for voice, at_ms in heard:
        found = voices.hear("north", voice, at_ms, within_ms)
    return voices, found


@pytest.mark.parametrize(
    ("heard", "at_once"),
    [
        ([(A, 0), (B, 10), (A, 20)], True),
        ([(A, 0), (B, 0), (A, 0)], True),
        ([(A, 0), (B, 10)], False),
        ([(A, 0), (B, 10), (B, 20)], False),
        ([(A, 0), (B, 10), (A, 100)], True),
        ([(A, 0), (B, 10), (A, 101)], False),
        ([(A, 0), (B, 1), (A, 5), (A, 106)], False),
        ([(B, 0), (A, 10), (A, 110)], False),
        ([(A, 0), (Voice(), 10), (A, 20)], False),
        ([(Voice(), 0), (A, 10), (Voice(), 20)], False),
    ],
)
def test_two_speak_at_once_where_one_is_heard_again_after_the_other_within_the_time(heard, at_once):
    voices, found = spoken(*heard)
    assert found is at_once
    assert all(voice.key in voices.speakers["north"] for voice, _ in heard if voice.journal)
    assert Voice().key not in voices.speakers["north"], "of an older version nobody is known"


def test_two_at_once_are_news_once_and_a_third_is_again():
    voices, _ = spoken((A, 0), (B, 10), (A, 20))
    assert voices.apart == {"north": {A.key: NAME_A, B.key: NAME_B}}
    assert voices.hear("north", B, 30, 100) is False
    third = Voice("cccccccc", "run-c", "boot-c", "c-pi")
    assert [voices.hear("north", it, at_ms, 100) for it, at_ms in ((third, 40), (A, 50), (third, 60))] == [
        False, True, False,
    ]  # fmt: skip
    assert set(voices.apart["north"]) == {A.key, B.key, third.key}


def test_copies_of_one_card_are_told_apart_by_the_start_of_the_machine():
    voices, _ = spoken((A, 0), (CLONE, 10), (A, 20))
    assert voices.apart["north"] == {
        A.key: "north (journal aaaaaa on a-pi, started as boot-a)",
        CLONE.key: "north (journal aaaaaa on a-pi, started as boot-c)",
    }
    assert voices.name("north", "aaaaaaaa", "boot-c") == voices.apart["north"][CLONE.key]
    assert voices.name("north", "aaaaaaaa", "") == "north", "it may be either"


def test_a_word_without_the_start_of_its_machine_is_known_by_its_journal():
    voices, _ = spoken((A, 0), (B, 10), (A, 20))
    assert voices.name("north", "bbbbbbbb", "") == NAME_B
    assert voices.name("north", "cccccccc", "") == "north"
    assert voices.name("south", "bbbbbbbb", "boot-b") == "south"


def test_a_journal_lives_while_a_speaker_of_it_was_heard():
    voices, _ = spoken((A, 50), (B, 10))
    assert [voices.lives("north", "aaaaaaaa", since_ms) for since_ms in (50, 51)] == [True, False]
    assert voices.lives("north", "bbbbbbbb", 11) is False
    assert voices.lives("south", "aaaaaaaa", 0) is False
    voices.allow_again(40)
    assert [voices.lives("north", "bbbbbbbb", since_ms) for since_ms in (40, 41)] == [True, False]
    assert voices.lives("north", "aaaaaaaa", 50) is True, "nothing goes back"


def test_one_who_speaks_under_another_name_has_moved():
    voices, _ = spoken((A, 0), (B, 10), (A, 20))
    assert voices.moved("south", B) == ["north"]
    assert voices.moved("north", B) == []
    assert voices.moved("south", replace(B, boot="boot-x")) == []


def test_a_speaker_is_told_apart_for_a_day_after_the_last_word_of_the_one_that_is_silent_longest():
    voices, _ = spoken((A, 0), (B, 10), (A, 20))
    assert voices.due_ms() == 10 + APART_FOR_MS
    assert voices.silent_for_long(9 + APART_FOR_MS) == []
    assert voices.silent_for_long(10 + APART_FOR_MS) == ["north"]
    del voices.speakers["north"][B.key]
    assert voices.due_ms() == APART_FOR_MS, "one of whom nothing is known any more"
    assert Voices().due_ms() is None


def test_of_too_many_speakers_the_one_that_is_silent_longest_is_forgotten():
    voices = Voices()
    many = [Voice("j", "r", f"boot-{number}") for number in range(SPEAKERS_AT_MOST + 1)]
    for number, voice in enumerate(many[:-1]):
        voices.hear("north", voice, number, 0)
    voices.hear("north", many[0], 500, 0)
    assert len(voices.speakers["north"]) == SPEAKERS_AT_MOST
    voices.hear("north", many[-1], 501, 0)
    assert [voice.key in voices.speakers["north"] for voice in (many[0], many[1], many[-1])] == [
        True, False, True,
    ]  # fmt: skip


def test_a_copy_on_which_nothing_stands_ends_no_alarm_of_the_machine_that_is_heard():
    """Unless that machine is not heard any more: then it has started anew, and its alarm is over."""
    team, ours = calling(), Voice("j", "run", "boot-a", "pi")
    team.heartbeat("north", 0, NIGHT, NIGHT, ours)
    team.hear(replace(word(), journal="j", run="run", boot="boot-a"), NIGHT + 1)
    copy = replace(ours, boot="boot-b")
    assert team.heartbeat("north", 0, NIGHT + MIN, NIGHT + MIN, copy).settled == []
    assert team.problems()
    later_ms = NIGHT + DUTY.silent_after_ms + 1
    assert team.heartbeat("north", 0, later_ms, later_ms, copy).settled == [1]
    assert not team.problems()
