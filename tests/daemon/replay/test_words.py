"""What a replay says of the times in which nobody saw a danger; numbers invented."""

from dataclasses import replace
from datetime import UTC

from daemon.replay.replay import Replayed
from daemon.replay.words import unwatched_spans
from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Condition, Priority, State, Trigger

BEGIN_MS = 1_760_003_000_000  # 2025-10-09T09:43:20Z
HIDDEN = ("k1/salinity", "k1/oxygen_saturation")


def event(number, after_s, trigger, state, hidden=HIDDEN, reason="stuck"):
    return AlarmEvent(
        number,
        BEGIN_MS + after_s * 1000,
        "k1",
        "probe/k1-ct",
        Condition.UNWATCHED,
        trigger,
        state,
        Priority.CRITICAL,
        BEGIN_MS + after_s * 1000 - 600_000,
        evidence=Evidence(hidden=hidden, reason=reason),
    )


def test_each_vessel_and_danger_has_its_spans_with_the_cause():
    result = Replayed(BEGIN_MS, BEGIN_MS + 9_000_000)
    result.events = [
        event(1, 700, Trigger.RAISED, State.UNACKNOWLEDGED, HIDDEN[:1]),
        event(2, 900, Trigger.WORSENED, State.UNACKNOWLEDGED),
        event(3, 2_500, Trigger.RETURNED, State.RETURNED),
        event(4, 5_700, Trigger.RAISED, State.UNACKNOWLEDGED, HIDDEN[1:], "silent"),
    ]
    assert unwatched_spans(result, UTC) == [
        "k1 salinity unwatched 2025-10-09 09:45:00 to 2025-10-09 10:25:00 (probe k1-ct: stuck)",
        "k1 oxygen saturation unwatched 2025-10-09 09:48:20 to 2025-10-09 10:25:00 (probe k1-ct: stuck)",
        "k1 oxygen saturation unwatched 2025-10-09 11:08:20 to the end (probe k1-ct: silent)",
    ]


def test_of_many_spans_the_newest_are_listed():
    result = Replayed(BEGIN_MS, BEGIN_MS + 9_000_000)
    raised = event(1, 700, Trigger.RAISED, State.UNACKNOWLEDGED, HIDDEN[:1])
    back = event(2, 1_500, Trigger.RETURNED, State.NORMAL)
    for turn in range(43):
        result.events += [replace(it, at_ms=it.at_ms + turn * 3_600_000) for it in (raised, back)]
    said = unwatched_spans(result, UTC)
    assert said[0] == "and 13 times unwatched before these"
    assert len(said) == 31
