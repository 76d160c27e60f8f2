"""Incidents proposed for the engineer to accept: from the alarm history, and from the logbook."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from daemon.tune.incidents import PROPOSED, Mark
from rules.alarms.episodes import Episode
from rules.alarms.life_cycle import MILDER
from rules.readings import Action
from rules.tuning.scoring import CALLS_FROM, Incident

JOINED_WITHIN_MS = 1_800_000
"""Alarms of a vessel with no more than half an hour between them are one incident (project judgement)."""

CHANGE_TAKES_MS = 3_600_000
"""A logged water change disturbs the water for about an hour after it (common practice, no source)."""


def from_alarms(episodes: Iterable[Episode], until_ms: int) -> list[Mark]:
    """Propose one incident for each run of alarms in a vessel that was urgent enough to call for."""
    by_vessel: dict[str, list[Episode]] = defaultdict(list)
    for episode in episodes:
        by_vessel[episode.vessel].append(episode)
    runs = [run for each in by_vessel.values() for run in _runs(each, until_ms)]
    return [_proposed(run, until_ms) for run in runs if max(each.priority for each in run) >= CALLS_FROM]


def from_logbook(actions: Sequence[Action]) -> list[Mark]:
    """Propose what people logged: maintenance and water changes, for which no call was wanted."""
    marks = []
    for place, action in enumerate(actions):
        body = action.body
        if action.kind == "begin_maintenance" and str(body.get("target", "")).startswith("vessel/"):
            end_ms = _maintenance_end_ms(actions[place + 1 :], body, action.at_ms)
            what = f"maintenance: {body.get('why', '')}".rstrip(": ")
            marks.append(_logged(action, end_ms, body["target"].removeprefix("vessel/"), what))
        elif action.kind == "log" and body.get("what") == "water_change":
            marks.append(_logged(action, action.at_ms + CHANGE_TAKES_MS, body["vessel"], "water change"))
    return marks


def _runs(episodes: list[Episode], until_ms: int) -> list[list[Episode]]:
    runs: list[list[Episode]] = []
    end_ms = 0
    for episode in sorted(episodes, key=lambda episode: episode.start_ms):
        if not runs or episode.start_ms - end_ms > JOINED_WITHIN_MS:
            runs.append([])
        runs[-1].append(episode)
        end_ms = max(end_ms, episode.until(until_ms))
    return runs


def _proposed(run: list[Episode], until_ms: int) -> Mark:
    """Say of a run since when, until when and what; it began when the first condition did."""
    what = ", ".join(dict.fromkeys(_named(episode).partition("/")[2] for episode in run))
    start_ms = min(episode.first.since_ms for episode in run)
    end_ms = max(episode.until(until_ms) for episode in run)
    return Mark(Incident(start_ms, max(end_ms, start_ms + 1), run[0].vessel, what, True), PROPOSED, "alarms")


def _named(episode: Episode) -> str:
    """Name an alarm as files of incidents always did: one name for both of two limits of a kind."""
    return f"{episode.first.channel}/{MILDER.get(episode.condition, episode.condition)}"


def _maintenance_end_ms(later: Iterable[Action], body: Mapping[str, Any], begun_ms: int) -> int:
    planned_ms = begun_ms + round(float(body["for_s"]) * 1000)
    ended = (
        action.at_ms
        for action in later
        if action.kind == "end_maintenance" and action.body.get("target") == body["target"]
    )
    return min(next(ended, planned_ms), planned_ms)


def _logged(action: Action, end_ms: int, vessel: str, what: str) -> Mark:
    incident = Incident(action.at_ms, max(end_ms, action.at_ms + 1), vessel, what, False)
    return Mark(incident, PROPOSED, f"logbook, {action.who}")
