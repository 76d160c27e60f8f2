"""Moving a vessel to another life stage from its page: first what that changes, done on a second word."""

from collections.abc import Iterator
from typing import Any

from daemon.as_read import shown_unit, told
from daemon.errors import RequestError
from daemon.page.acts import CHANGED, ask
from daemon.page.people import Visitor
from daemon.page.pulse import Pulse
from daemon.page.vessel import band_words
from daemon.settings.page import Role
from daemon.settings.rack import Settings
from daemon.view.rack_now import StageNow
from daemon.web.server import Request
from daemon.words import label

_DAY_S = 86_400
OVER = {"at once": 0, **{f"over {days} d": days * _DAY_S for days in (1, 2, 4, 8, 14)}}
"""How long the limits take to those of the new stage, in seconds, by their word in the form."""


class StageMoves:
    """Shows the stages that a vessel can be moved to, and moves it; call it from any thread."""

    def __init__(self, settings: Settings, pulse: Pulse) -> None:
        self._settings, self._pulse = settings, pulse

    def __call__(self, vessel: str, request: Request, visitor: Visitor) -> dict[str, Any]:
        """Return what the page of a vessel shows of moves; `stages` is empty for who may not move it.

        `move` is one that awaits a second word: where to, over how long, and its limits in words.
        """
        said, move = "", None
        if request.acts:
            said, move = self._asked(vessel, request, visitor)
        now = self._now(vessel, look=request.acts)
        stages = self._stages(vessel, now) if now and visitor.may(Role.SET_UP) else []
        shown = _stamp(now) if now else ""
        return {"said": said, "move": move, "stages": stages, "over": list(OVER), "shown": shown}

    def _now(self, vessel: str, *, look: bool) -> StageNow | None:
        rack = (self._pulse.look_now() if look else self._pulse.newest).rack
        return next((it.stage for it in rack.vessels if it.name == vessel), None) if rack else None

    def _stages(self, vessel: str, now: StageNow) -> list[str]:
        return [it for it in self._settings.stage_names(vessel) if it != now.name]

    def _asked(self, vessel: str, request: Request, visitor: Visitor) -> tuple[str, dict[str, Any] | None]:
        form, now = request.form, self._now(vessel, look=True)
        stage, over = form.get("stage", ""), form.get("over", "")
        if refused := visitor.refused(Role.SET_UP, request):
            return refused, None
        if now is None or form.get("shown") != _stamp(now):
            return CHANGED, None
        if stage not in self._stages(vessel, now) or over not in OVER:
            return "This page does not know that stage. Nothing was done.", None
        if form.get("yes") != "yes":
            return "", {"stage": stage, "over": over, "limits": list(self._limits(vessel, stage))}
        try:
            body = {"vessel": vessel, "stage": stage, "over_s": OVER[over]}
            ask(self._settings, "move_stage", body, visitor.name, form)
        except RequestError as refusal:
            return told(str(refusal)), None
        return f"Moved to {stage} {over} by {visitor.name}.", None

    def _limits(self, vessel: str, stage: str) -> Iterator[str]:
        """Give the advisory limits that the stage has in this vessel."""
        with self._pulse.lock:
            tolerances = self._pulse.memory.tolerances_of(vessel)
        for quantity, its in tolerances.get(stage, {}).items():
            if its.advisory.low is not None or its.advisory.high is not None:
                unit = shown_unit(quantity)
                yield f"{label(quantity)} {band_words(its.advisory, quantity)} {unit}".rstrip()


def _stamp(now: StageNow) -> str:
    return f"{now.name} {now.since_ms}"
