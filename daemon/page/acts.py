"""The page of one alarm: what to do first, and the acts that it takes, each by the box of requests."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from daemon.as_read import told
from daemon.errors import RequestError, UsedIdError
from daemon.journal.asking import RequestBox, ask_daemon
from daemon.page.people import Visitor
from daemon.page.pulse import Pulse
from daemon.settings.page import Role
from daemon.settings.rack import Settings
from daemon.view.needs import named, need_of
from daemon.view.rack_now import AlarmNow, RackNow
from daemon.web.server import Request
from rules.alarms.life_cycle import MILDER
from rules.care.rationale import record_of

ANSWER_WITHIN_S = 5.0
CHANGED = "This has changed since you looked, and stands as below. Nothing was done."
_NEW_ID = re.compile(r"[0-9a-f]{32}")
Form = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Act:
    """What somebody can do about an alarm: who may, what is asked of the watch, what is said of it then."""

    role: Role
    body: Callable[[AlarmNow, Form], dict[str, Any]]
    done: str


def _alarm(alarm: AlarmNow, _form: Form) -> dict[str, Any]:
    return {"alarm": alarm.name}


def _kept(alarm: AlarmNow, form: Form) -> dict[str, Any]:
    second = {"yes_critical": True} if form.get("second") == "yes" else {}
    return {"alarm": alarm.name, "why": form.get("why", ""), **_for_s(form), **second}


def _work(alarm: AlarmNow, form: Form) -> dict[str, Any]:
    return {"target": f"vessel/{alarm.vessel}", "why": form.get("why", ""), **_for_s(form)}


def _for_s(form: Form) -> dict[str, Any]:
    minutes = form.get("minutes", "")
    return {"for_s": int(minutes) * 60} if minutes.isascii() and minutes.isdecimal() else {}


ACTS: Mapping[str, Act] = {
    "acknowledge": Act(Role.ACT, _alarm, "Noted that {who} has seen it."),
    "shelve": Act(Role.ACT, _kept, "Kept from people by {who} for {minutes} min."),
    "unshelve": Act(Role.ACT, _alarm, "Taken off the shelf by {who}."),
    "begin_maintenance": Act(Role.ACT, _work, "Under maintenance by {who} for {minutes} min."),
    "end_maintenance": Act(Role.ACT, _work, "Maintenance ended by {who}."),
    "take_out_of_service": Act(Role.SET_UP, _kept, "Taken out of service by {who}."),
    "put_back_into_service": Act(Role.SET_UP, _alarm, "Put back into service by {who}."),
}
"""By the kind of action that each is to the watch."""


class AlarmActs:
    """Shows an alarm and does what is asked about it; call it from any thread."""

    def __init__(self, settings: Settings, pulse: Pulse) -> None:
        self._settings, self._pulse = settings, pulse
        self._zone = ZoneInfo(settings.rack.time_zone)

    def __call__(self, name: str, request: Request, visitor: Visitor) -> dict[str, Any]:
        """Return what the page of an alarm shows."""
        if not request.acts:
            return self._shown(name, self._pulse.newest.rack, visitor, "")
        rack = self._pulse.look_now().rack
        said = self._acted(_found(rack, name), request, visitor)
        return self._shown(name, self._pulse.look_now().rack, visitor, said)

    def _acted(self, alarm: AlarmNow | None, request: Request, visitor: Visitor) -> str:
        form = request.form
        kind = form.get("act", "")
        act = ACTS.get(kind)
        if act is None:
            return "This page does not know that act."
        if refused := visitor.refused(act.role, request):
            return refused
        if alarm is None or form.get("shown") != stamp(alarm):
            return CHANGED
        try:
            ask(self._settings, kind, act.body(alarm, form), visitor.name, form)
        except RequestError as refusal:
            return told(str(refusal))
        return act.done.format(who=visitor.name, minutes=form.get("minutes"))

    def _shown(self, name: str, rack: RackNow | None, visitor: Visitor, said: str) -> dict[str, Any]:
        alarm = _found(rack, name)
        shown: dict[str, Any] = {"name": name, "said": said, "need": None}
        if rack is None or alarm is None:
            return shown
        vessel = next((its for its in rack.vessels if its.name == alarm.vessel), None)
        called = {its.name: named(its) for its in rack.vessels}
        stage = vessel.stage.name if vessel else ""
        return shown | {
            "need": need_of(alarm, called, rack.made_ms, self._zone),
            "record": record_of(stage, alarm.quantity, alarm.condition, self._settings.own_records()),
            "alarm": alarm,
            "shown": stamp(alarm),
            "critical": alarm.priority == "critical" or alarm.condition in MILDER,
            "vessel": named(vessel) if vessel else "",
            "working": bool(vessel and vessel.maintenance_until_ms is not None),
            "sets_up": visitor.may(Role.SET_UP),
            "acts": visitor.may(Role.ACT),
        }


def _found(rack: RackNow | None, name: str) -> AlarmNow | None:
    return next((alarm for alarm in rack.alarms if alarm.name == name), None) if rack else None


def stamp(alarm: AlarmNow) -> str:
    """Return what tells whether an alarm is still as somebody has been shown it."""
    return f"{alarm.state} {alarm.priority} {alarm.since_ms} {alarm.held_by} {len(alarm.followers)}"


def ask(settings: Settings, kind: str, body: dict[str, Any], who: str, form: Form) -> None:
    """Ask the watch, once for each form however often that is sent; RequestError where it is not done."""
    request_id, path = form.get("id", ""), settings.journal.path
    if not _NEW_ID.fullmatch(request_id):
        raise RequestError("This form is broken; look, and say it again.")
    try:
        ask_daemon(path, kind, body, who, ANSWER_WITHIN_S, request_id)
    except UsedIdError as error:
        answer = RequestBox(path).answer_to(request_id)
        became = {None: "the watch will take that up when it runs", "": "that was done"}
        refused = "that was answered long ago" if answer == str(error) else f"that was not done: {answer}"
        was = became.get(answer, refused)
        raise UsedIdError(
            f"This form was sent before with other words; {was}. What it says now was not sent:"
            " send it again if it is to count as well."
        ) from error
