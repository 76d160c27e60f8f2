"""Incidents proposed for the engineer to accept, each asking whether a call was wanted where nobody knows.

From the alarm history and, since what raised no alarm may be worse, from the water itself, from what
was measured by hand, from deaths, from what nobody saw and from what people logged.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

from daemon.replay.words import spans_of
from daemon.tune.excursions import MINUTE_MS, Excursion, Excursions
from daemon.tune.incidents import PROPOSED, Mark
from rules.alarms.episodes import Episode
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import MILDER, Condition
from rules.care.hand_checks import hand_measurement_of
from rules.care.rationale import Severity
from rules.errors import RulesError
from rules.quantities import with_unit
from rules.readings import Action
from rules.tuning.incident import Incident, answers
from rules.tuning.scoring import CALLS_FROM, is_call

JOINED_WITHIN_MS = 30 * MINUTE_MS
"""Alarms of a vessel with no more than half an hour between them are one incident (project judgement)."""

CHANGE_TAKES_MS = 60 * MINUTE_MS
"""A logged water change disturbs the water for about an hour after it (common practice, no source)."""

LOOKED_AT_EVERY_MS = 24 * 60 * MINUTE_MS
"""Animals found dead died since they were last looked at: within a day (common practice, no source)."""

Stretches = Sequence[tuple[int, int]]


def from_alarms(
    episodes: Iterable[Episode], until_ms: int, excursions: Sequence[Excursion] = ()
) -> list[Mark]:
    """Propose one incident for each run of alarms in a vessel that was urgent enough to call for."""
    by_vessel: dict[str, list[Episode]] = defaultdict(list)
    for episode in episodes:
        if episode.condition != Condition.UNWATCHED:
            by_vessel[episode.vessel].append(episode)
    runs = [run for each in by_vessel.values() for run in _runs(each, until_ms)]
    urgent = [run for run in runs if max(each.priority for each in run) >= CALLS_FROM]
    return [_of_alarms(run, until_ms, excursions) for run in urgent]


def from_excursions(excursions: Iterable[Excursion], events: Iterable[AlarmEvent]) -> list[Mark]:
    """Propose the water that was beyond what a stage bears while nobody was called for it."""
    calls = [event for event in events if is_call(event)]
    marks = [_of_water(each, f"{each.quantity} beyond what is critical", "water") for each in excursions]
    return [mark for mark in marks if not any(answers(call, mark.incident) for call in calls)]


def from_unwatched(
    events: Iterable[AlarmEvent], until_ms: int, watched: Stretches, vessels: str
) -> list[Mark]:
    """Propose the stretches in which nobody saw a danger, and those without any reading (all `vessels`)."""
    marks = []
    for span in spans_of(events):
        vessel, quantity = span.danger.split("/")[:2]
        end_ms = max(until_ms if span.end_ms is None else span.end_ms, span.begun.since_ms + 1)
        start_ms, what = span.begun.since_ms, "nobody saw it"
        its = Incident(start_ms, end_ms, vessel, what, None, quantity, "unwatched")
        marks.append(Mark(its, PROPOSED, f"unwatched, {span.why}"))
    for (_, stop_ms), (start_ms, _) in pairwise(watched):
        its = Incident(stop_ms, start_ms, vessels, "no reading at all", None, kind="unwatched")
        marks.append(Mark(its, PROPOSED, "gap in the record"))
    return marks


def from_actions(actions: Sequence[Action], water: Excursions) -> list[Mark]:
    """Propose what people wrote down: work, for which no call was wanted, deaths, measurements by hand."""
    marks = []
    for place, action in enumerate(actions):
        body, vessel = action.body, str(action.body.get("vessel", ""))
        if action.kind == "begin_maintenance" and str(body.get("target", "")).startswith("vessel/"):
            end_ms = _maintenance_end_ms(actions[place + 1 :], body, action.at_ms)
            what = f"maintenance: {body.get('why', '')}".rstrip(": ")
            marks.append(_work(action, end_ms, body["target"].removeprefix("vessel/"), what))
        elif action.kind == "log" and body.get("what") == "water_change":
            marks.append(_work(action, action.at_ms + CHANGE_TAKES_MS, vessel, "water change"))
        elif _died(action):
            marks.append(_death(action, vessel))
        elif action.kind == "hand_measurement":
            marks += _by_hand(action, water)
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


def _of_alarms(run: list[Episode], until_ms: int, excursions: Sequence[Excursion]) -> Mark:
    """Say of a run since when, until when and what; it is about its most urgent alarm, the first of these."""
    what = ", ".join(dict.fromkeys(_named(episode).partition("/")[2] for episode in run))
    start_ms = min(episode.first.since_ms for episode in run)
    end_ms = max(start_ms + 1, *(episode.until(until_ms) for episode in run))
    worst = max(run, key=lambda episode: episode.priority)
    quantity = worst.first.channel.split("/")[1]
    for each in excursions:
        if (each.vessel, each.quantity) == (worst.vessel, quantity) and start_ms <= each.end_ms <= end_ms:
            return _of_water(each, what, "alarms", min(start_ms, each.start_ms), end_ms)
    incident = Incident(start_ms, end_ms, worst.vessel, what, None, quantity, "water")
    return Mark(incident, PROPOSED, "alarms")


def _of_water(
    its: Excursion, what: str, origin: str, start_ms: int | None = None, end_ms: int | None = None
) -> Mark:
    far = f"the probe read {with_unit(its.quantity, its.farthest)}, beyond what {its.stage} bears"
    incident = Incident(
        start_ms or its.start_ms, end_ms or its.end_ms, its.vessel, what, None, str(its.quantity), "water",
        severity=str(its.why.severity), harm_ms=its.harm_ms, evidence=far,
    )  # fmt: skip
    return Mark(incident, PROPOSED, origin)


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


def _work(action: Action, end_ms: int, vessel: str, what: str) -> Mark:
    incident = Incident(action.at_ms, max(end_ms, action.at_ms + 1), vessel, what, False, kind="work")
    return Mark(incident, PROPOSED, f"logbook, {action.who}")


def _died(action: Action) -> bool:
    deaths = {"log": "deaths", "culture": "died"}.get(action.kind)
    some = action.body.get("value") or action.body.get("share")
    return deaths is not None and action.body.get("what") == deaths and bool(some)


def _death(action: Action, vessel: str) -> Mark:
    some = f"{action.body['value']:g}" if "value" in action.body else f"{100 * action.body['share']:g} %"
    cause, evidence = str(action.body.get("cause", "")), f"{some} found dead"
    incident = Incident(
        action.at_ms - LOOKED_AT_EVERY_MS, action.at_ms, vessel, "animals died", None, "", "death", cause,
        str(Severity.LOSS), evidence=evidence,
    )  # fmt: skip
    return Mark(incident, PROPOSED, f"logbook, {action.who}")


def _by_hand(action: Action, water: Excursions) -> list[Mark]:
    """Propose what somebody measured beyond what the stage bears: since half an hour, for half an hour."""
    try:
        measured = hand_measurement_of(action.body, action.at_ms, action.who)
    except RulesError:  # it was refused at the time too
        return []
    known = water.band(measured.vessel, measured.quantity, action.at_ms)
    low, high = (known[1].low, known[1].high) if known else (None, None)
    if not ((high is not None and measured.value > high) or (low is not None and measured.value < low)):
        return []
    from_ms, to_ms = action.at_ms - JOINED_WITHIN_MS, action.at_ms + JOINED_WITHIN_MS
    what, quantity = f"{measured.quantity} beyond what is critical", str(measured.quantity)
    said = f"{with_unit(measured.quantity, measured.value)} by hand"
    incident = Incident(from_ms, to_ms, measured.vessel, what, None, quantity, "water", evidence=said)
    return [Mark(incident, PROPOSED, f"by hand, {action.who}")]
