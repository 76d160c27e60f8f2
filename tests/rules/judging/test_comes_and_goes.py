"""A lost input that comes and goes is one problem, and no danger waits for it. Invented water of 30 s polls.

What is drawn by lot was drawn once, by `secrets`; it comes from no threshold of the rules.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from tests.faults.chain import C1, FAULT_AT, HOUR, MINUTE, O1, T1, Water

LOT = 2_871_640_117


def gaps(out_min, every_min, hours, scatter=0.25):
    """Return (from, to) in ms of each gap: drawn around their mean length and distance."""
    draw, at_ms, found = np.random.default_rng(LOT), FAULT_AT, []
    while at_ms < hours * HOUR:
        lasts_ms, next_ms = (
            round(mean * MINUTE * draw.uniform(1 - scatter, 1 + scatter)) for mean in (out_min, every_min)
        )
        found.append((at_ms, at_ms + lasts_ms))
        at_ms += max(next_ms, lasts_ms + 5 * MINUTE)
    return found


def within(at_ms, spans):
    return np.logical_or.reduce([(at_ms > begin) & (at_ms <= end) for begin, end in spans])


def lose(found, lost, spans):
    away = within(found.at, spans)
    if lost == "silent":
        for source in (T1, C1, O1):
            found.read[source] &= ~away
    elif lost == "one side":
        found.read[O1] &= ~away
    else:
        found.value[T1][away] = 850.0


@pytest.mark.parametrize(
    ("out_min", "every_min"), [(20, 60), (120, 270), (14, 33), (47, 171), (120, 480), (11, 15)]
)
@pytest.mark.parametrize("lost", ["silent", "one side", "impossible"])
def test_gaps_that_come_back_for_days_are_one_problem(lost, out_min, every_min):
    """The first gap is told and ends; a few more may be told until the rhythm of the gaps is known."""
    found = Water(hours=4 * 24, every_ms=MINUTE).measured()
    if lost == "impossible":
        out_min = max(out_min, 40)
        every_min = max(every_min, 90)
    spans = gaps(out_min, every_min, 4 * 24 - 3)
    assert len(spans) > 10
    lose(found, lost, spans)
    told = found.run()
    calls = told.announced(Priority.CRITICAL)
    assert 1 <= len(calls) <= 4, [(event.alarm, (event.at_ms - told.fault_ms) / HOUR) for event in calls]
    assert {event.condition for event in calls} == {Condition.UNWATCHED}
    standing = {alarm.name: alarm for alarm in told.engine.alarms()}
    reason = standing["probe/k1-multi/unwatched"].evidence.reason
    assert "times within" in reason.rpartition("lost ")[2]
    less = told.announced()
    assert len(less) <= len(calls) + 3, [(event.alarm, event.at_ms - told.fault_ms) for event in less]


def test_a_single_gap_is_told_and_ends_with_it_and_a_second_one_the_next_day_is_news():
    found = Water(hours=40).measured()
    first, second = FAULT_AT + 37 * MINUTE, FAULT_AT + 26 * HOUR
    lose(found, "silent", [(first, first + 23 * MINUTE), (second, second + 41 * MINUTE)])
    told = found.run()
    steps = [
        (event.trigger, (event.at_ms - told.fault_ms) // MINUTE)
        for event in told.events
        if event.condition is Condition.UNWATCHED and event.at_ms >= told.fault_ms
    ]
    assert steps == [
        (Trigger.RAISED, 47),
        (Trigger.RETURNED, 60),
        (Trigger.RAISED, 26 * 60 + 10),
        (Trigger.RETURNED, 26 * 60 + 41),
    ]


def test_what_came_and_went_is_over_after_regular_hours():
    found = Water(hours=30).measured()
    spans = [(FAULT_AT + it * HOUR, FAULT_AT + it * HOUR + 26 * MINUTE) for it in range(4)]
    lose(found, "silent", spans)
    told = found.run()
    over = [event for event in told.events if event.trigger is Trigger.RETURNED]
    last = max(event.at_ms - told.fault_ms for event in over if event.condition is Condition.UNWATCHED)
    regular_h = (last - (spans[-1][1] - FAULT_AT)) / HOUR
    assert 3 * 26 / 60 <= regular_h <= 3.0
    assert not any(alarm.active for alarm in told.engine.alarms())


@pytest.mark.parametrize("lost", ["silent", "one side", "impossible"])
def test_a_danger_that_comes_while_an_input_comes_and_goes_is_told_in_its_time(lost):
    """Oxygen that falls, or heat, in hours when the probe answers; the alarm about the probe stands."""
    found = Water(hours=17)
    danger = FAULT_AT + 7 * HOUR + 43 * MINUTE
    share = np.clip((found.at - danger) / (1.2 * HOUR), 0.0, 1.0)
    found.saturation[1] = found.saturation[1] * (1 - 0.8 * share)
    found.measured()
    lose(found, lost, [span for span in gaps(31, 84, 11, 0.0) if span[1] < danger])
    told = found.run()
    crossed_ms = int(found.at[np.argmax(found.saturation[1] < 60)]) - FAULT_AT
    calls = [
        e
        for e in told.announced(Priority.CRITICAL)
        if e.quantity.startswith("oxygen") and e.condition != "unwatched"
    ]
    assert calls, [event.alarm for event in told.announced(Priority.CRITICAL)]
    assert calls[0].at_ms - told.fault_ms <= crossed_ms + 10 * MINUTE


def falls_ill(found, how, spans):
    """Let the thermometer of k1-multi be ill in its spans; another one shows the same water."""
    ill, draw = within(found.at, spans), np.random.default_rng(LOT + 1)
    if how == "frozen":
        for begin, end in spans:
            here = (found.at > begin) & (found.at <= end)
            found.value[T1][here] = found.value[T1][here][:1]
    elif how == "erratic":
        found.value[T1][ill] += draw.normal(size=ill.sum()) * 2.3
    elif how == "impossible":
        found.value[T1][ill] = 850.0
    elif how == "silent":
        found.read[T1] &= ~ill
    else:
        found.read[T1] &= ~(ill & (draw.random(ill.size) < 0.4))


@pytest.mark.parametrize(("out_min", "every_min"), [(26, 67), (41, 128), (93, 306), (38, 344)])
@pytest.mark.parametrize("how", ["frozen", "erratic", "impossible", "silent", "answers missing"])
def test_a_probe_that_is_ill_again_and_again_is_one_problem_where_it_hides_nothing(how, out_min, every_min):
    found = Water(hours=4 * 24, pair=True).measured()
    falls_ill(found, how, gaps(out_min, every_min, 4 * 24 - 3))
    told = found.run()
    calls = [(e.alarm, round((e.at_ms - told.fault_ms) / HOUR, 1)) for e in told.announced()]
    assert 1 <= len(calls) <= 4, calls
    last = {e.alarm: e.evidence.reason for e in told.announced()}
    again = [reason for name, reason in last.items() if sum(it == name for it, _ in calls) > 1]
    assert all("times within" in reason for reason in again), again


@pytest.mark.parametrize("how", ["frozen", "erratic", "silent"])
def test_heat_is_told_while_the_fault_of_a_probe_that_comes_and_goes_stands(how):
    found = Water(hours=16, pair=True)
    danger = FAULT_AT + 9 * HOUR + 13 * MINUTE
    found.temperature[1] = found.temperature[1] + 12.0 * np.clip((found.at - danger) / (1.4 * HOUR), 0.0, 1.0)
    found.measured()
    falls_ill(found, how, [span for span in gaps(27, 71, 12, 0.0) if span[1] < danger])
    told = found.run()
    crossed_ms = int(found.at[np.argmax(found.temperature[1] > 20.0)]) - FAULT_AT
    calls = [e for e in told.announced(Priority.HIGH) if e.alarm.startswith("k1/temperature")]
    assert calls, [event.alarm for event in told.announced()]
    assert calls[0].at_ms - told.fault_ms <= crossed_ms + 10 * MINUTE


def test_what_was_told_of_a_probe_is_not_told_anew_once_its_danger_is_seen_again():
    """Answers go missing for a day; twice by so many that the oxygen is unwatched for a while."""
    found = Water(hours=24).measured()
    draw = np.random.default_rng(LOT + 2)
    found.read[O1] &= ~(found.after & (draw.random(found.at.size) < 0.3))
    for hours, minutes in ((4.3, 17), (11.7, 26)):
        found.read[O1] &= ~within(
            found.at, [(hours * HOUR + FAULT_AT, hours * HOUR + FAULT_AT + minutes * MINUTE)]
        )
    told = found.run()
    calls = [(e.alarm, round((e.at_ms - told.fault_ms) / HOUR, 1)) for e in told.announced()]
    assert [name for name, _ in calls] == [
        "k1/oxygen/probe_fault",
        "probe/k1-multi/unwatched",
        "probe/k1-multi/unwatched",
    ], calls
    (back,) = [e for e in told.events if e.alarm == calls[0][0] and e.trigger is Trigger.GOES_ON]
    assert back.state is State.UNACKNOWLEDGED
