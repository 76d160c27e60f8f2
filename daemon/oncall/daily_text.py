"""The daily word, and what became of a drill, in words."""

from datetime import UTC, datetime, tzinfo

from daemon.oncall.text_message import fits, plain
from rules.calling.drill import Drill, Outcome
from rules.calling.records import Day, RackToday

_DAY_MS = 86_400_000


def daily_text(day: Day, now_ms: int, zone: tzinfo, last: str) -> str:
    """Return the daily word as one text message: every rack, the worst first, as far as there is room."""
    clock = f"{datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone):%H:%M}"
    end = f"last drill {_ago(day.drill_ms, now_ms)} {last}"
    said = [plain(_rack(rack)) for rack in day.racks] or ["no rack was ever heard"]
    for count in range(len(said), 0, -1):
        more = f"{len(said) - count} more racks as well or better; " if count < len(said) else ""
        text = f"{clock} {'; '.join(said[:count])}; {more}{end}"
        if fits(text):
            return text
    while not fits(f"{clock} {said[0]}...; {more}{end}"):
        said[0] = said[0][:-1]
    return f"{clock} {said[0]}...; {more}{end}"


def _rack(today: RackToday) -> str:
    if today.state != "watching":
        return f"{today.rack} {today.state.upper() or 'NOT HEARD, no broker'}"
    parts = [f"{today.rack} watched"]
    if today.vessels:
        parts.append(f"{today.vessels} vessel{'s' * (today.vessels > 1)}")
    parts.append(f"{today.unwatched or 'nothing'} {'UNWATCHED' if today.unwatched else 'unwatched'}")
    if today.alarms:
        parts.append(f"{today.alarms} alarm{'s' * (today.alarms > 1)} stand{'s' * (today.alarms == 1)}")
    return ", ".join(parts)


def _ago(drill_ms: int | None, now_ms: int) -> str:
    if drill_ms is None:
        return "never"
    days = (now_ms - drill_ms) // _DAY_MS
    return f"{days} day{'s' * (days > 1)} ago" if days else "today"


def drill_text(drill: Drill, routes: list[tuple[str, int, int, int]]) -> str:
    """Say how a drill went: answered by whom, how, after how long, and by which route the message came."""
    if drill.outcome is None:
        return f"Drill of {drill.rack}, #{drill.number}: goes on"
    after_s = ((drill.ended_ms or 0) - drill.begun_ms) / 1000
    if drill.outcome is not Outcome.ANSWERED or drill.answer is None:
        return f"Drill of {drill.rack}, #{drill.number}: {drill.outcome}"
    who = drill.answer.who
    by = "link" if drill.answer.by_link else "number"
    route = next((f"route {route + 1}" for person, route, *_ in routes if person == who), "none of ours")
    how = f"answered by {who} after {after_s:.0f} s, by {by}, reached by {route}"
    return f"Drill of {drill.rack}, #{drill.number}: {how}"
