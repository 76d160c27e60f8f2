"""The alarm measures of IEC 62682 / ANSI/ISA-18.2 over a stretch of time.

The reference values in `REFERENCE` are per operator position of a staffed console and from memory of
the standards' tables (the standards themselves could not be read); a rack that calls sleeping people
should stay far below them.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from rules.alarms.episodes import Episode
from rules.alarms.life_cycle import Priority

TEN_MINUTES_MS = 600_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000
WEEK_MS = 7 * DAY_MS
FLOOD_BEGINS_ABOVE = 10
FLOOD_ENDS_BELOW = 5
BUSY_HOUR_ABOVE = 30
STALE_AFTER_MS = DAY_MS
FLEETING_WITHIN_MS = 60_000
"""What returns so soon, and does not chatter, is fleeting; this and stale by the standards' definitions, the
times from memory."""
CHATTER_RAISED, CHATTER_WITHIN_MS = 3, 60_000
WORST_OFFENDERS = 10

REFERENCE = {
    "per day": "~144, at most ~288",
    "per hour": "~6, at most ~12",
    "per 10 min": "~1, at most ~2",
    "hours above 30": "under 1 %",
    "10 min above 10": "under 1 %",
    "most in 10 min": "10 or less",
    "time in flood": "under 1 %",
    "worst ten": "under 1 to 5 %",
    "chattering": "0",
    "fleeting": "0",
    "stale": "under 5 on any day",
}


@dataclass(frozen=True, slots=True)
class Measures:
    """The measures over one stretch; shares are fractions of 1, `priorities` shares of alarms by priority.

    `offenders` are the alarms that came most often, with their counts, worst first; `top_share` is
    the share of all that the first ten of them make.
    """

    start_ms: int
    stop_ms: int
    alarms: int
    per_day: float
    per_hour: float
    per_ten_minutes: float
    busy_hours: float
    busy_ten_minutes: float
    most_in_ten_minutes: int
    flood_time: float
    chattering: int
    fleeting: int
    stale: int
    priorities: dict[Priority, float]
    offenders: tuple[tuple[str, int], ...]
    top_share: float


def measures(episodes: Sequence[Episode], start_ms: int, stop_ms: int) -> Measures:
    """Return the measures of the alarms raised in start_ms <= t < stop_ms (stop_ms > start_ms).

    Stale are those that stood for more than a day at some time in the stretch.
    """
    here = [episode for episode in episodes if start_ms <= episode.start_ms < stop_ms]
    length_ms = stop_ms - start_ms
    raised = [episode.start_ms - start_ms for episode in here]
    tens = _counts(raised, TEN_MINUTES_MS, length_ms)
    hours = _counts(raised, HOUR_MS, length_ms)
    urgency = Counter(episode.priority for episode in here)
    offenders = Counter(sorted(episode.alarm for episode in here)).most_common()
    count = len(here)
    return Measures(
        start_ms,
        stop_ms,
        count,
        per_day=count * DAY_MS / length_ms,
        per_hour=count * HOUR_MS / length_ms,
        per_ten_minutes=count * TEN_MINUTES_MS / length_ms,
        busy_hours=sum(n > BUSY_HOUR_ABOVE for n in hours) / len(hours),
        busy_ten_minutes=sum(n > FLOOD_BEGINS_ABOVE for n in tens) / len(tens),
        most_in_ten_minutes=max(tens),
        flood_time=sum(_in_flood(tens)) / len(tens),
        chattering=len(chattering := _chattering(here)),
        fleeting=sum(_is_fleeting(episode) and episode.alarm not in chattering for episode in here),
        stale=sum(_stands_stale(episode, start_ms, stop_ms) for episode in episodes),
        priorities={rank: urgency[rank] / count if count else 0.0 for rank in Priority},
        offenders=tuple(offenders),
        top_share=sum(n for _, n in offenders[:WORST_OFFENDERS]) / count if count else 0.0,
    )


def by_week(episodes: Sequence[Episode], start_ms: int, stop_ms: int) -> list[Measures]:
    """Return the measures of each week from `start_ms` on; the last may be a shorter one."""
    bounds = [*range(start_ms, stop_ms, WEEK_MS), stop_ms]
    return [measures(episodes, first, last) for first, last in pairwise(bounds)]


def _counts(raised: Sequence[int], period_ms: int, length_ms: int) -> list[int]:
    counts = [0] * -(-length_ms // period_ms)
    for time_ms in raised:
        counts[time_ms // period_ms] += 1
    return counts


def _in_flood(tens: Sequence[int]) -> list[bool]:
    """Say of each ten minutes whether they belong to a flood: from more than 10 alarms to less than 5."""
    flooded, result = False, []
    for count in tens:
        flooded = count > FLOOD_BEGINS_ABOVE or (flooded and count >= FLOOD_ENDS_BELOW)
        result.append(flooded)
    return result


def _chattering(episodes: Sequence[Episode]) -> set[str]:
    """Return the alarms that were raised three times or more within a minute."""
    times: defaultdict[str, list[int]] = defaultdict(list)
    for episode in episodes:
        times[episode.alarm].append(episode.start_ms)
    ends = CHATTER_RAISED - 1
    spans = ((alarm, zip(raised, raised[ends:], strict=False)) for alarm, raised in times.items())
    return {
        alarm for alarm, pairs in spans if any(last - first <= CHATTER_WITHIN_MS for first, last in pairs)
    }


def _is_fleeting(episode: Episode) -> bool:
    return episode.end_ms is not None and episode.end_ms - episode.start_ms <= FLEETING_WITHIN_MS


def _stands_stale(episode: Episode, start_ms: int, stop_ms: int) -> bool:
    stale_ms = episode.start_ms + STALE_AFTER_MS
    return stale_ms < stop_ms and max(stale_ms, start_ms) < episode.until(stop_ms)
